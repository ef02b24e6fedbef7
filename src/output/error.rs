//! Why results could not be written, and what to do.

use std::io;
use std::path::{Path, PathBuf};

/// Results could not be written.
///
/// The text names what and where first, then what was found, what is allowed, what to do. System
/// errors appear by their own words only: names of temporary files would differ at each run.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutputError {
    /// The folder holds files and none of them says that this program made it.
    #[error(
        "{}: the folder was made by something else\n  found    {found}\n  allowed  a new or empty folder, \
         or one whose results.json this program wrote\n  do       choose another folder with --out, or add \
         --force to write into this one",
        path.display()
    )]
    NotOurs {
        /// The folder.
        path: PathBuf,
        /// What lies there, in words.
        found: String,
    },
    /// The path is a file.
    #[error(
        "{}: results need a folder\n  found    a file of that name\n  allowed  a new or existing folder\n  \
         do       choose another name with --out",
        path.display()
    )]
    NotAFolder {
        /// The path.
        path: PathBuf,
    },
    /// A file of that name is there, and nobody asked to replace it.
    #[error(
        "{}: already exists\n  found    a file of that name\n  allowed  a new name\n  \
         do       choose another name with --out, or add --force to replace it",
        path.display()
    )]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A file could not be written or put in its place.
    #[error(
        "{}: can't be written\n  found    {reason}\n  allowed  a folder with write permission and room on the \
         disk\n  do       free it, or choose another folder with --out; what was there before is unchanged",
        path.display()
    )]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: io::ErrorKind,
    },
    /// A file could not be put in its place after others were.
    #[error(
        "{}: can't be put in its place\n  found    {reason}\n  allowed  files of this name that may be replaced\n  \
         do       close programs that hold it open and run again: that puts the rest in place, until then some \
         files of the folder are new, some old",
        path.display()
    )]
    Replace {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: io::ErrorKind,
    },
}

impl OutputError {
    /// What `path` couldn't be written for.
    pub(super) fn write(path: &Path) -> impl Fn(io::Error) -> Self + Copy {
        move |error| Self::Write { path: path.to_owned(), reason: error.kind() }
    }
}
