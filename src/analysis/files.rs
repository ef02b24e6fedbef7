//! Every file of a session with what became of it, and what failed.

use crate::capture::{CaptureError, CaptureRecord};
use crate::recording::{AudioError, Fault, Provenance};
use crate::response::ResponseError;
use crate::session::{Session, Take};
use std::collections::BTreeMap;

/// An audio file and what was read from it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct FileRecord {
    /// State it belongs to.
    pub state: String,
    /// The take as the session names it.
    pub take: Take,
    /// What was read; `None` if it could not be, or was not asked for.
    pub provenance: Option<Provenance>,
    /// Whether it went into the results.
    pub used: bool,
    /// Why it was left out, or the user's remark.
    pub note: Option<String>,
    /// What its samples alone showed to be wrong with it.
    pub faults: Vec<Fault>,
    /// What is known of its recording; `None` for a file that came without a record.
    pub capture: Option<CaptureRecord>,
    /// Files of another place or state in which the same samples were found.
    pub copy_of: Vec<String>,
    /// The file of the same state that was counted in its stead, since both hold the same samples.
    pub counted_as: Option<String>,
    /// The position of the same state that it can't be told from, and the level of what differs, dB.
    pub sounds_like: Option<(String, f64)>,
}

impl FileRecord {
    /// A file that was not read yet.
    pub(super) fn new(state: &str, take: &Take) -> Self {
        Self {
            state: state.to_owned(),
            take: take.clone(),
            provenance: None,
            used: false,
            note: take.note.clone(),
            faults: Vec::new(),
            capture: None,
            copy_of: Vec::new(),
            counted_as: None,
            sounds_like: None,
        }
    }
}

/// Something that could not be done.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Failure {
    /// Path within the session, where a file is meant.
    pub file: Option<String>,
    /// Which channel of the file, where it holds several takes and not all of them failed alike.
    pub channel: Option<usize>,
    /// State that failed, or that the file belongs to.
    pub state: Option<String>,
    /// What is wrong and where, in one sentence.
    pub reason: String,
    /// What was found.
    pub found: Option<String>,
    /// What is allowed.
    pub allowed: Option<String>,
    /// What to do.
    pub advice: Option<String>,
}

impl Failure {
    /// Whether it is this take's.
    #[must_use]
    pub fn is_of(&self, take: &Take) -> bool {
        self.file.as_ref() == Some(&take.file) && (self.channel.is_none() || self.channel == take.channel)
    }

    /// A file that could not be read.
    pub(super) fn of_audio(state: &str, take: &Take, error: &AudioError) -> Self {
        Self {
            file: Some(error.file.clone()),
            channel: take.channel,
            state: Some(state.to_owned()),
            reason: format!("{}: {}", error.file, error.refusal.what()),
            found: Some(error.refusal.found()),
            allowed: Some(error.refusal.allowed()),
            advice: Some(error.refusal.advice().to_owned()),
        }
    }

    /// A response whose capture says that the take is no good.
    pub(super) fn of_capture(state: &str, take: &Take, (again, advice): (&str, &str)) -> Self {
        Self {
            file: Some(take.file.clone()),
            channel: take.channel,
            state: Some(state.to_owned()),
            reason: format!("{}: a take known to be bad: {again}", take.file),
            found: Some(again.to_owned()),
            allowed: Some("a take without such a finding in its capture record".to_owned()),
            advice: Some(format!("{advice}; to use it all the same, delete the .capture.json beside it")),
        }
    }

    /// A capture record that can't be read.
    pub(super) fn of_record(state: &str, take: &Take, error: &CaptureError) -> Self {
        Self {
            file: Some(take.file.clone()),
            channel: take.channel,
            state: Some(state.to_owned()),
            reason: format!("{}: its capture record {} can't be used", take.file, error.file),
            found: Some(error.found.clone()),
            allowed: Some("a record as `respond` wrote it".to_owned()),
            advice: Some("run `respond` again, or delete the record".to_owned()),
        }
    }

