//! Where a record lies, and how it is read.

use super::{CaptureRecord, SCHEMA};
use std::path::{Path, PathBuf};

/// A record is there and can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{file}: {found}\n  allowed  a capture record as `respond` wrote it\n  do       run `respond` again, or delete the record"
)]
#[non_exhaustive]
pub struct CaptureError {
    /// Name of the record.
    pub file: String,
    /// What is wrong with it.
    pub found: String,
}

/// Largest record read: its lists are short.
const MOST_BYTES: u64 = 1 << 20;

/// Where the record of a response lies: `seat.wav` has `seat.capture.json`.
#[must_use]
pub fn path_beside(response: &Path) -> PathBuf {
    response.with_extension("capture.json")
}

/// A record as its file holds it.
///
/// # Errors
/// None of a record's values fails; the type is the serialiser's.
pub fn text(record: &CaptureRecord) -> std::io::Result<String> {
    Ok(serde_json::to_string_pretty(record).map_err(std::io::Error::other)? + "\n")
}

/// Reads the record beside a response; `None` where there is none, or where it belongs to other bytes than
/// those with this SHA-256: the file was replaced since.
///
/// # Errors
/// [`CaptureError`] where one is there and can't be read.
pub fn beside(response: &Path, sha256: &str) -> Result<Option<CaptureRecord>, CaptureError> {
    let path = path_beside(response);
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let wrong = |found: String| CaptureError { file: name.clone(), found };
    match std::fs::metadata(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(wrong(error.to_string())),
        Ok(kind) if !kind.is_file() || kind.len() > MOST_BYTES => return Err(wrong("no record".into())),
        Ok(_) => {}
    }
    let text = std::fs::read_to_string(&path).map_err(|error| wrong(error.to_string()))?;
    let record: CaptureRecord = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
    if record.schema > SCHEMA {
        return Err(wrong(format!("form {}, this program knows up to {SCHEMA}", record.schema)));
    }
    let [low, high] = record.range_hz;
    if !(low > 0.0 && low < high && record.arrival_s >= 0.0 && record.emission_s.unwrap_or(0.0) >= 0.0) {
        return Err(wrong("times or range that no response has".into()));
    }
    Ok((record.response_sha256 == sha256).then_some(record))
}

#[cfg(test)]
mod tests {
    use super::super::tests::record;
    use super::*;

    #[test]
    fn a_record_is_read_for_its_own_response_only() -> std::io::Result<()> {
        let folder = tempfile::tempdir()?;
        let response = folder.path().join("seat.wav");
        assert_eq!(beside(&response, "00"), Ok(None));
        let text = serde_json::to_string(&record())?;
        std::fs::write(folder.path().join("seat.capture.json"), &text)?;
        assert_eq!(beside(&response, "00"), Ok(Some(record())));
        assert_eq!(beside(&response, "ff"), Ok(None), "the file was replaced since");
        for wrong in ["{", &text.replace("\"schema\":1", "\"schema\":2"), &text.replace("18.0", "-18.0")] {
            std::fs::write(folder.path().join("seat.capture.json"), wrong)?;
            assert!(beside(&response, "00").is_err(), "{wrong}");
        }
        Ok(())
    }
}
