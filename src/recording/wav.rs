//! From the chunks of a WAV file to a [`Recording`]: one pass over the bytes, hashed and decoded.

use std::io::{Read, Seek};
use std::ops::Range;

use super::format::{self, Coding, Number};
use super::kept::Kept;
use super::pcm::{self, Decoder};
use super::riff::{self, Wave};
use super::source::{Container, Source};
use super::{Provenance, Recording, Refusal, admit, channel_words, first_unusable};

/// Bytes read at a time: large enough that system calls don't count, small enough for the cache.
const BLOCK_BYTES: usize = 1 << 16;

/// Reads one channel, of it at most so many frames; `channel` counts from 1.
pub(super) fn read<R: Read + Seek>(
    mut source: Source<R>,
    container: Container,
    channel: usize,
    most: u64,
) -> Result<Recording, Refusal> {
    let found = Found::of(&mut source, container, &[channel])?;
    let mut one = [(channel, Kept::new(most, found.frames))];
    stream(&mut source, &found.place, &found.coding, &mut one)?;
    let [(_, kept)] = one;
    found.recording(kept, source.digest())
}

/// Reads two channels in one pass.
pub(super) fn read_pair<R: Read + Seek>(
    mut source: Source<R>,
    container: Container,
    channels: [usize; 2],
    most: u64,
) -> Result<[Recording; 2], Refusal> {
    let found = Found::of(&mut source, container, &channels)?;
    let mut both = channels.map(|channel| (channel, Kept::new(most, found.frames)));
    stream(&mut source, &found.place, &found.coding, &mut both)?;
    let [(_, first), (_, second)] = both;
    Ok([found.recording(first, source.digest())?, found.recording(second, source.digest())?])
}

/// What a file's chunks say.
struct Found {
    wave: Wave,
    coding: Coding,
    place: SampleRange,
    frames: u64,
}

impl Found {
    /// Walks the chunks, and refuses what can't be read of them.
    fn of<R: Read + Seek>(
        source: &mut Source<R>,
        container: Container,
        channels: &[usize],
    ) -> Result<Self, Refusal> {
        let mut wave = riff::walk(source, container)?;
        let coding = format::coding(&mut wave)?;
        let frames = whole_frames(&mut wave, &coding)?;
        for channel in channels {
            admit(coding.rate_hz, coding.channels, *channel, Some(frames))?;
        }
        let place = SampleRange { data: wave.data.clone(), container: container.word() };
        Ok(Self { wave, coding, place, frames })
    }

    /// A channel's samples with where they come from.
    fn recording(&self, kept: Kept, sha256: String) -> Result<Recording, Refusal> {
        let (coding, mut repairs) = (&self.coding, self.wave.repairs.clone());
        let (mut samples, note) = kept.finish(coding.rate_hz)?;
        repairs.extend(note);
        let mut bit_depth = coding.bits;
        if coding.is_loose() {
            let (bits, note) = pcm::justify(&mut samples, coding);
            repairs.extend(note);
            bit_depth = bits;
        }
        let provenance = Provenance {
            sha256,
            format: format!(
                "{} {}",
                self.place.container,
                Coding { bits: bit_depth, ..coding.clone() }.words()
            ),
            rate_hz: coding.rate_hz,
            bit_depth,
            channels: coding.channels,
            frames: samples.len() as u64,
            repairs,
            incomplete: self.wave.incomplete,
        };
        Ok(Recording { samples, rate_hz: f64::from(coding.rate_hz), provenance })
    }
}

/// Number of whole frames; a broken last one is dropped and noted.
fn whole_frames(wave: &mut Wave, coding: &Coding) -> Result<u64, Refusal> {
    let (bytes, frame) = (wave.data.end - wave.data.start, coding.frame_bytes() as u64);
    let (frames, rest) = (bytes / frame, bytes % frame);
    if frames == 0 {
        return Err(Refusal::NoFrames { byte: Some(wave.data.start) });
    }
    if rest > 0 {
        wave.repairs.push(format!(
            "The samples end in the middle of a frame: its {rest} of {frame} bytes were dropped."
        ));
        wave.data.end -= rest;
    }
    Ok(frames)
}

/// Where samples lie in a file.
pub(super) struct SampleRange {
    /// Bytes that hold them, whole frames.
    pub data: Range<u64>,
    /// Name of the container, for messages.
    pub container: &'static str,
}

/// Streams the whole file through the hash, and the samples of each channel (counted from 1) to what is kept of it.
pub(super) fn stream<R: Read + Seek>(
    source: &mut Source<R>,
    place: &SampleRange,
    coding: &Coding,
    channels: &mut [(usize, Kept)],
) -> Result<(), Refusal> {
    let frame = coding.frame_bytes();
    // Whole frames, at least one: a frame of many channels may be longer than a block.
    let mut block = vec![0; frame * (BLOCK_BYTES / frame).max(1)];
    let mut decoders: Vec<Decoder<'_>> =
        channels.iter().map(|(channel, _)| Decoder::new(coding, *channel)).collect();
    source.rewind()?;
    source.stream_to(place.data.start, &mut block)?;
    let mut left = place.data.end - place.data.start;
    while left > 0 {
        let step = left.min(block.len() as u64) as usize;
        source.stream(&mut block[..step])?;
        for ((channel, kept), decoder) in channels.iter_mut().zip(&mut decoders) {
            let before = kept.samples().len();
            kept.take(|samples| decoder.append(&block[..step], samples))?;
            if coding.number == Number::Float {
                check(kept.samples(), before, (place, *channel), coding)?;
            }
        }
        left -= step as u64;
    }
    source.stream_to(source.len(), &mut block)
}

/// Refuses the first sample from `from` on that is no usable number.
fn check(
    samples: &[f64],
    from: usize,
    (place, channel): (&SampleRange, usize),
    coding: &Coding,
) -> Result<(), Refusal> {
    let Some(bad) = first_unusable(&samples[from..]).map(|i| from + i) else {
        return Ok(());
    };
    let offset = bad as u64 * coding.frame_bytes() as u64 + ((channel - 1) * coding.bytes) as u64;
    let (rate, channels) = (coding.rate_hz, channel_words(coding.channels));
    Err(Refusal::Sample {
        sample: bad as u64,
        channel,
        byte: Some(place.data.start + offset),
        found: number_words(samples[bad]),
        format: format!("{} {}, {rate} Hz, {channels}", place.container, coding.words()),
    })
}

/// `NaN`, `infinity`, `-infinity`, or the number in three digits.
pub(super) fn number_words(value: f64) -> String {
    match (value.is_nan(), value.is_infinite()) {
        (true, _) => "NaN".into(),
        (_, true) if value > 0.0 => "infinity".into(),
        (_, true) => "-infinity".into(),
        _ => format!("{value:.2e}"),
    }
}