    /// A file from which no response comes.
    pub(super) fn of_response(state: &str, take: &Take, error: &ResponseError) -> Self {
        Self {
            file: Some(take.file.clone()),
            channel: take.channel,
            state: Some(state.to_owned()),
            reason: error.to_string().lines().next().unwrap_or_default().to_owned(),
            found: Some(error.found()),
            allowed: Some(error.allowed()),
            advice: Some(error.advice().to_owned()),
        }
    }
}

impl std::fmt::Display for Failure {
    /// What and where, then found, allowed and what to do, a line each.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.reason)?;
        let lines = [("found", &self.found), ("allowed", &self.allowed), ("do", &self.advice)];
        for (word, text) in lines {
            if let Some(text) = text {
                write!(f, "\n  {word:<8} {text}")?;
            }
        }
        Ok(())
    }
}

/// A file that fails alike for each of the channels that `files` reads of it is told once.
pub(super) fn of_whole_files(failures: Vec<Failure>, files: &[FileRecord]) -> Vec<Failure> {
    let mut channels: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for file in files {
        *channels.entry((&file.state, &file.take.file)).or_default() += 1;
    }
    let mut of_file: BTreeMap<(Option<String>, Option<String>), Vec<Failure>> = BTreeMap::new();
    let mut order = Vec::new();
    for failure in failures {
        let key = (failure.state.clone(), failure.file.clone());
        let before = of_file.entry(key.clone()).or_default();
        if before.is_empty() {
            order.push(key);
        }
        before.push(failure);
    }
    let told = |key: (Option<String>, Option<String>)| {
        let mut failures = of_file.remove(&key).unwrap_or_default();
        let read = key.0.as_deref().zip(key.1.as_deref()).and_then(|key| channels.get(&key)).copied();
        if read.is_some_and(|read| failures.len() >= read && failures.len() > 1) && all_alike(&failures) {
            failures.truncate(1);
            failures[0].channel = None;
        }
        failures
    };
    order.into_iter().flat_map(told).collect()
}

/// Whether these differ by nothing but the channel.
fn all_alike(failures: &[Failure]) -> bool {
    failures.windows(2).all(|two| Failure { channel: two[1].channel, ..two[0].clone() } == two[1])
}

/// What the session itself could not find or use: files it was to read, states that are missing.
pub(super) fn of_session(session: &Session) -> Vec<Failure> {
    let files =
        session.failures.iter().map(|f| (Some(f.file.clone()), None, format!("{}: {}", f.file, f.reason)));
    let states = session.states.iter().filter_map(|state| {
        Some((None, Some(state.name.clone()), format!("state {}: {}", state.name, state.missing.as_ref()?)))
    });
    files
        .chain(states)
        .map(|(file, state, reason)| Failure {
            file,
            channel: None,
            state,
            reason,
            found: None,
            allowed: None,
            advice: None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(channel: usize) -> FileRecord {
        FileRecord::new("room", &Take { channel: Some(channel), ..Take::new("a.wav".into(), "seat") })
    }

    fn failed(channel: usize, reason: &str) -> Failure {
        Failure {
            file: Some("a.wav".to_owned()),
            channel: Some(channel),
            state: Some("room".to_owned()),
            reason: reason.to_owned(),
            found: None,
            allowed: None,
            advice: None,
        }
    }

    /// Two dead microphones of three are told each by its channel; a file that can't be opened once.
    #[test]
    fn a_file_is_told_as_a_whole_where_each_of_its_channels_failed_alike() {
        let files = [1, 2, 3].map(record);
        let channels = |failures: Vec<Failure>| -> Vec<Option<usize>> {
            of_whole_files(failures, &files).iter().map(|failure| failure.channel).collect()
        };
        assert_eq!(channels([1, 3].map(|c| failed(c, "silent")).into()), [Some(1), Some(3)]);
        assert_eq!(channels([1, 2, 3].map(|c| failed(c, "cut short")).into()), [None]);
        let mixed = vec![failed(1, "silent"), failed(2, "silent"), failed(3, "late")];
        assert_eq!(channels(mixed), [Some(1), Some(2), Some(3)]);
    }
}
