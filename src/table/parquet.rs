//! Tables as Apache Parquet: the columns and cells of the CSV files, typed.
//!
//! Text is UTF-8, whole numbers are 64-bit integers, decimal numbers 64-bit floats: those nearest to the digits that
//! the CSV file prints. An empty cell is null; columns whose cells are never empty are `required`. The file's
//! metadata holds `units` and `definitions` as JSON, column by column, and `schema`, `program` and `version` as
//! results.json does. (Format: "Apache Parquet", parquet.apache.org; nothing is compressed, so that every reader
//! can read it.)
//!
//! ```
//! use stillroom::table::{TableRow, parquet, Rows};
//!
//! let mut file = Vec::new();
//! parquet::write(Rows::of(&[TableRow { table: "bands", rows: 3 }]), &mut file)?;
//! assert!(file.starts_with(b"PAR1") && file.ends_with(b"PAR1"));
//! # Ok::<(), std::io::Error>(())
//! ```

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{Type, TypePtr};
use serde_json::{Map, Value, json};

use super::column::{Column, Kind, Table};
use super::csv_text::printed;
use super::json::{PROGRAM, SCHEMA};
use super::results::Rows;
use super::schema::description;

/// Rows that are held until they are written as one group: some 10 MB of our widest table.
const GROUP: usize = 32_768;

/// Writes the rows of a table.
///
/// # Errors
/// Those of `out`; [`io::ErrorKind::InvalidData`] for a cell that is not of its column's kind.
pub fn write(rows: Rows<'_>, out: impl Write + Send) -> io::Result<()> {
    let mut writer = Writer::new(&rows.table, None, out)?;
    for cells in rows.cells {
        writer.push(cells.iter().map(printed)).map_err(invalid)?;
        writer.flush(GROUP)?;
    }
    writer.finish()
}

/// Writes a table row by row, cells as the CSV file prints them, a group of rows in memory.
pub(crate) struct Writer<W: Write + Send> {
    file: SerializedFileWriter<W>,
    columns: Vec<Held>,
    rows: usize,
}

