//! What the paths meant, before any name is read.

use std::path::PathBuf;

use super::Failure;
use super::manifest::Manifest;

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

/// A file's name without folder and extension.
pub(super) fn stem(file: &str) -> &str {
    let name = file.rsplit('/').next().unwrap_or(file);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}
