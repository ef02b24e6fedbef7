//! Files: how they were read, which are unreadable, clipped, or the same twice.

use super::super::wording::few;
use super::{FileFacts, Finding, LookFacts};
use crate::session::same_name;
use std::collections::BTreeMap;

/// What was read of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadFacts {
    /// Container and coding.
    pub format: String,
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Length, seconds.
    pub length_s: f64,
    /// SHA-256 of the file, for finding copies.
    pub sha256: String,
    /// Files of another place or state that hold the same samples: whole files, channels, or the same in another format.
    pub copy_of: Vec<String>,
    /// The file of its own state that was counted in its stead, since both hold the same samples.
    pub counted_as: Option<String>,
    /// The position of its own state that it can't be told from, and the level of what differs, dB.
    pub sounds_like: Option<(String, f64)>,
    /// Flat tops in the waveform, in words; `None` without any.
    pub clipped: Option<String>,
    /// Why no response can be made of it (silent, far too short), in words.
    pub useless: Option<String>,
    /// Anything else worth knowing: repairs, still or faded ends, offset.
    pub remarks: Vec<String>,
}

/// One file, as a row of text.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct FileLine {
    /// Path within the session.
    pub file: String,
    /// State.
    pub state: String,
    /// Position.
    pub position: String,
    /// Source; empty for the only one.
    pub source: String,
    /// Which repeat; empty where the name says none.
    pub take: String,
    /// Rate, length, format; or that it can't be read.
    pub audio: String,
    /// What is odd about it.
    pub remark: String,
}

