//! The Monte-Carlo table: written once with its seeds, held against a few draws by the longer suite.
#![allow(dead_code)]

use super::score::{Cell, Counts, Score, quantile};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// One cell as it stands in `docs/accuracy-draws.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub cell: String,
    pub seed: u64,
    pub draws: u64,
    pub counts: Counts,
    /// Rms error over bound of each mode, frequency.
    pub frequency: Vec<f64>,
    /// Rms error over bound of each mode, T60.
    pub t60: Vec<f64>,
    /// Median of the claimed sd of T60 over its bound.
    pub width: f64,
}

const COLUMNS: &str = "cell,seed,draws,decidable,found,claims,false_claims,held_frequency,held_t60,\
frequency_over_bound,t60_over_bound,sd_over_bound";

impl Row {
    pub fn new(cell: &Cell, draws: u64, score: &Score) -> Self {
        Self {
            cell: cell.name(),
            seed: cell.seed,
            draws,
            counts: score.counts,
            frequency: score.frequency.clone(),
            t60: score.decay.clone(),
            width: quantile(&score.widths, 0.5),
        }
    }

    fn line(&self) -> String {
        let list = |values: &[f64]| values.iter().map(|v| format!("{v:.3}")).collect::<Vec<_>>().join(" ");
        format!(
            "{},{},{},{},{},{},{},{},{},{},{},{:.3}",
            self.cell,
            self.seed,
            self.draws,
            self.counts.decidable,
            self.counts.found,
            self.counts.claims,
            self.counts.false_claims,
            self.counts.held_frequency,
            self.counts.held_decay,
            list(&self.frequency),
            list(&self.t60),
            self.width
        )
    }

    fn parse(line: &str) -> Option<Self> {
        let cells: Vec<&str> = line.split(',').collect();
        if cells.len() != COLUMNS.split(',').count() {
            return None;
        }
        let count = |i: usize| cells.get(i)?.parse::<u32>().ok();
        let list = |i: usize| {
            cells.get(i)?.split_whitespace().map(|v| v.parse::<f64>().ok()).collect::<Option<Vec<_>>>()
        };
        Some(Self {
            cell: (*cells.first()?).to_owned(),
            seed: u64::from(count(1)?),
            draws: u64::from(count(2)?),
            counts: Counts {
                decidable: count(3)?,
                found: count(4)?,
                claims: count(5)?,
                false_claims: count(6)?,
                held_frequency: count(7)?,
                held_decay: count(8)?,
            },
            frequency: list(9)?,
            t60: list(10)?,
            width: cells.get(11)?.parse().ok()?,
        })
    }

    fn markdown(&self) -> String {
        let ([a, b], [c, d]) = (median_and_p90(&self.frequency), median_and_p90(&self.t60));
        let (frequency, t60) = self.counts.held_percent();
        format!(
            "| {} | {} | {} | {a:.2}, {b:.2} | {c:.2}, {d:.2} | {:.2} | {frequency:.1}, {t60:.1} |",
            self.cell,
            self.draws,
            self.counts.cells(),
            self.width,
        )
        .replace("NaN, NaN", "–")
        .replace("NaN", "–")
    }
}

fn median_and_p90(values: &[f64]) -> [f64; 2] {
    [quantile(values, 0.5), quantile(values, 0.9)]
}

/// The counts of all rows together.
pub fn sum(rows: &[Row]) -> Counts {
    let mut whole = Counts::default();
    rows.iter().for_each(|row| whole.add(&row.counts));
    whole
}

fn docs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs")
}

/// The committed rows; empty without a file.
pub fn committed() -> Vec<Row> {
    let text = std::fs::read_to_string(docs().join("accuracy-draws.csv")).unwrap_or_default();
    text.lines().filter_map(Row::parse).collect()
}

/// Writes the rows and, between its marks in `docs/accuracy.md`, the table made of them.
pub fn write(rows: &[Row]) -> std::io::Result<()> {
    let lines: Vec<String> = rows.iter().map(Row::line).collect();
    std::fs::write(docs().join("accuracy-draws.csv"), format!("{COLUMNS}\n{}\n", lines.join("\n")))?;
    let page = docs().join("accuracy.md");
    let text = std::fs::read_to_string(&page)?;
    let (begin, end) = ("<!-- draws: begin -->\n", "<!-- draws: end -->");
    let parts = text.split_once(begin).and_then(|(head, rest)| Some((head, rest.split_once(end)?.1)));
    let Some((head, tail)) = parts else { return Err(std::io::Error::other("accuracy.md has no marks")) };
    std::fs::write(&page, format!("{head}{begin}{}{end}{tail}", markdown(rows)))
}

fn markdown(rows: &[Row]) -> String {
    let mut text = String::from(
        "| condition | draws | found | false | rms/bound f: median, 90 % | rms/bound T60: median, 90 % | sd/bound T60 \
         | 95 % holds f, T60 |\n| --- | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    for row in rows {
        // Writing into a String can't fail.
        let _ = writeln!(text, "{}", row.markdown());
    }
    let counts = sum(rows);
    let share = |part: u32, whole: u32| 100.0 * f64::from(part) / f64::from(whole.max(1));
    let (frequency, t60) = counts.held_percent();
    let over = |limit: f64, at: usize, of: fn(&Row) -> &Vec<f64>| {
        rows.iter().filter(|r| median_and_p90(of(r))[at] > limit).count()
    };
    let all =
        |of: fn(&Row) -> &Vec<f64>| median_and_p90(&rows.iter().flat_map(of).copied().collect::<Vec<_>>());
    let ([a, b], [c, d]) = (all(|r| &r.frequency), all(|r| &r.t60));
    let _ = writeln!(
        text,
        "\nAll cells: {} of {} found ({:.2} %), {} of {} claims false ({:.2} %), intervals hold {frequency:.1} % (frequency) \
         and {t60:.1} % (T60). Over all modes rms/bound has the median {a:.2} and the 90th percentile {b:.2} in \
         frequency, {c:.2} and {d:.2} in T60. Of {} cells the median is over 1.15 in {} (frequency) and {} (T60), the \
         90th percentile over 1.5 in {} and {}.",
        counts.found,
        counts.decidable,
        share(counts.found, counts.decidable),
        counts.false_claims,
        counts.claims,
        share(counts.false_claims, counts.claims),
        rows.len(),
        over(1.15, 0, |r| &r.frequency),
        over(1.15, 0, |r| &r.t60),
        over(1.5, 1, |r| &r.frequency),
        over(1.5, 1, |r| &r.t60),
    );
    text
}
