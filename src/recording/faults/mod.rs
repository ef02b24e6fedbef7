//! What is wrong with a recording itself, told from its samples: silence, too little of it, clipping, an
//! offset, a tail that was zeroed or faded out, a shape that no impulse response has.
//!
//! A zeroed or faded tail passes for a noise floor far below the true one and spoils every estimate that
//! looks there; [`Faults::usable_samples`] ends before it.

use std::fmt;

use crate::flag::{Flag, Flags};

mod clipping;
mod shape;
mod tail;

/// Shortest record with room for a short decay (0.1 s) down to some floor, in seconds. Our choice.
pub const MIN_LENGTH_S: f64 = 0.1;

/// A record whose samples differ by less than this of full scale (-240 dB) holds no signal: the last bit
/// of a 32-bit converter is 400 times as large.
const SILENCE: f64 = 1e-12;

/// One fault of a recording. Samples count from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Fault {
    /// All samples are the same: nothing was recorded.
    Silent {
        /// Their value.
        value: f64,
    },
    /// Shorter than [`MIN_LENGTH_S`]: no decay fits in.
    TooShort {
        /// Its length in seconds.
        length_s: f64,
    },
    /// The waveform has flat tops: an input, a converter or a program ran out of range.
    Clipped {
        /// Magnitude at which it is cut off, full scale 1.
        ceiling: f64,
        /// Number of flat tops.
        tops: usize,
        /// First sample of the first one.
        first: usize,
        /// Samples of the longest one.
        longest: usize,
    },
    /// The end is digitally still: every sample alike, with no noise.
    ZeroTail {
        /// First sample of the still stretch.
        from: usize,
    },
    /// The end sinks faster than any sum of decays and noise can: it was faded out (or gated).
    FadedTail {
        /// First sample of the fade, as its best-fitting shape has it.
        from: usize,
    },
    /// The sound swells up to its peak and stops.
    Reversed,
    /// Another sound sets in after the response, or before it.
    SecondSound {
        /// Where, in seconds from the first sample.
        at_s: f64,
    },
    /// The test signal or its loop back: a pulse with no room behind it, or a sweep.
    SignalItself {
        /// Whether it is a sweep.
        sweep: bool,
    },
    /// Less noise after the decay than before it: faded or gated from the peak on.
    FadedDecay {
        /// By how much, in dB.
        below_db: f64,
    },
    /// A constant is added to the signal.
    Offset {
        /// The constant, full scale 1.
        value: f64,
    },
}

impl Fault {
    /// The flag for the tables; `None` for a fault that leaves nothing to put in a table.
    #[must_use]
    pub fn flag(&self) -> Option<Flag> {
        match self {
            Self::Silent { .. } | Self::TooShort { .. } => None,
            Self::Clipped { .. } => Some(Flag::Clipped),
            Self::ZeroTail { .. } => Some(Flag::ZeroTail),
            Self::FadedTail { .. } => Some(Flag::FadedTail),
            Self::Reversed => Some(Flag::Reversed),
            Self::SecondSound { .. } => Some(Flag::SecondSound),
            Self::SignalItself { .. } => Some(Flag::SignalItself),
            Self::FadedDecay { .. } => Some(Flag::FadedDecay),
            Self::Offset { .. } => Some(Flag::DcOffset),
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent { value } => {
                write!(f, "nothing was recorded: every sample is {value:.6}")
            }
            Self::TooShort { length_s } => {
                write!(f, "the record is {length_s:.4} s long; {MIN_LENGTH_S} s is the least for a decay")
            }
            Self::Clipped { ceiling, tops, first, longest } => write!(
                f,
                "clipped at {ceiling:.4} of full scale: {tops} flat tops, the longest of {longest} samples, \
                 the first at sample {first}"
            ),
            Self::ZeroTail { from } => write!(f, "digitally silent from sample {from} to the end"),
            Self::FadedTail { from } => write!(f, "faded out from about sample {from} to the end"),
            Self::Reversed => f.write_str("runs backwards: the sound swells up to its peak and stops"),
            Self::SecondSound { at_s } => {
                write!(f, "another sound sets in at {at_s:.2} s: two shots in one file, or a disturbance")
            }
            Self::SignalItself { sweep: true } => f.write_str("holds the sweep itself, not a response"),
            Self::SignalItself { sweep: false } => f.write_str(
                "holds a pulse with no room behind it: the test signal's loopback, not a microphone",
            ),
            Self::FadedDecay { below_db } => write!(
                f,
                "faded or gated from the peak on: the noise after the decay lies {below_db:.0} dB below that \
                 before it"
            ),
            Self::Offset { value } => {
                write!(f, "a constant of {value:.2e} of full scale is added to the signal")
            }
        }
    }
}

/// The faults of one recording and what remains of it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Faults {
    /// What was found, in the order of [`Fault`].
    pub found: Vec<Fault>,
    /// Samples before a zeroed or faded tail; noise floors may be estimated within them.
    pub usable_samples: usize,
}

