//! Responses as columns of text; [`crate::layout::columns`] says what such a file looks like.

use std::io::{Read, Seek};

use super::kept::Kept;
use super::source::Source;
use super::wav::number_words;
use super::{MAX_MAGNITUDE, MAX_SAMPLES, Provenance, Recording, Refusal, admit};
use crate::layout::columns::{self, Columns, HEAD_BYTES};

/// Bytes read at a time.
const BLOCK_BYTES: usize = 1 << 16;
/// No line of numbers is longer.
const MOST_LINE: usize = 1 << 20;
/// How far a step of time may be off the mean one, in steps: half of one is a line lost or doubled.
const STEP_SLACK: f64 = 0.5;
/// How far a rate may be off a whole number, as a ratio: it moves no frequency by more.
const RATE_SLACK: f64 = 2e-5;
/// How much of a hertz the printed times may leave open where they alone say the rate.
const OPEN_HZ: f64 = 0.25;
/// Rates of converters (common practice, no source): where the times leave the rate open, the only one of these
/// within what they leave is taken.
const USUAL_HZ: [u32; 14] = [
    8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000,
    384_000,
];
/// Times that leave more than this open, as a ratio, say nothing.
const MOST_OPEN: f64 = 1e-3;

/// Reads one column, counted from 1 behind the time; of it at most so many samples.
pub(super) fn read<R: Read + Seek>(inner: R, channel: usize, most: u64) -> Result<Recording, Refusal> {
    let mut source = Source::new(inner)?;
    let mut head = vec![0; source.len().min(HEAD_BYTES) as usize];
    source.peek(0, &mut head)?;
    let layout = columns::of_head(&head).ok_or(Refusal::NoRate)?;
    let columns = u32::try_from(layout.responses).unwrap_or(u32::MAX);
    // The rate may come from the times alone, at the end: any that is read will do until then.
    admit(super::MIN_RATE_HZ, columns, channel, None)?;
    let mut rows = Rows::new(&layout, channel, most);
    source.rewind()?;
    let mut block = vec![0; BLOCK_BYTES];
    let mut left = source.len();
    while left > 0 {
        let step = left.min(BLOCK_BYTES as u64) as usize;
        source.stream(&mut block[..step])?;
        rows.take(&block[..step])?;
        left -= step as u64;
    }
    rows.finish(source.digest())
}

/// Rows as they come.
struct Rows<'a> {
    layout: &'a Columns,
    channel: usize,
    kept: Kept,
    line: Vec<u8>,
    lines: u64,
    header_passed: bool,
    times: Times,
    repairs: Vec<String>,
    incomplete: bool,
}

impl<'a> Rows<'a> {
    fn new(layout: &'a Columns, channel: usize, most: u64) -> Self {
        Self {
            layout,
            channel,
            kept: Kept::new(most, 0),
            line: Vec::new(),
            lines: 0,
            header_passed: layout.names.is_empty(),
            times: Times::default(),
            repairs: Vec::new(),
            incomplete: false,
        }
    }

    fn take(&mut self, block: &[u8]) -> Result<(), Refusal> {
        for part in block.split_inclusive(|byte| *byte == b'\n') {
            self.line.extend_from_slice(part);
            if part.ends_with(b"\n") {
                let line = std::mem::take(&mut self.line);
                self.row(&line, true)?;
            } else if self.line.len() > MOST_LINE {
                return Err(self.refuse(format!("more than {MOST_LINE} bytes"), "a row of numbers"));
            }
        }
        Ok(())
    }

