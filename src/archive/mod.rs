//! Results of many sessions become one set of tables, with a column `session` first.
//!
//! 1. [`look`] finds the results folders behind the paths, reads the head of each `results.json` and gives
//!    each session its name. Folders that hold no whole results are [`LeftOut`], with the reason; folders
//!    of another schema stop everything, for their columns mean something else.
//! 2. [`Archive::write`] streams the tables, one session in memory at a time, in natural order of the names:
//!    the same results give the same bytes, in whatever order or place they were made.
//! 3. The [`catalogue`](CatalogueRow) has one line a room.
//!
//! A table that has fewer rows than `results.json` counts was cut short on its way (a copy that broke off):
//! its session is left out as a whole, never in part.

mod error;
mod head;
mod join;
mod look;
mod summary;
#[cfg(feature = "parquet")]
mod typed;

pub use crate::table::CatalogueRow;
pub use error::ArchiveError;
pub use join::Gathered;
pub use look::look;

use head::Head;
use std::path::PathBuf;

/// Results of many sessions, found but not yet read.
#[derive(Debug, Default)]
#[non_exhaustive]
pub struct Archive {
    /// Sessions in natural order of their names.
    pub sessions: Vec<Results>,
    /// What is not among them, and why.
    pub left_out: Vec<LeftOut>,
    /// What else the user should know, in sentences.
    pub warnings: Vec<String>,
    /// Parquet files are written beside the CSV files.
    #[cfg(feature = "parquet")]
    parquet: bool,
}

#[cfg(feature = "parquet")]
impl Archive {
    /// [`Archive::write`] writes Parquet files beside the CSV files.
    #[must_use]
    pub fn with_parquet(mut self) -> Self {
        self.parquet = true;
        self
    }
}

/// The results of one session.
#[derive(Debug)]
#[non_exhaustive]
pub struct Results {
    /// Name of the session.
    pub name: String,
    /// Folder that holds the results.
    pub folder: PathBuf,
    head: Head,
}

/// Results that are missing, broken, or there a second time.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct LeftOut {
    /// The folder, or the session's name where it has none.
    pub what: String,
    /// Why, in one sentence without a full stop.
    pub reason: String,
    /// What to do about it.
    pub advice: &'static str,
}

impl std::fmt::Display for LeftOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: left out\n  found    {}\n  do       {}", self.what, self.reason, self.advice)
    }
}
