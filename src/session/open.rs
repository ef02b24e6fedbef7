//! What paths mean: a session, one of its states, a folder of takes, single files.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::above::{plan_part, session_above};
use super::assemble::{asked_pattern, assemble};
use super::error::SessionError;
use super::folder::{
    AudioFile, Listing, MANIFEST_NAME, SubFolder, audio_in, holds_responses, look, unreadable,
};
use super::labels::shortest_stems;
use super::manifest::{ListedState, Manifest};
use super::order::{closest, composed, fold};
use super::plan::{Candidate, Home, Plan, UNNAMED_POSITION};
use super::several::plan_several;
use super::{Failure, Field, OpenOptions, Session};

/// Opens what the paths name as one session.
///
/// One folder is a session (it holds `session.toml`, or audio only in sub-folders), one state of a
/// session above it, or a state on its own. Single files form the state `files`; several folders
/// with audio are a state each. No audio is opened: whether it can be read is for the reader to say.
///
/// # Errors
/// [`SessionError`]; [`SessionError::is_usage`] parts wrong usage from nothing found.
pub fn open(paths: &[PathBuf], options: &OpenOptions) -> Result<Session, SessionError> {
    match paths {
        [] => Err(SessionError::NothingGiven),
        [path] => assemble(plan_one(path, options)?, options),
        paths => assemble(plan_several(paths, options, false)?, options),
    }
}

/// Opens two or more folders or files as one state each, in the order given; the first is the baseline.
///
/// Folders that are states of one session bring its manifest along. Files that are states by
/// themselves are taken to stand at one position where their names differ. One path alone is
/// opened as [`open`] does, without a baseline of its own.
///
/// # Errors
/// As [`open`].
pub fn open_each(paths: &[PathBuf], options: &OpenOptions) -> Result<Session, SessionError> {
    if paths.len() < 2 {
        return open(paths, options);
    }
    let mut session = assemble(plan_several(paths, options, true)?, options)?;
    session.baseline = session.states.first().map(|state| state.name.clone());
    if paths.iter().all(|path| !path.is_dir()) {
        put_at_one_position(&mut session);
    }
    Ok(session)
}

/// Where results go unless the user says otherwise: `NAME-results` beside the session; in the working
/// folder for files and folders that belong to no session.
#[must_use]
pub fn default_out(session: &Session) -> PathBuf {
    let Some(root) = &session.root else { return PathBuf::from(format!("{}-results", session.name)) };
    let root = if root.file_name().is_some() { root.clone() } else { real(root) };
    let mut name = root.file_name().map_or_else(|| "session".into(), ToOwned::to_owned);
    name.push("-results");
    root.with_file_name(name)
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

fn plan_one(path: &Path, options: &OpenOptions) -> Result<Plan, SessionError> {
    let data = fs::metadata(path).map_err(|error| not_there(path, &error))?;
    if !data.is_dir() {
        let name = path.file_name().map(|name| fold(&name.to_string_lossy()));
        if name.as_deref() == Some(MANIFEST_NAME) {
            let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty());
            return plan_one(parent.unwrap_or(Path::new(".")), options);
        }
        return plan_several(&[path.to_owned()], options, false);
    }
    let listing = look(path)?;
    let is_flat = !listing.files.is_empty();
    let has_states = listing.states().next().is_some();
    if listing.manifest.is_some() || (options.each && (is_flat || has_states)) {
        return plan_described(path, listing, options);
    }
    match (is_flat, has_states) {
        (true, true) => Err(both_levels(path, &listing)),
        (false, false) => Err(no_audio(path, &listing)),
        (false, true) => plan_session(path, listing, false),
        (true, false) => {
            let whole = asked_pattern(options)?.is_some_and(|pattern| pattern.holds(Field::State));
            match if whole { None } else { session_above(path) } {
                Some(above) => plan_part(&above, &[path.to_owned()]),
                None => plan_session(path, listing, false),
            }
        }
    }
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
    let found = if listing.ours {
        "results of this program".to_owned()
    } else if let Some(failure) = listing.failures.first() {
        format!("{}: {}", super::plain(&failure.file), failure.reason)
    } else if let Some(warning) = listing.warnings.first() {
        warning.clone()
    } else if listing.folders.is_empty() {
        "nothing of the kind".to_owned()
    } else {
        format!("{} without audio", super::error::count(listing.folders.len(), "sub-folder"))
    };
    SessionError::NoAudio { path: path.to_owned(), found }
}

/// A folder that is a session by its manifest or layout, or a state on its own.
pub(super) fn plan_session(root: &Path, listing: Listing, each: bool) -> Result<Plan, SessionError> {
    plan_described(root, listing, &OpenOptions { each, ..OpenOptions::default() })
}

fn plan_described(root: &Path, listing: Listing, options: &OpenOptions) -> Result<Plan, SessionError> {
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
        warnings: listing.warnings,
        ..Plan::default()
    })
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

/// Files compared one by one stand at one position, whatever they are called.
fn put_at_one_position(session: &mut Session) {
    let takes = || session.states.iter().flat_map(|state| &state.takes);
    let Some(first) = takes().next().map(|take| fold(&take.position)) else { return };
    if takes().all(|take| fold(&take.position) == first) {
        return;
    }
    for take in session.states.iter_mut().flat_map(|state| &mut state.takes) {
        UNNAMED_POSITION.clone_into(&mut take.position);
    }
    let warning = "each file is a state; all are taken to have been recorded at one position";
    session.warnings.push(warning.to_owned());
}