    /// One line; `whole`: it has an end.
    fn row(&mut self, line: &[u8], whole: bool) -> Result<(), Refusal> {
        self.lines += 1;
        let text = std::str::from_utf8(line)
            .map_err(|_| self.refuse("a byte that is no UTF-8 text".to_owned(), "numbers"))?;
        let text = text.trim_start_matches('\u{feff}');
        if columns::is_remark(text) {
            return Ok(());
        }
        if !self.header_passed {
            self.header_passed = true;
            return Ok(());
        }
        let (before, wanted) = (self.layout.before(), self.layout.before() + self.layout.responses);
        let fields = self.layout.separator.fields(text);
        if fields.len() != wanted {
            if !whole && fields.len() < wanted {
                self.repairs.push("The last line is cut short: it was dropped.".to_owned());
                self.incomplete = true;
                return Ok(());
            }
            return Err(self.refuse(
                format!("{} fields", fields.len()),
                &format!("{wanted} fields, as in the first row"),
            ));
        }
        if let Some(unit_s) = self.layout.time_unit_s {
            let time = self.number(fields[0])?;
            self.times.add(time * unit_s, resolution(fields[0]) * unit_s);
        }
        let value = self.number(fields[before + self.channel - 1])?;
        if !(-MAX_MAGNITUDE..=MAX_MAGNITUDE).contains(&value) {
            return Err(Refusal::Sample {
                sample: self.kept_frames(),
                channel: self.channel,
                byte: None,
                found: number_words(value),
                format: format!("line {}", self.lines),
            });
        }
        self.kept.take(|into| {
            into.push(value);
            Ok(())
        })?;
        if self.kept_frames() > MAX_SAMPLES {
            return Err(Refusal::TooLong { frames: self.kept_frames() });
        }
        Ok(())
    }

    fn kept_frames(&self) -> u64 {
        self.kept.frames()
    }

    fn number(&self, field: &str) -> Result<f64, Refusal> {
        self.layout.separator.number(field).ok_or_else(|| {
            let shown: String = field.chars().filter(|c| !c.is_control()).take(40).collect();
            self.refuse(
                format!("\"{shown}\""),
                "a number with a decimal point (between semicolons or tabs a comma will do)",
            )
        })
    }

    fn refuse(&self, found: String, allowed: &str) -> Refusal {
        Refusal::Line { line: self.lines.max(1), found, allowed: allowed.to_owned() }
    }

    fn finish(mut self, sha256: String) -> Result<Recording, Refusal> {
        let last = std::mem::take(&mut self.line);
        if !last.is_empty() {
            self.row(&last, false)?;
        }
        if self.kept_frames() == 0 {
            return Err(Refusal::NoFrames { byte: None });
        }
        let rate_hz = match self.layout.time_unit_s {
            Some(_) if self.layout.rate_hz.is_some() => self.times.agree_with(self.layout.rate_hz)?,
            Some(_) => {
                let (rate_hz, note) = self.times.rate_hz()?;
                self.repairs.extend(note);
                rate_hz
            }
            None => whole_rate(self.layout.rate_hz.ok_or(Refusal::NoRate)?)?,
        };
        let channels = u32::try_from(self.layout.responses).unwrap_or(u32::MAX);
        admit(rate_hz, channels, self.channel, Some(self.kept_frames()))?;
        let (samples, note) = self.kept.finish(rate_hz)?;
        self.repairs.extend(note);
        let provenance = Provenance {
            sha256,
            format: "columns of text".to_owned(),
            rate_hz,
            bit_depth: 0,
            channels,
            frames: samples.len() as u64,
            repairs: self.repairs,
            incomplete: self.incomplete,
        };
        Ok(Recording { samples, rate_hz: f64::from(rate_hz), provenance })
    }
}

/// What a column of times shows.
#[derive(Debug, Default)]
struct Times {
    first: f64,
    last: f64,
    count: u64,
    least_step: f64,
    most_step: f64,
    /// Finest step that any printed time has, s.
    resolution: f64,
}