impl FileLine {
    /// Names of the columns.
    pub const HEAD: [&'static str; 7] = ["file", "state", "position", "source", "take", "audio", "remark"];

    /// The cells, in the order of [`FileLine::HEAD`].
    #[must_use]
    pub fn cells(&self) -> [&str; 7] {
        [&self.file, &self.state, &self.position, &self.source, &self.take, &self.audio, &self.remark]
    }
}

pub(super) fn lines(facts: &LookFacts<'_>) -> Vec<FileLine> {
    facts.files.iter().map(line).collect()
}

fn line(file: &FileFacts<'_>) -> FileLine {
    let take = file.take;
    FileLine {
        file: take.file.clone(),
        state: file.state.to_owned(),
        position: take.position.clone(),
        source: take.source.clone(),
        take: take.take.clone(),
        audio: match &file.read {
            Ok(read) => format!("{:.0} Hz, {:.2} s, {}", read.rate_hz, read.length_s, read.format),
            Err(_) if !take.used => String::new(),
            Err(_) => "unreadable".into(),
        },
        remark: remark(file),
    }
}

fn remark(file: &FileFacts<'_>) -> String {
    let mut said: Vec<String> = Vec::new();
    if !file.take.used {
        said.push("left out by session.toml".into());
    }
    match &file.read {
        Ok(read) => {
            said.extend(read.useless.clone());
            said.extend(read.clipped.clone());
            said.extend(read.remarks.iter().cloned());
        }
        Err(reason) if file.take.used => said.push(reason.clone()),
        Err(_) => {}
    }
    said.extend(file.take.note.clone());
    let parts: Vec<&str> = said.iter().map(|part| part.trim_end_matches('.')).collect();
    parts.join("; ")
}

pub(super) fn findings(facts: &LookFacts<'_>) -> Vec<Finding> {
    let used = facts.files.iter().filter(|file| file.take.used);
    let mut found: Vec<Finding> = used.flat_map(of_file).collect();
    found.extend(
        facts
            .session
            .failures
            .iter()
            .map(|failure| Finding::again(&failure.file, &failure.reason, "mend the name or measure again")),
    );
    found.extend(copies(facts));
    found
}

fn of_file(file: &FileFacts<'_>) -> Vec<Finding> {
    let name = &file.take.file;
    let read = match &file.read {
        Ok(read) => read,
        Err(reason) => {
            return vec![Finding::again(
                name,
                format!("can't be read: {reason}"),
                "export or measure it again",
            )];
        }
    };
    if let Some(why) = &read.useless {
        return vec![Finding::again(name, why, "measure it again")];
    }
    let clipped = read.clipped.iter().map(|tops| {
        let reason = format!("{tops}: levels and decay are distorted");
        Finding::again(name, reason, "turn the gain down and measure it again")
    });
    let remarks = read.remarks.iter().map(|remark| Finding::note(name, remark, ""));
    clipped.chain(remarks).collect()
}

/// Files with the same bytes, or the same samples at another place: one of them is not what its name says, unless both are
/// takes of one place.
fn copies(facts: &LookFacts<'_>) -> Vec<Finding> {
    let mut groups: BTreeMap<(&str, Option<usize>), Vec<&FileFacts<'_>>> = BTreeMap::new();
    for file in facts.files.iter().filter(|f| f.take.used) {
        if let Ok(read) = &file.read
            && read.counted_as.is_none()
        {
            groups.entry((&read.sha256, file.take.channel)).or_default().push(file);
        }
    }
    // Told in the session's order, not in that of the hashes.
    let firsts = facts.files.iter().filter_map(|file| {
        let read = file.read.as_ref().ok().filter(|read| read.counted_as.is_none())?;
        groups.get(&(read.sha256.as_str(), file.take.channel))
    });
    let mut told: Vec<&str> = Vec::new();
    let mut found = Vec::new();
    for group in firsts.filter(|group| group.len() > 1) {
        let first = group[0];
        if told.contains(&first.take.file.as_str()) {
            continue;
        }
        told.push(&first.take.file);
        found.push(copy(first, &group[1..]));
    }
    let alike = groups.values().filter(|group| group.len() > 1).flatten();
    let told: Vec<&str> = alike.map(|file| file.take.file.as_str()).collect();
    found.extend(facts.files.iter().filter_map(|file| same_samples(file, &told)));
    found.extend(facts.files.iter().filter_map(|file| counted_once(facts, file)));
    found
}

/// A copy within a state: it adds nothing, and takes nothing away.
fn counted_once(facts: &LookFacts<'_>, file: &FileFacts<'_>) -> Option<Finding> {
    let read = file.read.as_ref().ok()?;
    let own = read.counted_as.as_ref()?;
    let channel = file.take.channel;
    let beside = facts.files.iter().filter(|f| same_name(f.state, file.state) && f.take.channel == channel);
    let mut kept = beside.filter_map(|other| other.read.as_ref().ok()).filter(|r| r.counted_as.is_none());
    let what = if kept.any(|r| r.sha256 == read.sha256) { "bytes" } else { "samples" };
    let reason = format!("the same {what} as {own}");
    Some(Finding::note(&file.take.file, reason, "counted once; delete one"))
}

/// What holds the same samples, but for files that are told as the same bytes.
fn same_samples(file: &FileFacts<'_>, told: &[&str]) -> Option<Finding> {
    let own = told.contains(&file.take.file.as_str());
    let new = |other: &&String| !(own && told.contains(&other.as_str()));
    let others: Vec<String> = file.read.as_ref().ok()?.copy_of.iter().filter(new).cloned().collect();
    (!others.is_empty()).then(|| elsewhere(file, format!("the same samples as {}", few(&others))))
}

fn copy(first: &FileFacts<'_>, others: &[&FileFacts<'_>]) -> Finding {
    let names: Vec<String> = others.iter().map(|file| file.take.file.clone()).collect();
    let reason = format!("the same bytes as {}", few(&names));
    let one_place = others.iter().all(|other| {
        same_name(other.state, first.state)
            && same_name(&other.take.position, &first.take.position)
            && same_name(&other.take.source, &first.take.source)
    });
    if one_place {
        Finding::note(&first.take.file, reason, "a copy adds nothing to the average")
    } else {
        elsewhere(first, reason)
    }
}

/// A copy that stands under the name of another place.
fn elsewhere(file: &FileFacts<'_>, reason: String) -> Finding {
    Finding::again(
        &file.take.file,
        format!("{reason}, though the names say different places or states"),
        "find the right file or measure again",
    )
}
