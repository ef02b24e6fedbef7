//! What a file of several responses says of them before any sample is read: text columns with a header, and,
//! where they are built in, SOFA files.
//!
//! The session names its takes by it, the reader finds its samples by it; neither knows the other.

pub mod columns;
#[cfg(feature = "sofa")]
pub mod sofa;

use std::io::Read as _;
use std::path::Path;

/// Where a response of a file was measured, as far as the file says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Told {
    /// What the file calls the response; empty where it says nothing. For text columns the header's word, which
    /// is read like a file's name.
    pub name: String,
    /// Name of the source, where the file tells several apart.
    pub source: Option<String>,
    /// Where the microphone was, metres from a floor corner.
    pub position_m: Option<[f64; 3]>,
    /// Where the source was.
    pub source_m: Option<[f64; 3]>,
}

/// The responses of a file, in the order in which they count as its channels; `None` for a file that is a
/// recording of channels, or that can't be read: then its reader says why.
#[must_use]
pub fn responses(path: &Path) -> Option<Vec<Told>> {
    let extension = path.extension()?.to_string_lossy().to_lowercase();
    match extension.as_str() {
        "csv" | "txt" => columns::look(path).map(|found| found.told()),
        #[cfg(feature = "sofa")]
        "sofa" => sofa::look(path).ok().map(|found| found.told()),
        _ => None,
    }
}

/// Whether a file begins as HDF5 does ("HDF5 File Format Specification", the superblock's signature).
#[must_use]
pub fn is_hdf5(path: &Path) -> bool {
    let mut head = [0; 8];
    let regular = std::fs::metadata(path).is_ok_and(|data| data.is_file());
    regular
        && std::fs::File::open(path).is_ok_and(|mut file| file.read_exact(&mut head).is_ok())
        && head == *b"\x89HDF\r\n\x1a\n"
}

/// Whether a file called `.csv` or `.txt` holds responses: columns of numbers with a time or a rate. Most such
/// files are something else.
#[must_use]
pub fn is_text_of_responses(path: &Path) -> bool {
    let extension = path.extension().map(|extension| extension.to_string_lossy().to_lowercase());
    matches!(extension.as_deref(), Some("csv" | "txt")) && columns::look(path).is_some()
}
