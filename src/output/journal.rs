//! A results folder changed file by file, for where two folders can't change places in one step: the new
//! files lie complete in a folder of their own within it, with a list; whoever comes by later, after a
//! kill or a loss of power, puts the rest in its place by that list.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::{OutputError, own_names};

/// Folder of complete new files within the results folder.
const NEW: &str = ".stillroom-new";

/// The list of them: a name a line. It can't be the name of a result.
pub(super) const LIST: &str = ".names";

/// Puts the files of `staged` in their places, in the order of `names`, and removes results of an
/// earlier run that are not among them.
///
/// # Errors
/// [`OutputError::Write`] with nothing changed; [`OutputError::Replace`] once some files are new.
pub(super) fn replace(target: &Path, staged: &Path, names: &[String]) -> Result<(), OutputError> {
    let failed = OutputError::write(target);
    fs::write(staged.join(LIST), names.join("\n")).map_err(failed)?;
    fs::File::open(staged.join(LIST)).and_then(|list| list.sync_all()).map_err(failed)?;
    // From here on the new run counts.
    fs::rename(staged, target.join(NEW)).map_err(failed)?;
    finish(target)
}

/// Ends what a run that was stopped left half done; without a journal, nothing.
///
/// # Errors
/// [`OutputError::Replace`] if a file can't be put in its place even now.
pub(super) fn finish(target: &Path) -> Result<(), OutputError> {
    let new = target.join(NEW);
    let Ok(list) = fs::read_to_string(new.join(LIST)) else { return Ok(()) };
    let names: Vec<&str> = list.lines().filter(|name| is_plain(name)).collect();
    let failed = |path: PathBuf| move |error: io::Error| OutputError::Replace { path, reason: error.kind() };
    for name in &names {
        match fs::rename(new.join(name), target.join(name)) {
            // It is in its place already.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            done => done.map_err(failed(target.join(name)))?,
        }
    }
    for stale in own_names().into_iter().filter(|name| !names.contains(&name.as_str())) {
        match fs::remove_file(target.join(&stale)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(failed(target.join(stale))(error))?,
            _ => {}
        }
    }
    fs::remove_file(new.join(LIST)).and_then(|()| fs::remove_dir(&new)).map_err(failed(new))
}

/// Whether a run was stopped between its files.
pub(super) fn is_unfinished(target: &Path) -> bool {
    target.join(NEW).join(LIST).is_file()
}

/// A name within the folder and of a file, whatever somebody wrote into the list.
fn is_plain(name: &str) -> bool {
    Path::new(name).file_name().is_some_and(|file| file == name)
}
