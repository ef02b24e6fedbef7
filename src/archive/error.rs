//! Why results can't be gathered at all.

use crate::output::OutputError;
use crate::table::json::SCHEMA;

/// Nothing was gathered.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArchiveError {
    /// No path leads to results.
    #[error(
        "no results found\n  found    {found}\n  allowed  results folders, or folders that hold them\n  \
         do       run analyze or compare first, or name the folder above the results"
    )]
    Nothing {
        /// What the paths led to, in words.
        found: String,
    },
    /// Results of another layout: their columns mean something else.
    #[error(
        "results of different schemas can't stand in one table\n  found    {found}\n  \
         allowed  schema {SCHEMA}, that of this program\n  do       analyze those sessions again with this program"
    )]
    Schema {
        /// Schemas with folders of each, in words.
        found: String,
    },
    /// The gathered tables could not be written.
    #[error(transparent)]
    Output(#[from] OutputError),
    /// The caller asked to stop.
    #[error("stopped before the end; nothing was written")]
    Interrupted,
}

impl ArchiveError {
    /// Whether the request itself can't be carried out, rather than nothing having been found.
    #[must_use]
    pub fn is_usage(&self) -> bool {
        matches!(self, Self::Schema { .. })
            || matches!(self, Self::Output(error) if !matches!(error, OutputError::Write { .. } | OutputError::Replace { .. }))
    }
}
