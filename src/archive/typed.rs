//! Parquet files of gathered tables, filled session by session from the lines of the CSV files.

use std::io::{self, Write};

use super::summary::Bodies;
use crate::table::parquet::Writer;
use crate::table::{CatalogueRow, Cell, Row, Table, csv_text};

/// One file a table, all open.
pub(super) struct Files<'a, O: Write + Send> {
    files: Vec<(Table, Writer<&'a mut O>)>,
}

impl<'a, O: Write + Send> Files<'a, O> {
    pub fn new(tables: &[Table], outs: &'a mut [O]) -> io::Result<Self> {
        let session = CatalogueRow::TABLE.columns.first();
        let file = |(table, out): (&Table, &'a mut O)| Ok((*table, Writer::new(table, session, out)?));
        Ok(Self { files: tables.iter().zip(outs).map(file).collect::<io::Result<_>>()? })
    }

    /// Adds the rows of a session to all files, or to none: then it says why.
    pub fn take(&mut self, session: &str, bodies: &Bodies) -> io::Result<Result<(), String>> {
        let before: Vec<usize> = self.files.iter().map(|(_, file)| file.held()).collect();
        let added = self.files.iter_mut().try_for_each(|(table, file)| {
            let body = bodies.get(table.name).map_or(&[][..], Vec::as_slice);
            add(file, session, body).map_err(|reason| format!("its {} holds {reason}", table.file_name()))
        });
        if added.is_err() {
            self.files.iter_mut().zip(before).for_each(|((_, file), rows)| file.cut(rows));
            return Ok(added);
        }
        self.files.iter_mut().try_for_each(|(_, file)| file.settle())?;
        Ok(Ok(()))
    }

    pub fn finish(self) -> io::Result<()> {
        self.files.into_iter().try_for_each(|(_, file)| file.finish())
    }
}

fn add<W: Write + Send>(file: &mut Writer<W>, session: &str, body: &[u8]) -> Result<(), String> {
    let session = csv_text::printed(&Cell::Text(session.into())).into_owned();
    let mut rows = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(body);
    let mut row = csv::StringRecord::new();
    while rows.read_record(&mut row).map_err(|_| "text that is not UTF-8".to_owned())? {
        file.push([session.as_str()].into_iter().chain(&row))?;
    }
    Ok(())
}
