//! Which files results were made of: folders that nobody named are told apart by them.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use serde::Deserialize;

use super::{RESULTS_JSON, is_ours};
use crate::table::Results;

/// Files by name and SHA-256, empty for one that was not read; sorted.
pub type Inputs = Vec<(String, String)>;

/// The files of a run.
#[must_use]
pub fn inputs(results: &Results) -> Inputs {
    let files = results.files.iter();
    sorted(files.map(|row| (row.file.to_string(), row.sha256.clone().unwrap_or_default())).collect())
}

/// The files of the results in a folder of ours; `None` where there are none.
#[must_use]
pub fn inputs_of(folder: &Path) -> Option<Inputs> {
    let file = is_ours(folder).then(|| File::open(folder.join(RESULTS_JSON)).ok())??;
    let found: Found = serde_json::from_reader(BufReader::new(file)).ok()?;
    Some(sorted(found.files.into_iter().map(|row| (row.file, row.sha256.unwrap_or_default())).collect()))
}

fn sorted(mut inputs: Inputs) -> Inputs {
    inputs.sort_unstable();
    inputs
}

#[derive(Deserialize)]
struct Found {
    files: Vec<FoundFile>,
}

#[derive(Deserialize)]
struct FoundFile {
    file: String,
    sha256: Option<String>,
}
