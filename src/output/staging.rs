//! Folders in which a run collects what it writes, and those that a killed run left behind.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

/// How names begin of what is not in its place yet; scanners pass over names with a dot.
pub(crate) const PREFIX: &str = ".stillroom-";

/// A folder of a run's own, removed with all that is in it unless it is placed. It is held by a lock, so
/// that others can tell it from one that a killed run left behind.
#[derive(Debug)]
pub(crate) struct Staging {
    folder: TempDir,
    held: Option<File>,
}

impl Staging {
    /// A new one inside `parent`, for what is to become `target`.
    pub fn new(parent: &Path, target: &Path) -> io::Result<Self> {
        // Another run may take one for left behind until its lock is there; it is gone then.
        const TRIES: usize = 8;
        let mut builder = tempfile::Builder::new();
        let name = beginning(target);
        builder.prefix(&name);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(fs::Permissions::from_mode(0o777)); // the user's umask takes from it
        }
        for _ in 0..TRIES {
            let folder = builder.tempdir_in(parent)?;
            let held = locked(folder.path());
            if held.as_ref().is_none_or(|held| is_same(held, folder.path())) {
                return Ok(Self { folder, held });
            }
        }
        Err(io::Error::from(io::ErrorKind::ResourceBusy))
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The folder stays: it was renamed, or what is in it is no longer this run's alone.
    pub fn keep(self) -> Option<File> {
        let _ = self.folder.keep();
        self.held
    }
}

/// How the name of a folder begins that is to become `target`.
fn beginning(target: &Path) -> OsString {
    let mut name = OsString::from(PREFIX);
    name.push(target.file_name().unwrap_or_else(|| OsStr::new("results")));
    name.push("-");
    name
}

/// Length of the random end of a name.
const RANDOM: usize = 6;

/// Folders that killed runs left in `parent` on their way to `target`, each with its lock. Where folders
/// can't be locked (Windows) none can be told from one in use, so none is named.
pub(crate) fn left_behind(parent: &Path, target: &Path) -> Vec<(PathBuf, File)> {
    let beginning = beginning(target);
    let is_named_so = |name: &OsStr| {
        let rest = name.as_encoded_bytes().strip_prefix(beginning.as_encoded_bytes());
        rest.is_some_and(|rest| rest.len() == RANDOM && rest.iter().all(u8::is_ascii_alphanumeric))
    };
    let entries = fs::read_dir(parent).into_iter().flatten().flatten();
    entries
        .filter(|entry| is_named_so(&entry.file_name()) && entry.file_type().is_ok_and(|kind| kind.is_dir()))
        .filter_map(|entry| {
            let folder = File::open(entry.path()).ok()?;
            folder.try_lock().ok()?;
            is_same(&folder, &entry.path()).then(|| (entry.path(), folder))
        })
        .collect()
}

/// The folder, held against other runs until it is dropped. Where a system can't lock a folder
/// (Windows, some network drives) runs are not held apart.
pub(crate) fn locked(folder: &Path) -> Option<File> {
    let folder = File::open(folder).ok()?;
    folder.lock().ok()?;
    Some(folder)
}

/// Whether an open folder is still the one that stands at a path.
pub(crate) fn is_same(open: &File, path: &Path) -> bool {
    match (open.metadata(), fs::metadata(path)) {
        (Ok(open), Ok(there)) => is_one(&open, &there),
        _ => false,
    }
}

/// Whether two entries are one and the same on disk.
#[cfg(unix)]
pub(crate) fn is_one(a: &fs::Metadata, b: &fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    (a.dev(), a.ino()) == (b.dev(), b.ino())
}

/// Elsewhere nothing says so.
#[cfg(not(unix))]
pub(crate) fn is_one(_: &fs::Metadata, _: &fs::Metadata) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn one_in_use_is_told_from_one_left_behind() {
        let home = tempfile::tempdir().expect("a folder");
        let target = home.path().join("job-results");
        let used = Staging::new(home.path(), &target).expect("writable");
        let left = home.path().join(".stillroom-job-results-a1B2c3");
        for other in
            [".stillroom-job-results-a1B2c3", ".stillroom-job-results-notes", ".stillroom-job-a1B2c3"]
        {
            fs::create_dir(home.path().join(other)).expect("writable");
        }
        let found: Vec<PathBuf> = left_behind(home.path(), &target).into_iter().map(|f| f.0).collect();
        assert_eq!(found, [left]);
        let path = used.path().to_owned();
        drop(used);
        assert!(!path.exists());
    }
}
