//! NumPy arrays: one response, or one a row or column.
//!
//! Layout: numpy.lib.format, "Format version 1.0" to 3.0 (NumPy's documentation): magic, version, length of the
//! header, a Python dictionary as text, the numbers. Pickled objects are never opened. The array has one or two
//! axes longer than 1; the longer one is time.

use std::io::{Read, Seek};

use super::format::{Coding, Number};
use super::kept::Kept;
use super::source::Source;
use super::wav::{SampleRange, stream};
use super::{Provenance, Recording, Refusal, Wanted, admit};

/// No header of a plain array is longer.
const MOST_HEADER: usize = 1 << 16;
/// Magic and version.
const PREAMBLE: usize = 8;
const CONTAINER: &str = "NumPy array";

/// Reads one row or column, of it at most so many samples.
pub(super) fn read<R: Read + Seek>(
    mut source: Source<R>,
    wanted: Wanted,
    most: u64,
) -> Result<Recording, Refusal> {
    let (text, data_at) = header(&mut source)?;
    let array = Array::parse(&text)?;
    let rate_hz = wanted.rate_hz.ok_or(Refusal::NoRate)?;
    admit(rate_hz, array.channels, wanted.channel, Some(array.frames))?;
    let mut repairs = Vec::new();
    let (place, channel, coding) = array.place(data_at, source.len(), (wanted.channel, rate_hz))?;
    let frame = coding.frame_bytes() as u64;
    let frames = (place.data.end - place.data.start) / frame;
    if frames == 0 {
        return Err(Refusal::NoFrames { byte: Some(place.data.start) });
    }
    let incomplete = frames < array.frames;
    if incomplete {
        repairs.push(format!("The file is cut short: {} samples promised, {frames} there.", array.frames));
    }
    let place = SampleRange { data: place.data.start..place.data.start + frames * frame, ..place };
    let mut one = [(channel, Kept::new(most, frames))];
    stream(&mut source, &place, &coding, &mut one)?;
    let [(_, kept)] = one;
    let (samples, note) = kept.finish(rate_hz)?;
    repairs.extend(note);
    let provenance = Provenance {
        sha256: source.digest(),
        format: format!("{CONTAINER} {}", coding.words()),
        rate_hz,
        bit_depth: coding.bits,
        channels: array.channels,
        frames: samples.len() as u64,
        repairs,
        incomplete,
    };
    Ok(Recording { samples, rate_hz: f64::from(rate_hz), provenance })
}

/// The header's text, and where the numbers begin.
fn header<R: Read + Seek>(source: &mut Source<R>) -> Result<(String, u64), Refusal> {
    let mut start = [0; PREAMBLE + 4];
    let there = source.len().min(start.len() as u64) as usize;
    source.peek(0, &mut start[..there])?;
    let [.., major, _, a, b, c, d] = start;
    let (long, length) = match major {
        1 => (2, u32::from(u16::from_le_bytes([a, b]))),
        2 | 3 => (4, u32::from_le_bytes([a, b, c, d])),
        _ => return Err(field("version", 6, major.to_string(), "1 to 3")),
    };
    let at = (PREAMBLE + long) as u64;
    let end = at + u64::from(length);
    if length as usize > MOST_HEADER || end > source.len() {
        let allowed = format!("at most {MOST_HEADER} bytes, all of them there");
        return Err(field("header", 8, format!("{length} bytes"), &allowed));
    }
    let mut bytes = vec![0; length as usize];
    source.peek(at, &mut bytes)?;
    Ok((String::from_utf8_lossy(&bytes).into_owned(), end))
}

fn field(field: &'static str, byte: u64, found: String, allowed: &str) -> Refusal {
    Refusal::HeaderField { field, byte, found, allowed: allowed.to_owned() }
}

/// What the dictionary says.
#[derive(Debug, PartialEq)]
struct Array {
    number: Number,
    big_endian: bool,
    bytes: usize,
    channels: u32,
    frames: u64,
    /// Samples of one channel lie side by side.
    planar: bool,
}

impl Array {
    fn parse(text: &str) -> Result<Self, Refusal> {
        const AT: u64 = PREAMBLE as u64 + 2;
        let entry = |key: &str| value(text, key);
        let descr = entry("descr").unwrap_or_default();
        let (number, big_endian, bytes) = kind(descr.trim_matches(['\'', '"'])).ok_or_else(|| {
            field("descr", AT, shortened(descr), "i2, i4, f4 or f8 in either byte order (<f8)")
        })?;
        let fortran = match entry("fortran_order") {
            Some("True") => true,
            Some("False") => false,
            other => {
                return Err(field(
                    "fortran_order",
                    AT,
                    shortened(other.unwrap_or("nothing")),
                    "True or False",
                ));
            }
        };
        let shown = entry("shape").unwrap_or("nothing");
        let refuse = || {
            field(
                "shape",
                AT,
                shortened(shown),
                "one axis, or two of different lengths of which the longer is time",
            )
        };
        let shape = shape(shown).ok_or_else(refuse)?;
        let axes: Vec<u64> = shape.iter().copied().filter(|length| *length != 1).collect();
        let (frames, other, time_last) = match axes[..] {
            [] if !shape.is_empty() => (1, 1, true),
            [frames] => (frames, 1, true),
            [rows, columns] if rows > columns => (rows, columns, false),
            [rows, columns] if rows < columns => (columns, rows, true),
            _ => return Err(refuse()),
        };
        let channels = u32::try_from(other)
            .ok()
            .filter(|channels| (1..=65_535).contains(channels))
            .ok_or_else(refuse)?;
        Ok(Self {
            number,
            big_endian,
            bytes,
            channels,
            frames,
            planar: time_last != fortran || channels == 1,
        })
    }

