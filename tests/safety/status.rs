//! Exit statuses: what could not be written or was stopped is never a success, and nothing panics.

use std::fs;
use std::process::Stdio;
use std::time::Duration;

use crate::program::{Job, Run, ended};

#[cfg(target_os = "linux")]
fn into_full(job: &Job, arguments: &[&str], stderr_too: bool) -> Run {
    let full = || Stdio::from(fs::File::options().write(true).open("/dev/full").expect("Linux has it"));
    let mut command = job.command(arguments);
    command.stdout(full());
    if stderr_too {
        command.stderr(full());
    }
    ended(&command.output().expect("the program runs"))
}

/// What went to standard output and could not be written there is missing: status 1, with a word.
#[cfg(target_os = "linux")]
#[test]
fn a_full_standard_output_is_no_success_and_no_panic() {
    let job = Job::new().with_response("seat.wav", 0.5);
    let analyze = ["analyze", "seat.wav", "--no-modes", "--bands", "octave", "--out", "o", "--format"];
    let with = |format: &'static str| [&analyze[..], &[format]].concat();
    for arguments in [
        vec!["predict", "--dims", "5x4x3"],
        vec!["predict", "--dims", "5x4x3", "--format", "csv"],
        vec!["predict", "--dims", "5x4x3", "--format", "json"],
        vec!["completions", "bash"],
        vec!["check", "seat.wav"],
        with("table"),
        with("csv"),
        with("json"),
        vec!["--help"],
    ] {
        let run = into_full(&job, &arguments, false);
        assert_eq!(run.status, 1, "{arguments:?}: {}", run.err);
        assert!(
            arguments[0] == "--help" || run.err.contains("standard output"),
            "{arguments:?}: {}",
            run.err
        );
        assert!(!run.err.contains("panicked"), "{arguments:?}: {}", run.err);
        assert_eq!(into_full(&job, &arguments, true).status, 1, "{arguments:?}, nobody to tell");
    }
    assert_eq!(into_full(&job, &["analyze", "nowhere"], true).status, 2);
}

/// A reader that has seen enough is a normal end.
#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_is_a_normal_end() {
    let job = Job::new();
    for format in ["table", "csv", "json"] {
        let to = ["predict", "--dims", "5x4x3", "--to", "200", "--format", format];
        let mut child = job.command(&to).spawn().expect("the program runs");
        drop(child.stdout.take());
        let run = ended(&child.wait_with_output().expect("it ends"));
        assert_eq!((run.status, run.err.as_str()), (0, ""), "{format}");
    }
}

#[test]
fn nothing_done_is_no_success() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_response("s/b/seat.wav", 0.3);
    let run = job.run(&["compare", "s", "--before", "a", "--modes-from", "100", "--modes-to", "50"]);
    assert_eq!(run.status, 2, "{}", run.out);
    // Without modes bands are compared all the same.
    let run = job.run(&["compare", "s", "--before", "a", "--no-modes", "--bands", "octave"]);
    assert_eq!(run.status, 0, "{}", run.err);
    let bands = fs::read_to_string(job.path("s-results/band_changes.csv")).expect("written");
    assert_eq!(bands.lines().filter(|line| line.starts_with("a,b,seat,")).count(), 10, "{bands}");
    let changes = fs::read_to_string(job.path("s-results/changes.csv")).expect("written");
    assert_eq!(changes.lines().count(), 1, "the header only: {changes}");
    // A state of silence leaves nothing to compare with.
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_bytes("s/b/seat.wav", b"RIFF");
    let run = job.run(&["compare", "s", "--before", "a", "--no-modes"]);
    assert_eq!(run.status, 3, "{}", run.err);
}

#[test]
fn a_manifest_that_is_no_text_is_wrong_usage() {
    let utf16: Vec<u8> =
        [0xfeff].into_iter().chain("title = 'x'".encode_utf16()).flat_map(u16::to_le_bytes).collect();
    let large = vec![b'#'; (4 << 20) + 1];
    for (what, manifest) in [("UTF-16", utf16), ("4 MiB", large), ("no UTF-8", b"title = \"\xff\"".to_vec())]
    {
        let job = Job::new().with_response("s/a/seat.wav", 0.5).with_bytes("s/session.toml", &manifest);
        for command in ["check", "analyze"] {
            let run = job.run(&[command, "s"]);
            assert_eq!(run.status, 2, "{what}: {}", run.err);
            assert!(run.err.contains("session.toml"), "{what}: {}", run.err);
        }
    }
}

