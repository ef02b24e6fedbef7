//! The folder that results go to, after a look at whose it is.

use std::fmt;
use std::fs::{self, File};
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde::Deserializer as _;
use serde::de::{Error as _, IgnoredAny, MapAccess, Visitor};

use super::{Batch, OutputError, RESULTS_JSON};
use crate::table::json::PROGRAM;

/// What to do with a folder that something else made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overwrite {
    /// Leave it alone.
    #[default]
    OnlyOurs,
    /// Write into it: files with the names of ours are replaced or removed, others stay.
    Anything,
}

/// A folder that may be written to.
#[derive(Debug, Clone)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// Looks whether results may go to `path`. Writes nothing: the folder is made with the first
    /// file, so that a run which finds nothing leaves no empty folder behind.
    ///
    /// # Errors
    /// [`OutputError::NotOurs`], [`OutputError::NotAFolder`], or [`OutputError::Write`] if the folder
    /// can't be looked into.
    pub fn open(path: &Path, overwrite: Overwrite) -> Result<Self, OutputError> {
        let folder = Self { path: path.to_owned() };
        match fs::metadata(path) {
            Err(_) => return Ok(folder), // not there yet; if it is out of reach, making it says so
            Ok(found) if !found.is_dir() => return Err(OutputError::NotAFolder { path: path.to_owned() }),
            Ok(_) => {}
        }
        if overwrite == Overwrite::OnlyOurs && !is_ours(path) {
            let strangers = strangers(path)?;
            if !strangers.is_empty() {
                return Err(OutputError::NotOurs { path: path.to_owned(), found: listed(&strangers) });
            }
        }
        Ok(folder)
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes the folder, if need be, and starts a batch of files for it.
    ///
    /// # Errors
    /// [`OutputError::Write`] if it can't be made.
    pub fn batch(&self) -> Result<Batch, OutputError> {
        fs::create_dir_all(&self.path)
            .map_err(|error| OutputError::Write { path: self.path.clone(), reason: error.kind() })?;
        Ok(Batch::new(&self.path))
    }
}

/// Whether this program made the folder: its `results.json` carries our `schema`. Any number counts:
/// results of an earlier or later version are ours too.
#[must_use]
pub fn is_ours(folder: &Path) -> bool {
    let Ok(file) = File::open(folder.join(RESULTS_JSON)) else { return false };
    let mut head = Head::default();
    // The reader stops with an error once it knows enough: the file can hold a hundred megabytes.
    let read = serde_json::Deserializer::from_reader(BufReader::new(file)).deserialize_map(&mut head);
    let whole = read.is_ok() || head.is_known();
    whole
        && head.schema.is_some_and(|schema| schema >= 1)
        && head.program.is_none_or(|program| program == PROGRAM)
}

/// The keys of `results.json` that tell whose it is; we write them first.
#[derive(Default)]
struct Head {
    schema: Option<u32>,
    program: Option<String>,
}

impl Head {
    fn is_known(&self) -> bool {
        self.schema.is_some() && self.program.is_some()
    }
}

impl<'de> Visitor<'de> for &mut Head {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "schema" => self.schema = Some(map.next_value()?),
                "program" => self.program = Some(map.next_value()?),
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
            if self.is_known() {
                return Err(A::Error::custom("known"));
            }
        }
        Ok(())
    }
}

/// Names in the folder that neither a file manager nor a run of ours that was killed left there.
fn strangers(folder: &Path) -> Result<Vec<String>, OutputError> {
    let failed = |error: std::io::Error| OutputError::Write { path: folder.to_owned(), reason: error.kind() };
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let name = entry.map_err(failed)?.file_name().to_string_lossy().into_owned();
        let harmless = name.starts_with(super::batch::PREFIX)
            || [".DS_Store", "Thumbs.db", "desktop.ini"].contains(&name.as_str());
        if !harmless {
            names.push(name);
        }
    }
    names.sort_unstable();
    Ok(names)
}

fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [name] => name.clone(),
        [name, others @ ..] => format!("{name} and {} more", others.len()),
    }
}
