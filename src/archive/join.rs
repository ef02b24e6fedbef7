//! The tables of all sessions, one session in memory at a time.

use std::fs;
use std::io::{self, BufRead, Write};

use super::summary::{self, Bodies};
use super::{Archive, ArchiveError, CatalogueRow, LeftOut, Results};
use crate::output::{Batch, RESULTS_JSON};
use crate::table::results::CSV_TABLES;
use crate::table::{Cell, Row, Rows, Table, csv_metadata, csv_text, json};

/// What was gathered.
#[derive(Debug, Default)]
#[non_exhaustive]
pub struct Gathered {
    /// One row a session.
    pub catalogue: Vec<CatalogueRow>,
    /// Sessions whose tables turned out to be no whole ones; none of their rows was taken.
    pub left_out: Vec<LeftOut>,
    /// Rows of all tables.
    pub rows: u64,
}

/// A file that is written.
type Out<'a> = dyn Write + Send + 'a;

/// What else is done with each session's tables.
type Also<'a> = dyn FnMut(&str, &Bodies) -> io::Result<Result<(), String>> + 'a;

impl Archive {
    /// Adds the tables of all sessions to a batch, with their catalogue and metadata.
    ///
    /// # Errors
    /// [`ArchiveError::Output`]; [`ArchiveError::Interrupted`] once `cancelled` says so.
    pub fn write(&self, batch: &mut Batch, cancelled: &dyn Fn() -> bool) -> Result<Gathered, ArchiveError> {
        let tables = self.tables();
        let mut names: Vec<String> = tables.iter().map(|table| table.file_name()).collect();
        if self.has_parquet() {
            names.extend(tables.iter().map(|table| table.parquet_name()));
        }
        let mut gathered = Ok(Gathered::default());
        batch.add_together(&names, |outs| {
            gathered = self.stream_all(&tables, outs, cancelled)?;
            Ok(())
        })?;
        let gathered = gathered?;
        let left_out = self.left_out.iter().chain(&gathered.left_out);
        let left_out: Vec<(&str, &str)> = left_out.map(|of| (last(&of.what), of.reason.as_str())).collect();
        batch.add(RESULTS_JSON, |out| json::write_catalogue(&gathered.catalogue, &left_out, out))?;
        batch.add(&CatalogueRow::TABLE.file_name(), |out| {
            csv_text::write(Rows::of(&gathered.catalogue), out)
        })?;
        #[cfg(feature = "parquet")]
        if self.parquet {
            batch.add(&CatalogueRow::TABLE.parquet_name(), |out| {
                crate::table::parquet::write(Rows::of(&gathered.catalogue), out)
            })?;
        }
        let metadata = csv_metadata::gathered(&tables, CatalogueRow::TABLE);
        batch.add(csv_metadata::FILE_NAME, |out| out.write_all(metadata.as_bytes()))?;
        Ok(gathered)
    }

