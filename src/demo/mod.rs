//! An invented session with its truth: a cellar room in which a double bass is practised, measured
//! before and after a tuned absorber came in.
//!
//! Nothing in it was measured. Every pole and residue is known ([`simulate`](crate::room::simulate)),
//! and `truth.json` beside the audio holds them; so the whole program can be watched, and tested,
//! on a session where the right answer is known. The same bytes on every run.

mod scenario;
mod truth;

pub use truth::{StateTruth, TruePole};

use crate::output::audio::{SampleForm, wav};
use crate::room::simulate::SceneError;
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
    #[error("{path}: the folder is not empty and holds no demo session; give another folder")]
    NotEmpty {
        /// The folder.
        path: PathBuf,
    },
    /// The file system said no.
    #[error("{path}: {reason}")]
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
/// each file by one rename.
///
/// # Errors
/// [`DemoError`]: the folder holds something else, or can't be written to.
pub fn write(folder: &Path) -> Result<Demo, DemoError> {
    check_free(folder)?;
    let job = scenario::cellar();
    let mut states = Vec::new();
    for state in &job.states {
        let solved = state.scene.solve()?;
        let in_state = folder.join(state.name);
        std::fs::create_dir_all(&in_state)
            .map_err(|reason| DemoError::Write { path: in_state.clone(), reason })?;
        for take in &job.takes {
            let samples = job.samples(state, &solved, take)?;
            let path = in_state.join(take.file_name());
            let bytes = wav(&samples, job.rate_hz, SampleForm::Integer24)
                .map_err(|reason| DemoError::Write { path: path.clone(), reason })?;
            put(&path, &bytes)?;
        }
        states.push(StateTruth::new(state.name, &job, &solved));
    }
    put(&folder.join("session.toml"), job.manifest().as_bytes())?;
    put(&folder.join(TRUTH), truth::json(&job, &states).as_bytes())?;
    Ok(Demo { folder: folder.to_path_buf(), states })
}

/// Name of the file with the truth; its presence marks a folder as a demo.
const TRUTH: &str = "truth.json";

fn check_free(folder: &Path) -> Result<(), DemoError> {
    let empty = match std::fs::read_dir(folder) {
        Ok(mut entries) => entries.next().is_none(),
        Err(reason) if reason.kind() == std::io::ErrorKind::NotFound => true,
        Err(reason) => return Err(DemoError::Write { path: folder.to_path_buf(), reason }),
    };
    if empty || folder.join(TRUTH).is_file() {
        return std::fs::create_dir_all(folder)
            .map_err(|reason| DemoError::Write { path: folder.to_path_buf(), reason });
    }
    Err(DemoError::NotEmpty { path: folder.to_path_buf() })
}

/// Writes a file beside its place and renames it there.
fn put(path: &Path, bytes: &[u8]) -> Result<(), DemoError> {
    let failed = |reason| DemoError::Write { path: path.to_path_buf(), reason };
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    let beside = path.with_file_name(name);
    std::fs::write(&beside, bytes).map_err(failed)?;
    std::fs::rename(&beside, path).map_err(failed)
}

#[cfg(test)]
mod tests;
