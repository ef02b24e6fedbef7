//! What lies in a folder: audio files on two levels, a manifest, and what is passed over.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::Failure;
use super::error::{SessionError, list};
use super::labels::{is_audio_extension, is_audio_name};
use super::order::{NaturalKey, fold, plain};
use super::ours::is_our_results;
use crate::language::count;
use crate::layout;

/// Recordings that people bring along but that aren't read; worth a word instead of silence.
const OTHER_AUDIO: [&str; 9] = ["mp3", "m4a", "aac", "ogg", "opus", "wma", "w64", "caf", "bwf"];

/// Whether a path is that of a file with responses: by its name, or text that is columns of samples.
pub(super) fn holds_responses(path: &Path) -> bool {
    is_audio_name(path) || layout::is_text_of_responses(path)
}

/// An audio file of a folder; nobody has opened it yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct AudioFile {
    pub path: PathBuf,
    pub name: String,
}

/// A sub-folder and its audio files.
#[derive(Debug, Clone)]
pub(super) struct SubFolder {
    pub path: PathBuf,
    pub name: String,
    pub files: Vec<AudioFile>,
    /// Written by this program.
    pub ours: bool,
}

/// A folder as far as a session is concerned.
#[derive(Debug, Clone, Default)]
pub(super) struct Listing {
    pub files: Vec<AudioFile>,
    /// Sub-folders in natural order, those without audio and our own included.
    pub folders: Vec<SubFolder>,
    pub manifest: Option<PathBuf>,
    pub ours: bool,
    pub warnings: Vec<String>,
    pub failures: Vec<Failure>,
    /// Folders within the sub-folders that hold audio nobody asked for yet.
    pub deeper: Vec<Deeper>,
}

/// A folder within a sub-folder, by its path within the session, and how many audio files it holds.
#[derive(Debug, Clone)]
pub(super) struct Deeper {
    pub folder: String,
    pub files: usize,
}

impl Deeper {
    /// Those of a sub-folder's folders that hold audio; what can't be listed or is our own is none.
    fn within(folder: &str, inner: &[(PathBuf, String)]) -> Vec<Self> {
        let of = |(path, name): &(PathBuf, String)| {
            let level = Level::read(path).ok().filter(|level| !level.ours && !level.files.is_empty())?;
            Some(Self { folder: format!("{folder}/{name}"), files: level.files.len() })
        };
        inner.iter().filter_map(of).collect()
    }

    /// What is said of it where it isn't read.
    pub fn warning(&self) -> String {
        let above = self.folder.rsplit_once('/').map_or("", |(above, _)| above);
        format!(
            "{}: passed over with its {}, a state's files lie in the state's own folder; move them into {}, or name this folder in session.toml (folder = \"{}\")",
            plain(&self.folder),
            count(self.files, "audio file"),
            plain(above),
            plain(&self.folder)
        )
    }
}

impl Listing {
    /// Sub-folders that can be states.
    pub fn states(&self) -> impl Iterator<Item = &SubFolder> {
        self.folders.iter().filter(|folder| !folder.files.is_empty() && !folder.ours)
    }

    /// Names of the sub-folders that can be states.
    pub fn state_names(&self) -> Vec<String> {
        self.states().map(|folder| folder.name.clone()).collect()
    }
}

/// Looks at a folder and its sub-folders, deeper only for audio that would be passed over; a link back to a folder above is
/// passed over.
///
/// # Errors
/// [`SessionError::Unreadable`] if the folder itself can't be listed. Sub-folders that can't are
/// failures of the listing.
pub(super) fn look(root: &Path) -> Result<Listing, SessionError> {
    let level = Level::read(root).map_err(|error| unreadable(root, &error))?;
    let mut listing = Listing { ours: level.ours, ..Listing::default() };
    let real_root = fs::canonicalize(root).ok();
    for (path, name) in level.folders {
        if leads_up(&path, real_root.as_deref()) {
            listing
                .warnings
                .push(format!("{}: passed over, it leads back to the session's folder", plain(&name)));
            continue;
        }
        match Level::read(&path) {
            Ok(level) => {
                if !level.ours {
                    listing.deeper.extend(Deeper::within(&name, &level.folders));
                }
                listing.add(SubFolder { path, name, files: level.files, ours: level.ours }, &level.others)
            }
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => {
                let reason = format!("the folder can't be read ({})", error.kind());
                listing.failures.push(Failure { file: name, reason });
            }
        }
    }
    listing.warn_of_others("", &level.others);
    listing.find_manifest(&level.toml);
    listing.files = level.files;
    Ok(listing)
}

