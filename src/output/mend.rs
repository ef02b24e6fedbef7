//! What a run that was killed left: finished, put back, cleared away.

use std::fs;
use std::path::Path;

use super::staging::{PREFIX, is_one, left_behind};
use super::{OutputError, journal, own_names};

/// Ends a change of `target` that was stopped half way, and clears away what stopped runs left beside and
/// within it. Files that are not of this program's making go back to `target`, or stay where they are.
///
/// # Errors
/// [`OutputError::Replace`] if a file can't be put in its place.
pub(super) fn mend(target: &Path) -> Result<(), OutputError> {
    journal::finish(target)?;
    for home in target.parent().into_iter().chain([target]) {
        for (left, _held) in left_behind(home, target) {
            clear(&left, target);
        }
    }
    Ok(())
}

/// Empties and removes a folder in which results were collected. What can't be removed stays: it is in
/// nobody's way.
pub(super) fn clear(left: &Path, target: &Path) {
    let own = own_names();
    for entry in fs::read_dir(left).into_iter().flatten().flatten() {
        let (name, path) = (entry.file_name(), entry.path());
        let ours = name.to_str().is_some_and(|name| {
            own.iter().any(|own| own == name) || name == journal::LIST || name.starts_with(PREFIX)
        });
        let there = fs::symlink_metadata(target.join(&name)).ok();
        let linked = matches!((entry.metadata(), &there), (Ok(here), Some(there)) if is_one(&here, there));
        if ours || linked {
            let _ = fs::remove_file(&path);
        } else if there.is_none() && target.is_dir() {
            let _ = fs::rename(&path, target.join(&name));
        }
    }
    let _ = fs::remove_dir(left);
}