impl Times {
    fn add(&mut self, time_s: f64, resolution: f64) {
        match self.count {
            0 => {
                (self.first, self.resolution) = (time_s, resolution);
                (self.least_step, self.most_step) = (f64::INFINITY, f64::NEG_INFINITY);
            }
            _ => {
                let step = time_s - self.last;
                (self.least_step, self.most_step) = (self.least_step.min(step), self.most_step.max(step));
            }
        }
        self.resolution = self.resolution.min(resolution);
        (self.last, self.count) = (time_s, self.count + 1);
    }

    /// The rate, if the steps are equal but for the rounding of what is printed, and a note where that leaves
    /// it open.
    fn rate_hz(&self) -> Result<(u32, Option<String>), Refusal> {
        let steps = self.count.saturating_sub(1);
        let step = (self.last - self.first) / steps as f64;
        let even = step > 0.0
            && self.least_step > (1.0 - STEP_SLACK) * step
            && self.most_step < (1.0 + STEP_SLACK) * step;
        if steps == 0 || !even {
            return Err(self.uneven());
        }
        let (rate_hz, open) = (1.0 / step, self.resolution / (self.last - self.first));
        if open * rate_hz < OPEN_HZ {
            return Ok((whole_rate(rate_hz)?, None));
        }
        let near = |usual: &&u32| (f64::from(**usual) - rate_hz).abs() <= open * rate_hz;
        match USUAL_HZ.iter().filter(near).collect::<Vec<_>>()[..] {
            [usual] if open < MOST_OPEN => Ok((
                *usual,
                Some(format!(
                    "The times are printed to {:e} s, which leaves the rate open by {:.1} Hz: {usual} Hz were taken.",
                    self.resolution,
                    open * rate_hz
                )),
            )),
            _ => Err(unclear(rate_hz, open * rate_hz)),
        }
    }
}

impl Times {
    fn uneven(&self) -> Refusal {
        let found = format!(
            "times from {} to {} s with steps of {:.3e} to {:.3e} s",
            self.first, self.last, self.least_step, self.most_step
        );
        Refusal::Line { line: 1, found, allowed: "a first column that rises by equal steps".to_owned() }
    }

    /// A rate that is stated beside the times, unless these contradict it.
    fn agree_with(&self, stated: Option<f64>) -> Result<u32, Refusal> {
        let stated = stated.ok_or(Refusal::NoRate)?;
        if self.last <= self.first {
            return Err(self.uneven());
        }
        let mean = (self.last - self.first) / self.count.saturating_sub(1) as f64;
        let open = self.resolution / (self.last - self.first);
        // More slack than the digits' rounding leaves would hide a wrong rate.
        let off = (mean * stated - 1.0).abs();
        if off.is_nan() || off > open.max(RATE_SLACK) {
            return Err(unclear(1.0 / mean, open / mean));
        }
        whole_rate(stated)
    }
}

/// The step between a printed number and the next one of as many digits.
fn resolution(field: &str) -> f64 {
    let (mantissa, exponent) = field.split_once(['e', 'E']).unwrap_or((field, "0"));
    let decimals = mantissa.split_once(['.', ',']).map_or(0, |(_, decimals)| decimals.len());
    10_f64.powi(exponent.parse().unwrap_or(0)) * 0.1_f64.powi(i32::try_from(decimals).unwrap_or(i32::MAX))
}

fn unclear(rate_hz: f64, open_hz: f64) -> Refusal {
    Refusal::HeaderField {
        field: "sample rate",
        byte: 0,
        found: format!("{rate_hz:.2} Hz, good to {open_hz:.2} Hz by the digits of the times"),
        allowed: "whole hertz; print times with more digits, or give the rate in a line # rate_hz = ..."
            .to_owned(),
    }
}

/// A rate as whole hertz.
fn whole_rate(rate_hz: f64) -> Result<u32, Refusal> {
    let whole = rate_hz.round();
    if (whole - rate_hz).abs() > RATE_SLACK * whole || !(1.0..=4e9).contains(&whole) {
        return Err(unclear(rate_hz, 0.0));
    }
    Ok(whole as u32)
}