/// The audio files of one folder that the manifest names; `None` where there is none to list.
pub(super) fn audio_in(path: &Path) -> Option<Vec<AudioFile>> {
    Level::read(path).ok().map(|level| level.files)
}

pub(super) fn unreadable(path: &Path, error: &std::io::Error) -> SessionError {
    SessionError::Unreadable { path: path.to_owned(), reason: error.kind().to_string() }
}

impl Listing {
    fn add(&mut self, folder: SubFolder, others: &[String]) {
        if folder.ours && !folder.files.is_empty() {
            self.warnings.push(format!(
                "{}: passed over with its {}, it holds results of this program",
                plain(&folder.name),
                count(folder.files.len(), "audio file")
            ));
        }
        self.warn_of_others(&format!("{}/", folder.name), others);
        self.folders.push(folder);
    }

    fn warn_of_others(&mut self, prefix: &str, others: &[String]) {
        if !others.is_empty() {
            let names: Vec<String> = others.iter().map(|name| format!("{prefix}{name}")).collect();
            let are = if names.len() == 1 { "is" } else { "are" };
            self.warnings.push(format!("{} {are} not read: export as wav or flac", list(&names)));
        }
    }

    /// `session.toml` in any case; other names that look like a slip are told.
    fn find_manifest(&mut self, toml: &[(PathBuf, String)]) {
        let exact = toml.iter().find(|(_, name)| name == MANIFEST_NAME);
        let found = exact.or_else(|| toml.iter().find(|(_, name)| name.eq_ignore_ascii_case(MANIFEST_NAME)));
        self.manifest = found.map(|(path, _)| path.clone());
        if self.manifest.is_none() {
            for (_, name) in toml {
                self.warnings
                    .push(format!("{}: not read, the manifest's name is {MANIFEST_NAME}", plain(name)));
            }
        }
    }
}

/// The name of the manifest.
pub const MANIFEST_NAME: &str = "session.toml";

/// A link to the folder itself or to one above would show the same files again.
fn leads_up(path: &Path, real_root: Option<&Path>) -> bool {
    let linked = fs::symlink_metadata(path).is_ok_and(|data| data.is_symlink());
    match (linked, fs::canonicalize(path), real_root) {
        (true, Ok(target), Some(root)) => root.starts_with(target),
        _ => false,
    }
}

/// One folder's own entries, in natural order.
#[derive(Default)]
struct Level {
    files: Vec<AudioFile>,
    folders: Vec<(PathBuf, String)>,
    /// `session.toml`, and names that could be meant for it.
    toml: Vec<(PathBuf, String)>,
    /// Audio in formats that aren't read.
    others: Vec<String>,
    ours: bool,
}

impl Level {
    fn read(path: &Path) -> std::io::Result<Self> {
        let mut level = Self::default();
        for entry in fs::read_dir(path)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if !name.starts_with('.') {
                level.add(&entry, name);
            }
        }
        level.files.sort_by_cached_key(|file| NaturalKey::new(&file.name));
        level.folders.sort_by_cached_key(|(_, name)| NaturalKey::new(name));
        level.toml.sort();
        level.others.sort_by_cached_key(|name| NaturalKey::new(name));
        Ok(level)
    }

    fn add(&mut self, entry: &fs::DirEntry, name: String) {
        let path = entry.path();
        let extension = path.extension().map(|extension| extension.to_string_lossy().to_lowercase());
        let extension = extension.unwrap_or_default();
        if is_folder(entry) {
            self.folders.push((path, name));
        } else if is_audio_extension(&extension) {
            // Also a dangling link or a device: the reader names what can't be read.
            self.files.push(AudioFile { path, name });
        } else if name == "results.json" {
            self.ours = is_our_results(&path);
        } else if extension == "toml" || fold(&name) == "session.toml.txt" {
            self.toml.push((path, name));
        } else if layout::is_text_of_responses(&path) {
            self.files.push(AudioFile { path, name });
        } else if OTHER_AUDIO.contains(&extension.as_str()) {
            self.others.push(name);
        }
    }
}

fn is_folder(entry: &fs::DirEntry) -> bool {
    match entry.file_type() {
        Ok(kind) if kind.is_symlink() => fs::metadata(entry.path()).is_ok_and(|data| data.is_dir()),
        Ok(kind) => kind.is_dir(),
        Err(_) => false,
    }
}