#[cfg(unix)]
pub fn interrupted(job: &Job, arguments: &[&str], name: &str, first: Duration) -> Run {
    let mut wait = first;
    // On a fast machine it may be done already: sooner, then.
    for _ in 0..12 {
        let child = job.command(arguments).spawn().expect("the program runs");
        std::thread::sleep(wait);
        let id = child.id().to_string();
        let sent = std::process::Command::new("kill").args([&format!("-{name}"), &id]).status();
        assert!(sent.is_ok_and(|status| status.success()));
        let run = ended(&child.wait_with_output().expect("it ends"));
        if run.status == 130 {
            return run;
        }
        // Before it listened, or after it was done.
        wait = if run.status < 0 { wait * 2 } else { wait / 2 };
    }
    panic!("never stopped in the middle: {arguments:?}");
}

#[cfg(unix)]
fn many(states: usize) -> Job {
    (0..states).fold(Job::new(), |job, n| job.with_response(&format!("s/state{n}/seat.wav"), 0.5))
}

/// What was complete stays to the last byte; what was finished stands beside it, said to be stopped.
#[cfg(unix)]
#[test]
fn an_interrupt_leaves_complete_results_alone() {
    let job = many(40);
    assert_eq!(job.run(&["analyze", "s", "--no-modes", "--bands", "octave", "--quiet"]).status, 0);
    let before = super::files(&job.path("s-results"));
    for (name, command) in [
        ("INT", &["analyze", "s", "--jobs", "1", "--modes-to", "300"][..]),
        ("TERM", &["compare", "s", "--before", "state0", "--jobs", "1", "--modes-to", "300"]),
    ] {
        let run = interrupted(&job, command, name, Duration::from_millis(700));
        assert_eq!(super::files(&job.path("s-results")), before, "{command:?}");
        assert!(run.err.contains("stopped before"), "{command:?}: {}", run.err);
        // States that were fitted in time may show theirs; of the others nothing is said to be missing.
        for empty in ["no resonance", "No resonance", "No single mode", "No mode to treat"] {
            assert!(!run.out.contains(empty), "{command:?}: {}", run.out);
        }
        assert!(!run.out.contains("Report:") && !run.out.contains("Next:"), "{command:?}: {}", run.out);
        if run.err.contains("s-results-interrupted") {
            let found = job.json("s-results-interrupted/results.json");
            let warnings = found["warnings"].to_string();
            assert!(warnings.contains("stopped before its end"), "{warnings}");
            assert!(!job.path("s-results-interrupted/report.html").exists(), "no page for a client");
            assert!(!job.path("s-results-interrupted/changes.csv").exists(), "nothing was compared");
        }
    }
    assert!(job.names("").iter().all(|name| !name.starts_with('.')), "{:?}", job.names(""));
}

/// What a stopped run left beside the results is named by the run that is complete; a folder of somebody else's is not.
#[test]
fn a_complete_run_names_what_a_stopped_one_left() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5);
    let analyze = ["analyze", "s", "--no-modes", "--bands", "octave"];
    fs::create_dir(job.path("s-results-interrupted")).expect("writable");
    let run = job.run(&analyze);
    assert!(run.status == 0 && !run.err.contains("interrupted"), "{}", run.err);
    fs::remove_dir(job.path("s-results-interrupted")).expect("it is there");
    fs::rename(job.path("s-results"), job.path("s-results-interrupted")).expect("writable");
    let run = job.run(&analyze);
    assert_eq!(run.status, 0, "{}", run.err);
    assert!(run.err.contains("s-results-interrupted is what an earlier run had finished"), "{}", run.err);
    assert!(job.path("s-results-interrupted/results.json").exists(), "nothing is deleted");
}

#[cfg(unix)]
#[test]
fn an_interrupted_check_gives_no_verdict() {
    let job = many(60);
    let run = interrupted(&job, &["check", "s", "--jobs", "1"], "INT", Duration::from_millis(150));
    assert!(!run.out.contains("enough") && run.err.contains("no verdict"), "{}{}", run.out, run.err);
}
