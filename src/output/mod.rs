//! A results folder: whose it is, and how files get into it.
//!
//! A folder is ours if its `results.json` carries our `schema` and the program's name; one that something
//! else made is not written to unless the user insists. All files of a run are collected in a folder beside
//! and then take the old ones' place together: by one exchange of the two folders where the system has it,
//! else by a journal that the next run ends. So no reader ever sees half a file, and a run that fails or is
//! stopped leaves the folder as it was, or as it was to become.

pub mod audio;
mod batch;
mod error;
pub mod file;
mod folder;
#[cfg(feature = "sofa")]
mod hdf5;
mod inputs;
mod journal;
mod mend;
pub mod pictures;
mod place;
#[cfg(feature = "sofa")]
pub mod sofa;
pub(crate) mod staging;

pub use batch::Batch;
pub use error::OutputError;
pub use folder::{Folder, Overwrite};
pub use inputs::{inputs, inputs_of};

/// Whose a results folder is: one rule for who reads folders and who writes them.
pub use crate::session::written_by_us as is_ours;

#[cfg(feature = "parquet")]
use crate::table::parquet;
use crate::table::{CatalogueRow, Results, Row as _, csv_metadata, csv_text, json, results, schema};

/// File name of the results as JSON.
pub const RESULTS_JSON: &str = "results.json";

/// File name of the report.
pub const REPORT_HTML: &str = "report.html";

/// Adds all tables of a run to a batch: `results.json`, the CSV files, their metadata and schema.
///
/// `results.json` comes first: from the moment it is in its place the folder is known as ours, so
/// that a run that is stopped between two renames doesn't lock the next one out.
///
/// # Errors
/// [`OutputError::Write`] if the disk is full or the folder can't be written to.
pub fn add_tables(batch: &mut Batch, found: &Results) -> Result<(), OutputError> {
    batch.add(RESULTS_JSON, |out| json::write(found, out))?;
    let mut written = Vec::new();
    for rows in found.csv_tables() {
        written.push(rows.table);
        batch.add(&rows.table.file_name(), |out| csv_text::write(rows, out))?;
    }
    let metadata = csv_metadata::text(&written);
    batch.add(csv_metadata::FILE_NAME, |out| out.write_all(metadata.as_bytes()))?;
    batch.add(schema::FILE_NAME, |out| out.write_all(schema::text().as_bytes()))
}

/// Adds the tables of a run once more, as Parquet.
///
/// # Errors
/// As [`add_tables`].
#[cfg(feature = "parquet")]
pub fn add_parquet(batch: &mut Batch, found: &Results) -> Result<(), OutputError> {
    for rows in found.csv_tables() {
        batch.add(&rows.table.parquet_name(), |out| parquet::write(rows, out))?;
    }
    Ok(())
}

/// Every file name that a run may write: those that the present run did not write are of an earlier
/// one, and would be taken for its results.
fn own_names() -> Vec<String> {
    let tables = results::CSV_TABLES.iter().chain([&CatalogueRow::TABLE]);
    let tables = tables.flat_map(|table| [table.file_name(), table.parquet_name()]);
    let others = [RESULTS_JSON, REPORT_HTML, csv_metadata::FILE_NAME, schema::FILE_NAME];
    tables.chain(others.map(str::to_owned)).collect()
}
