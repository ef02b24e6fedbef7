//! Rows of a table by their columns' names.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

pub type Row = BTreeMap<String, String>;

pub fn rows(table: &Path) -> Vec<Row> {
    rows_of(File::open(table).expect("the table is there"))
}

pub fn rows_of(csv: impl Read) -> Vec<Row> {
    csv::Reader::from_reader(csv).into_deserialize().map(|row| row.expect("a row")).collect()
}

/// A number, where the cell holds one.
pub fn value(row: &Row, column: &str) -> Option<f64> {
    row[column].parse().ok()
}

/// A number, or NaN, of which no comparison is true.
pub fn number(row: &Row, column: &str) -> f64 {
    value(row, column).unwrap_or(f64::NAN)
}
