//! What a take is called: `POSITION[@SOURCE][#TAKE]`.

use crate::capture;
use crate::recording::read_whole;
use crate::session::is_position_name;
use std::path::{Path, PathBuf};

/// A take of a position and source.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Name {
    /// Where its response lies.
    pub path: PathBuf,
    /// Whether a take stands there that was to be repeated.
    pub replaces: bool,
}

/// Most takes of one position.
const MOST: usize = 999;

impl Name {
    /// The first take that isn't there yet, or whose record says that it must be repeated. `None` where a name can't be
    /// a file's, or all are taken.
    #[must_use]
    pub fn next(folder: &Path, position: &str, source: Option<&str>) -> Option<Self> {
        let plain = |name: &str| is_position_name(name) && !name.contains(['@', '#']);
        if !plain(position) || source.is_some_and(|source| !plain(source)) {
            return None;
        }
        let source = source.map_or(String::new(), |source| format!("@{source}"));
        (1..=MOST).find_map(|take| {
            let number = if take > 1 { format!("#{take}") } else { String::new() };
            let path = folder.join(format!("{position}{source}{number}.wav"));
            let stands = path.exists();
            (!stands || is_to_be_repeated(&path)).then_some(Self { path, replaces: stands })
        })
    }
}

fn is_to_be_repeated(path: &Path) -> bool {
    let record = read_whole(path, "", 1)
        .ok()
        .and_then(|response| capture::beside(path, &response.provenance.sha256).ok().flatten());
    record.is_some_and(|record| record.again().is_some())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{CaptureRecord, Finding};
    use crate::output::audio::{SampleForm, write_wav};

    #[test]
    fn takes_are_numbered_and_bad_ones_replaced() -> Result<(), Box<dyn std::error::Error>> {
        let folder = tempfile::tempdir()?;
        let next = |source| {
            let name = Name::next(folder.path(), "seat", source)?;
            Some((name.path.file_name()?.to_str()?.to_owned(), name.replaces))
        };
        assert_eq!(next(None), Some(("seat.wav".into(), false)));
        assert_eq!(next(Some("left")), Some(("seat@left.wav".into(), false)));
        let path = folder.path().join("seat.wav");
        write_wav(&path, &[0.0, 0.5, 0.25], 8_000, SampleForm::Float32, false)?;
        assert_eq!(next(None), Some(("seat#2.wav".into(), false)));
        let finding =
            Finding { word: "clipped".into(), again: true, found: "clipped".into(), advice: "down".into() };
        let record = CaptureRecord {
            schema: capture::SCHEMA,
            response_sha256: read_whole(&path, "", 1)?.provenance.sha256,
            range_hz: [20.0, 200.0],
            findings: vec![finding],
            ..CaptureRecord::default()
        };
        std::fs::write(capture::path_beside(&path), capture::text(&record)?)?;
        assert_eq!(next(None), Some(("seat.wav".into(), true)));
        for wrong in ["", ".x", "a/b", "a@b", "a#2"] {
            assert_eq!(Name::next(folder.path(), wrong, None), None, "{wrong}");
        }
        Ok(())
    }
}
