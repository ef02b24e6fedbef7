//! A few draws of every cell of the Monte-Carlo table, held against what is committed.
//!
//! The table: docs/accuracy.md, made with the seeds in docs/accuracy-draws.csv. Truth and Cramér–Rao bound are
//! closed forms (`tests/synthetic`).

use crate::score::{Cell, Score, quantile};
use crate::table;

/// Draws redone in every cell.
const DRAWS: u64 = 2;

fn share(part: u32, whole: u32) -> f64 {
    f64::from(part) / f64::from(whole.max(1))
}

/// Every cell is in the table, with the seed it is made from, and nothing else is.
#[test]
fn the_committed_table_is_of_these_cells() {
    let committed: Vec<(String, u64)> =
        table::committed().into_iter().map(|row| (row.cell, row.seed)).collect();
    let cells: Vec<(String, u64)> = Cell::all().iter().map(|cell| (cell.name(), cell.seed)).collect();
    assert_eq!(committed, cells);
}

/// Two draws a cell can't show a cell's percentiles; all cells together show shares and medians: found and false
/// within 3 and 1 % of the table's, coverage within 3 %, widths within 5 %, median error that of a fit at its bound.
#[test]
#[ignore = "a few minutes: part of the longer suites"]
fn a_few_draws_agree_with_the_table() {
    let rows = table::committed();
    let mut whole = Score::default();
    for cell in Cell::all() {
        let Some(row) = rows.iter().find(|row| row.cell == cell.name()) else { continue };
        let score = cell.run(0..DRAWS, true);
        let expected = DRAWS as f64 * f64::from(row.counts.false_claims) / row.draws as f64;
        // A Poisson count beyond this has a chance of about 1e-3 at these rates.
        let most = expected + 4.0 * expected.sqrt() + 2.0;
        assert!(f64::from(score.counts.false_claims) <= most, "{}: {:?}", row.cell, score.notes);
        whole.add(&score);
    }
    println!("{}", whole.row("all, redone"));
    let (now, then) = (whole.counts, table::sum(&rows));
    let notes = &whole.notes;
    assert!(share(now.found, now.decidable) > share(then.found, then.decidable) - 0.03, "{notes:?}");
    assert!(share(now.false_claims, now.claims) < share(then.false_claims, then.claims) + 0.01, "{notes:?}");
    assert!((now.held_percent().0 - then.held_percent().0).abs() < 3.0);
    assert!((now.held_percent().1 - then.held_percent().1).abs() < 3.0);
    let widths: Vec<f64> = rows.iter().map(|row| row.width).filter(|w| w.is_finite()).collect();
    assert!((quantile(&whole.widths, 0.5) / quantile(&widths, 0.5) - 1.0).abs() < 0.05);
    // χ² with one degree has the median 0.455; a fit within 1.25 of its bound 0.71.
    for squares in [&whole.single_frequency, &whole.single_decay] {
        assert!(quantile(squares, 0.5) < 0.71, "{}", quantile(squares, 0.5));
    }
}
