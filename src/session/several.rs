//! Several paths at once: folders and files that together make one session.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::enclosing::{common_session, plan_part};
use super::error::{Collision, SessionError};
use super::folder::{Listing, MANIFEST_NAME, holds_responses, look};
use super::labels::is_audio_name;
use super::labels::{shortest_names, shortest_stems};
use super::order::plain;
use super::plan::{
    Candidate, Home, Plan, both_levels, candidates, make_each_a_state, no_audio, not_there, real,
};
use super::{Failure, OpenOptions};

/// State of audio files that are named one by one.
const FILES: &str = "files";
/// Name of a comparison of folders or files that belong to no common session.
const COMPARISON: &str = "compare";

/// One of several paths.
enum Item {
    File,
    Folder(Listing),
}

/// Folders are a state each; files form one state, or are one each if `each_a_state`.
pub(super) fn plan_several(
    paths: &[PathBuf],
    options: &OpenOptions,
    each_a_state: bool,
) -> Result<Plan, SessionError> {
    refuse_doubles(paths)?;
    let items =
        paths.iter().map(|path| item(path, paths.len(), options.each)).collect::<Result<Vec<_>, _>>()?;
    let all_folders = items.iter().all(|item| matches!(item, Item::Folder(_)));
    if let Some(above) = (all_folders && !options.each).then(|| common_session(paths)).flatten() {
        return Ok(Plan { keep_order: each_a_state, ..plan_part(&above, paths)? });
    }
    let name = if each_a_state { COMPARISON } else { FILES };
    let shown = paths.first().cloned().unwrap_or_default();
    let mut plan = Plan { name: name.to_owned(), shown, keep_order: each_a_state, ..Plan::default() };
    let (names, labels) = (shortest_names(paths), shortest_stems(paths));
    for (((path, item), name), label) in paths.iter().zip(items).zip(names).zip(labels) {
        match item {
            Item::Folder(listing) => add_folder(&mut plan, &name, listing),
            Item::File => {
                let home = if each_a_state { Home::State(label) } else { Home::Root };
                plan.files.push(Candidate { path: path.clone(), file: name, home });
            }
        }
    }
    if options.each {
        make_each_a_state(&mut plan.files);
    }
    Ok(plan)
}

fn add_folder(plan: &mut Plan, name: &str, listing: Listing) {
    for file in candidates(&listing) {
        let file =
            Candidate { file: format!("{name}/{}", file.file), home: Home::State(name.to_owned()), ..file };
        plan.files.push(file);
    }
    let name = plain(name);
    if listing.manifest.is_some() {
        plan.warnings.push(format!("{name}: its {MANIFEST_NAME} is not used among several paths"));
    }
    plan.warnings.extend(listing.warnings.iter().map(|warning| format!("{name}: {warning}")));
    let inside = |failure: Failure| Failure { file: format!("{name}/{}", failure.file), ..failure };
    plan.failures.extend(listing.failures.into_iter().map(inside));
}

fn refuse_doubles(paths: &[PathBuf]) -> Result<(), SessionError> {
    let mut seen = BTreeMap::new();
    for path in paths {
        if let Some(first) = seen.insert(real(path), path) {
            let files = vec![first.display().to_string(), path.display().to_string()];
            let collision = Collision { name: "the same path twice".to_owned(), files };
            return Err(SessionError::Collision { collisions: vec![collision] });
        }
    }
    Ok(())
}

fn item(path: &Path, paths: usize, each: bool) -> Result<Item, SessionError> {
    match fs::metadata(path) {
        Ok(data) if data.is_dir() => folder_item(path, look(path)?, each),
        Ok(_) if holds_responses(path) => Ok(Item::File),
        Ok(_) => Err(SessionError::NotAudio { path: path.to_owned() }),
        // Among others it is a take that can't be read: the reader names it and the rest is done.
        Err(_) if paths > 1 && is_audio_name(path) => Ok(Item::File),
        Err(error) => Err(not_there(path, &error)),
    }
}

fn folder_item(path: &Path, listing: Listing, each: bool) -> Result<Item, SessionError> {
    let has_states = listing.states().next().is_some();
    match (listing.files.is_empty(), has_states) {
        (true, false) => Err(no_audio(path, &listing)),
        (false, false) => Ok(Item::Folder(listing)),
        // Where every file stands for itself, its folder says nothing.
        (_, true) if each => Ok(Item::Folder(listing)),
        (false, true) => Err(both_levels(path, &listing)),
        (true, true) => {
            Err(SessionError::SessionAmongPaths { path: path.to_owned(), states: listing.state_names() })
        }
    }
}