impl Faults {
    /// The flags of what was found.
    #[must_use]
    pub fn flags(&self) -> Flags {
        self.found.iter().filter_map(Fault::flag).collect()
    }
}

/// Looks for faults of one recording.
///
/// `samples`: finite numbers, full scale 1, at `rate_hz`; as [`read_take`](super::read_take) gives them. Cost: three
/// passes over the samples.
#[must_use]
pub fn inspect(samples: &[f64], rate_hz: f64) -> Faults {
    let mut faults = Faults { found: Vec::new(), usable_samples: samples.len() };
    let scan = Scan::at(samples);
    let length_s = samples.len() as f64 / rate_hz;
    if scan.highest - scan.lowest < SILENCE {
        faults.found.push(Fault::Silent { value: samples.first().copied().unwrap_or(0.0) });
        return faults;
    }
    if length_s < MIN_LENGTH_S {
        faults.found.push(Fault::TooShort { length_s });
        return faults;
    }
    faults.found.extend(clipping::find(samples, rate_hz, &scan));
    // A pulse in digital silence is no response that was cut short: all of it is there.
    let pulse = || shape::find(samples, rate_hz, &scan) == [Fault::SignalItself { sweep: false }];
    if let Some(still) = tail::still(samples, rate_hz, scan.step).filter(|_| !pulse()) {
        faults.found.push(Fault::ZeroTail { from: still.from });
        faults.usable_samples = still.usable;
    }
    if let Some(from) = tail::faded(samples, rate_hz, &scan) {
        faults.found.push(Fault::FadedTail { from });
        faults.usable_samples = faults.usable_samples.min(from);
    }
    faults.found.extend(shape::find(&samples[..faults.usable_samples], rate_hz, &scan));
    faults.found.extend(offset(&samples[..faults.usable_samples], &scan));
    faults
}

/// Flat tops alone, as [`inspect`] finds them: [`Fault::Clipped`], or nothing.
#[must_use]
pub fn flat_tops(samples: &[f64], rate_hz: f64) -> Option<Fault> {
    let scan = Scan::at(samples);
    let nothing = scan.highest - scan.lowest < SILENCE || (samples.len() as f64) < MIN_LENGTH_S * rate_hz;
    if nothing { None } else { clipping::find(samples, rate_hz, &scan) }
}

/// Whether nothing was recorded: the first thing that [`inspect`] looks for.
#[must_use]
pub fn is_silent(samples: &[f64]) -> bool {
    let scan = Scan::at(samples);
    scan.highest - scan.lowest < SILENCE
}

/// What one pass over the samples shows.
#[derive(Debug, Clone, Copy)]
struct Scan {
    highest: f64,
    lowest: f64,
    /// Where the largest magnitude stands.
    peak_at: usize,
    /// Smallest change between neighbours that differ: the step of the quantiser, or less.
    step: f64,
}

impl Scan {
    fn at(samples: &[f64]) -> Self {
        let first = samples.first().copied().unwrap_or(0.0);
        let mut scan = Self { highest: first, lowest: first, peak_at: 0, step: f64::INFINITY };
        let mut before = first;
        for (i, &value) in samples.iter().enumerate() {
            if value > scan.highest || value < scan.lowest {
                if value.abs() > scan.peak() {
                    scan.peak_at = i;
                }
                scan.highest = scan.highest.max(value);
                scan.lowest = scan.lowest.min(value);
            }
            let change = (value - before).abs();
            if change > 0.0 && change < scan.step {
                scan.step = change;
            }
            before = value;
        }
        scan
    }

    /// Largest magnitude.
    fn peak(&self) -> f64 {
        self.highest.max(-self.lowest)
    }
}

/// A constant in the later half, where the response has died away: its mean, if eight stretches agree on
/// it (eight times the standard deviation of their mean; slow noise makes them differ), and if it matters:
/// half the noise's standard deviation, and 1e-4 (-80 dB) of the peak. Thresholds are our choice.
fn offset(samples: &[f64], scan: &Scan) -> Option<Fault> {
    const STRETCHES: usize = 8;
    let late = &samples[samples.len() / 2..];
    let stretch = late.len() / STRETCHES;
    if stretch == 0 {
        return None;
    }
    let means: Vec<f64> = late.chunks_exact(stretch).take(STRETCHES).map(mean).collect();
    let value = mean(&means);
    let noise = late.iter().map(|v| (v - value).powi(2)).sum::<f64>() / late.len() as f64;
    let spread = means.iter().map(|m| (m - value).powi(2)).sum::<f64>() / (STRETCHES - 1) as f64;
    let sure = value.powi(2) > 64.0 * spread / STRETCHES as f64;
    let matters = value.powi(2) > 0.25 * noise && value.abs() > 1e-4 * scan.peak();
    (sure && matters).then_some(Fault::Offset { value })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[cfg(test)]
mod tests;
