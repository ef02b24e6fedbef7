//! The files of one run: all written first, then put in their places together.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use super::OutputError;
use super::place;
use super::staging::Staging;

/// Files of one run that are written but not in their places yet. Dropped without
/// [`Batch::commit`], it leaves nothing behind.
#[derive(Debug)]
pub struct Batch {
    target: PathBuf,
    staging: Staging,
    names: Vec<String>,
}

impl Batch {
    /// `target`: the results folder, whether it is there yet or not.
    pub(super) fn new(target: &Path) -> io::Result<Self> {
        // Where nothing may be made beside the folder, within.
        let staging = match target.parent().map(|parent| Staging::new(parent, target)) {
            Some(Ok(staging)) => staging,
            _ => Staging::new(target, target)?,
        };
        Ok(Self { target: target.to_owned(), staging, names: Vec::new() })
    }

    /// Writes a file, to disk and all, without putting it in its place.
    ///
    /// `name`: file name within the folder. `write`: puts the contents into the (buffered) file.
    ///
    /// # Errors
    /// [`OutputError::Write`], with nothing in the folder changed.
    pub fn add(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut (dyn Write + Send)) -> io::Result<()>,
    ) -> Result<(), OutputError> {
        let names = [name.to_owned()];
        self.written(&names, |outs| write(&mut *outs[0]))
            .map_err(OutputError::write(&self.target.join(name)))?;
        self.names.push(name.to_owned());
        Ok(())
    }

    /// Writes several files at once, all open while `write` puts their contents into them.
    ///
    /// # Errors
    /// As [`Batch::add`].
    pub fn add_together(
        &mut self,
        names: &[String],
        write: impl FnOnce(&mut [&mut (dyn Write + Send)]) -> io::Result<()>,
    ) -> Result<(), OutputError> {
        self.written(names, write).map_err(OutputError::write(&self.target))?;
        self.names.extend_from_slice(names);
        Ok(())
    }

    fn written(
        &self,
        names: &[String],
        write: impl FnOnce(&mut [&mut (dyn Write + Send)]) -> io::Result<()>,
    ) -> io::Result<()> {
        let file = |name: &String| File::create(self.staging.path().join(name)).map(BufWriter::new);
        let mut buffers = names.iter().map(file).collect::<io::Result<Vec<_>>>()?;
        let mut outs: Vec<&mut (dyn Write + Send)> =
            buffers.iter_mut().map(|buffer| buffer as &mut (dyn Write + Send)).collect();
        write(&mut outs)?;
        for buffer in buffers {
            // Else a crash after the rename can leave an empty file in its place.
            buffer.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
        }
        Ok(())
    }

    /// Puts all files in their places and removes those of an earlier run that this one did not write.
    /// What is not of this program's making stays.
    ///
    /// In one step, where folders can change places and nothing but files lies there; else by a
    /// journal, which the next run ends if this one is stopped. Two runs at once can't mix their files:
    /// the second waits, and stays as a whole.
    ///
    /// # Errors
    /// [`OutputError::Write`] with nothing changed, [`OutputError::Replace`] once a file is.
    pub fn commit(self) -> Result<(), OutputError> {
        place::replace(&self.target, self.staging, &self.names)
    }

    /// As [`Batch::commit`], but what stands there already is renamed to `NAME-1`, or the next number
    /// that is free, and stays whole. Returns where it went, if anything stood there.
    ///
    /// # Errors
    /// As [`Batch::commit`].
    pub fn commit_beside(self) -> Result<Option<PathBuf>, OutputError> {
        let aside = place::put_aside(&self.target)?;
        self.commit().map(|()| aside)
    }
}

/// The folder as the system knows it, links followed, its parents made: what is beside it is on its disk.
pub(super) fn real(target: &Path) -> io::Result<PathBuf> {
    if let Ok(target) = fs::canonicalize(target) {
        return Ok(target);
    }
    let parent = target.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    fs::create_dir_all(parent)?;
    Ok(fs::canonicalize(parent)?.join(target.file_name().unwrap_or_default()))
}