    /// Reads the tables of all sessions and writes nothing: for the catalogue alone.
    ///
    /// # Errors
    /// [`ArchiveError::Interrupted`] once `cancelled` says so.
    pub fn read(&self, cancelled: &dyn Fn() -> bool) -> Result<Gathered, ArchiveError> {
        let tables = self.tables();
        let mut nowhere: Vec<io::Sink> = tables.iter().map(|_| io::sink()).collect();
        let mut outs: Vec<&mut Out<'_>> = nowhere.iter_mut().map(|out| out as &mut Out<'_>).collect();
        // Nothing is written, so nothing can fail to be.
        self.stream(&tables, (&mut outs, &mut |_, _| Ok(Ok(()))), cancelled)
            .unwrap_or_else(|_| Ok(Gathered::default()))
    }

    /// Tables that at least one session has: those of a comparison are not everywhere. So with optional columns.
    fn tables(&self) -> Vec<Table> {
        let has = |table: &&&Table| self.sessions.iter().any(|of| of.head.tables.contains_key(table.name));
        let of = |table: &&Table| if self.has_all_columns(table) { **table } else { table.always() };
        CSV_TABLES.iter().filter(has).map(of).collect()
    }

    fn has_all_columns(&self, table: &Table) -> bool {
        let head = header(table);
        let first_line = |of: &Results| {
            let file = fs::File::open(of.folder.join(table.file_name())).ok()?;
            io::BufReader::new(file).lines().next()?.ok()
        };
        table.columns.len() == table.always().columns.len()
            || self.sessions.iter().any(|of| first_line(of).is_some_and(|line| line == head))
    }

    fn has_parquet(&self) -> bool {
        #[cfg(feature = "parquet")]
        {
            self.parquet
        }
        #[cfg(not(feature = "parquet"))]
        {
            false
        }
    }

    /// `outs`: a CSV file for each table, then, where they were asked for, a Parquet file for each.
    fn stream_all(
        &self,
        tables: &[Table],
        outs: &mut [&mut Out<'_>],
        cancelled: &dyn Fn() -> bool,
    ) -> io::Result<Result<Gathered, ArchiveError>> {
        #[cfg(feature = "parquet")]
        if self.parquet {
            let (csv, typed) = outs.split_at_mut(tables.len());
            let mut files = super::typed::Files::new(tables, typed)?;
            let gathered =
                self.stream(tables, (csv, &mut |name, bodies| files.take(name, bodies)), cancelled)?;
            return files.finish().map(|()| gathered);
        }
        self.stream(tables, (outs, &mut |_, _| Ok(Ok(()))), cancelled)
    }

    /// `also`: takes each session's name and tables, or says why they can't be taken; asked first.
    fn stream(
        &self,
        tables: &[Table],
        (outs, also): (&mut [&mut Out<'_>], &mut Also<'_>),
        cancelled: &dyn Fn() -> bool,
    ) -> io::Result<Result<Gathered, ArchiveError>> {
        for (table, out) in tables.iter().zip(outs.iter_mut()) {
            writeln!(out, "session,{}", header(table))?;
        }
        let mut gathered = Gathered::default();
        for session in &self.sessions {
            if cancelled() {
                return Ok(Err(ArchiveError::Interrupted));
            }
            let read = match bodies(session, tables) {
                Ok(bodies) => also(&session.name, &bodies)?.map(|()| bodies),
                Err(reason) => Err(reason),
            };
            match read {
                Ok(bodies) => {
                    let first = first_cell(&session.name)?;
                    for (table, out) in tables.iter().zip(outs.iter_mut()) {
                        append(*out, &first, bodies.get(table.name).map_or(&[], Vec::as_slice))?;
                    }
                    gathered.rows += session.head.tables.values().sum::<u64>();
                    gathered.catalogue.push(summary::row(session, &bodies));
                }
                Err(reason) => gathered.left_out.push(LeftOut {
                    what: session.folder.display().to_string(),
                    reason,
                    advice: "run analyze or compare again, or copy the folder again",
                }),
            }
        }
        Ok(Ok(gathered))
    }
}

/// Reads all tables of a session and holds them against what its `results.json` says of them.
fn bodies(session: &Results, tables: &[Table]) -> Result<Bodies, String> {
    if session.head.tables.is_empty() {
        return Err(
            "its results.json doesn't count the rows of its tables, as results of older versions".to_owned()
        );
    }
    let mut bodies = Bodies::new();
    for (name, rows) in &session.head.tables {
        let table = tables.iter().find(|table| table.name == name);
        let table = table.ok_or_else(|| format!("a table {name} that this version doesn't know"))?;
        let file = table.file_name();
        let bytes = fs::read(session.folder.join(&file))
            .map_err(|e| format!("its {file} can't be read ({})", e.kind()))?;
        let body =
            body(&bytes, table).ok_or_else(|| format!("its {file} has other columns than this version's"))?;
        let lines = body.iter().filter(|byte| **byte == b'\n').count() as u64;
        if lines != *rows || body.last().is_some_and(|byte| *byte != b'\n') {
            return Err(format!("its {file} has {lines} whole rows where its results.json counts {rows}"));
        }
        bodies.insert(table.name, body);
    }
    Ok(bodies)
}

/// The lines below the header; optional columns that this session's table lacks are empty.
fn body(bytes: &[u8], table: &Table) -> Option<Vec<u8>> {
    let below = |table: &Table| bytes.strip_prefix(format!("{}\n", header(table)).as_bytes());
    if let Some(body) = below(table) {
        return Some(body.to_vec());
    }
    let short = table.always();
    let body = below(&short)?;
    let lacking = vec![b','; table.columns.len() - short.columns.len()];
    let mut filled = Vec::with_capacity(body.len() + body.len() / 32);
    for line in body.split_inclusive(|byte| *byte == b'\n') {
        match line.strip_suffix(b"\n") {
            Some(cells) => filled.extend([cells, &lacking, b"\n"].concat()),
            None => filled.extend_from_slice(line),
        }
    }
    Some(filled)
}

fn header(table: &Table) -> String {
    table.columns.iter().map(|column| column.name).collect::<Vec<_>>().join(",")
}

/// The session's name as the first field of a line, with its comma.
fn first_cell(name: &str) -> io::Result<Vec<u8>> {
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b',')).from_writer(Vec::new());
    csv.write_record([csv_text::printed(&Cell::Text(name.into())).as_bytes()])?;
    csv.into_inner().map_err(|error| error.into_error())
}

/// Our rows hold no line end within a field (control characters are written as U+FFFD), so a line is a row.
fn append(out: &mut Out<'_>, first: &[u8], body: &[u8]) -> io::Result<()> {
    let mut joined = Vec::with_capacity(body.len() + body.len() / 8);
    for line in body.split_inclusive(|byte| *byte == b'\n') {
        joined.extend_from_slice(first);
        joined.extend_from_slice(line);
    }
    out.write_all(&joined)
}

/// The last part of a path: where the folder lies is nobody's business.
fn last(what: &str) -> &str {
    what.trim_end_matches(['/', '\\']).rsplit(['/', '\\']).next().unwrap_or(what)
}
