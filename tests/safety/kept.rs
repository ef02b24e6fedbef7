//! Files that are there already: the user's, another program's, another job's.

use std::fs;

use super::files;
use crate::program::{Job, response};

const QUICK: [&str; 4] = ["--no-modes", "--bands", "octave", "--quiet"];

fn analyze<'a>(paths: &[&'a str], more: &[&'a str]) -> Vec<&'a str> {
    [&["analyze"][..], paths, &QUICK, more].concat()
}

/// Many a format has a `schema`: a folder is ours only by the program's name.
#[test]
fn a_schema_alone_makes_no_folder_ours() {
    for foreign in ["{\"schema\": 2}", "{\"schema\": 1, \"version\": \"0.1.0\", \"bands\": []}"] {
        let job =
            Job::new().with_response("s/a/seat.wav", 0.5).with_bytes("out/results.json", foreign.as_bytes());
        let run = job.run(&analyze(&["s"], &["--out", "out"]));
        assert_eq!(run.status, 2, "{}", run.err);
        assert_eq!(job.names("out"), ["results.json"]);
        assert_eq!(fs::read_to_string(job.path("out/results.json")).expect("there"), foreign);
    }
}

/// Single files have no folder of their own: the last job is in `files-results`, earlier ones beside it.
#[test]
fn jobs_on_single_files_keep_each_other_s_results() {
    let job = Job::new().with_response("a.wav", 0.5).with_response("b.wav", 0.3);
    let of = |folder: &str| job.json(&format!("{folder}/results.json"))["files"][0]["file"].to_string();
    assert_eq!(job.run(&analyze(&["a.wav"], &[])).status, 0);
    let first = files(&job.path("files-results"));
    let again = job.run(&analyze(&["a.wav"], &[]));
    assert_eq!((again.status, again.err.as_str()), (0, ""));
    assert_eq!(job.names(""), ["a.wav", "b.wav", "files-results"]);
    let run = job.run(&analyze(&["b.wav"], &[]));
    assert_eq!(run.status, 0);
    assert!(run.err.contains("files-results-1"), "{}", run.err);
    assert_eq!((of("files-results").as_str(), of("files-results-1").as_str()), ("\"b.wav\"", "\"a.wav\""));
    assert_eq!(files(&job.path("files-results-1")), first, "whole, as it was");
    assert_eq!(job.run(&analyze(&["a.wav"], &[])).status, 0);
    assert_eq!(of("files-results-2"), "\"b.wav\"");
    // Who names a folder means it.
    assert_eq!(job.run(&analyze(&["b.wav"], &["--out", "files-results"])).status, 0);
    assert!(!job.path("files-results-3").exists());
}

/// An analysis alone would take the changes away that a comparison has found: they stand beside it.
#[test]
fn an_analysis_keeps_the_comparison_that_stands_there() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_response("s/b/seat.wav", 0.3);
    let compare = [&["compare", "s", "--before", "a"][..], &QUICK].concat();
    assert_eq!(job.run(&compare).status, 0);
    let first = files(&job.path("s-results"));
    assert!(job.path("s-results/changes.csv").exists());
    assert_eq!(job.run(&compare).err, "", "a comparison makes way for the next");
    let run = job.run(&analyze(&["s"], &[]));
    assert!(run.status == 0 && run.err.contains("s-results held a comparison"), "{}", run.err);
    assert_eq!(files(&job.path("s-results-1")), first, "whole, as it was");
    assert!(!job.path("s-results/changes.csv").exists());
    // Who names a folder means it.
    assert_eq!(job.run(&compare).status, 0);
    assert_eq!(job.run(&analyze(&["s"], &["--out", "s-results"])).err, "");
    assert!(!job.path("s-results-2").exists());
}

