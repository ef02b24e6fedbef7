//! `results.json`: the tables as arrays of objects under their columns' names, and what the tables
//! can't hold. Numbers are those that the CSV files print; an empty cell is `null`.
//!
//! One object a line, so that a line-based comparison of two runs shows what changed. Nothing in it
//! depends on the clock, on the number of threads or on where the session lies.

use std::io::{self, Write};

use serde::ser::{Error as _, Serialize, SerializeMap, SerializeSeq, Serializer};

use super::absorbers::AbsorberRow;
use super::catalogue::CatalogueRow;
use super::cell::Cell;
use super::column::Table;
use super::results::{Results, Rows};
use super::row::Row;

/// Layout of `results.json`: raised when a key goes or changes its meaning, not when one is added.
pub const SCHEMA: u32 = 1;

/// The program's name as `results.json` states it.
pub const PROGRAM: &str = "stillroom";

/// Writes `results.json`.
///
/// # Errors
/// Those of `out`.
pub fn write(results: &Results, mut out: impl Write) -> io::Result<()> {
    write!(out, "{{\n\"schema\": {SCHEMA}")?;
    write_value(&mut out, "program", &PROGRAM)?;
    write_value(&mut out, "version", &env!("CARGO_PKG_VERSION"))?;
    write_object(&mut out, &results.session)?;
    write_object(&mut out, &results.settings)?;
    write_value(&mut out, "warnings", &results.warnings)?;
    write_rows(&mut out, Rows::of(&results.written()))?;
    for rows in results.json_tables().into_iter().chain(results.csv_tables()) {
        write_rows(&mut out, rows)?;
    }
    out.write_all(b"\n}\n")
}

/// Writes `{"schema": ..., "absorber": [...]}`, what `tune` prints as JSON.
///
/// # Errors
/// Those of `out`.
pub fn write_absorber(absorber: &[AbsorberRow], mut out: impl Write) -> io::Result<()> {
    write!(out, "{{\n\"schema\": {SCHEMA}")?;
    write_rows(&mut out, Rows::of(absorber))?;
    out.write_all(b"\n}\n")
}

/// Writes what a folder of gathered tables has instead of `results.json` of a session: schema, program and
/// version as there, the catalogue, and what was left out with its reason.
///
/// # Errors
/// Those of `out`.
pub fn write_catalogue(
    catalogue: &[CatalogueRow],
    left_out: &[(&str, &str)],
    mut out: impl Write,
) -> io::Result<()> {
    #[derive(serde::Serialize)]
    struct LeftOut<'a> {
        what: &'a str,
        reason: &'a str,
    }
    let left_out: Vec<LeftOut<'_>> =
        left_out.iter().map(|&(what, reason)| LeftOut { what, reason }).collect();
    write!(out, "{{\n\"schema\": {SCHEMA}")?;
    write_value(&mut out, "program", &PROGRAM)?;
    write_value(&mut out, "version", &env!("CARGO_PKG_VERSION"))?;
    write_rows(&mut out, Rows::of(catalogue))?;
    write_value(&mut out, "left_out", &left_out)?;
    out.write_all(b"\n}\n")
}

fn write_value(out: &mut impl Write, key: &str, value: &impl Serialize) -> io::Result<()> {
    write!(out, ",\n\"{key}\": ")?;
    serde_json::to_writer(out, value).map_err(io::Error::from)
}

fn write_object<R: Row>(out: &mut impl Write, row: &R) -> io::Result<()> {
    write_value(out, R::TABLE.name, &Object { table: *R::TABLE, cells: &row.cells() })
}

fn write_rows(out: &mut impl Write, rows: Rows<'_>) -> io::Result<()> {
    write!(out, ",\n\"{}\": [", rows.table.name)?;
    for (i, cells) in rows.cells.enumerate() {
        out.write_all(if i == 0 { b"\n" } else { b",\n" })?;
        serde_json::to_writer(&mut *out, &Object { table: rows.table, cells: &cells })
            .map_err(io::Error::from)?;
    }
    out.write_all(b"]")
}

struct Object<'a> {
    table: Table,
    cells: &'a [Cell],
}

impl Serialize for Object<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.cells.len()))?;
        for (column, cell) in self.table.columns.iter().zip(self.cells) {
            map.serialize_entry(column.name, cell)?;
        }
        map.end()
    }
}

impl Serialize for Cell {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Cell::Empty => serializer.serialize_none(),
            Cell::Text(text) => serializer.serialize_str(text),
            Cell::Number(printed) => Printed(printed).serialize(serializer),
            Cell::Integer(number) => serializer.serialize_u64(*number),
            Cell::Truth(truth) => serializer.serialize_bool(*truth),
            Cell::List(texts) => {
                let mut list = serializer.serialize_seq(Some(texts.len()))?;
                for text in texts {
                    list.serialize_element(text)?;
                }
                list.end()
            }
            Cell::Dials(dials) => {
                let mut map = serializer.serialize_map(Some(dials.len()))?;
                for (name, printed) in dials {
                    map.serialize_entry(name, &Printed(printed))?;
                }
                map.end()
            }
        }
    }
}

/// A number as the tables print it: read back, so that JSON holds exactly that decimal.
struct Printed<'a>(&'a str);

impl Serialize for Printed<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let number: f64 = self.0.parse().map_err(S::Error::custom)?;
        serializer.serialize_f64(number)
    }
}
