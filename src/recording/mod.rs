//! An audio file becomes a [`Recording`]: one channel as numbers, and where they came from.
//!
//! [`read_take`] takes WAV (RIFF, RIFX, RF64, BW64), FLAC, AIFF and NumPy arrays by content, not by name, and columns
//! of text by their first lines, and keeps one channel of it, whatever the file's size. What a writer got wrong but left recoverable is
//! mended and noted in [`Provenance::repairs`]; all else is an [`AudioError`] that names place, finding
//! and remedy. No sample of a [`Recording`] is NaN or infinite. [`inspect`] then looks for faults of the
//! recording itself: silence, clipping, an offset, a tail that was zeroed or faded.
//!
//! Layout of WAV: RIFF/WAVE as described by Microsoft and IBM, "Multimedia Programming Interface and
//! Data Specifications 1.0" (1991), and "Multiple channel audio data and WAVE files" (2001) for
//! EXTENSIBLE; RF64 by EBU Tech 3306; BW64 by ITU-R BS.2088.
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use stillroom::output::audio::{SampleForm, wav};
//! use stillroom::recording::read_whole_from;
//!
//! let bytes = wav(&[0.0, 0.5, -0.25], 48_000, SampleForm::Float32)?;
//! let recording = read_whole_from(std::io::Cursor::new(bytes), "seat.wav", 1)?;
//! assert_eq!(recording.samples, [0.0, 0.5, -0.25]);
//! # Ok(()) }
//! ```

use std::io::{Read, Seek};
use std::path::Path;

use crate::layout;

mod error;
mod faults;
#[cfg(feature = "flac-aiff")]
mod flac_aiff;
mod format;
mod kept;
mod npy;
mod pcm;
mod riff;
#[cfg(feature = "sofa")]
mod sofa;
mod source;
mod text;
mod wav;

pub use error::{AudioError, Refusal};
pub use faults::{Fault, Faults, MIN_LENGTH_S, flat_tops, inspect, is_silent};

/// Lowest sample rate accepted: bands and modes up to 500 Hz, the least that makes a response of use.
pub const MIN_RATE_HZ: u32 = 1_000;

/// Highest sample rate accepted; converters end at 768 kHz (common practice, no source).
pub const MAX_RATE_HZ: u32 = 768_000;

/// Most frames accepted: one channel then takes 512 MiB (23 minutes at 48 kHz).
pub const MAX_SAMPLES: u64 = 1 << 26;

/// Most frames of a response that are kept, the first ones (87 s at 48 kHz, 22 s at 192 kHz): filtering and
/// transforming take some ten times the memory of the samples.
pub const MAX_RESPONSE: u64 = 1 << 22;

/// Largest magnitude accepted of a float sample, in full scales. Raw 32-bit counts (2.1e9) pass; beyond
/// it the bytes are no samples, and energies would no longer fit single precision (3.4e38).
pub const MAX_MAGNITUDE: f64 = 1e12;

/// One channel of an audio file. Samples are finite, there is at least one, the rate is above zero.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Recording {
    /// Samples of the chosen channel; full scale is 1.
    pub samples: Vec<f64>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Where the samples came from and what was mended on the way.
    pub provenance: Provenance,
}

/// What is known of a file, for the results and for the reader who checks them.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[non_exhaustive]
pub struct Provenance {
    /// SHA-256 of the whole file, lower-case hexadecimal.
    pub sha256: String,
    /// Container and coding, e.g. `WAV 24-bit integer`.
    pub format: String,
    /// Sample rate in hertz.
    pub rate_hz: u32,
    /// Bits per sample that carry signal.
    pub bit_depth: u32,
    /// Channels in the file.
    pub channels: u32,
    /// Frames read.
    pub frames: u64,
    /// What was mended while reading, in sentences.
    pub repairs: Vec<String>,
    /// Whether samples are missing that the header promises.
    pub incomplete: bool,
}

/// What is wanted of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wanted {
    /// The channel, counted from 1.
    pub channel: usize,
    /// Sample rate, Hz, of a file that states none (NumPy arrays); one that does is believed.
    pub rate_hz: Option<u32>,
}

/// Reads one channel of an audio file that holds a response: at most its first [`MAX_RESPONSE`] frames, with
/// a note where there are more.
///
/// `shown_as` names the file in messages (its path within the session).
/// The file is read once from start to end, hashed on the way; memory is 8 bytes a frame.
///
/// # Errors
/// [`AudioError`] where the file can't be opened, isn't audio, contradicts itself beyond mending, has a
/// rate outside [`MIN_RATE_HZ`]..=[`MAX_RATE_HZ`], no frame or more than [`MAX_SAMPLES`], no such
/// channel, a sample that is NaN, infinite or beyond [`MAX_MAGNITUDE`], or its loudest sound behind what
/// is kept: then the response is not in that.
pub fn read_take(path: &Path, shown_as: &str, wanted: Wanted) -> Result<Recording, AudioError> {
    let refuse = |refusal| AudioError { file: shown_as.to_owned(), refusal };
    let file = open(path).map_err(refuse)?;
    if layout::is_hdf5(path) {
        return hdf5(path, file, wanted).map_err(refuse);
    }
    if layout::is_text_of_responses(path) {
        return text::read(file, wanted.channel, MAX_RESPONSE).map_err(refuse);
    }
    read_source(file, wanted, MAX_RESPONSE).map_err(refuse)
}

