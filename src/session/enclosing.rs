//! The session that folders belong to which the user named instead of it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::error::SessionError;
use super::folder::{Listing, SubFolder, look};
use super::manifest::Manifest;

use super::labels::stem;
use super::order::fold;
use super::plan::{Candidate, Home, Plan, plan_session, real};

/// A session whose states are folders that the user named.
pub(super) struct EnclosingSession {
    root: PathBuf,
    listing: Listing,
}

/// The session that a folder is a state of: the folder above holds `session.toml` and this is one of
/// its states, or it holds audio only in sub-folders and another of them has a file of the same name.
pub(super) fn enclosing_session(path: &Path) -> Option<EnclosingSession> {
    let parent = parent_of(path)?;
    let target = real(path);
    let listing = look(&parent).ok()?;
    let is_state = |listing: &Listing| listing.states().any(|folder| real(&folder.path) == target);
    if listing.manifest.is_some() {
        let named = is_state(&listing) || lists(&parent, &listing, &target);
        return named.then_some(EnclosingSession { root: parent, listing });
    }
    if listing.files.is_empty() && is_state(&listing) && shares_names(&listing, &target) {
        return Some(EnclosingSession { root: parent, listing });
    }
    // A manifest may name folders two levels down.
    let above = parent_of(&parent)?;
    let listing = look(&above).ok()?;
    lists(&above, &listing, &target).then_some(EnclosingSession { root: above, listing })
}

fn parent_of(path: &Path) -> Option<PathBuf> {
    let named =
        path.file_name().is_some() && path.parent().is_some_and(|parent| !parent.as_os_str().is_empty());
    if named { path.parent().map(Path::to_owned) } else { real(path).parent().map(Path::to_owned) }
}

/// Whether the manifest lists this folder. One that can't be read is reported once it is used.
fn lists(root: &Path, listing: &Listing, target: &Path) -> bool {
    let Some(Ok(manifest)) = listing.manifest.as_deref().map(Manifest::open) else { return false };
    manifest.states.iter().any(|state| state.folder() != "." && real(&root.join(state.folder())) == target)
}

/// Whether another sub-folder has a file with a stem of this one's: unrelated folders rarely do.
fn shares_names(listing: &Listing, target: &Path) -> bool {
    let stems = |folder: &SubFolder| -> Vec<String> {
        folder.files.iter().map(|file| fold(stem(&file.name))).collect()
    };
    let (own, others): (Vec<&SubFolder>, Vec<&SubFolder>) =
        listing.states().partition(|folder| real(&folder.path) == target);
    let own: Vec<String> = own.into_iter().flat_map(stems).collect();
    others.into_iter().flat_map(stems).any(|stem| own.contains(&stem))
}

/// Only these states of a session, with what the manifest moves into them.
pub(super) fn plan_part(enclosing: &EnclosingSession, paths: &[PathBuf]) -> Result<Plan, SessionError> {
    let mut plan = plan_session(&enclosing.root, enclosing.listing.clone())?;
    let part = Part::of(&plan, paths);
    let takes = std::mem::take(&mut plan.manifest.takes);
    let moved: BTreeMap<String, &str> = takes
        .iter()
        .filter_map(|take| Some((fold(&take.file), take.state.as_ref()?.value.as_str())))
        .collect();
    let rank = |file: &str| match moved.get(&fold(file)) {
        Some(state) => part.states.get(&fold(state)).copied(),
        None => part.folders.get(&folder_of(file)).copied(),
    };
    plan.files.retain(|file| rank(&file.file).is_some());
    plan.files.sort_by_cached_key(|file| rank(&file.file));
    plan.failures.retain(|failure| rank(&failure.file).is_some());
    plan.manifest.takes = takes.iter().filter(|take| rank(&take.file).is_some()).cloned().collect();
    plan.manifest.states.retain(|state| part.states.contains_key(&fold(&state.name)));
    plan.warnings.clear();
    plan.partial = true;
    plan.shown = paths.first().cloned().unwrap_or_default();
    Ok(plan)
}

/// The folders that the user named and their states, folded, with their rank among the paths.
struct Part {
    folders: BTreeMap<String, usize>,
    states: BTreeMap<String, usize>,
}

impl Part {
    fn of(plan: &Plan, paths: &[PathBuf]) -> Self {
        let targets: Vec<PathBuf> = paths.iter().map(|path| real(path)).collect();
        let places: BTreeMap<&str, &Path> = plan.files.iter().filter_map(folder_and_place).collect();
        let ranked = places.into_iter().filter_map(|(folder, place)| {
            let place = real(place);
            Some((folder, targets.iter().position(|target| *target == place)?))
        });
        let mut part = Self { folders: BTreeMap::new(), states: BTreeMap::new() };
        for (folder, rank) in ranked {
            let listed = plan.manifest.states.iter().find(|state| fold(state.folder()) == fold(folder));
            part.states.insert(fold(listed.map_or(folder, |listed| &listed.name)), rank);
            part.folders.insert(fold(folder), rank);
        }
        part
    }
}

fn folder_and_place(file: &Candidate) -> Option<(&str, &Path)> {
    match &file.home {
        Home::Folder(folder) => Some((folder.as_str(), file.path.parent()?)),
        Home::Root | Home::State(_) => None,
    }
}

/// The folder of a file within the session, folded.
fn folder_of(file: &str) -> String {
    file.rsplit_once('/').map_or_else(String::new, |(folder, _)| fold(folder))
}

/// The session that all folders are states of. Siblings that the user names together need share no
/// file names, if nothing else than states lies beside them.
pub(super) fn common_session(paths: &[PathBuf]) -> Option<EnclosingSession> {
    let first = parent_of(&paths[0])?;
    let siblings =
        paths.iter().all(|path| parent_of(path).is_some_and(|parent| real(&parent) == real(&first)));
    if siblings {
        let listing = look(&first).ok()?;
        let is_state = |path: &PathBuf| listing.states().any(|folder| real(&folder.path) == real(path));
        if (listing.manifest.is_some() || listing.files.is_empty()) && paths.iter().all(is_state) {
            return Some(EnclosingSession { root: first, listing });
        }
    }
    let above = enclosing_session(&paths[0])?;
    let same =
        |path: &PathBuf| enclosing_session(path).is_some_and(|other| real(&other.root) == real(&above.root));
    paths[1..].iter().all(same).then_some(above)
}
