//! Accuracy of the mode fit against the Cramér–Rao bound, by Monte Carlo on closed-form rooms, and what
//! it says of measured and finite-element responses.
//!
//! `cargo bench --bench accuracy -- [--draws N] [--filter WORD] [--no-refits] [--trace]` prints a Markdown table of N
//! draws a cell (default 3); with `--write` it goes into `docs/` cell by cell (default 24 draws; cells already there
//! with as many or more are kept), with `--measured` the fits of the responses in the folder that `STILLROOM_IR` names
//! are shown.

#![allow(clippy::print_stdout, reason = "a bench reports on the screen")]

#[path = "../tests/measured/mod.rs"]
mod measured;
#[path = "../tests/synthetic/score.rs"]
mod score;
#[path = "../tests/synthetic/mod.rs"]
mod synthetic;
#[path = "../tests/synthetic/table.rs"]
mod table;

use measured::{Agreement, arni, fit_lows, known, list, single};
use score::{Cell, Score};
use std::time::Instant;
use stillroom::modes::ModeSet;
use stillroom::response::LowRecord;

struct Arguments {
    words: Vec<String>,
}

impl Arguments {
    fn has(&self, name: &str) -> bool {
        self.words.iter().any(|a| a == name)
    }

    fn after(&self, name: &str) -> Option<&String> {
        self.words.iter().position(|a| a == name).and_then(|i| self.words.get(i + 1))
    }
}

fn main() {
    let arguments = Arguments { words: std::env::args().skip(1).collect() };
    if arguments.has("--measured") {
        measured_rooms(&arguments);
    } else if arguments.has("--write") {
        if let Err(error) = write_table(&arguments) {
            println!("{error}");
        }
    } else {
        synthetic_rooms(&arguments);
    }
}

fn synthetic_rooms(arguments: &Arguments) {
    let draws: u64 = arguments.after("--draws").and_then(|d| d.parse().ok()).unwrap_or(3);
    let filter = arguments.after("--filter").cloned().unwrap_or_default();
    println!("{}", Score::HEADER);
    let mut whole = Score::default();
    for cell in Cell::all() {
        if !cell.name().contains(&filter) {
            continue;
        }
        let start = Instant::now();
        let score = cell.run(0..draws, !arguments.has("--no-refits"));
        println!("{} | {:.2} s |", score.row(&cell.name()), start.elapsed().as_secs_f64() / draws as f64);
        if arguments.has("--trace") {
            println!("{}", score.notes.join("\n"));
        }
        whole.add(&score);
    }
    println!("{} | |", whole.row("all"));
}

/// Every cell that the committed table lacks, written as soon as it is done.
fn write_table(arguments: &Arguments) -> std::io::Result<()> {
    let draws: u64 = arguments.after("--draws").and_then(|d| d.parse().ok()).unwrap_or(24);
    let done = table::committed();
    let mut rows = Vec::new();
    for cell in Cell::all() {
        let known = done.iter().find(|r| r.cell == cell.name() && r.seed == cell.seed && r.draws >= draws);
        let row = known.cloned().unwrap_or_else(|| table::Row::new(&cell, draws, &cell.run(0..draws, true)));
        rows.push(row);
        table::write(&rows)?;
    }
    Ok(())
}

fn measured_rooms(arguments: &Arguments) {
    let filter = arguments.after("--filter").cloned().unwrap_or_default();
    let run = |name: &str, first: Option<Vec<LowRecord>>, second: Option<Vec<LowRecord>>, later_s: f64| {
        if !filter.split(',').any(|word| name.contains(word)) {
            return;
        }
        let (Some(first), Some(second)) = (first, second) else { return };
        let start = Instant::now();
        let fit = |lows: &[LowRecord], later_s: f64| fit_lows(lows, later_s, !arguments.has("--no-refits"));
        let (a, b) = (fit(&first, 0.0), fit(&second, later_s));
        report(name, &a, &b, arguments.has("--trace"), start.elapsed().as_secs_f64());
    };
    for (name, state) in [("arni live", "50"), ("arni dry", "2")] {
        run(name, arni(state, &[1, 3, 5]).map(|l| vec![l]), arni(state, &[2, 4]).map(|l| vec![l]), 0.0);
    }
    for name in ["openair_genesis6_live_room", "but_room112"] {
        let low = || single(name).map(|l| vec![l]);
        run(name, low(), low(), 0.012);
    }
    for (room, state) in
        [("fem_l_room", "untreated"), ("fem_l_room", "treated"), ("fem_box_uneven", "as_found")]
    {
        if !filter.split(',').any(|word| format!("{room} {state}").contains(word)) {
            continue;
        }
        let Some(known) = known(room, state) else { continue };
        run(room, Some(known.every_other(0)), Some(known.every_other(1)), 0.0);
        let start = Instant::now();
        let set = fit_lows(&known.lows, 0.0, !arguments.has("--no-refits"));
        let seconds = start.elapsed().as_secs_f64();
        let mut score = Score::default();
        score::judge(&mut score, &known.poles, &known.bounds(), &set, (20.0, 110.0), &mut Vec::new());
        println!(
            "{} | {seconds:.2} s\n{}",
            score.row(&format!("{room} {state} all positions")),
            score.notes.join("\n")
        );
        if arguments.has("--trace") {
            println!("{}", list(&set));
        }
    }
}

fn report(name: &str, a: &ModeSet, b: &ModeSet, trace: bool, seconds: f64) {
    let agreed = Agreement::of(a, b);
    let low = |set: &ModeSet| measured::stable_between(set, 0.0, 45.0);
    println!(
        "{name}: {:?} claims ({}, {} under 45 Hz), {} pairs, frequency {} T60 {} agree, {seconds:.2} s",
        agreed.claims,
        low(a),
        low(b),
        agreed.pairs,
        agreed.frequency,
        agreed.decay,
    );
    for note in &agreed.notes {
        println!("    {note}");
    }
    if trace {
        println!("{}\n{}", list(a), list(b));
    }
}
