//! Folders as people bring them. Oracles: the rules that the documentation of `session.toml` states,
//! and measured archives whose names are published with them.

// What a test skips, and why, is for whoever runs it to see.
#![allow(clippy::print_stderr)]

mod folders;
mod listed;
mod names;
mod paths;

use std::fs;
use std::path::PathBuf;

use tempfile::TempDir;

use super::*;

/// A folder that is filled file by file; contents don't matter, nobody opens audio here.
pub(super) struct Folder(pub TempDir);

impl Folder {
    pub fn of(files: &[&str]) -> Self {
        let folder = Self(tempfile::tempdir().unwrap());
        for file in files {
            folder.write(file, "");
        }
        folder
    }

    pub fn write(&self, file: &str, text: &str) {
        let path = self.path(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    pub fn path(&self, file: &str) -> PathBuf {
        self.0.path().join(file)
    }

    pub fn open(&self, file: &str) -> Result<Session, SessionError> {
        open(&[self.path(file)], &OpenOptions::default())
    }

    fn error(&self, file: &str) -> String {
        let error = self.open(file).unwrap_err();
        error.to_string().replace(&self.0.path().display().to_string(), "")
    }
}

/// `state: position@source#take, ...` for each state.
pub(super) fn shape(session: &Session) -> Vec<String> {
    let take = |take: &Take| {
        let source = if take.source.is_empty() { String::new() } else { format!("@{}", take.source) };
        let number = if take.take.is_empty() { String::new() } else { format!("#{}", take.take) };
        let unused = if take.used { "" } else { "!" };
        format!("{}{source}{number}{unused}", take.position)
    };
    let state = |state: &State| {
        format!("{}: {}", state.name, state.takes.iter().map(take).collect::<Vec<_>>().join(" "))
    };
    session.states.iter().map(state).collect()
}

fn files(session: &Session) -> Vec<&str> {
    session.states.iter().flat_map(|state| &state.takes).map(|take| take.file.as_str()).collect()
}

/// A folder of responses where `STILLROOM_IR` says; without it the test says so and passes, on CI it fails.
fn measured(name: &str) -> Option<PathBuf> {
    let default = concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/ir");
    let root = std::env::var_os("STILLROOM_IR").map_or_else(|| PathBuf::from(default), PathBuf::from);
    let path = root.join(name);
    if !path.is_dir() {
        assert!(std::env::var_os("CI").is_none_or(|ci| ci != "true"), "{} is missing", path.display());
        eprintln!("skipped: no measured files at {}", path.display());
        return None;
    }
    Some(path)
}
