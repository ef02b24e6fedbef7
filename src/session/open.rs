//! What paths mean: a session, one of its states, a folder of takes, single files.

use std::fs;
use std::path::{Path, PathBuf};

use super::assemble::{Candidate, Home, Plan, UNNAMED_POSITION, asked_pattern, assemble, stem};
use super::error::{Collision, SessionError, shown};
use super::folder::{Listing, MANIFEST_NAME, SubFolder, audio_in, is_audio_name, look, unreadable};
use super::labels::{shortest_names, shortest_stems};
use super::manifest::{ListedState, Manifest};
use super::order::{closest, composed, fold};
use super::{Failure, Field, OpenOptions, Session};

/// State of audio files that are named one by one.
const FILES: &str = "files";
/// Name of a comparison of folders or files that belong to no common session.
const COMPARISON: &str = "compare";

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

fn real(path: &Path) -> PathBuf {
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
        return plan_session(path, listing, options.each);
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

fn not_there(path: &Path, error: &std::io::Error) -> SessionError {
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

fn both_levels(path: &Path, listing: &Listing) -> SessionError {
    let files = listing.files.iter().map(|file| file.name.clone()).collect();
    SessionError::BothLevels { path: path.to_owned(), files, folders: listing.state_names() }
}

fn no_audio(path: &Path, listing: &Listing) -> SessionError {
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
fn plan_session(root: &Path, listing: Listing, each: bool) -> Result<Plan, SessionError> {
    let manifest_path = listing.manifest.clone().unwrap_or_default();
    let manifest = listing.manifest.as_deref().map(Manifest::open).transpose()?.unwrap_or_default();
    let mut files = candidates(&listing);
    let mut failures = listing.failures;
    for state in &manifest.states {
        files.extend(listed_folder(root, &listing.folders, state, &files));
    }
    add_listed_files(root, &manifest, &mut files, &mut failures);
    if files.is_empty() && manifest.states.is_empty() {
        return Err(SessionError::NoAudio { path: root.to_owned(), found: "session.toml alone".to_owned() });
    }
    if each {
        let paths: Vec<PathBuf> = files.iter().map(|file| file.file.clone().into()).collect();
        for (file, label) in files.iter_mut().zip(shortest_stems(&paths)) {
            file.home = Home::State(label);
        }
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

fn candidates(listing: &Listing) -> Vec<Candidate> {
    let own = listing.files.iter();
    let own =
        own.map(|file| Candidate { path: file.path.clone(), file: file.name.clone(), home: Home::Root });
    own.chain(listing.states().flat_map(|folder| in_folder(folder, &folder.name))).collect()
}

fn in_folder(folder: &SubFolder, name: &str) -> Vec<Candidate> {
    let candidate = |file: &super::folder::AudioFile| Candidate {
        path: file.path.clone(),
        file: format!("{name}/{}", file.name),
        home: Home::Folder(name.to_owned()),
    };
    folder.files.iter().map(candidate).collect()
}

/// Audio of a listed folder that the listing passed over: deeper than two levels, or with our results.
fn listed_folder(
    root: &Path,
    folders: &[SubFolder],
    state: &ListedState,
    files: &[Candidate],
) -> Vec<Candidate> {
    let folder = state.folder();
    let is_there = |file: &Candidate| matches!(&file.home, Home::Folder(name) if fold(name) == fold(folder));
    if folder == "." || files.iter().any(is_there) {
        return Vec::new();
    }
    if let Some(found) = folders.iter().find(|found| fold(&found.name) == fold(folder)) {
        return in_folder(found, &found.name);
    }
    let path = root.join(folder);
    let Some(files) = audio_in(&path) else { return Vec::new() };
    in_folder(&SubFolder { path, name: folder.to_owned(), files, ours: false }, folder)
}

/// Files that `[[takes]]` names and that lie where nobody looked.
fn add_listed_files(
    root: &Path,
    manifest: &Manifest,
    files: &mut Vec<Candidate>,
    failures: &mut Vec<Failure>,
) {
    for take in &manifest.takes {
        let path = root.join(&take.file);
        if files.iter().any(|file| fold(&file.file) == fold(&take.file)) || !path.is_file() {
            continue;
        }
        if !is_audio_name(&path) {
            let reason = "[[takes]] names it but it is no audio file by its name".to_owned();
            failures.push(Failure { file: take.file.clone(), reason });
            continue;
        }
        let home =
            take.file.rsplit_once('/').map_or(Home::Root, |(folder, _)| Home::Folder(folder.to_owned()));
        files.push(Candidate { path, file: take.file.clone(), home });
    }
}

/// A session whose states are folders that the user named.
struct Above {
    root: PathBuf,
    listing: Listing,
}

/// The session that a folder is a state of: the folder above holds `session.toml` and this is one of
/// its states, or it holds audio only in sub-folders and another of them has a file of the same name.
fn session_above(path: &Path) -> Option<Above> {
    let parent = parent_of(path)?;
    let target = real(path);
    let listing = look(&parent).ok()?;
    let is_state = |listing: &Listing| listing.states().any(|folder| real(&folder.path) == target);
    if listing.manifest.is_some() {
        let named = is_state(&listing) || lists(&parent, &listing, &target);
        return named.then_some(Above { root: parent, listing });
    }
    if listing.files.is_empty() && is_state(&listing) && shares_names(&listing, &target) {
        return Some(Above { root: parent, listing });
    }
    // A manifest may name folders two levels down.
    let above = parent_of(&parent)?;
    let listing = look(&above).ok()?;
    lists(&above, &listing, &target).then_some(Above { root: above, listing })
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

/// Only these states of a session.
fn plan_part(above: &Above, paths: &[PathBuf]) -> Result<Plan, SessionError> {
    let targets: Vec<PathBuf> = paths.iter().map(|path| real(path)).collect();
    let mut plan = plan_session(&above.root, above.listing.clone(), false)?;
    let rank_of = |file: &Candidate| match &file.home {
        Home::Folder(_) => {
            let folder = real(file.path.parent()?);
            targets.iter().position(|target| *target == folder)
        }
        Home::Root | Home::State(_) => None,
    };
    plan.files.retain(|file| rank_of(file).is_some());
    plan.files.sort_by_cached_key(|file| rank_of(file));
    let files = &plan.files;
    let is_here = |state: &ListedState| {
        files
            .iter()
            .any(|file| matches!(&file.home, Home::Folder(name) if fold(name) == fold(state.folder())))
    };
    plan.manifest.states.retain(is_here);
    plan.warnings.clear();
    plan.failures.clear();
    plan.partial = true;
    plan.shown.clone_from(&paths[0]);
    Ok(plan)
}

/// One of several paths.
enum Item {
    File,
    Folder(Listing),
}

fn plan_several(paths: &[PathBuf], options: &OpenOptions, each_a_state: bool) -> Result<Plan, SessionError> {
    refuse_doubles(paths)?;
    let mut items = Vec::new();
    for path in paths {
        items.push(item(path, paths.len())?);
    }
    let all_folders = items.iter().all(|item| matches!(item, Item::Folder(_)));
    if let Some(above) = (all_folders && !options.each).then(|| common_session(paths)).flatten() {
        return Ok(Plan { keep_order: each_a_state, ..plan_part(&above, paths)? });
    }
    let mut warnings = Vec::new();
    let mut files = Vec::new();
    let names = shortest_names(paths);
    let labels = shortest_stems(paths);
    for (((path, item), name), label) in paths.iter().zip(items).zip(names).zip(labels) {
        match item {
            Item::Folder(listing) => {
                if listing.manifest.is_some() {
                    warnings.push(format!(
                        "{}: its {MANIFEST_NAME} is not used among several paths",
                        shown(path)
                    ));
                }
                warnings.extend(listing.warnings.iter().map(|warning| format!("{}: {warning}", shown(path))));
                let file = |file: super::folder::AudioFile| Candidate {
                    path: file.path,
                    file: format!("{name}/{}", file.name),
                    home: Home::State(name.clone()),
                };
                files.extend(listing.files.into_iter().map(file));
            }
            Item::File => {
                let home = if each_a_state { Home::State(label) } else { Home::Root };
                files.push(Candidate { path: path.clone(), file: name, home });
            }
        }
    }
    if options.each {
        let inner: Vec<PathBuf> = files.iter().map(|file| file.file.clone().into()).collect();
        for (file, label) in files.iter_mut().zip(shortest_stems(&inner)) {
            file.home = Home::State(label);
        }
    }
    let name = if each_a_state { COMPARISON } else { FILES };
    Ok(Plan {
        name: name.to_owned(),
        shown: paths[0].clone(),
        files,
        warnings,
        keep_order: each_a_state,
        ..Plan::default()
    })
}

fn refuse_doubles(paths: &[PathBuf]) -> Result<(), SessionError> {
    let mut seen = std::collections::BTreeMap::new();
    for path in paths {
        if let Some(first) = seen.insert(real(path), path) {
            let files = vec![first.display().to_string(), path.display().to_string()];
            let collision = Collision { name: "the same path twice".to_owned(), files };
            return Err(SessionError::Collision { collisions: vec![collision] });
        }
    }
    Ok(())
}

fn item(path: &Path, paths: usize) -> Result<Item, SessionError> {
    match fs::metadata(path) {
        Ok(data) if data.is_dir() => {
            let listing = look(path)?;
            let has_states = listing.states().next().is_some();
            match (listing.files.is_empty(), has_states) {
                (false, false) => Ok(Item::Folder(listing)),
                (false, true) => Err(both_levels(path, &listing)),
                (true, false) => Err(no_audio(path, &listing)),
                (true, true) => Err(SessionError::SessionAmongPaths {
                    path: path.to_owned(),
                    states: listing.state_names(),
                }),
            }
        }
        Ok(_) if is_audio_name(path) => Ok(Item::File),
        Ok(_) => Err(SessionError::NotAudio { path: path.to_owned() }),
        // Among others it is a take that can't be read: the reader names it and the rest is done.
        Err(_) if paths > 1 && is_audio_name(path) => Ok(Item::File),
        Err(error) => Err(not_there(path, &error)),
    }
}

/// The session that all folders are states of. Siblings that the user names together need share no
/// file names, if nothing else than states lies beside them.
fn common_session(paths: &[PathBuf]) -> Option<Above> {
    let first = parent_of(&paths[0])?;
    let siblings =
        paths.iter().all(|path| parent_of(path).is_some_and(|parent| real(&parent) == real(&first)));
    if siblings {
        let listing = look(&first).ok()?;
        let is_state = |path: &PathBuf| listing.states().any(|folder| real(&folder.path) == real(path));
        if (listing.manifest.is_some() || listing.files.is_empty()) && paths.iter().all(is_state) {
            return Some(Above { root: first, listing });
        }
    }
    let above = session_above(&paths[0])?;
    let same =
        |path: &PathBuf| session_above(path).is_some_and(|other| real(&other.root) == real(&above.root));
    paths[1..].iter().all(same).then_some(above)
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
