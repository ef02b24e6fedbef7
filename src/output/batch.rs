//! The files of one run: all written first, then put in their places together.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::{OutputError, own_names};

/// How names of files begin that are not in their places yet; scanners pass over names with a dot.
pub(super) const PREFIX: &str = ".stillroom-";

/// Files of one run that are written but not in their places yet. Dropped without
/// [`Batch::commit`], it leaves nothing behind.
#[derive(Debug)]
pub struct Batch {
    folder: PathBuf,
    files: Vec<(String, NamedTempFile)>,
}

impl Batch {
    pub(super) fn new(folder: &Path) -> Self {
        Self { folder: folder.to_owned(), files: Vec::new() }
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
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<(), OutputError> {
        let file = self.staged(write).map_err(|error| self.write_error(name, &error))?;
        self.files.push((name.to_owned(), file));
        Ok(())
    }

    fn staged(&self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<NamedTempFile> {
        let mut file = new_file(&self.folder)?;
        let mut buffer = BufWriter::new(file.as_file_mut());
        write(&mut buffer)?;
        buffer.flush()?;
        drop(buffer);
        file.as_file().sync_all()?; // else a crash after the rename can leave an empty file in its place
        Ok(file)
    }

    /// Puts all files in their places, in the order of adding, and removes tables of an earlier run
    /// that this one did not write. Returns the paths. Two runs at once can't mix their files: the
    /// second waits, and stays as a whole.
    ///
    /// # Errors
    /// [`OutputError::Write`] if the first file can't be placed (nothing changed then),
    /// [`OutputError::Replace`] for a later one.
    pub fn commit(self) -> Result<Vec<PathBuf>, OutputError> {
        let lock = locked(&self.folder);
        let mut placed: Vec<PathBuf> = Vec::with_capacity(self.files.len());
        for (name, file) in self.files {
            let path = self.folder.join(name);
            file.persist(&path).map_err(|failure| {
                let (path, reason) = (path.clone(), failure.error.kind());
                if placed.is_empty() {
                    OutputError::Write { path, reason }
                } else {
                    OutputError::Replace { path, reason }
                }
            })?;
            placed.push(path);
        }
        remove_stale(&self.folder, &placed)?;
        if let Some(folder) = lock {
            // The renames themselves; a file system that can't do this for folders has no need of it.
            let _ = folder.sync_all();
        }
        Ok(placed)
    }

    fn write_error(&self, name: &str, error: &io::Error) -> OutputError {
        OutputError::Write { path: self.folder.join(name), reason: error.kind() }
    }
}

fn remove_stale(folder: &Path, placed: &[PathBuf]) -> Result<(), OutputError> {
    for path in own_names().into_iter().map(|name| folder.join(name)) {
        if placed.contains(&path) {
            continue;
        }
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(OutputError::Replace { path, reason: error.kind() });
            }
            _ => {}
        }
    }
    Ok(())
}

/// The folder, held against other runs until it is dropped. Where a system can't lock a folder
/// (Windows, some network drives) runs are not held apart; each file is whole all the same.
fn locked(folder: &Path) -> Option<File> {
    let folder = File::open(folder).ok()?;
    let _ = folder.lock();
    Some(folder)
}

/// A temporary file that, once renamed, others may read: `tempfile` makes it for its owner alone.
pub(super) fn new_file(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(".tmp");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666)); // the user's umask takes from it
    }
    builder.tempfile_in(folder)
}
