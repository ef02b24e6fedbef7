//! Runs that are killed or interrupted while they replace results: never a mix, never a loss.

#![cfg(unix)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use stillroom::output::{Folder, Overwrite};

use super::{Dice, files};
use crate::program::Job;

fn signal(child: &Child, name: &str) {
    let sent = Command::new("kill").args([&format!("-{name}"), &child.id().to_string()]).status();
    assert!(sent.is_ok_and(|status| status.success()), "kill -{name}");
}

/// The program itself, over its whole run: 200 times, by SIGKILL, SIGTERM and SIGINT in turn.
#[test]
#[ignore = "a minute"]
fn a_run_stopped_at_any_moment_leaves_old_or_new() {
    let job = Job::new().with_response("s/a/seat.wav", 0.5).with_response("s/b/seat.wav", 0.3);
    let run = |bands: &'static str| {
        ["analyze", "s", "--no-modes", "--bands", bands, "--out", "out", "--quiet", "--jobs", "1"]
    };
    let mut whole: BTreeMap<&str, _> = BTreeMap::new();
    let mut took = Duration::ZERO;
    for bands in ["octave", "third"] {
        let begin = Instant::now();
        assert_eq!(job.run(&run(bands)).status, 0);
        took = begin.elapsed();
        whole.insert(bands, files(&job.path("out")));
    }
    assert_ne!(whole["octave"], whole["third"]);
    let (mut dice, mut now, mut replaced, mut ends) = (Dice(1), "third", 0, BTreeMap::new());
    for k in 0..200 {
        let next = if now == "third" { "octave" } else { "third" };
        let mut child = job.command(&run(next)).spawn().expect("the program runs");
        std::thread::sleep(took.mul_f64(1.2 * dice.below(1000) as f64 / 1000.0));
        signal(&child, ["KILL", "TERM", "INT"][k % 3]);
        let status = child.wait().expect("it ends").code();
        *ends.entry(status).or_insert(0) += 1;
        assert!(matches!(status, None | Some(0 | 130)), "{status:?}");
        let found = files(&job.path("out"));
        let which = ["octave", "third"].into_iter().find(|bands| found == whole[bands]);
        let which = which.unwrap_or_else(|| panic!("mixed or lost in round {k}: {:?}", found.keys()));
        replaced += usize::from(which == next);
        now = which;
    }
    println!("200 stops: {replaced} after the exchange, ends by status {ends:?}");
    assert_eq!(job.run(&run("third")).status, 0);
    let left: Vec<String> = job.names("").into_iter().filter(|name| name.starts_with('.')).collect();
    assert!(left.is_empty(), "cleared away by the next run: {left:?}");
}

/// Where the child process below is told to write.
const TARGET: &str = "STILLROOM_TEST_REWRITES";

/// And from which round on.
const FIRST: &str = "STILLROOM_TEST_FIRST";
/// More rounds than a child writes before it is killed.
const ROUNDS: u64 = 1_000_000;

/// Not a test of its own: a process that replaces results for ever, to be killed.
#[test]
#[ignore = "started by the test below"]
fn rewriter() {
    let Some(target) = std::env::var_os(TARGET) else { return };
    let first = std::env::var(FIRST).ok().and_then(|text| text.parse().ok()).unwrap_or(0_u64);
    for round in first.. {
        rewrite(Path::new(&target), round);
    }
}

/// Results in our form: every file says which round it is of; two of the tables are not in every round.
fn rewrite(target: &Path, round: u64) {
    let mut batch = Folder::open(target, Overwrite::OnlyOurs).expect("ours").batch().expect("writable");
    let head = format!("{{\"schema\": 1, \"program\": \"stillroom\", \"round\": {round}}}");
    batch.add("results.json", |out| out.write_all(head.as_bytes())).expect("writable");
    let tables: &[&str] = if round.is_multiple_of(2) {
        &["bands.csv", "modes.csv", "changes.csv", "targets.csv"]
    } else {
        &["bands.csv", "modes.csv"]
    };
    for table in tables {
        batch.add(table, |out| out.write_all(format!("{round}").as_bytes())).expect("writable");
    }
    batch.commit().expect("writable");
}

/// The round that `results.json` is of.
fn head_of(target: &Path) -> Option<u64> {
    let head: serde_json::Value =
        serde_json::from_slice(&fs::read(target.join("results.json")).ok()?).ok()?;
    head["round"].as_u64()
}

/// The round that all files are of, if they are of one and complete.
fn round_of(target: &Path) -> Option<u64> {
    let (found, round) = (files(target), head_of(target)?);
    let tables: Vec<&String> = found.keys().filter(|name| name.ends_with(".csv")).collect();
    let complete = tables.len() == if round.is_multiple_of(2) { 4 } else { 2 };
    let all = tables.iter().all(|table| found[*table] == format!("{round}").as_bytes());
    (complete && all).then_some(round)
}

/// Nothing but writing, killed 200 times: half of it where the two folders change places, half where a
/// folder of the user's keeps them from it and the journal does it. The user's own files stay.
#[test]
#[ignore = "a minute"]
fn a_killed_rewrite_leaves_old_or_new() {
    for journal in [false, true] {
        let job = Job::new();
        let target = job.path("out");
        rewrite(&target, 0);
        fs::write(target.join("notes.txt"), "mine").expect("writable");
        if journal {
            fs::create_dir(target.join("mine")).expect("writable");
            fs::write(target.join("mine/photo.png"), "mine").expect("writable");
        }
        let here = module_path!().split_once("::").map_or("", |(_, here)| here);
        let rewriter = format!("{here}::rewriter");
        let (mut dice, mut half, mut rounds) = (Dice(2), 0, 0);
        for k in 1..=100 {
            let first = k * ROUNDS;
            let mut child = Command::new(std::env::current_exe().expect("known"))
                .args(["--ignored", "--exact", &rewriter])
                .env(TARGET, &target)
                .env(FIRST, first.to_string())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .expect("it runs");
            let begin = Instant::now();
            while head_of(&target).is_none_or(|round| round < first) {
                assert!(begin.elapsed() < Duration::from_secs(60), "it never began");
                std::thread::sleep(Duration::from_millis(1));
            }
            std::thread::sleep(Duration::from_micros(dice.below(100_000) as u64));
            child.kill().expect("it was running");
            child.wait().expect("it ends");
            half += usize::from(round_of(&target).is_none());
            assert!(journal || round_of(&target).is_some(), "mixed or lost in round {k}");
            // The next run, whatever it is, looks at the folder first.
            Folder::open(&target, Overwrite::OnlyOurs).expect("ours");
            let round = round_of(&target);
            let round = round.unwrap_or_else(|| panic!("mixed or lost in round {k}: {:?}", job.names("out")));
            rounds += 1 + round - first;
        }
        rewrite(&target, 0);
        assert_eq!(fs::read(target.join("notes.txt")).expect("kept"), b"mine");
        assert!(!journal || fs::read(target.join("mine/photo.png")).expect("kept") == b"mine");
        let hidden = |folder: &str| job.names(folder).iter().any(|name| name.starts_with('.'));
        assert!(!hidden("") && !hidden("out"), "{:?} {:?}", job.names(""), job.names("out"));
        println!(
            "journal {journal}: 100 kills, {rounds} rounds written, {half} times half way before the mending"
        );
    }
}
