//! What the paths meant, before any name is read: a folder's files with their places, and why there are none.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::error::{SessionError, list};
use super::folder::{
    AudioFile, Deeper, Listing, MANIFEST_NAME, SubFolder, audio_in, holds_responses, unreadable,
};
use super::labels::shortest_stems;
use super::manifest::{ListedState, Manifest};
use super::order::{closest, composed, fold};
use super::{Failure, OpenOptions};
use crate::language::count;

/// Position of files whose pattern says none.
pub(super) const UNNAMED_POSITION: &str = "mic";

/// Files with their places, the manifest, and what was remarked on the way.
#[derive(Debug, Default)]
pub(super) struct Plan {
    pub name: String,
    pub root: Option<PathBuf>,
    /// For messages: the folder or file that the user named.
    pub shown: PathBuf,
    pub manifest: Manifest,
    pub manifest_path: PathBuf,
    /// The first state that the manifest lists, also where only others were asked for.
    pub first_listed: Option<String>,
    pub files: Vec<Candidate>,
    /// Sub-folders that are there, for hints.
    pub folders: Vec<String>,
    /// Only part of the session was asked for: nothing is said of the rest.
    pub partial: bool,
    /// States stay in the order in which the user named them.
    pub keep_order: bool,
    pub failures: Vec<Failure>,
    pub warnings: Vec<String>,
}

/// A file that is to become a take.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub path: PathBuf,
    /// Path within the session with `/`.
    pub file: String,
    pub home: Home,
}

/// What a file's place says about its state.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Home {
    /// In the session's own folder.
    Root,
    /// In this sub-folder.
    Folder(String),
    /// The state is given, whatever the name says.
    State(String),
}

pub(super) fn real(path: &Path) -> PathBuf {
    fs::canonicalize(path).or_else(|_| std::path::absolute(path)).unwrap_or_else(|_| path.to_owned())
}

/// A folder's name for people.
fn name_of(root: &Path) -> String {
    let name =
        root.file_name().map(ToOwned::to_owned).or_else(|| real(root).file_name().map(ToOwned::to_owned));
    name.map_or_else(|| "session".to_owned(), |name| composed(&name.to_string_lossy()))
}

pub(super) fn not_there(path: &Path, error: &std::io::Error) -> SessionError {
    if error.kind() != std::io::ErrorKind::NotFound {
        return unreadable(path, error);
    }
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let entries = fs::read_dir(parent).into_iter().flatten().flatten();
    let mut names: Vec<String> =
        entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    let wanted = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let nearest = closest(&wanted, names.iter().map(String::as_str)).map(str::to_owned);
    SessionError::NotFound { path: path.to_owned(), nearest }
}

pub(super) fn both_levels(path: &Path, listing: &Listing) -> SessionError {
    let files = listing.files.iter().map(|file| file.name.clone()).collect();
    SessionError::BothLevels { path: path.to_owned(), files, folders: listing.state_names() }
}

pub(super) fn no_audio(path: &Path, listing: &Listing) -> SessionError {
    let jobs = listing.folders.iter().filter(|folder| folder.path.join(MANIFEST_NAME).is_file());
    let jobs: Vec<String> = jobs.map(|folder| folder.name.clone()).collect();
    let found = if listing.ours {
        "results of this program".to_owned()
    } else if let Some(failure) = listing.failures.first() {
        format!("{}: {}", super::plain(&failure.file), failure.reason)
    } else if let Some(warning) = listing.warnings.first() {
        warning.clone()
    } else if !jobs.is_empty() {
        format!("sessions in its sub-folders: {}", list(&jobs))
    } else if !listing.deeper.is_empty() {
        let deeper: Vec<String> = listing.deeper.iter().map(|deeper| deeper.folder.clone()).collect();
        format!("audio a folder too deep: {}", list(&deeper))
    } else if listing.folders.is_empty() {
        "no file".to_owned()
    } else {
        format!("{} without audio", count(listing.folders.len(), "sub-folder"))
    };
    SessionError::NoAudio { path: path.to_owned(), found }
}

/// A folder that is a session by its manifest or layout, or a state on its own.
pub(super) fn plan_session(root: &Path, listing: Listing) -> Result<Plan, SessionError> {
    plan_described(root, listing, &OpenOptions::default())
}

