//! Which folders this program wrote.

use std::fmt;
use std::fs;
use std::io::BufReader;
use std::path::Path;

use serde::Deserializer as _;
use serde::de::{Error as _, IgnoredAny, MapAccess, Visitor};

/// Whether a folder was written by this program: its `results.json` carries our `schema`, a whole
/// number from 1, and our program's name. Many a format has a `schema`; that alone says nothing.
///
/// A folder that can't be read is not known to be ours. Of a long file only the head is read.
#[must_use]
pub fn written_by_us(folder: &Path) -> bool {
    is_our_results(&folder.join("results.json"))
}

/// Whether a `results.json` is this program's, by its first keys.
pub(super) fn is_our_results(file: &Path) -> bool {
    // A pipe or device of that name would be waited for.
    let regular = fs::metadata(file).is_ok_and(|data| data.is_file());
    let Some(file) = regular.then(|| fs::File::open(file).ok()).flatten() else { return false };
    let mut head = Head::default();
    let read = serde_json::Deserializer::from_reader(BufReader::new(file)).deserialize_map(&mut head);
    // Once both keys are known the reader is stopped by an error of our own.
    (read.is_ok() || head.is_complete())
        && head.schema.is_some_and(|schema| schema >= 1)
        && head.program.is_some_and(|program| program == env!("CARGO_PKG_NAME"))
}

/// The keys that tell, as far as the file was read.
#[derive(Default)]
struct Head {
    schema: Option<u64>,
    program: Option<String>,
}

impl Head {
    fn is_complete(&self) -> bool {
        self.schema.is_some() && self.program.is_some()
    }
}

impl<'de> Visitor<'de> for &mut Head {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an object with named values")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "schema" => self.schema = Some(map.next_value()?),
                "program" => self.program = Some(map.next_value()?),
                _ => drop(map.next_value::<IgnoredAny>()?),
            }
            if self.is_complete() {
                return Err(A::Error::custom("enough is known"));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn schema_tells_and_another_program_is_not_us() {
        let folder = tempfile::tempdir().unwrap();
        for (text, ours) in [
            (r#"{"schema": 3}"#, false),
            (r#"{"schema": 2, "version": "1", "bands": []}"#, false),
            (r#"{"version": "1", "bands": [{"schema": "x"}], "program": "stillroom", "schema": 3}"#, true),
            (r#"{"schema": 3, "program": "stillroom", "bands": ["#, true),
            (r#"{"schema": 3, "program": "other"}"#, false),
            (r#"{"schema": 0}"#, false),
            (r#"{"schema": "3"}"#, false),
            (r#"{"schema": 3.5}"#, false),
            (r#"{"schema": 3, "bands": ["#, false),
            (r#"{"scheme": 3}"#, false),
            ("[]", false),
            ("", false),
        ] {
            fs::write(folder.path().join("results.json"), text).unwrap();
            assert_eq!(written_by_us(folder.path()), ours, "{text}");
        }
        assert!(!written_by_us(&folder.path().join("nowhere")));
    }
}
