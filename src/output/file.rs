//! One file into its place: whole or not at all, and never through a link.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use tempfile::NamedTempFile;

use super::OutputError;
use super::staging::PREFIX;

/// What to do with a file of the same name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// It stays, and nothing is written.
    Keep,
    /// The new file takes its place; where it is a link, the link's, not that of what it leads to.
    Replace,
}

impl Existing {
    /// Replaced where that was asked, else kept.
    #[must_use]
    pub fn replaced_if(asked: bool) -> Self {
        if asked { Self::Replace } else { Self::Keep }
    }
}

/// Writes a file beside its place, to disk and all, and renames it there. Missing folders are made.
///
/// # Errors
/// [`OutputError::Exists`] if one is there that is to stay; [`OutputError::Write`], with nothing changed.
pub fn put(path: &Path, bytes: &[u8], existing: Existing) -> Result<(), OutputError> {
    let failed = |error: &io::Error| match error.kind() {
        io::ErrorKind::AlreadyExists => OutputError::Exists { path: path.to_owned() },
        reason => OutputError::Write { path: path.to_owned(), reason },
    };
    if existing == Existing::Keep && fs::symlink_metadata(path).is_ok() {
        return Err(OutputError::Exists { path: path.to_owned() });
    }
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    fs::create_dir_all(folder).map_err(|error| failed(&error))?;
    let mut file = new_file(folder).map_err(|error| failed(&error))?;
    let written = file.as_file_mut().write_all(bytes).and_then(|()| file.as_file().sync_all());
    written.map_err(|error| failed(&error))?;
    let placed = match existing {
        Existing::Replace => file.persist(path),
        Existing::Keep => file.persist_noclobber(path),
    };
    placed.map(|_| ()).map_err(|failure| failed(&failure.error))
}

/// A temporary file that, once renamed, others may read: `tempfile` makes it for its owner alone.
fn new_file(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(".tmp");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666)); // the user's umask takes from it
    }
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_only_where_that_was_asked() {
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().join("new/notes.txt");
        put(&path, b"first", Existing::Keep).expect("free");
        assert!(matches!(put(&path, b"second", Existing::Keep), Err(OutputError::Exists { .. })));
        assert_eq!(fs::read(&path).expect("there"), b"first");
        put(&path, b"second", Existing::Replace).expect("may be replaced");
        assert_eq!(fs::read(&path).expect("there"), b"second");
        assert_eq!(fs::read_dir(home.path().join("new")).expect("there").count(), 1);
    }

    /// What a link leads to is the user's; a dangling one counts as a file of that name.
    #[cfg(unix)]
    #[test]
    fn nothing_is_written_through_a_link() {
        let home = tempfile::tempdir().expect("a folder");
        let (mine, link) = (home.path().join("mine"), home.path().join("link"));
        fs::write(&mine, "mine").expect("writable");
        std::os::unix::fs::symlink(&mine, &link).expect("links");
        assert!(put(&link, b"new", Existing::Keep).is_err());
        put(&link, b"new", Existing::Replace).expect("may be replaced");
        assert_eq!(fs::read(&mine).expect("there"), b"mine");
        assert_eq!(fs::read(&link).expect("there"), b"new");
        let dangling = home.path().join("dangling");
        std::os::unix::fs::symlink(home.path().join("nowhere"), &dangling).expect("links");
        assert!(put(&dangling, b"new", Existing::Keep).is_err());
    }
}
