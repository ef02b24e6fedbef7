//! Short names for paths that must not be mixed up: as few folders in front as tell them apart.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use super::order::{composed, fold};

/// A name for each path: its last part, with the folders above it where others end alike.
///
/// Distinct paths get distinct names (case and Unicode form don't count), unless only those differ.
pub(crate) fn shortest_names(paths: &[PathBuf]) -> Vec<String> {
    shortest(&paths.iter().map(|path| parts(path)).collect::<Vec<_>>())
}

/// A name for each path without its extension, where that leaves the paths distinct.
pub(super) fn shortest_stems(paths: &[PathBuf]) -> Vec<String> {
    let stems: Vec<Vec<String>> = paths.iter().map(|path| without_extension(path)).collect();
    let mut names = shortest(&stems);
    let mut claims: BTreeMap<String, usize> = BTreeMap::new();
    for name in &names {
        *claims.entry(fold(name)).or_default() += 1;
    }
    for (name, full) in names.iter_mut().zip(shortest_names(paths)) {
        if claims.get(&fold(name)).is_some_and(|&claims| claims > 1) {
            *name = full;
        }
    }
    names
}

fn without_extension(path: &Path) -> Vec<String> {
    let mut parts = parts(path);
    let is_audio = is_audio_name(path);
    if let Some(last) = parts.last_mut().filter(|_| is_audio) {
        *last = stem(last).to_owned();
    }
    parts
}

/// The named parts of a path as given; as seen from the root of the file system where it leads up.
fn parts(path: &Path) -> Vec<String> {
    let leads_up = path.components().any(|part| matches!(part, Component::ParentDir | Component::CurDir));
    let whole = if leads_up { std::fs::canonicalize(path).ok() } else { None };
    let whole = whole.unwrap_or_else(|| path.to_owned());
    let named = whole.components().filter_map(|part| match part {
        Component::Normal(name) => Some(composed(&name.to_string_lossy())),
        _ => None,
    });
    named.collect()
}

fn shortest(paths: &[Vec<String>]) -> Vec<String> {
    let name = |path: &[String], depth: usize| path[path.len().saturating_sub(depth)..].join("/");
    let mut depths = vec![1; paths.len()];
    let deepest = paths.iter().map(Vec::len).max().unwrap_or(0);
    for _ in 1..deepest {
        let mut claims: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, (path, &depth)) in paths.iter().zip(&depths).enumerate() {
            claims.entry(fold(&name(path, depth))).or_default().push(i);
        }
        claims.retain(|_, paths| paths.len() > 1);
        for i in claims.into_values().flatten() {
            depths[i] += 1;
        }
    }
    paths.iter().zip(depths).map(|(path, depth)| name(path, depth)).collect()
}

/// Extensions that are read as audio, in any case.
const AUDIO_EXTENSIONS: [&str; 7] = ["wav", "wave", "flac", "aif", "aiff", "npy", "sofa"];

/// Whether files with this extension are audio.
#[must_use]
pub(super) fn is_audio_extension(extension: &str) -> bool {
    AUDIO_EXTENSIONS.iter().any(|known| extension.eq_ignore_ascii_case(known))
}

/// Whether a path's name is that of an audio file.
#[must_use]
pub fn is_audio_name(path: &Path) -> bool {
    let hidden = path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
    let extension = path.extension().map(|extension| extension.to_string_lossy());
    !hidden && extension.is_some_and(|extension| is_audio_extension(&extension))
}

/// A file's name without folder and extension.
pub(super) fn stem(file: &str) -> &str {
    let name = file.rsplit('/').next().unwrap_or(file);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(names: &[&str]) -> Vec<PathBuf> {
        names.iter().map(PathBuf::from).collect()
    }

    #[test]
    fn equal_ends_get_the_folder_that_tells_them_apart() {
        assert_eq!(
            shortest_names(&paths(&["/a/empty", "/b/empty", "/b/full"])),
            ["a/empty", "b/empty", "full"]
        );
        assert_eq!(shortest_names(&paths(&["/x/a/e", "/y/a/E"])), ["x/a/e", "y/a/E"]);
        assert_eq!(shortest_names(&paths(&["a", "sub/a"])), ["a", "sub/a"]);
    }

    #[test]
    fn stems_keep_their_extension_only_where_it_matters() {
        assert_eq!(shortest_stems(&paths(&["/j/before.wav", "/j/after.wav"])), ["before", "after"]);
        assert_eq!(shortest_stems(&paths(&["/e/seat.wav", "/t/seat.wav"])), ["e/seat", "t/seat"]);
        assert_eq!(
            shortest_stems(&paths(&["/e/seat.wav", "/e/seat.flac", "/e/a.wav"])),
            ["seat.wav", "seat.flac", "a"]
        );
        assert_eq!(shortest_stems(&paths(&["/e/setting-1.5"])), ["setting-1.5"]);
    }
}