impl<W: Write + Send> Writer<W> {
    /// `first`: a column in front of the table's own.
    pub fn new(table: &Table, first: Option<&'static Column>, out: W) -> io::Result<Self> {
        let columns: Vec<Held> =
            first.into_iter().chain(table.columns).map(|column| Held::new(*column)).collect();
        let properties = WriterProperties::builder()
            .set_created_by(format!("{PROGRAM} {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(Some(metadata(table, &columns)))
            .build();
        let file = SerializedFileWriter::new(out, schema(table, &columns)?, Arc::new(properties));
        Ok(Self { file: file.map_err(other)?, columns, rows: 0 })
    }

    /// Adds a row. If a cell is not of its column's kind it says so, and the row is not there.
    pub fn push(&mut self, cells: impl Iterator<Item = impl AsRef<str>>) -> Result<(), String> {
        let rows = self.rows;
        let mut pushed = 0;
        for (column, cell) in self.columns.iter_mut().zip(cells) {
            if let Err(found) = column.push(cell.as_ref()) {
                self.cut(rows);
                return Err(found);
            }
            pushed += 1;
        }
        if pushed < self.columns.len() {
            self.cut(rows);
            return Err(format!("{pushed} cells in a row of {} columns", self.columns.len()));
        }
        self.rows += 1;
        Ok(())
    }

    /// Rows that are held.
    pub fn held(&self) -> usize {
        self.rows
    }

    /// Drops held rows beyond the first so many.
    pub fn cut(&mut self, rows: usize) {
        self.columns.iter_mut().for_each(|column| column.cut(rows));
        self.rows = rows;
    }

    /// Writes the held rows as a group once there are so many.
    fn flush(&mut self, from: usize) -> io::Result<()> {
        if self.rows == 0 || self.rows < from {
            return Ok(());
        }
        let mut group = self.file.next_row_group().map_err(other)?;
        for column in &self.columns {
            let mut open = group.next_column().map_err(other)?.ok_or(io::ErrorKind::InvalidData)?;
            column.write(&mut open).map_err(other)?;
            open.close().map_err(other)?;
        }
        group.close().map_err(other)?;
        self.cut(0);
        Ok(())
    }

    /// Writes what is held once it fills a group.
    pub fn settle(&mut self) -> io::Result<()> {
        self.flush(GROUP)
    }

    /// Writes the rest and the file's end.
    pub fn finish(mut self) -> io::Result<()> {
        self.flush(1)?;
        self.file.close().map(|_| ()).map_err(other)
    }
}

/// The cells of one column that wait for their group.
struct Held {
    column: Column,
    /// 1 for a value, 0 for null.
    levels: Vec<i16>,
    values: Values,
}

enum Values {
    Text(Vec<ByteArray>),
    Integer(Vec<i64>),
    Number(Vec<f64>),
}

impl Held {
    fn new(column: Column) -> Self {
        let values = match column.shape.kind {
            Kind::Integer => Values::Integer(Vec::new()),
            Kind::Number(_) => Values::Number(Vec::new()),
            _ => Values::Text(Vec::new()),
        };
        Self { column, levels: Vec::new(), values }
    }

    fn push(&mut self, cell: &str) -> Result<(), String> {
        let wrong = |kind: &str| format!("{cell:?} in the column {}, which holds {kind}", self.column.name);
        if cell.is_empty() {
            self.levels.push(0);
            return if self.column.shape.nullable { Ok(()) } else { Err(wrong("a value in every row")) };
        }
        match &mut self.values {
            Values::Text(all) => {
                // Names of sessions and states stand in many rows in turn: one copy is shared.
                let same = all.last().filter(|last| last.data() == cell.as_bytes()).cloned();
                all.push(same.unwrap_or_else(|| cell.into()));
            }
            Values::Integer(all) => all.push(cell.parse().map_err(|_| wrong("whole numbers"))?),
            Values::Number(all) => {
                let number: Option<f64> = cell.parse().ok().filter(|number: &f64| number.is_finite());
                all.push(number.ok_or_else(|| wrong("numbers"))?);
            }
        }
        self.levels.push(1);
        Ok(())
    }

    fn cut(&mut self, rows: usize) {
        self.levels.truncate(rows);
        let values = self.levels.iter().filter(|level| **level == 1).count();
        match &mut self.values {
            Values::Text(all) => all.truncate(values),
            Values::Integer(all) => all.truncate(values),
            Values::Number(all) => all.truncate(values),
        }
    }

    fn write(&self, open: &mut SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let levels = self.column.shape.nullable.then_some(self.levels.as_slice());
        match &self.values {
            Values::Text(all) => batch::<ByteArrayType>(open, all, levels),
            Values::Integer(all) => batch::<Int64Type>(open, all, levels),
            Values::Number(all) => batch::<DoubleType>(open, all, levels),
        }
    }

    fn described(&self) -> Result<TypePtr, ParquetError> {
        let (physical, logical) = match self.values {
            Values::Text(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Values::Integer(_) => (Physical::INT64, None),
            Values::Number(_) => (Physical::DOUBLE, None),
        };
        let repetition = if self.column.shape.nullable { Repetition::OPTIONAL } else { Repetition::REQUIRED };
        Type::primitive_type_builder(self.column.name, physical)
            .with_logical_type(logical)
            .with_repetition(repetition)
            .build()
            .map(Arc::new)
    }
}

fn batch<T: DataType>(
    open: &mut SerializedColumnWriter<'_>,
    values: &[T::T],
    levels: Option<&[i16]>,
) -> Result<(), ParquetError> {
    open.typed::<T>().write_batch(values, levels, None).map(|_| ())
}

fn schema(table: &Table, columns: &[Held]) -> io::Result<TypePtr> {
    let fields: Result<Vec<TypePtr>, ParquetError> = columns.iter().map(Held::described).collect();
    let schema = Type::group_type_builder(table.name).with_fields(fields.map_err(other)?).build();
    schema.map(Arc::new).map_err(other)
}

fn metadata(table: &Table, columns: &[Held]) -> Vec<KeyValue> {
    let (mut units, mut definitions) = (Map::new(), Map::new());
    for Held { column, .. } in columns {
        if !column.shape.unit.is_empty() {
            units.insert(column.name.to_owned(), json!(column.shape.unit));
        }
        definitions.insert(column.name.to_owned(), json!(description(column)));
    }
    let entry = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    vec![
        entry("about", table.about.to_owned()),
        entry("units", Value::Object(units).to_string()),
        entry("definitions", Value::Object(definitions).to_string()),
        entry("schema", SCHEMA.to_string()),
        entry("program", PROGRAM.to_owned()),
        entry("version", env!("CARGO_PKG_VERSION").to_owned()),
    ]
}

fn invalid(reason: String) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, reason)
}

/// The library wraps the system's own errors: those come out again.
fn other(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(inner) => io::Error::other(inner),
        },
        error => io::Error::other(error),
    }
}
