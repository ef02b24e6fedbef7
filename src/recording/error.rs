//! Why a file was refused: which file, where in it, what was found, what is allowed, what to do.

use std::fmt;

use super::{MAX_RATE_HZ, MAX_SAMPLES, MIN_RATE_HZ};

/// An audio file that can't be read, with everything its message needs.
///
/// `Display` gives four lines (what and where, found, allowed, do); the same parts can be had one by one
/// from [`AudioError::refusal`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}: {refusal}")]
#[non_exhaustive]
pub struct AudioError {
    /// The file as the caller named it (its path within the session).
    pub file: String,
    /// What is wrong with it.
    pub refusal: Refusal,
}

/// What is wrong with a file, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Refusal {
    /// The file can't be opened: vanished, no permission, a folder.
    CannotOpen {
        /// What the system said, in words that don't depend on the system.
        reason: String,
    },
    /// Reading broke off: a device error, or the file shrank meanwhile.
    CannotRead {
        /// Byte offset that was wanted.
        byte: u64,
        /// What the system said.
        reason: String,
    },
    /// No byte in it.
    Empty,
    /// The first bytes belong to no audio format that is known here.
    NotAudio {
        /// What the first bytes look like.
        found: String,
    },
    /// An audio format that isn't read.
    FormatNotRead {
        /// Its name.
        format: &'static str,
    },
    /// FLAC or AIFF in a build without the feature that reads them.
    BuiltWithout {
        /// Name of the format.
        format: &'static str,
    },
    /// A part that the format demands isn't there.
    MissingChunk {
        /// Its four letters.
        chunk: &'static str,
        /// Byte offset where the search ended.
        byte: u64,
        /// What stands there.
        found: String,
    },
    /// A field of the header holds a value that makes no sense.
    HeaderField {
        /// Its name in the format's description.
        field: &'static str,
        /// Its byte offset.
        byte: u64,
        /// Its value.
        found: String,
        /// What may stand there.
        allowed: String,
    },
    /// Samples coded in a way that isn't read.
    Coding {
        /// Byte offset of the code, where known.
        byte: Option<u64>,
        /// The coding's name.
        found: String,
    },
    /// The sample rate is outside what a room response can sensibly have.
    Rate {
        /// The rate in the header.
        rate_hz: u32,
    },
    /// The file doesn't say how fast it was sampled, and nobody else does.
    NoRate,
    /// A named part of a file that can't be used.
    Part {
        /// Its name in the format's description.
        part: &'static str,
        /// What stands there.
        found: String,
        /// What may stand there.
        allowed: String,
    },
    /// Text that is no row of numbers like the others.
    Line {
        /// Line, counted from 1.
        line: u64,
        /// What stands there.
        found: String,
        /// What may stand there.
        allowed: String,
    },
    /// The file holds no frame of samples.
    NoFrames {
        /// Byte offset of the (empty) samples, where known.
        byte: Option<u64>,
    },
    /// The file has no such channel.
    NoSuchChannel {
        /// Asked for, counted from 1.
        asked: usize,
        /// Channels in the file.
        channels: u32,
    },
    /// A sample that is no number, or beyond any scale.
    Sample {
        /// Frame, counted from 0.
        sample: u64,
        /// Channel, counted from 1.
        channel: usize,
        /// Byte offset, where the coding has one.
        byte: Option<u64>,
        /// Its value.
        found: String,
        /// Coding, rate and channels of the file.
        format: String,
    },
    /// More frames than one channel may have in memory.
    TooLong {
        /// Frames in the file.
        frames: u64,
    },
    /// The loudest sound comes after the frames that are kept of a response.
    LoudLater {
        /// Frames in the file.
        frames: u64,
        /// Frames kept.
        kept: u64,
    },
    /// Damage in a compressed stream.
    Damaged {
        /// Frame up to which all was well.
        sample: u64,
        /// What the decoder met.
        reason: String,
    },
}

