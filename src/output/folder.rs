//! The folder that results go to, after a look at whose it is.

use std::fs;
use std::path::{Path, PathBuf};

use super::batch::real;
use super::place::hold;
use super::staging::PREFIX;
use super::{Batch, OutputError, journal, mend};
use crate::language::few;
use crate::session::written_by_us;

/// What to do with a folder that something else made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overwrite {
    /// Leave it alone.
    #[default]
    OnlyOurs,
    /// Write into it: files with the names of ours are replaced or removed, others stay.
    Anything,
}

/// A folder that may be written to.
#[derive(Debug, Clone)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// Looks whether results may go to `path`. Writes nothing: the folder is made with the first
    /// file, so that a run which finds nothing leaves no empty folder behind. What a run that was killed
    /// left half done in a folder of ours is ended.
    ///
    /// # Errors
    /// [`OutputError::NotOurs`], [`OutputError::NotAFolder`], [`OutputError::Write`] if the folder
    /// can't be looked into, or [`OutputError::Replace`] if a killed run's change can't be ended.
    pub fn open(path: &Path, overwrite: Overwrite) -> Result<Self, OutputError> {
        let folder = Self { path: path.to_owned() };
        match fs::metadata(path) {
            Err(_) => return Ok(folder), // not there yet; if it is out of reach, making it says so
            Ok(found) if !found.is_dir() => return Err(OutputError::NotAFolder { path: path.to_owned() }),
            Ok(_) => {}
        }
        if overwrite == Overwrite::OnlyOurs && !written_by_us(path) {
            let strangers = strangers(path)?;
            if !strangers.is_empty() {
                return Err(OutputError::NotOurs { path: path.to_owned(), found: few(&strangers, 1) });
            }
        }
        if let (true, Ok(target)) = (journal::is_unfinished(path), real(path)) {
            let _held = hold(&target);
            mend::mend(&target)?;
        }
        Ok(folder)
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Starts a batch of files for the folder, which appears with them.
    ///
    /// # Errors
    /// [`OutputError::Write`] if it can't be made.
    pub fn batch(&self) -> Result<Batch, OutputError> {
        real(&self.path).and_then(|target| Batch::new(&target)).map_err(OutputError::write(&self.path))
    }

    /// The folder beside this one for what a run had finished when it was stopped: `NAME-interrupted`.
    ///
    /// # Errors
    /// As [`Folder::open`].
    pub fn interrupted(&self, overwrite: Overwrite) -> Result<Self, OutputError> {
        Self::open(&self.beside(), overwrite)
    }

    /// That folder, where an earlier run that was stopped left it.
    #[must_use]
    pub fn left_interrupted(&self) -> Option<PathBuf> {
        Some(self.beside()).filter(|path| path.is_dir() && written_by_us(path))
    }

    fn beside(&self) -> PathBuf {
        let whole = real(&self.path).unwrap_or_else(|_| self.path.clone());
        let named = if self.path.file_name().is_some() { &self.path } else { &whole };
        let mut name = named.file_name().unwrap_or_default().to_owned();
        name.push("-interrupted");
        named.with_file_name(name)
    }
}

/// Names in the folder that neither a file manager nor a run of ours that was killed left there.
fn strangers(folder: &Path) -> Result<Vec<String>, OutputError> {
    let failed = OutputError::write(folder);
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let name = entry.map_err(failed)?.file_name().to_string_lossy().into_owned();
        let harmless =
            name.starts_with(PREFIX) || [".DS_Store", "Thumbs.db", "desktop.ini"].contains(&name.as_str());
        if !harmless {
            names.push(name);
        }
    }
    names.sort_unstable();
    Ok(names)
}
