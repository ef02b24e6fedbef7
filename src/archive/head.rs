//! The first part of `results.json`, up to its first long table: what the session was and what lies beside.

use std::collections::BTreeMap;
use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use serde::Deserialize;
use serde::de::{Deserializer as _, Error as _, IgnoredAny, MapAccess, Visitor};
use sha2::{Digest, Sha256};

use crate::table::json::PROGRAM;

/// How `results.json` ends when it is whole.
const END: &[u8] = b"]\n}\n";

/// What is kept of a session until its tables are read.
#[derive(Debug, Default, Clone, PartialEq)]
pub(super) struct Head {
    pub schema: u64,
    pub version: String,
    pub title: Option<String>,
    pub baseline: Option<String>,
    /// The state that the comparison took as before; `None` where nothing was compared.
    pub before: Option<String>,
    pub states: Vec<String>,
    pub volume_m3: Option<f64>,
    /// The settings that all sessions of one table should share, in words.
    pub settings: String,
    /// CSV files with their numbers of rows; empty in results that say none.
    pub tables: BTreeMap<String, u64>,
    pub failures: u64,
    /// Files that went into the results.
    pub files: u64,
    /// Hash over the hashes of all files, in order of these; `None` where no file was read.
    pub inputs: Option<[u8; 32]>,
    /// It holds gathered results, not those of a session.
    pub gathered: bool,
}

/// Reads the head of a `results.json` that this program wrote; `Ok(None)` if it did not.
///
/// # Errors
/// What is wrong with the file, in one sentence without a full stop.
pub(super) fn read(path: &Path) -> Result<Option<Head>, String> {
    let words = |error: &io::Error| format!("its results.json can't be read ({})", error.kind());
    let mut file = File::open(path).map_err(|error| words(&error))?;
    let mut reader = Reader::default();
    let parsed =
        serde_json::Deserializer::from_reader(BufReader::new(&mut file)).deserialize_map(&mut reader);
    if reader.program.as_deref() != Some(PROGRAM) || reader.head.schema == 0 {
        return Ok(None);
    }
    if let (Err(error), false) = (&parsed, reader.enough) {
        return Err(format!("its results.json is damaged or cut short (line {})", error.line()));
    }
    if !ends_whole(&mut file).map_err(|error| words(&error))? {
        return Err("its results.json is cut short".to_owned());
    }
    Ok(Some(reader.head))
}

fn ends_whole(file: &mut File) -> io::Result<bool> {
    let mut end = [0; END.len()];
    file.seek(SeekFrom::End(-(END.len() as i64)))?;
    file.read_exact(&mut end)?;
    Ok(end == END)
}

#[derive(Default)]
struct Reader {
    program: Option<String>,
    head: Head,
    /// All that is wanted has been met.
    enough: bool,
}

#[derive(Deserialize)]
struct Session {
    title: Option<String>,
    baseline: Option<String>,
    states: Vec<String>,
    #[serde(default)]
    volume_m3: Option<f64>,
}

#[derive(Deserialize)]
struct Settings {
    bands: String,
    with_modes: bool,
    modes_from_hz: f64,
    modes_to_hz: f64,
    #[serde(default)]
    before: Option<String>,
}

#[derive(Deserialize)]
struct Table {
    table: String,
    rows: u64,
}

#[derive(Deserialize)]
struct Audio {
    used: bool,
    sha256: Option<String>,
    #[serde(default)]
    channel: Option<u64>,
}

impl<'de> Visitor<'de> for &mut Reader {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object with named values")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            self.take(&key, &mut map)?;
            if self.enough {
                // The rest is long, and stands in the CSV files too.
                return Err(A::Error::custom("enough is known"));
            }
        }
        Ok(())
    }
}

impl Reader {
    fn take<'de, A: MapAccess<'de>>(&mut self, key: &str, map: &mut A) -> Result<(), A::Error> {
        let head = &mut self.head;
        match key {
            "schema" => head.schema = map.next_value()?,
            "program" => self.program = Some(map.next_value()?),
            "version" => head.version = map.next_value()?,
            "session" => {
                let said: Session = map.next_value()?;
                (head.title, head.baseline) = (said.title, said.baseline);
                (head.states, head.volume_m3) = (said.states, said.volume_m3);
            }
            "settings" => {
                let settings: Settings = map.next_value()?;
                (head.settings, head.before) = (settings.words(), settings.before);
            }
            "tables" => {
                let tables: Vec<Table> = map.next_value()?;
                head.tables = tables.into_iter().map(|of| (of.table, of.rows)).collect();
            }
            "failures" => head.failures = map.next_value::<Vec<IgnoredAny>>()?.len() as u64,
            "files" => {
                let files: Vec<Audio> = map.next_value()?;
                head.files = files.iter().filter(|file| file.used).count() as u64;
                head.inputs = inputs(&files);
                self.enough = true;
            }
            "catalogue" => (head.gathered, self.enough) = (true, true),
            _ => drop(map.next_value::<IgnoredAny>()?),
        }
        // A schema that isn't ours may hold anything behind it.
        self.enough |= self.program.is_some() && self.head.schema != u64::from(crate::table::json::SCHEMA);
        Ok(())
    }
}

impl Settings {
    fn words(&self) -> String {
        let modes = if self.with_modes {
            format!("modes {} to {} Hz", self.modes_from_hz, self.modes_to_hz)
        } else {
            "no modes".to_owned()
        };
        format!("{} bands, {modes}", self.bands)
    }
}

/// One hash for all files, whatever their names and order: the same measurement under another name has it too.
fn inputs(files: &[Audio]) -> Option<[u8; 32]> {
    let of = |file: &Audio| Some((file.sha256.clone()?, file.channel));
    let mut hashes: Vec<(String, Option<u64>)> = files.iter().filter_map(of).collect();
    hashes.sort_unstable();
    let mut all = Sha256::new();
    for (hash, channel) in &hashes {
        all.update(hash);
        all.update(channel.unwrap_or(0).to_le_bytes());
    }
    (!hashes.is_empty()).then(|| all.finalize().into())
}