impl Refusal {
    /// What is wrong and where, as the end of a sentence that starts with the file.
    #[must_use]
    pub fn what(&self) -> String {
        match self {
            Self::CannotOpen { .. } => "can't be opened".into(),
            Self::CannotRead { byte, .. } => format!("reading failed at byte {byte}"),
            Self::Empty => "the file is empty".into(),
            Self::NotAudio { .. } => "not an audio file".into(),
            Self::FormatNotRead { format } | Self::BuiltWithout { format } => format!("{format} is not read"),
            Self::MissingChunk { chunk, .. } => format!("the \"{chunk}\" chunk is missing"),
            Self::HeaderField { field, byte, .. } => {
                format!("the header's {field} (byte {byte}) is wrong")
            }
            Self::Coding { byte: Some(byte), .. } => format!("the samples' coding (byte {byte}) is not read"),
            Self::Coding { byte: None, .. } => "the samples' coding is not read".into(),
            Self::Rate { .. } => "the sample rate is out of range".into(),
            Self::NoRate => "the sample rate isn't known".into(),
            Self::Part { part, .. } => format!("its {part} can't be used"),
            Self::Line { line, .. } => format!("line {line} can't be read"),
            Self::NoFrames { byte: Some(byte) } => format!("no samples behind the header (byte {byte})"),
            Self::NoFrames { byte: None } => "no samples behind the header".into(),
            Self::NoSuchChannel { asked, .. } => format!("there is no channel {asked}"),
            Self::Sample { sample, channel, found, .. } => {
                let fault = if found == "NaN" { "is not a number" } else { "is out of all scale" };
                format!("sample {sample} of channel {channel} {fault}")
            }
            Self::TooLong { .. } => "the recording is too long".into(),
            Self::LoudLater { .. } => "the recording is too long, and its loudest sound comes late".into(),
            Self::Damaged { sample, .. } => format!("the stream is damaged after sample {sample}"),
        }
    }

    /// What was found.
    #[must_use]
    pub fn found(&self) -> String {
        match self {
            Self::CannotOpen { reason } | Self::CannotRead { reason, .. } | Self::Damaged { reason, .. } => {
                reason.clone()
            }
            Self::Empty => "0 bytes".into(),
            Self::FormatNotRead { format } => (*format).into(),
            Self::BuiltWithout { format } => format!("{format}, and a program built without it"),
            Self::NotAudio { found }
            | Self::MissingChunk { found, .. }
            | Self::HeaderField { found, .. }
            | Self::Line { found, .. }
            | Self::Part { found, .. }
            | Self::Coding { found, .. } => found.clone(),
            Self::NoRate => "a file that states no rate".into(),
            Self::Rate { rate_hz } => format!("{rate_hz} Hz"),
            Self::NoFrames { .. } => "0 frames".into(),
            Self::NoSuchChannel { channels: 1, .. } => "1 channel".into(),
            Self::NoSuchChannel { channels, .. } => format!("{channels} channels"),
            Self::Sample { found, byte: Some(byte), format, .. } => {
                format!("{found} at byte {byte} ({format})")
            }
            Self::Sample { found, byte: None, format, .. } => format!("{found} ({format})"),
            Self::TooLong { frames } => format!("{frames} frames"),
            Self::LoudLater { frames, kept } => {
                format!("{frames} frames, the loudest sound after the first {kept}")
            }
        }
    }

    /// What would have been accepted.
    #[must_use]
    pub fn allowed(&self) -> String {
        match self {
            Self::CannotOpen { .. } | Self::CannotRead { .. } => "a readable file".into(),
            Self::Empty | Self::NotAudio { .. } | Self::FormatNotRead { .. } => {
                "WAV (also RF64, BW64, RIFX), FLAC, AIFF or AIFF-C, NumPy arrays, columns of text with a time"
                    .into()
            }
            Self::BuiltWithout { .. } => "WAV (also RF64, BW64, RIFX)".into(),
            Self::MissingChunk { chunk, .. } => format!("a whole chunk list with \"{chunk}\" in it"),
            Self::HeaderField { allowed, .. } | Self::Line { allowed, .. } | Self::Part { allowed, .. } => {
                allowed.clone()
            }
            Self::NoRate => format!("{MIN_RATE_HZ} to {MAX_RATE_HZ} Hz, stated by the user"),
            Self::Coding { .. } => {
                "8- to 32-bit integers, 32- or 64-bit floats, uncompressed (or FLAC)".into()
            }
            Self::Rate { .. } => format!("{MIN_RATE_HZ} to {MAX_RATE_HZ} Hz"),
            Self::NoFrames { .. } => "at least 1 frame".into(),
            Self::NoSuchChannel { channels: 1, .. } => "channel 1".into(),
            Self::NoSuchChannel { channels, .. } => format!("channel 1 to {channels}"),
            Self::Sample { .. } => format!("finite samples up to {:.0e} of full scale", super::MAX_MAGNITUDE),
            Self::TooLong { .. } => {
                format!("{MAX_SAMPLES} frames (a channel is held in memory, 8 bytes a sample)")
            }
            Self::LoudLater { kept, .. } => format!("a response within the first {kept} frames"),
            Self::Damaged { .. } => "a stream whose checksums agree".into(),
        }
    }

