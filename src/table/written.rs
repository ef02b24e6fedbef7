//! `tables` of `results.json`: how many rows each CSV file has, so that one cut short is told from a whole one.

use super::column::{integer, text};
use super::row::table;

table! {
    "tables", TableRow, key ["table"],
    "The CSV files of the run and how many rows each has: a file with fewer was cut short after it was written.";
    table: &'static str = text().required(), "Name of the table; the file is `NAME.csv`.";
    rows: u64 = integer().required(), "Its rows, without the header.";
}
