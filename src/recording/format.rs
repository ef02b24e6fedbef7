//! The `fmt ` chunk: how the samples are coded, with its contradictions settled or refused.

use super::Refusal;
use super::riff::{FMT_BYTES, Wave};
use super::source::Container;

/// How a number is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    /// Integer; one byte is offset binary, more are two's complement.
    Integer,
    /// IEEE 754.
    Float,
}

/// How the samples of a file are coded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Coding {
    pub number: Number,
    pub big_endian: bool,
    pub channels: u32,
    pub rate_hz: u32,
    /// Bytes of one sample.
    pub bytes: usize,
    /// Bits of them that carry signal, as the header says.
    pub bits: u32,
}

impl Coding {
    /// Bytes of one sample of all channels.
    pub fn frame_bytes(&self) -> usize {
        self.bytes * self.channels as usize
    }

    /// Whether the header leaves open where in its bytes a sample sits.
    pub fn is_loose(&self) -> bool {
        self.number == Number::Integer && (self.bits as usize) < 8 * self.bytes
    }

    /// `24-bit integer`, `24-bit integer in 32`.
    pub fn words(&self) -> String {
        let kind = match self.number {
            Number::Integer => "integer",
            Number::Float => "float",
        };
        let held = if self.is_loose() { format!(" in {}", 8 * self.bytes) } else { String::new() };
        format!("{}-bit {kind}{held}", self.bits)
    }
}

// Format tags of Microsoft's multimedia registry (mmreg.h).
const PCM: u16 = 0x0001;
const IEEE_FLOAT: u16 = 0x0003;
const EXTENSIBLE: u16 = 0xFFFE;

/// Tail of a sub-format's GUID when its first two bytes are a format tag ("Multiple channel audio data and
/// WAVE files", Microsoft 2001).
const TAG_GUID: [u8; 14] =
    [0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71];

/// Tail of the GUID for Ambisonic B-format, from memory of its description (R. Dobson, "AMB").
const AMBISONIC_GUID: [u8; 14] =
    [0x00, 0x00, 0x21, 0x07, 0xD3, 0x11, 0x86, 0x44, 0xC8, 0xC1, 0xCA, 0x00, 0x00, 0x00];

/// A field of the `fmt ` chunk, with what its refusal needs.
struct Fields<'a> {
    container: Container,
    body: &'a [u8],
    at: u64,
}

impl Fields<'_> {
    fn u16(&self, offset: usize) -> u16 {
        let bytes = self.body.get(offset..).and_then(|rest| rest.first_chunk());
        bytes.map_or(0, |bytes| self.container.u16(*bytes))
    }

    fn u32(&self, offset: usize) -> u32 {
        let bytes = self.body.get(offset..).and_then(|rest| rest.first_chunk());
        bytes.map_or(0, |bytes| self.container.u32(*bytes))
    }

    fn refuse<T>(
        &self,
        field: &'static str,
        offset: usize,
        found: impl ToString,
        allowed: impl ToString,
    ) -> Result<T, Refusal> {
        let (found, allowed) = (found.to_string(), allowed.to_string());
        Err(Refusal::HeaderField { field, byte: self.at + offset as u64, found, allowed })
    }
}

/// Reads the `fmt ` chunk that the walk found; what it mends, it notes in `wave.repairs`.
pub(super) fn coding(wave: &mut Wave) -> Result<Coding, Refusal> {
    let fields = Fields { container: wave.container, body: &wave.fmt, at: wave.fmt_at };
    if fields.body.len() < 16 {
        return fields.refuse("fmt chunk", 0, format!("{} bytes", fields.body.len()), "16 bytes or more");
    }
    let channels = u32::from(fields.u16(2));
    if channels == 0 {
        return fields.refuse("number of channels", 2, 0, "1 or more");
    }
    let rate_hz = fields.u32(4);
    if rate_hz == 0 {
        return fields.refuse(
            "sample rate",
            4,
            "0 Hz",
            format!("{} to {} Hz", super::MIN_RATE_HZ, super::MAX_RATE_HZ),
        );
    }
    let number = number(&fields)?;
    let header_bits = u32::from(fields.u16(14));
    let mut repairs = Vec::new();
    let bytes = sample_bytes(&fields, channels, header_bits, &mut repairs)?;
    check_width(&fields, number, header_bits, bytes)?;
    let bits = match number {
        Number::Integer => valid_bits(&fields, header_bits, bytes, &mut repairs),
        Number::Float => header_bits,
    };
    let coding = Coding { number, big_endian: wave.container.big_endian(), channels, rate_hz, bytes, bits };
    check_byte_rate(&fields, &coding, &mut repairs);
    wave.repairs.extend(repairs);
    Ok(coding)
}

