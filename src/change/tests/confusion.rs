//! Many invented sessions, and what the verdicts make of them.

use super::jobs::{KINDS, job};
use super::session::{RANGE_HZ, compared};
use super::tally::{Tally, judge};
use crate::change::ChangeSettings;
use std::fmt::Write as _;

fn run(per_kind: usize, settings: &ChangeSettings) -> Tally {
    let mut tally = Tally::default();
    for kind in KINDS {
        for number in 0..per_kind {
            let (job, mut gauss) = job(kind, number);
            let before = job.before.measure(job.noise.0, 2.5, &mut gauss);
            let after = job.after.measure(job.noise.1, 2.5, &mut gauss);
            let changes = compared(&before, &after, settings);
            judge(&job, &before, &after, &changes, &mut tally, &format!("{kind} {number}"));
        }
    }
    tally
}

fn table(tally: &Tally) -> String {
    let words = ["gone", "shorter", "longer", "chain", "level-only", "unchanged", "unsure"];
    let mut text = format!("| session | {} |\n| --- |{}\n", words.join(" | "), " --- |".repeat(words.len()));
    for kind in KINDS {
        let cells: Vec<String> =
            words.iter().map(|w| tally.rows.get(&(kind, *w)).copied().unwrap_or(0).to_string()).collect();
        let _ = writeln!(text, "| {kind} | {} |", cells.join(" | "));
    }
    let percent = |a: usize, b: usize| 100.0 * a as f64 / b.max(1) as f64;
    let mut line = |what: &str, a: usize, b: usize| {
        let _ = writeln!(text, "{what}: {a} of {b} ({:.2} %)", percent(a, b));
    };
    line("wrong verdicts", tally.wrong.len(), tally.verdicts);
    line("`shorter` on untouched modes", tally.false_shorter, tally.untouched);
    line("T60 intervals that hold the truth", tally.covered, tally.intervals);
    line("level intervals that hold the truth", tally.level_covered, tally.level_intervals);
    line("unsure of decidable changes", tally.decidable_unsure.len(), tally.decidable);
    line("unsure of decidable steady modes", tally.steady_unsure.len(), tally.steady);
    line("missed splits", tally.missed.len(), tally.splits);
    line("false new of new", tally.false_new.len(), tally.new);
    line("false new of rows", tally.false_new.len(), tally.before_rows);
    line("mispaired", tally.mispaired.len(), tally.before_rows);
    line("modes under a filter (over 1 dB) called chain", tally.chain_found, tally.chain_modes);
    text
}

/// Holds a tally of some two hundred sessions against what a consultant may sign (shares in per cent; our own limits).
fn hold(tally: &Tally) {
    let percent = |a: usize, b: usize| 100.0 * a as f64 / b.max(1) as f64;
    let most = |what: &str, a: usize, b: usize, limit: f64| {
        assert!(percent(a, b) <= limit, "{what}: {a} of {b}, allowed {limit} %");
    };
    most("wrong verdicts", tally.wrong.len(), tally.verdicts, 1.0);
    most("shorter on untouched modes", tally.false_shorter, tally.untouched, 2.5);
    most("unsure of decidable changes", tally.decidable_unsure.len(), tally.decidable, 5.0);
    most("false new of rows", tally.false_new.len(), tally.before_rows, 2.0);
    most("missed splits", tally.missed.len(), tally.splits, 10.0);
    let held = percent(tally.covered, tally.intervals);
    assert!((92.0..=97.0).contains(&held), "intervals hold {held:.1} %");
    assert!(tally.verdicts > 1000 && tally.splits > 30 && tally.decidable > 100, "too few to judge");
}

/// Prints the confusion table; `CHANGE_SESSIONS` sets how many sessions of each kind (20).
#[test]
#[ignore = "hundreds of sessions; minutes"]
#[allow(clippy::print_stdout)]
fn confusion_table_at_the_bound() {
    let per_kind = std::env::var("CHANGE_SESSIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let stated = std::env::var("CHANGE_STATED").is_ok().then_some(true);
    let settings = ChangeSettings { same_chain: stated, range_hz: RANGE_HZ, ..ChangeSettings::default() };
    let tally = run(per_kind, &settings);
    println!("{}", table(&tally));
    if per_kind >= 20 {
        hold(&tally);
    }
    for (what, lines) in [
        ("wrong", &tally.wrong),
        ("undecided", &tally.decidable_unsure),
        ("steady undecided", &tally.steady_unsure),
        ("missed split", &tally.missed),
        ("false new", &tally.false_new),
        ("mispaired", &tally.mispaired),
    ] {
        for line in lines.iter().take(25) {
            println!("{what}: {line}");
        }
    }
}
