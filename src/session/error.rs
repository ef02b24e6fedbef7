//! Why a session can't be opened: what and where, what was found, what is allowed, what to do.

use std::fmt;
use std::path::{Path, PathBuf};

use thiserror::Error;

use super::order::plain;
use super::pattern::PatternError;
use crate::language::{count, few};

/// Why no [`Session`](super::Session) could be made of the paths given.
///
/// The first line of each text says what and where; then follow what was found, what is allowed
/// and what to do.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SessionError {
    /// No path was given.
    #[error("no folder or file given\n  do       name the folder of a session or audio files")]
    NothingGiven,
    /// A path that leads nowhere.
    #[error("{}: no such file or folder\n  do       check the spelling{}", shown(path), near(.nearest))]
    NotFound {
        /// The path as given.
        path: PathBuf,
        /// An entry of the same folder with nearly this name.
        nearest: Option<String>,
    },
    /// A single file whose name is not that of audio.
    #[error(
        "{}: not an audio file by its name\n  allowed  {AUDIO}\n  do       name audio files or their folder",
        shown(path)
    )]
    NotAudio {
        /// The path as given.
        path: PathBuf,
    },
    /// A folder or file that the system won't let us read.
    #[error("{}: can't be read\n  found    {reason}\n  do       {}", shown(path), read_advice(path))]
    Unreadable {
        /// The path.
        path: PathBuf,
        /// The system's words.
        reason: String,
    },
    /// No audio where it is looked for.
    #[error(
        "{}: no audio found\n  found    {found}\n  allowed  {AUDIO} in the folder or in its sub-folders, not deeper\n  do       name the folder that holds the recordings",
        shown(path)
    )]
    NoAudio {
        /// The path as given.
        path: PathBuf,
        /// What is there instead.
        found: String,
    },
    /// Audio beside and inside sub-folders, and no manifest that says what is what.
    #[error(
        "{}: audio both in the folder and in its sub-folders\n  found    {} beside {}\n  allowed  audio on one level, or a session.toml that says what is what\n  do       move the files into a state's folder, name one sub-folder alone, or use --each",
        shown(path),
        list(files),
        list(folders)
    )]
    BothLevels {
        /// The path as given.
        path: PathBuf,
        /// Audio files of the folder itself.
        files: Vec<String>,
        /// Sub-folders with audio.
        folders: Vec<String>,
    },
    /// A whole session among several paths.
    #[error(
        "{}: a whole session among several paths\n  found    the states {}\n  allowed  one session alone, or several folders with audio in them\n  do       name this folder alone, or the folders of the states",
        shown(path),
        list(states)
    )]
    SessionAmongPaths {
        /// The path as given.
        path: PathBuf,
        /// Its sub-folders with audio.
        states: Vec<String>,
    },
    /// Files that say they are the same take.
    #[error("names collide: {}", Collisions(.collisions))]
    Collision {
        /// Each name with the files that claim it.
        collisions: Vec<Collision>,
    },
    /// A pattern from the command line that can't be used.
    #[error(
        "--names \"{}\": {error}\n  allowed  text with {{state}}, {{position}}, {{source}}, {{take}} and *\n  do       write it like \"{{position}}_{{take}}\" for files like seat_2.wav",
        plain(pattern)
    )]
    Pattern {
        /// The pattern as given.
        pattern: String,
        /// What is wrong with it.
        error: PatternError,
    },
    /// Not one file is named as the pattern says.
    #[error(
        "no file's name fits\n  found    {}\n  allowed  {}\n  do       give the names' pattern by --names or by names in session.toml",
        list(found),
        plain(pattern)
    )]
    NoNameFits {
        /// The pattern that was asked for.
        pattern: String,
        /// The files.
        found: Vec<String>,
    },
    /// A channel that no file has.
    #[error(
        "--channel {found}: no such channel\n  allowed  1 to 65535, counted from 1\n  do       use --channel 1 for the first"
    )]
    Channel {
        /// The number as given.
        found: usize,
    },
    /// Something in `session.toml` or a language file; everything that is wrong with it at once.
    #[error("{}", Problems { path, problems })]
    Manifest {
        /// The file.
        path: PathBuf,
        /// What is wrong, by line.
        problems: Vec<Problem>,
    },
}

impl SessionError {
    /// Whether the user asked for something that can't be (exit status 2), rather than that there
    /// was nothing to be had (exit status 1).
    #[must_use]
    pub fn is_usage(&self) -> bool {
        match self {
            Self::NoAudio { .. } => false,
            // A manifest that can't be read is an invalid one; anything else is not to be had.
            Self::Unreadable { path, .. } => is_manifest(path),
            _ => true,
        }
    }
}

/// A name that several files claim.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Collision {
    /// State, position, source and take, or a state's name, in words.
    pub name: String,
    /// Files or folders, as paths within the session.
    pub files: Vec<String>,
}

/// One thing wrong with a manifest.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Problem {
    /// Line, counted from 1.
    pub line: usize,
    /// What is wrong with which key.
    pub what: String,
    /// What stands there.
    pub found: String,
    /// What may stand there.
    pub allowed: String,
    /// What to do.
    pub advice: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.what)?;
        for (word, text) in
            [("found   ", &self.found), ("allowed ", &self.allowed), ("do      ", &self.advice)]
        {
            if !text.is_empty() {
                write!(f, "\n  {word} {text}")?;
            }
        }
        Ok(())
    }
}

/// Formats that are read, for messages.
const AUDIO: &str = "wav, wave, flac, aif, aiff, npy, sofa (in any case); csv or txt with a column time_s or a line # rate_hz = ...";

/// A path for messages.
pub(super) fn shown(path: &Path) -> String {
    plain(&path.display().to_string())
}

/// A few names for messages; the rest is counted.
pub(super) fn list(names: &[String]) -> String {
    few(&names.iter().map(|name| plain(name)).collect::<Vec<_>>(), 5)
}

fn near(nearest: &Option<String>) -> String {
    nearest.as_ref().map_or_else(String::new, |name| format!("; there is `{}`", plain(name)))
}

fn is_manifest(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("toml"))
}

fn read_advice(path: &Path) -> &'static str {
    if is_manifest(path) {
        "save it as plain text in UTF-8, and see that it may be read"
    } else {
        "see that the folder is there and may be read"
    }
}

struct Collisions<'a>(&'a [Collision]);

impl fmt::Display for Collisions<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const MOST: usize = 10;
        write!(f, "{} claimed more than once", count(self.0.len(), "name"))?;
        for collision in self.0.iter().take(MOST) {
            write!(f, "\n  found    {}: {}", plain(&collision.name), list(&collision.files))?;
        }
        if self.0.len() > MOST {
            write!(f, "\n  found    and {} more", self.0.len() - MOST)?;
        }
        f.write_str("\n  allowed  one file for each state, position, source and take (case and Unicode form don't count)")?;
        f.write_str("\n  do       rename, number repeats like seat#2.wav, let --names read {take}, or set use = false in [[takes]]")
    }
}

struct Problems<'a> {
    path: &'a Path,
    problems: &'a [Problem],
}

impl fmt::Display for Problems<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            let gap = if i == 0 { "" } else { "\n" };
            write!(f, "{gap}{}, {problem}", shown(self.path))?;
        }
        Ok(())
    }
}
