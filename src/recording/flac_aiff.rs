//! FLAC, AIFF and AIFF-C by way of symphonia, whose words are put into ours.

use std::io::{Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};

use symphonia::core::audio::{Audio, GenericAudioBufferRef};
use symphonia::core::codecs::audio::well_known::{
    CODEC_ID_PCM_ALAW, CODEC_ID_PCM_F32BE, CODEC_ID_PCM_F64BE, CODEC_ID_PCM_MULAW,
};
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

use super::kept::Kept;
use super::source::{Source, is_end};
use super::wav::number_words;
use super::{MAX_SAMPLES, Provenance, Recording, Refusal, admit, channel_words, first_unusable};

/// Reads one channel of a FLAC or AIFF file, of it at most so many frames; `channel` counts from 1.
///
/// Two passes: one for the hash, one in which the decoder goes where it likes.
pub(super) fn read<R>(
    mut source: Source<R>,
    name: &'static str,
    channel: usize,
    most: u64,
) -> Result<Recording, Refusal>
where
    R: Read + Seek + Send + Sync + 'static,
{
    let stated = if name == "AIFF" { aiff_frames(&mut source)? } else { None };
    source.rewind()?;
    source.stream_to(source.len(), &mut vec![0; 1 << 16])?;
    let (sha256, len) = (source.digest(), source.len());
    let input = Input { inner: source.into_inner()?, len };
    // A decoder's panic on bad input must cost one file, not the batch. Nothing outlives the closure.
    let decoded = catch_unwind(AssertUnwindSafe(|| Stream::open(input, name, stated)?.decode(channel, most)));
    let stopped =
        |_| Refusal::Damaged { sample: 0, reason: "the decoder failed (an error of its own)".into() };
    let mut recording = decoded.map_err(stopped)??;
    recording.provenance.sha256 = sha256;
    Ok(recording)
}

/// A file as symphonia wants it.
struct Input<R> {
    inner: R,
    len: u64,
}

impl<R: Read> Read for Input<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        self.inner.read(into)
    }
}

impl<R: Seek> Seek for Input<R> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

impl<R: Read + Seek + Send + Sync> MediaSource for Input<R> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.len)
    }
}

/// An opened file: its packets, its decoder, and what its header says.
struct Stream {
    packets: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    name: &'static str,
    params: AudioCodecParameters,
    promised: Option<u64>,
}

/// Frames that an AIFF file's `COMM` chunk states: the reader goes by the size of the samples instead.
///
/// "Audio Interchange File Format: AIFF, version 1.3" (Apple, 1989).
fn aiff_frames<R: Read + Seek>(source: &mut Source<R>) -> Result<Option<u64>, Refusal> {
    const MOST_CHUNKS: usize = 4096;
    let mut at = 12;
    for _ in 0..MOST_CHUNKS {
        if at + 14 > source.len() {
            break;
        }
        let mut bytes = [0; 14];
        source.peek(at, &mut bytes)?;
        let [id @ .., s1, s2, s3, s4, _, _, f1, f2, f3, f4] = bytes;
        if id == *b"COMM" {
            return Ok(Some(u64::from(u32::from_be_bytes([f1, f2, f3, f4]))));
        }
        let size = u64::from(u32::from_be_bytes([s1, s2, s3, s4]));
        at += 8 + size + size % 2;
    }
    Ok(None)
}

impl Stream {
    fn open<R>(input: Input<R>, name: &'static str, stated: Option<u64>) -> Result<Self, Refusal>
    where
        R: Read + Seek + Send + Sync + 'static,
    {
        let stream = MediaSourceStream::new(Box::new(input), Default::default());
        let options = (FormatOptions::default(), MetadataOptions::default());
        let packets = symphonia::default::get_probe()
            .probe(&Hint::new(), stream, options.0, options.1)
            .map_err(|e| refusal(&e, 0))?;
        let none = || Refusal::NoFrames { byte: None };
        let track = packets.default_track(TrackType::Audio).ok_or_else(none)?;
        let params = track.codec_params.as_ref().and_then(|p| p.audio()).ok_or_else(none)?.clone();
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&params, &AudioDecoderOptions::default().verify(true))
            .map_err(|e| refusal(&e, 0))?;
        let (track, promised) = (track.id, stated.or(track.num_frames));
        Ok(Self { packets, decoder, track, name, params, promised })
    }

    fn decode(mut self, channel: usize, most: u64) -> Result<Recording, Refusal> {
        let rate_hz = self.params.sample_rate.unwrap_or(0);
        let channels = self.params.channels.as_ref().map_or(0, |c| c.count() as u32);
        admit(rate_hz, channels, channel, self.promised)?;
        let mut kept = Kept::new(most, 0);
        let ended_early = self.packets_into(&mut kept, channel)?;
        let frames = kept.frames();
        if frames == 0 {
            return Err(Refusal::NoFrames { byte: None });
        }
        let (samples, note) = kept.finish(rate_hz)?;
        if let Some(bad) = first_unusable(&samples) {
            let (sample, found) = (bad as u64, number_words(samples[bad]));
            let format = format!("{}, {rate_hz} Hz, {}", self.format(), channel_words(channels));
            return Err(Refusal::Sample { sample, channel, byte: None, found, format });
        }
        let repairs = self.repairs(frames, ended_early)?;
        let provenance = Provenance {
            sha256: String::new(),
            format: self.format(),
            rate_hz,
            bit_depth: coding(&self.params).0,
            channels,
            frames: samples.len() as u64,
            // All that is mended here is an early end.
            incomplete: !repairs.is_empty(),
            repairs: repairs.into_iter().chain(note).collect(),
        };
        Ok(Recording { samples, rate_hz: f64::from(rate_hz), provenance })
    }

