//! One take: what goes in, and what became of it.

use super::{LowRecord, ResponseError};
use crate::flag::{Flag, Flags};
use crate::recording::Recording;
use std::fmt;

/// Position and source of a response.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct Place {
    /// Position name.
    pub position: String,
    /// Source name; empty for the only or first source.
    pub source: String,
}

impl fmt::Display for Place {
    /// `seat`, or `seat@left`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.position)?;
        if self.source.is_empty() { Ok(()) } else { write!(f, "@{}", self.source) }
    }
}

/// What is known of a response from the recording that it was made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CaptureFacts {
    /// Instant of the emission, s from sample 0; `None` where only the arrival is known.
    pub emission_s: Option<f64>,
    /// Arrival of the first sound, s from sample 0, good to some milliseconds.
    pub arrival_s: f64,
    /// Range in which the response stands over its noise, Hz.
    pub range_hz: (f64, f64),
    /// Sound pressure level of a steady tone of the signal's rms where the response reads 0 dB; `None` uncalibrated.
    pub zero_db_spl: Option<f64>,
    /// Relative sd that the clocks of player and recorder leave in any frequency.
    pub frequency_sd: f64,
}

/// One recording of a place.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct TakeInput {
    /// Path within the session, for messages.
    pub file: String,
    /// Its samples.
    pub recording: Recording,
    /// How many of them may be used: those before a faded or digitally silent tail.
    pub usable_samples: usize,
    /// What its samples alone showed to be wrong with it.
    pub flags: Flags,
    /// What its capture said; `None` for a response that came without.
    pub known: Option<CaptureFacts>,
}

impl TakeInput {
    /// A take of which all samples may be used.
    #[must_use]
    pub fn new(file: &str, recording: Recording) -> Self {
        let usable_samples = recording.samples.len();
        Self { file: file.into(), recording, usable_samples, flags: Flags::default(), known: None }
    }

    /// The samples that may be used.
    pub(super) fn usable(&self) -> &[f64] {
        &self.recording.samples[..self.usable_samples.min(self.recording.samples.len())]
    }
}

/// What became of one take.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct TakeUse {
    /// Path within the session.
    pub file: String,
    /// Why it isn't in the mean; `None` if it is.
    pub left_out: Option<LeftOut>,
    /// Whether it was moved in time, to lie on the others.
    pub aligned: bool,
    /// Largest magnitude in the file's usable part, full scale 1.
    pub peak: f64,
    /// Its own low end, aligned like the mean; `None` for takes that could not be used.
    pub low: Option<LowRecord>,
}

/// Why a take isn't in the mean.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum LeftOut {
    /// No response can be made of it.
    Unusable(ResponseError),
    /// It has another sample rate than most takes (with a tie, than the first).
    OtherRate {
        /// Its rate, in hertz.
        found_hz: f64,
        /// That of the others.
        used_hz: f64,
    },
    /// Its samples are those of another take, bit by bit.
    CopyOf {
        /// The other take's file.
        file: String,
    },
    /// It holds less than half of the longest take.
    Short {
        /// Usable samples.
        samples: usize,
        /// Those of the longest take.
        longest: usize,
    },
    /// Its samples show a fault that the other takes don't have.
    Faulty {
        /// Which.
        flag: Flag,
    },
    /// It differs from the others, which agree among themselves.
    Odd {
        /// In what.
        reason: String,
    },
}

impl fmt::Display for LeftOut {
    /// The reason, to follow the file's name and a colon.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unusable(error) => write!(f, "{}", error.found()),
            Self::OtherRate { found_hz, used_hz } => {
                write!(f, "its sample rate is {found_hz} Hz, that of the other takes {used_hz} Hz")
            }
            Self::CopyOf { file } => write!(f, "it holds the same samples as {file}"),
            Self::Short { samples, longest } => {
                write!(f, "{samples} usable samples are less than half of the longest take's {longest}")
            }
            Self::Faulty { flag } => f.write_str(flag.word()),
            Self::Odd { reason } => f.write_str(reason),
        }
    }
}