/// Like [`read_take`], but all of the file: a recording of a test signal is as long as the signal.
///
/// # Errors
/// As [`read_take`].
pub fn read_whole(path: &Path, shown_as: &str, channel: usize) -> Result<Recording, AudioError> {
    let refuse = |refusal| AudioError { file: shown_as.to_owned(), refusal };
    let file = open(path).map_err(refuse)?;
    read_source(file, Wanted { channel, rate_hz: None }, MAX_SAMPLES).map_err(refuse)
}

/// Like [`read_whole`], two channels: in one pass where the file is uncompressed.
///
/// # Errors
/// As [`read_take`].
pub fn read_whole_pair(
    path: &Path,
    shown_as: &str,
    channels: [usize; 2],
) -> Result<[Recording; 2], AudioError> {
    let refuse = |refusal| AudioError { file: shown_as.to_owned(), refusal };
    let mut source = open(path).and_then(source::Source::new).map_err(refuse)?;
    let kind = source.head().and_then(|head| source::Kind::of(&head)).map_err(refuse)?;
    if let source::Kind::Wav(container) = kind {
        return wav::read_pair(source, container, channels, MAX_SAMPLES).map_err(refuse);
    }
    let [first, second] = channels.map(|channel| read_whole(path, shown_as, channel));
    Ok([first?, second?])
}

/// Like [`read_whole`], from anything that can be read and sought, e.g. a `Cursor` over bytes.
///
/// # Errors
/// As [`read_take`].
pub fn read_whole_from<R>(source: R, shown_as: &str, channel: usize) -> Result<Recording, AudioError>
where
    R: Read + Seek + Send + Sync + 'static,
{
    read_source(source, Wanted { channel, rate_hz: None }, MAX_SAMPLES)
        .map_err(|refusal| AudioError { file: shown_as.to_owned(), refusal })
}

/// Opens a regular file. Asking first keeps a named pipe from blocking the program for ever.
fn open(path: &Path) -> Result<std::fs::File, Refusal> {
    let kind = std::fs::metadata(path).map_err(|e| Refusal::open(&e))?;
    if !kind.is_file() {
        let reason = if kind.is_dir() { "a folder" } else { "a pipe or device, not a file" };
        return Err(Refusal::CannotOpen { reason: reason.into() });
    }
    std::fs::File::open(path).map_err(|e| Refusal::open(&e))
}

/// Finds out what the bytes are and hands them to the reader for it; `most`: frames to keep.
fn read_source<R>(source: R, wanted: Wanted, most: u64) -> Result<Recording, Refusal>
where
    R: Read + Seek + Send + Sync + 'static,
{
    let mut source = source::Source::new(source)?;
    let head = source.head()?;
    let channel = wanted.channel;
    match source::Kind::of(&head)? {
        source::Kind::Wav(container) => wav::read(source, container, channel, most),
        source::Kind::Npy => npy::read(source, wanted, most),
        source::Kind::Flac => flac_or_aiff(source, "FLAC", (channel, most)),
        source::Kind::Aiff => flac_or_aiff(source, "AIFF", (channel, most)),
    }
}

#[cfg(feature = "sofa")]
fn hdf5(path: &Path, file: std::fs::File, wanted: Wanted) -> Result<Recording, Refusal> {
    sofa::read(path, file, wanted.channel, MAX_RESPONSE)
}

#[cfg(not(feature = "sofa"))]
fn hdf5(_: &Path, _: std::fs::File, _: Wanted) -> Result<Recording, Refusal> {
    Err(Refusal::BuiltWithout { format: "SOFA (HDF5)" })
}

#[cfg(feature = "flac-aiff")]
fn flac_or_aiff<R>(
    source: source::Source<R>,
    name: &'static str,
    (channel, most): (usize, u64),
) -> Result<Recording, Refusal>
where
    R: Read + Seek + Send + Sync + 'static,
{
    flac_aiff::read(source, name, channel, most)
}

#[cfg(not(feature = "flac-aiff"))]
fn flac_or_aiff<R>(
    _: source::Source<R>,
    format: &'static str,
    _: (usize, u64),
) -> Result<Recording, Refusal> {
    Err(Refusal::BuiltWithout { format })
}

/// The checks that every format shares, before any sample is decoded.
fn admit(rate_hz: u32, channels: u32, channel: usize, frames: Option<u64>) -> Result<(), Refusal> {
    if !(MIN_RATE_HZ..=MAX_RATE_HZ).contains(&rate_hz) {
        return Err(Refusal::Rate { rate_hz });
    }
    if channel == 0 || channel as u64 > u64::from(channels) {
        return Err(Refusal::NoSuchChannel { asked: channel, channels });
    }
    match frames {
        Some(frames) if frames > MAX_SAMPLES => Err(Refusal::TooLong { frames }),
        _ => Ok(()),
    }
}

/// First sample that isn't a usable number, if any.
fn first_unusable(samples: &[f64]) -> Option<usize> {
    // No NaN lies in a range.
    samples.iter().position(|v| !(-MAX_MAGNITUDE..=MAX_MAGNITUDE).contains(v))
}

/// `mono`, `stereo`, `4 channels`.
fn channel_words(channels: u32) -> String {
    match channels {
        1 => "mono".into(),
        2 => "stereo".into(),
        n => format!("{n} channels"),
    }
}
