//! Accuracy of the mode fit against the Cramér–Rao bound, by Monte Carlo on closed-form rooms.
//!
//! `cargo bench --bench accuracy -- [--draws N] [--filter WORD] [--no-refits] [--trace]` prints a Markdown table.

#![allow(clippy::print_stdout, reason = "a bench reports on the screen")]

#[path = "../tests/synthetic/score.rs"]
mod score;
#[path = "../tests/synthetic/mod.rs"]
mod synthetic;

use score::{Cell, Score};
use std::time::Instant;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let after =
        |name: &str| arguments.iter().position(|a| a == name).and_then(|i| arguments.get(i + 1)).cloned();
    let draws: u64 = after("--draws").and_then(|d| d.parse().ok()).unwrap_or(3);
    let filter = after("--filter").unwrap_or_default();
    let refits = !arguments.iter().any(|a| a == "--no-refits");
    println!("{}", Score::HEADER);
    let mut whole = Score::default();
    for cell in Cell::all() {
        if !cell.name().contains(&filter) {
            continue;
        }
        let start = Instant::now();
        let score = cell.run(draws, refits);
        println!("{} | {:.2} s |", score.row(&cell.name()), start.elapsed().as_secs_f64() / draws as f64);
        if arguments.iter().any(|a| a == "--trace") {
            println!("{}", score.notes.join("\n"));
        }
        whole.add(&score);
    }
    println!("{} | |", whole.row("all"));
}