/// Integer or float, by format tag or sub-format.
fn number(fields: &Fields) -> Result<Number, Refusal> {
    let tag = fields.u16(0);
    if tag != EXTENSIBLE {
        return by_tag(tag, fields.at);
    }
    if fields.body.len() < FMT_BYTES {
        let found = format!("{} bytes", fields.body.len());
        return fields.refuse("fmt chunk", 0, found, format!("{FMT_BYTES} bytes for EXTENSIBLE"));
    }
    let guid = &fields.body[26..FMT_BYTES];
    if guid == TAG_GUID || guid == AMBISONIC_GUID {
        return by_tag(fields.u16(24), fields.at + 24);
    }
    Err(Refusal::Coding { byte: Some(fields.at + 24), found: "an unknown sub-format".into() })
}

fn by_tag(tag: u16, byte: u64) -> Result<Number, Refusal> {
    let name = match tag {
        PCM => return Ok(Number::Integer),
        IEEE_FLOAT => return Ok(Number::Float),
        0x0002 => "Microsoft ADPCM",
        0x0006 => "A-law",
        0x0007 => "mu-law",
        0x0011 => "IMA ADPCM",
        0x0050 => "MPEG audio",
        0x0055 => "MP3",
        _ => "an unknown coding",
    };
    Err(Refusal::Coding { byte: Some(byte), found: format!("{name} (format tag {tag:#06x})") })
}

/// Bytes of one sample: three fields bear on it, and two that agree outvote the third.
fn sample_bytes(
    fields: &Fields,
    channels: u32,
    bits: u32,
    repairs: &mut Vec<String>,
) -> Result<usize, Refusal> {
    let (rate, byte_rate, align) =
        (u64::from(fields.u32(4)), u64::from(fields.u32(8)), u32::from(fields.u16(12)));
    let by_bits = bits.div_ceil(8);
    let frame = by_bits * channels;
    if align != 0 && align.is_multiple_of(channels) && align / channels >= by_bits {
        return Ok((align / channels) as usize);
    }
    if byte_rate == rate * u64::from(frame) && u16::try_from(frame).is_ok() {
        repairs.push(format!(
            "The header's block align of {align} bytes contradicts {channels} channels of {bits} bits: {frame} bytes were taken."
        ));
        return Ok(by_bits as usize);
    }
    fields.refuse(
        "block align",
        12,
        format!("{align} bytes"),
        format!("{frame} bytes for {channels} channels of {bits} bits"),
    )
}

/// Bits that carry signal: EXTENSIBLE says so in a field of its own, where 0 means all.
fn valid_bits(fields: &Fields, header_bits: u32, bytes: usize, repairs: &mut Vec<String>) -> u32 {
    let all = header_bits;
    if fields.u16(0) != EXTENSIBLE {
        return all;
    }
    match u32::from(fields.u16(18)) {
        0 => all,
        valid if valid as usize <= 8 * bytes => valid,
        valid => {
            repairs
                .push(format!("The header says {valid} valid bits in {} bits: all were taken.", 8 * bytes));
            all
        }
    }
}

fn check_width(fields: &Fields, number: Number, bits: u32, bytes: usize) -> Result<(), Refusal> {
    let fits = match number {
        Number::Integer => (8..=32).contains(&bits) && bytes <= 4,
        Number::Float => (bits, bytes) == (32, 4) || (bits, bytes) == (64, 8),
    };
    if fits {
        return Ok(());
    }
    let allowed = match number {
        Number::Integer => "8 to 32 bits in at most 4 bytes (integer)",
        Number::Float => "32 or 64 bits (float)",
    };
    fields.refuse("bits per sample", 14, format!("{bits} bits in {bytes} bytes"), allowed)
}

/// The byte rate is of use to players only; a wrong one hints at a careless writer, no more.
fn check_byte_rate(fields: &Fields, coding: &Coding, repairs: &mut Vec<String>) {
    let (found, right) = (fields.u32(8), u64::from(coding.rate_hz) * coding.frame_bytes() as u64);
    if u64::from(found) != right {
        repairs.push(format!(
            "The header's byte rate of {found} contradicts its other fields ({right}); it was ignored."
        ));
    }
}
