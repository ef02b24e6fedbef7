//! The picture that the report carries at its head.

use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Largest picture that goes into a page, bytes.
const MOST_BYTES: u64 = 1 << 20;

/// A picture with its media type.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// `image/png` or `image/jpeg`.
    pub media: &'static str,
    /// The file.
    pub bytes: Vec<u8>,
}

/// Reads it; told by its first bytes (PNG, third edition, 5.2; JPEG, ISO/IEC 10918-1, B.1.1.3), not by its name.
///
/// # Errors
/// A sentence that says what is wrong with it; the session goes on without.
pub(super) fn read(root: &Path, file: &str) -> Result<Logo, String> {
    let refused = |what: String| format!("session.toml: `logo`: {file}: {what}; the report goes without it");
    let opened = File::open(root.join(file)).map_err(|error| refused(error.to_string()))?;
    let mut bytes = Vec::new();
    opened.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|error| refused(error.to_string()))?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(refused("larger than 1 MiB".to_owned()));
    }
    let media = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        "image/png"
    } else if bytes.starts_with(b"\xff\xd8\xff") {
        "image/jpeg"
    } else {
        return Err(refused("neither PNG nor JPEG".to_owned()));
    };
    Ok(Logo { media, bytes })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_pictures_of_two_kinds() {
        let folder = tempfile::tempdir().unwrap();
        let put = |bytes: &[u8]| std::fs::write(folder.path().join("mark"), bytes).unwrap();
        put(b"\x89PNG\r\n\x1a\nrest");
        assert_eq!(read(folder.path(), "mark").unwrap().media, "image/png");
        put(b"\xff\xd8\xff\xe0rest");
        assert_eq!(read(folder.path(), "mark").unwrap().media, "image/jpeg");
        put(b"<svg onload='x'/>");
        assert!(read(folder.path(), "mark").unwrap_err().contains("neither PNG nor JPEG"));
        put(&vec![0; (1 << 20) + 1]);
        assert!(read(folder.path(), "mark").unwrap_err().contains("larger than 1 MiB"));
        assert!(read(folder.path(), "none").unwrap_err().contains("none"));
    }
}
