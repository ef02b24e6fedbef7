//! From the folder in which a run collected its files to the results folder.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use super::staging::{PREFIX, Staging, is_same, locked};
use super::{OutputError, journal, mend, own_names};

/// More files of others than this are not taken along to another folder: the results go to them.
const MOST_OTHERS: usize = 100;

/// Puts the collected files at the target's place, or in the places of its files.
pub(super) fn replace(target: &Path, staging: Staging, names: &[String]) -> Result<(), OutputError> {
    loop {
        let _held = hold(target);
        if fs::symlink_metadata(target).is_ok() {
            mend::mend(target)?;
            over(target, staging, names)?;
            break;
        }
        match fs::rename(staging.path(), target) {
            Ok(()) => {
                drop(staging.keep());
                break;
            }
            // Another run was faster.
            Err(_) if target.exists() => {}
            Err(error) => return Err(OutputError::write(target)(error)),
        }
    }
    // The rename itself; a file system that can't do this for folders has no need of it.
    let _ = target.parent().map(|parent| File::open(parent).and_then(|parent| parent.sync_all()));
    Ok(())
}

/// Renames what stands at the target's place, if anything does, to the first free `NAME-1`, `NAME-2`, ….
pub(super) fn put_aside(target: &Path) -> Result<Option<PathBuf>, OutputError> {
    let _held = hold(target);
    if fs::symlink_metadata(target).is_err() {
        return Ok(None);
    }
    mend::mend(target)?;
    let mut number = 1;
    loop {
        let mut name = target.file_name().unwrap_or_default().to_owned();
        name.push(format!("-{number}"));
        let other = target.with_file_name(name);
        if fs::symlink_metadata(&other).is_err() {
            fs::rename(target, &other).map_err(OutputError::write(target))?;
            return Ok(Some(other));
        }
        number += 1;
    }
}

/// The folder at a path, held against other runs: the one that stands there now, not one that another
/// run has exchanged it for.
pub(super) fn hold(target: &Path) -> Option<File> {
    loop {
        let held = locked(target)?;
        if is_same(&held, target) || cfg!(not(unix)) {
            return Some(held);
        }
    }
}

/// Puts the files where others lie.
fn over(target: &Path, staging: Staging, names: &[String]) -> Result<(), OutputError> {
    if let Some(name) = names.iter().find(|name| target.join(name).is_dir()) {
        return Err(OutputError::write(&target.join(name))(io::ErrorKind::IsADirectory.into()));
    }
    let staged = staging.path().to_owned();
    let within = staged.starts_with(target);
    let beside = !within && !is_working_folder(target) && take_along(target, &staged, names);
    if beside && exchange(&staged, target) {
        let _held = staging.keep();
        mend::clear(&staged, target);
        return Ok(());
    }
    // The journal is renamed from there; what is left of the folders goes with their end.
    if within {
        return journal::replace(target, &staged, names);
    }
    journal::replace(target, moved_within(target, &staging, names)?.path(), names)
}

/// A user or a program that stands in the folder would be left in the old one.
fn is_working_folder(target: &Path) -> bool {
    std::env::current_dir().and_then(fs::canonicalize).is_ok_and(|here| here.starts_with(target))
}

/// Makes the new folder what the old one is besides our results: its permissions, and the files of others,
/// each by a second name for the same file. False where that can't be had.
fn take_along(target: &Path, staged: &Path, names: &[String]) -> bool {
    let Ok(entries) = fs::read_dir(target) else { return false };
    let own = own_names();
    let is_own = |name: &str| own.iter().chain(names).any(|own| own == name);
    let others = entries.flatten().filter(|entry| !entry.file_name().to_str().is_some_and(is_own));
    let others: Vec<fs::DirEntry> = others.take(MOST_OTHERS + 1).collect();
    let can_go = |entry: &fs::DirEntry| {
        let name = entry.file_name();
        !name.as_encoded_bytes().starts_with(PREFIX.as_bytes())
            && entry.file_type().is_ok_and(|kind| !kind.is_dir())
    };
    others.len() <= MOST_OTHERS
        && others.iter().all(can_go)
        && others.iter().all(|entry| fs::hard_link(entry.path(), staged.join(entry.file_name())).is_ok())
        && fs::metadata(target).and_then(|data| fs::set_permissions(staged, data.permissions())).is_ok()
}

/// The files in a folder within the target, on its disk whatever lies in between.
fn moved_within(target: &Path, staging: &Staging, names: &[String]) -> Result<Staging, OutputError> {
    let inside = Staging::new(target, target).map_err(OutputError::write(target))?;
    for name in names {
        let (from, to) = (staging.path().join(name), inside.path().join(name));
        let moved = fs::rename(&from, &to).or_else(|_| fs::copy(&from, &to).map(|_| ()));
        moved.map_err(OutputError::write(&target.join(name)))?;
    }
    Ok(inside)
}

/// Exchanges two folders; false where system or file system can't, with nothing changed.
///
/// Linux: renameat2(2) with `RENAME_EXCHANGE`; Apple: renameatx_np(2) with `RENAME_SWAP`.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
fn exchange(a: &Path, b: &Path) -> bool {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE).is_ok()
}

/// Elsewhere there is no such step.
#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
fn exchange(_: &Path, _: &Path) -> bool {
    false
}
