//! What paths mean: a session, one of its states, a folder of takes, single files.

use std::fs;
use std::path::{Path, PathBuf};

use super::assemble::{asked_pattern, assemble};
use super::enclosing::{enclosing_session, plan_part};
use super::error::SessionError;
use super::folder::{MANIFEST_NAME, look};
use super::order::fold;
use super::plan::{
    Plan, UNNAMED_POSITION, both_levels, no_audio, not_there, plan_described, plan_session, real,
};
use super::several::plan_several;
use super::{Field, OpenOptions, Session};

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
        (false, true) => plan_session(path, listing),
        (true, false) => {
            let whole = asked_pattern(options)?.is_some_and(|pattern| pattern.holds(Field::State));
            match if whole { None } else { enclosing_session(path) } {
                Some(above) => plan_part(&above, &[path.to_owned()]),
                None => plan_session(path, listing),
            }
        }
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