    /// Decodes all packets; says whether the file ended within one.
    fn packets_into(&mut self, kept: &mut Kept, channel: usize) -> Result<bool, Refusal> {
        loop {
            let at = kept.frames();
            let packet = match self.packets.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => return Ok(false),
                Err(Error::IoError(e)) if is_end(&e) => return Ok(true),
                Err(e) => return Err(refusal(&e, at)),
            };
            if packet.track_id != self.track {
                continue;
            }
            // A damaged frame is skipped without a word; the next one's time tells.
            if packet.pts.get() != at as i64 {
                let reason = format!("the next frame that is whole starts at sample {}", packet.pts.get());
                return Err(Refusal::Damaged { sample: at, reason });
            }
            let buffer = self.decoder.decode(&packet).map_err(|e| refusal(&e, at))?;
            kept.take(|samples| {
                append(&buffer, channel, samples);
                Ok(())
            })?;
            if kept.frames() > MAX_SAMPLES {
                return Err(Refusal::TooLong { frames: kept.frames() });
            }
        }
    }

    fn format(&self) -> String {
        let (bits, kind) = coding(&self.params);
        format!("{} {bits}-bit {kind}", self.name)
    }

    /// What was mended: a stream that ends early. A whole one must match its own checksum.
    fn repairs(&mut self, frames: u64, ended_early: bool) -> Result<Vec<String>, Refusal> {
        match self.promised {
            Some(promised) if frames < promised => {
                return Ok(vec![format!(
                    "The header promises {promised} frames, {frames} could be read: the rest is missing or damaged."
                )]);
            }
            Some(promised) if frames > promised && self.name == "AIFF" => {
                return Ok(vec![format!(
                    "The header says {promised} frames, there are {frames}: all of them were read."
                )]);
            }
            _ if ended_early => {
                return Ok(vec!["The file ends in the middle of a frame, which was dropped.".into()]);
            }
            _ => {}
        }
        if self.decoder.finalize().verify_ok == Some(false) {
            let reason = "the decoded samples don't match the stream's MD5 checksum".into();
            return Err(Refusal::Damaged { sample: 0, reason });
        }
        Ok(Vec::new())
    }
}

/// Width and kind of the numbers in a stream. Only AIFF-C holds other than integers.
fn coding(params: &AudioCodecParameters) -> (u32, &'static str) {
    match params.codec {
        CODEC_ID_PCM_F32BE => (32, "float"),
        CODEC_ID_PCM_F64BE => (64, "float"),
        CODEC_ID_PCM_ALAW => (8, "A-law"),
        CODEC_ID_PCM_MULAW => (8, "mu-law"),
        _ => (params.bits_per_sample.unwrap_or(0), "integer"),
    }
}

/// Appends one channel of a decoded buffer, full scale 1. Integers come left-justified in their type.
fn append(buffer: &GenericAudioBufferRef<'_>, channel: usize, samples: &mut Vec<f64>) {
    macro_rules! plane {
        ($buffer:expr, $number:expr) => {
            if let Some(plane) = $buffer.plane(channel - 1) {
                samples.extend(plane.iter().map($number));
            }
        };
    }
    match buffer {
        GenericAudioBufferRef::U8(b) => plane!(b, |v| (f64::from(*v) - 128.0) / 128.0),
        GenericAudioBufferRef::U16(b) => plane!(b, |v| (f64::from(*v) - 32_768.0) / 32_768.0),
        GenericAudioBufferRef::U24(b) => plane!(b, |v| (f64::from(v.inner()) - 8_388_608.0) / 8_388_608.0),
        GenericAudioBufferRef::U32(b) => plane!(b, |v| (f64::from(*v) - 2_147_483_648.0) / 2_147_483_648.0),
        GenericAudioBufferRef::S8(b) => plane!(b, |v| f64::from(*v) / 128.0),
        GenericAudioBufferRef::S16(b) => plane!(b, |v| f64::from(*v) / 32_768.0),
        GenericAudioBufferRef::S24(b) => plane!(b, |v| f64::from(v.inner()) / 8_388_608.0),
        GenericAudioBufferRef::S32(b) => plane!(b, |v| f64::from(*v) / 2_147_483_648.0),
        GenericAudioBufferRef::F32(b) => plane!(b, |v| f64::from(*v)),
        GenericAudioBufferRef::F64(b) => plane!(b, |v| *v),
    }
}

/// Symphonia's error as a refusal of ours; `sample`: how far all was well.
fn refusal(error: &Error, sample: u64) -> Refusal {
    match error {
        Error::IoError(e) if is_end(e) => Refusal::Damaged { sample, reason: "the file ends early".into() },
        Error::IoError(e) => Refusal::io(0, e),
        Error::Unsupported(what) => {
            Refusal::Coding { byte: None, found: format!("the decoder says: {what}") }
        }
        other => Refusal::Damaged { sample, reason: format!("the decoder says: {other}") },
    }
}
