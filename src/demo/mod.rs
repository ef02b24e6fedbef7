//! An invented session with its truth: a cellar room in which a double bass is practised, measured
//! before and after a tuned absorber came in.
//!
//! Nothing in it was measured. Every pole and residue is known ([`simulate`](crate::room::simulate)),
//! and `truth.json` beside the audio holds them; so the whole program can be watched, and tested,
//! on a session where the right answer is known. The same bytes on every run.

mod scenario;
mod truth;

pub use truth::{StateTruth, TruePole};

use crate::output::OutputError;
use crate::output::audio::{SampleForm, wav};
use crate::output::file::{self, Existing};
use crate::room::simulate::SceneError;
use crate::session::MANIFEST_NAME;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// A session that was written, and what is true of it.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Demo {
    /// Folder that holds `session.toml`.
    pub folder: PathBuf,
    /// One entry a state, in the session's order.
    pub states: Vec<StateTruth>,
}

/// Why the session could not be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum DemoError {
    /// The folder holds something else already.
    #[error("{}: the folder is not empty and holds no demo session; give another folder", path.display())]
    NotEmpty {
        /// The folder.
        path: PathBuf,
    },
    /// The demo's manifest is not as it was written.
    #[error(
        "{}: not as the demo writes it\n  allowed  the demo's own session.toml, or none\n  \
         do       rename it, or give the demo another folder",
        path.display()
    )]
    ManifestChanged {
        /// The manifest.
        path: PathBuf,
    },
    /// The file system said no.
    #[error("{}: {reason}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        reason: std::io::Error,
    },
    /// The scene could not be worked out.
    #[error("the demo's room: {0}")]
    Scene(#[from] SceneError),
}

/// Writes the demo session into `folder`, which is made if need be.
///
/// 22 files of 3 s, 48 kHz, 24 bit; `session.toml`; `truth.json`. An earlier demo is overwritten,
/// each file by one rename. `truth.json` comes first: a demo that was stopped is known as one.
///
/// # Errors
/// [`DemoError`]: the folder holds something else, or can't be written to.
pub fn write(folder: &Path) -> Result<Demo, DemoError> {
    let job = scenario::cellar();
    check_free(folder, &job.manifest())?;
    let solved = job.states.iter().map(|state| state.scene.solve()).collect::<Result<Vec<_>, _>>()?;
    let named = job.states.iter().zip(&solved);
    let states: Vec<StateTruth> =
        named.map(|(state, solved)| StateTruth::new(state.name, &job, solved)).collect();
    put(&folder.join(TRUTH), truth::json(&job, &states).as_bytes())?;
    for (state, solved) in job.states.iter().zip(&solved) {
        for take in &job.takes {
            let samples = job.samples(state, solved, take)?;
            let path = folder.join(state.name).join(take.file_name());
            let bytes = wav(&samples, job.rate_hz, SampleForm::Integer24)
                .map_err(|reason| DemoError::Write { path: path.clone(), reason })?;
            put(&path, &bytes)?;
        }
    }
    put(&folder.join(MANIFEST_NAME), job.manifest().as_bytes())?;
    Ok(Demo { folder: folder.to_path_buf(), states })
}

/// Name of the file with the truth; its presence marks a folder as a demo.
const TRUTH: &str = "truth.json";

/// The folder is new, empty, or a demo that nobody has made a session of their own.
fn check_free(folder: &Path, manifest: &str) -> Result<(), DemoError> {
    let empty = match std::fs::read_dir(folder) {
        Ok(mut entries) => entries.next().is_none(),
        Err(reason) if reason.kind() == std::io::ErrorKind::NotFound => true,
        Err(reason) => return Err(DemoError::Write { path: folder.to_path_buf(), reason }),
    };
    if !empty && !std::fs::read_to_string(folder.join(TRUTH)).is_ok_and(|text| truth::is_ours(&text)) {
        return Err(DemoError::NotEmpty { path: folder.to_path_buf() });
    }
    let path = folder.join(MANIFEST_NAME);
    match std::fs::read(&path) {
        Ok(text) if text != manifest.as_bytes() => Err(DemoError::ManifestChanged { path }),
        _ => Ok(()),
    }
}

/// Writes a file, whole or not at all.
fn put(path: &Path, bytes: &[u8]) -> Result<(), DemoError> {
    file::put(path, bytes, Existing::Replace).map_err(|error| DemoError::Write {
        path: path.to_path_buf(),
        reason: match error {
            OutputError::Write { reason, .. } => reason.into(),
            other => std::io::Error::other(other.to_string()),
        },
    })
}

#[cfg(test)]
mod tests;