    /// Where the channel lies, and how its samples are coded there.
    fn place(
        &self,
        data_at: u64,
        len: u64,
        (channel, rate_hz): (usize, u32),
    ) -> Result<(SampleRange, usize, Coding), Refusal> {
        let size = self.bytes as u64;
        let all =
            self.frames.checked_mul(u64::from(self.channels) * size).and_then(|all| all.checked_add(data_at));
        let all = all.ok_or(Refusal::TooLong { frames: self.frames })?;
        let (data, channels, channel) = if self.planar {
            let start = data_at + (channel as u64 - 1) * self.frames * size;
            (start..start + self.frames * size, 1, 1)
        } else {
            (data_at..all, self.channels, channel)
        };
        let data = data.start.min(len)..data.end.min(len);
        let (number, big_endian, bytes) = (self.number, self.big_endian, self.bytes);
        let coding = Coding { number, big_endian, channels, rate_hz, bytes, bits: 8 * bytes as u32 };
        Ok((SampleRange { data, container: CONTAINER }, channel, coding))
    }
}

/// The value of a key of the dictionary, as written.
fn value<'a>(text: &'a str, key: &str) -> Option<&'a str> {
    let quoted = [format!("'{key}'"), format!("\"{key}\"")];
    let after = quoted.iter().find_map(|key| Some(&text[text.find(key)? + key.len()..]))?;
    let after = after.trim_start().strip_prefix(':')?.trim_start();
    let end = match after.chars().next()? {
        '(' => after.find(')')? + 1,
        '[' => after.find(']')? + 1,
        _ => after.find([',', '}'])?,
    };
    Some(after[..end].trim())
}

/// Number, byte order and size of what NumPy calls `<f8`.
fn kind(descr: &str) -> Option<(Number, bool, usize)> {
    let (order, rest) = descr.split_at_checked(1)?;
    let big_endian = match order {
        "<" | "=" => false,
        ">" => true,
        _ => return None,
    };
    match rest {
        "f4" => Some((Number::Float, big_endian, 4)),
        "f8" => Some((Number::Float, big_endian, 8)),
        "i2" => Some((Number::Integer, big_endian, 2)),
        "i4" => Some((Number::Integer, big_endian, 4)),
        _ => None,
    }
}

fn shape(text: &str) -> Option<Vec<u64>> {
    let inside = text.strip_prefix('(')?.strip_suffix(')')?;
    let parts = inside.split(',').map(str::trim).filter(|part| !part.is_empty());
    parts.map(|part| part.parse().ok()).collect()
}

fn shortened(text: &str) -> String {
    const MOST: usize = 60;
    let plain: String = text.chars().filter(|c| !c.is_control()).take(MOST).collect();
    if plain.is_empty() { "nothing".to_owned() } else { plain }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(descr: &str, fortran: &str, shape: &str) -> Option<(u64, u32, bool)> {
        let text = format!("{{'descr': {descr}, 'fortran_order': {fortran}, 'shape': {shape}, }}");
        Array::parse(&text).ok().map(|array| (array.frames, array.channels, array.planar))
    }

    #[test]
    fn the_longer_axis_is_time() {
        assert_eq!(parse("'<f8'", "False", "(48000,)"), Some((48_000, 1, true)));
        assert_eq!(parse("'<f8'", "False", "(48000, 2)"), Some((48_000, 2, false)));
        assert_eq!(parse("'<f8'", "True", "(48000, 2)"), Some((48_000, 2, true)));
        assert_eq!(parse("'>i4'", "False", "(3, 48000)"), Some((48_000, 3, true)));
        assert_eq!(parse("'>i4'", "True", "(3, 48000)"), Some((48_000, 3, false)));
        assert_eq!(parse("'<f4'", "False", "(1, 48000, 1)"), Some((48_000, 1, true)));
    }

    #[test]
    fn what_is_no_response_is_refused() {
        for (descr, fortran, shape) in [
            ("'|O'", "False", "(4,)"),
            ("'<c16'", "False", "(4,)"),
            ("'|u1'", "False", "(4,)"),
            ("[('x', '<f8')]", "False", "(4,)"),
            ("'<f8'", "maybe", "(4,)"),
            ("'<f8'", "False", "(2, 2)"),
            ("'<f8'", "False", "(2, 3, 4)"),
            ("'<f8'", "False", "()"),
            ("'<f8'", "False", "(-1,)"),
            ("'<f8'", "False", "(99999999999999999999999,)"),
        ] {
            assert_eq!(parse(descr, fortran, shape), None, "{descr} {fortran} {shape}");
        }
    }
}