/// Pictures of others, and what links lead to, stay; that is told before any work is done.
#[test]
fn pictures_replace_none_of_the_user_s() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_bytes("p/spectrum.svg", b"mine");
    let run = job.run(&analyze(&["s"], &["--figures", "p"]));
    assert_eq!(run.status, 2, "{}", run.err);
    assert!(run.err.contains("spectrum.svg") && run.err.contains("--force"), "{}", run.err);
    assert!(!job.path("s-results").exists());
    fs::remove_file(job.path("p/spectrum.svg")).expect("there");
    let pictures = analyze(&["s"], &["--figures", "p"]);
    assert_eq!(job.run(&pictures).status, 0);
    let made = job.names("p");
    assert!(made.contains(&"bands.svg".to_owned()) && made.contains(&"bands.png".to_owned()), "{made:?}");
    for name in &made {
        let stem = name.split('.').next().expect("a name").trim_end_matches(|c: char| c.is_ascii_digit());
        let kind = stem.strip_suffix('-').unwrap_or(stem);
        assert!(stillroom::report::FIGURES.contains(&kind), "{name} has no place among the known names");
    }
    assert_eq!(job.run(&pictures).status, 0, "our own are made anew");
    #[cfg(unix)]
    {
        fs::write(job.path("mine.svg"), "mine").expect("writable");
        fs::remove_file(job.path("p/bands.svg")).expect("there");
        std::os::unix::fs::symlink(job.path("mine.svg"), job.path("p/bands.svg")).expect("links");
        assert_eq!(job.run(&pictures).status, 2);
        let forced = [&pictures[..], &["--force"]].concat();
        assert_eq!(job.run(&forced).status, 0);
        assert_eq!(fs::read(job.path("mine.svg")).expect("there"), b"mine");
    }
}

/// Not even by force, be it a recording or the signal that was played.
#[test]
fn a_response_never_replaces_its_recording() {
    let job = Job::new().with_response("seat.wav", 0.5).with_response("sweep.wav", 0.3);
    let before = files(&job.path(""));
    for arguments in [
        &["respond", "seat.wav", "--signal", "sweep.wav", "--out", ".", "--force"][..],
        &["respond", "seat.wav", "--signal", "seat.wav", "--out", ".", "--force"],
    ] {
        let run = job.run(arguments);
        assert_eq!(run.status, 2, "{}", run.err);
        assert!(run.err.contains("would replace a recording"), "{}", run.err);
    }
    let job = job.with_response("raw/sweep.wav", 0.4);
    let run = job.run(&["respond", "raw/sweep.wav", "--signal", "sweep.wav", "--out", ".", "--force"]);
    assert_eq!(run.status, 2, "the signal is an input too: {}", run.err);
    assert!(files(&job.path("")).iter().all(|(name, bytes)| name == "raw" || before[name] == *bytes));
}

#[test]
fn a_manifest_is_written_whole_or_not_at_all() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5);
    assert_eq!(job.run(&["check", "s", "--write"]).status, 0);
    let first = fs::read(job.path("s/session.toml")).expect("drafted");
    let run = job.run(&["check", "s", "--write"]);
    assert!(run.status == 2 && run.err.contains("never replaced"), "{}", run.err);
    assert_eq!(fs::read(job.path("s/session.toml")).expect("there"), first);
    assert_eq!(job.names("s"), ["a", "session.toml"], "no half-written file is left");
}

/// Each failure names its file, on the screen and in `results.json`; a file that gave nothing isn't "used".
#[test]
fn failures_name_their_files() {
    let mut silent = response("x", 0.5, 1);
    silent[44..].fill(0);
    let job = Job::new()
        .with_response("s/a/seat_1.wav", 0.5)
        .with_response("s/a/unnamed.wav", 0.5)
        .with_bytes("s/a/door_1.wav", &silent)
        .with_bytes("s/a/desk_1.wav", b"RIFF");
    let run = job.run(&analyze(&["s"], &["--names", "{position}_{take}"]));
    assert_eq!(run.status, 3, "{}", run.err);
    let found = job.json("s-results/results.json");
    for file in ["a/unnamed.wav", "a/door_1.wav", "a/desk_1.wav"] {
        assert!(run.err.contains(&format!("error: {file}: ")), "{file}: {}", run.err);
        let failures = found["failures"].as_array().expect("a table");
        let of_file = failures.iter().filter(|failure| failure["file"] == file).count();
        assert_eq!(of_file, 1, "{file}: {failures:?}");
    }
    let files = found["files"].as_array().expect("a table");
    for row in files {
        assert_eq!(row["used"], row["file"] == "a/seat_1.wav", "{row}");
    }
    let run = job.run(&["check", "s", "--names", "{position}_{take}"]);
    assert!(run.err.contains("a/unnamed.wav: its name does not fit"), "{}", run.err);
}

/// A state's folder, and one of results of other programs, are never taken for a place to put results.
#[test]
fn results_never_go_into_a_folder_of_recordings() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_response("s-results/seat.wav", 0.5);
    let run = job.run(&analyze(&["s"], &[]));
    assert_eq!(run.status, 2, "{}", run.err);
    assert_eq!(job.names("s-results"), ["seat.wav"]);
}