    /// What to do about it.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::CannotOpen { .. } => "look whether the file is still there and may be read by you",
            Self::CannotRead { .. } => "copy the file to this computer's own disk and run again",
            Self::Empty | Self::NoFrames { .. } => "copy the file from the recorder again, or measure again",
            Self::NotAudio { .. } => "remove the file from the folder, or export it as WAV",
            Self::FormatNotRead { .. } | Self::Coding { .. } => {
                "export it as WAV, 24-bit integer or 32-bit float"
            }
            Self::BuiltWithout { format: "SOFA (HDF5)" } => {
                "export it as WAV, or build with the feature `sofa`"
            }
            Self::BuiltWithout { .. } => "export it as WAV, or build with the feature `flac-aiff`",
            Self::MissingChunk { .. } | Self::HeaderField { .. } | Self::Damaged { .. } => {
                "copy the file from the recorder again, or export it again as WAV"
            }
            Self::NoRate => "add rate_hz = 48000 (or what it is) to session.toml, or --rate",
            Self::Part { .. } => "export the responses again, or as WAV",
            Self::Line { .. } => "export the responses again, as numbers with a decimal point",
            Self::Rate { .. } => "export the take at the rate it was recorded with",
            Self::NoSuchChannel { .. } => {
                "name a channel that the file has: in session.toml, or on the command line"
            }
            Self::Sample { .. } => "export the take again",
            Self::TooLong { .. } | Self::LoudLater { .. } => {
                "cut the file to the response and the noise after it"
            }
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.what())?;
        writeln!(f, "  found    {}", self.found())?;
        writeln!(f, "  allowed  {}", self.allowed())?;
        write!(f, "  do       {}", self.advice())
    }
}

impl Refusal {
    /// The refusal of a file that the system wouldn't open.
    pub(super) fn open(error: &std::io::Error) -> Self {
        Self::CannotOpen { reason: reason(error) }
    }

    /// The refusal of a file that the system wouldn't read further.
    pub(super) fn io(byte: u64, error: &std::io::Error) -> Self {
        Self::CannotRead { byte, reason: reason(error) }
    }
}

/// The kind of an input error in our words: the system's text differs between systems and languages.
fn reason(error: &std::io::Error) -> String {
    use std::io::ErrorKind as Kind;
    match error.kind() {
        Kind::NotFound => "no such file".into(),
        Kind::PermissionDenied => "no permission to read it".into(),
        Kind::IsADirectory => "a folder".into(),
        Kind::UnexpectedEof => "the file ended early (is something still writing it?)".into(),
        kind => format!("the system says: {kind}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_message_says_what_and_where_found_allowed_and_what_to_do() {
        let error = AudioError {
            file: "treated/seat.wav".into(),
            refusal: Refusal::Sample {
                sample: 48_213,
                channel: 1,
                byte: Some(192_896),
                found: "NaN".into(),
                format: "WAV 32-bit float, 48000 Hz, mono".into(),
            },
        };
        assert_eq!(
            error.to_string(),
            "treated/seat.wav: sample 48213 of channel 1 is not a number\n  \
             found    NaN at byte 192896 (WAV 32-bit float, 48000 Hz, mono)\n  \
             allowed  finite samples up to 1e12 of full scale\n  \
             do       export the take again"
        );
    }
}
