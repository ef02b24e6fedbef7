//! Which channel of a recording holds what.

use super::super::Failed;
use super::super::write;
use std::path::Path;
use stillroom::capture::CaptureRecord;
use stillroom::recording::{self, Recording};
use stillroom::recovery::rounded;
use stillroom::session::Channels;

/// A microphone's channel, and the position that it stood at where the user said so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Microphone {
    pub channel: usize,
    pub position: Option<String>,
}

/// The microphones' channels: as an option names them, `2` or `1=seat,2=corner`; else the first that isn't the
/// reference.
pub fn microphones(named: Option<&Channels>, reference: Option<usize>) -> Result<Vec<Microphone>, Failed> {
    let found = match named {
        None => {
            let channel = if reference == Some(1) { 2 } else { 1 };
            vec![Microphone { channel, position: None }]
        }
        Some(Channels::One(channel)) => vec![Microphone { channel: *channel, position: None }],
        Some(Channels::Named(named)) => named
            .iter()
            .map(|(channel, position)| Microphone { channel: *channel, position: Some(position.clone()) })
            .collect(),
    };
    if found.iter().any(|m| Some(m.channel) == reference) {
        return Err(Failed::usage("--channel and --reference name the same channel"));
    }
    Ok(found)
}

/// A response with what is known of it.
pub struct Found {
    pub samples: Vec<f64>,
    pub rate_hz: f64,
    /// `None` for noise that doesn't repeat: its segments tell too little.
    pub record: Option<CaptureRecord>,
    /// What is to be said beside what the record says.
    pub remark: String,
}

impl Found {
    /// What it rests on, by its record as it stands.
    pub fn rests_on(&self) -> String {
        let by_record = self.record.as_ref().map_or(String::new(), rests_on);
        format!("{}{by_record}", self.remark)
    }
}

pub fn read(path: &Path, channel: usize) -> Result<Recording, String> {
    recording::read_whole(path, &write::shown(path), channel).map_err(|error| error.to_string())
}

/// Two channels of one recording.
pub fn read_pair(path: &Path, channels: [usize; 2]) -> Result<[Recording; 2], String> {
    recording::read_whole_pair(path, &write::shown(path), channels).map_err(|error| error.to_string())
}

/// Peak-to-noise that T20 needs (ISO 3382-1:2009, 5.3.3), dB.
const T20_DB: f64 = 35.0;

/// Range, weakest octave, clock: what a response rests on, and whether to keep it.
pub fn rests_on(record: &CaptureRecord) -> String {
    let [low, high] = record.range_hz;
    let weakest = record.peak_to_noise.iter().filter_map(|octave| octave.db).reduce(f64::min);
    let noise = weakest.map_or(String::new(), |db| format!(", peak-to-noise {db:.0} dB or more"));
    let repeats = if record.repeats > 1 && record.signal == "sweep" {
        format!(", {} repeats", record.repeats)
    } else {
        String::new()
    };
    // Plus zero: a clock that agrees isn't slow.
    let ppm = |ppm: f64| format!("{:+.0}", ppm.round() + 0.0).replace('-', "−");
    let clock = record.clock.map_or(String::new(), |c| format!(", clock {} ppm", ppm(c.ppm)));
    let verdict = match (record.findings.iter().find(|finding| finding.again), weakest) {
        (Some(finding), _) => format!("record again: {}", first_clause(&finding.found)),
        (None, Some(db)) if db < T20_DB => "keep, but not every octave carries T20 (35 dB)".to_owned(),
        _ => "keep".to_owned(),
    };
    format!("{}–{}{noise}{repeats}{clock}: {verdict}", rounded(low), rounded(high))
}

/// Up to its first colon or semicolon; the whole stands in the notes.
fn first_clause(found: &str) -> &str {
    found.split([':', ';']).next().unwrap_or(found)
}