pub(super) fn plan_described(
    root: &Path,
    listing: Listing,
    options: &OpenOptions,
) -> Result<Plan, SessionError> {
    let manifest_path = listing.manifest.clone().unwrap_or_default();
    let manifest = listing.manifest.as_deref().map(Manifest::open).transpose()?.unwrap_or_default();
    let mut files = candidates(&listing);
    files.extend(listed_folders(root, &listing, &manifest.states));
    let mut failures = listing.failures;
    add_listed_files(root, &manifest, &mut files, &mut failures);
    if files.is_empty() && manifest.states.is_empty() && !options.without_audio {
        return Err(SessionError::NoAudio { path: root.to_owned(), found: "session.toml alone".to_owned() });
    }
    if options.each {
        make_each_a_state(&mut files);
    }
    let mut warnings = listing.warnings;
    warnings.extend(not_asked_for(&listing.deeper, &files));
    Ok(Plan {
        name: name_of(root),
        root: Some(root.to_owned()),
        shown: root.to_owned(),
        first_listed: manifest.states.first().map(|state| state.name.clone()),
        manifest,
        manifest_path,
        files,
        folders: listing.folders.iter().map(|folder| folder.name.clone()).collect(),
        failures,
        warnings,
        ..Plan::default()
    })
}

/// What is said of folders within sub-folders whose audio no state takes.
fn not_asked_for(deeper: &[Deeper], files: &[Candidate]) -> Vec<String> {
    let asked = |folder: &str| {
        let taken = |file: &Candidate| matches!(&file.home, Home::Folder(home) if fold(home) == fold(folder));
        files.iter().any(taken)
    };
    deeper.iter().filter(|deeper| !asked(&deeper.folder)).map(Deeper::warning).collect()
}

pub(super) fn candidates(listing: &Listing) -> Vec<Candidate> {
    let own = listing.files.iter();
    let own =
        own.map(|file| Candidate { path: file.path.clone(), file: file.name.clone(), home: Home::Root });
    own.chain(listing.states().flat_map(|folder| in_folder(folder, &folder.name))).collect()
}

fn in_folder(folder: &SubFolder, name: &str) -> Vec<Candidate> {
    let candidate = |file: &AudioFile| Candidate {
        path: file.path.clone(),
        file: format!("{name}/{}", file.name),
        home: Home::Folder(name.to_owned()),
    };
    folder.files.iter().map(candidate).collect()
}

/// Audio of listed folders that the listing passed over: deeper than two levels, or with our results.
fn listed_folders(root: &Path, listing: &Listing, states: &[ListedState]) -> Vec<Candidate> {
    let seen: BTreeSet<String> = listing.states().map(|folder| fold(&folder.name)).collect();
    let unseen = states
        .iter()
        .map(ListedState::folder)
        .filter(|folder| *folder != "." && !seen.contains(&fold(folder)));
    let read = unseen.flat_map(|folder| {
        if let Some(found) = listing.folders.iter().find(|found| fold(&found.name) == fold(folder)) {
            return in_folder(found, &found.name);
        }
        let path = root.join(folder);
        let files = audio_in(&path).unwrap_or_default();
        in_folder(&SubFolder { path, name: folder.to_owned(), files, ours: false }, folder)
    });
    read.collect()
}

/// Files that `[[takes]]` names and that lie where nobody looked.
fn add_listed_files(
    root: &Path,
    manifest: &Manifest,
    files: &mut Vec<Candidate>,
    failures: &mut Vec<Failure>,
) {
    let seen: BTreeSet<String> = files.iter().map(|file| fold(&file.file)).collect();
    for take in &manifest.takes {
        let path = root.join(&take.file);
        if seen.contains(&fold(&take.file)) || !path.is_file() {
            continue;
        }
        if !holds_responses(&path) {
            let reason = "[[takes]] names it but it is no audio file by its name".to_owned();
            failures.push(Failure { file: take.file.clone(), reason });
            continue;
        }
        let home =
            take.file.rsplit_once('/').map_or(Home::Root, |(folder, _)| Home::Folder(folder.to_owned()));
        files.push(Candidate { path, file: take.file.clone(), home });
    }
}

/// Every file a state of its own, named by its stem and what else tells it apart.
pub(super) fn make_each_a_state(files: &mut [Candidate]) {
    let paths: Vec<PathBuf> = files.iter().map(|file| file.file.clone().into()).collect();
    for (file, label) in files.iter_mut().zip(shortest_stems(&paths)) {
        file.home = Home::State(label);
    }
}
