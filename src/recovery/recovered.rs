//! What is asked of a recording and what it yields: the response, what was seen on the way, what is wrong with the take.

use super::background::Background;
use super::clock::ClockError;

/// Time kept before the emission (or the arrival, where the emission isn't known), s.
pub const BEFORE_S: f64 = 0.1;

/// How a sweep recording is turned into a response.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deconvolution {
    /// Length kept after the emission (or the arrival), s; `None`: what the recording holds after the signal's end.
    pub after_s: Option<f64>,
    /// The reference was recorded together with the microphone, so its start is the emission. Otherwise it is
    /// the file that was played, and the recorder may have started at any time; default true.
    pub together: bool,
    /// When these samples begin in the recording that they are a part of, s: times that findings name count from the
    /// recording's start; default 0.
    pub from_s: f64,
}

impl Default for Deconvolution {
    fn default() -> Self {
        Self { after_s: None, together: true, from_s: 0.0 }
    }
}

/// A response, and what was seen on the way.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Recovered {
    /// The response; a direct connection gives 1 at [`BEFORE_S`].
    pub samples: Vec<f64>,
    /// Instant of the emission from sample 0, s; `None` where player and recorder started each by itself.
    pub emission_s: Option<f64>,
    /// When the first sound arrives, s from sample 0, as sharply as the widest band that shows it.
    pub arrival_s: f64,
    /// How much later than the signal in the reference the sound stands in the recording, s.
    pub start_offset_s: f64,
    /// By how much the clocks seem to differ, as the lags of a sweep drift from band to band; a loudspeaker that delays low
    /// frequencies does the same.
    pub drift: Option<ClockError>,
    /// Range in which signal and response stand over the noise, Hz; outside, the response is faded out.
    pub range_hz: (f64, f64),
    /// Peak over the mean noise by octave, ratios of powers; no entry for octaves outside the range.
    pub peak_to_noise: Vec<OctavePeak>,
    /// Harmonics by order: the largest power at its lag over the response's, in the band where it is strongest.
    pub harmonics: Vec<Harmonic>,
    /// What the microphone picked up before the signal.
    pub background: Background,
    /// What is wrong with the take.
    pub troubles: Vec<Trouble>,
}

/// Peak-to-noise of an octave.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct OctavePeak {
    /// Mid-band frequency, Hz.
    pub band_hz: f64,
    /// Largest power over the mean noise; infinite above digital silence.
    pub ratio: f64,
}

/// A harmonic product of the loudspeaker.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Harmonic {
    /// Order: 2 is an octave above.
    pub order: u32,
    /// Its largest power over the response's.
    pub ratio: f64,
    /// Middle of the third octave in which it is largest, Hz.
    pub band_hz: f64,
}

/// A response from periods of noise.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct PeriodicResponse {
    /// The response; it wraps round at the period's end.
    pub samples: Vec<f64>,
    /// Instant of the emission from sample 0, s.
    pub emission_s: f64,
    /// Arrival of the first sound, s from sample 0.
    pub arrival_s: f64,
    /// Length of a period, s.
    pub period_s: f64,
    /// Periods averaged: all but the first, which only brings the room into its steady state.
    pub averages: usize,
    /// Runs that they come from: one, or two of other seeds. Each takes a degree of freedom of a line's real and imaginary part.
    pub runs: usize,
    /// Range in which the response stands over its noise, Hz.
    pub range_hz: (f64, f64),
    /// Peak-to-noise of the response by octave.
    pub peak_to_noise: Vec<OctavePeak>,
    /// Every line in range.
    pub lines: Vec<Line>,
    /// What the microphone picked up before the noise.
    pub background: Background,
    /// What is wrong with the take.
    pub troubles: Vec<Trouble>,
}

/// One line of the spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Line {
    /// Frequency, Hz.
    pub hz: f64,
    /// H1, real part.
    pub re: f64,
    /// H1, imaginary part.
    pub im: f64,
    /// sd of real and imaginary part alike, from the scatter of the periods; `None` for a single one.
    pub sd: Option<f64>,
    /// H2 over H1, a ratio of magnitudes: noise at the microphone lifts H2, noise in the reference lowers H1, so the
    /// truth lies between (Bendat & Piersol, ch. 6); `None` for a single period.
    pub bracket: Option<f64>,
    /// Coherence less its bias (1 − γ²)²/n; `None` for a single period, where it is 1 by itself.
    pub coherence: Option<f64>,
}

impl Line {
    /// The mean of two runs; bracket and coherence are the means of theirs.
    #[must_use]
    pub fn mean(&self, other: &Self) -> Self {
        let half = |a: f64, b: f64| 0.5 * (a + b);
        let both = |pick: fn(&Self) -> Option<f64>| Some((pick(self)?, pick(other)?));
        Self {
            hz: self.hz,
            re: half(self.re, other.re),
            im: half(self.im, other.im),
            sd: both(|line| line.sd).map(|(a, b)| 0.5 * a.hypot(b)),
            bracket: both(|line| line.bracket).map(|(a, b)| half(a, b)),
            coherence: both(|line| line.coherence).map(|(a, b)| half(a, b)),
        }
    }
}

/// Something wrong with a take.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Trouble {
    /// One word for tables, e.g. `clipped`.
    pub word: &'static str,
    /// Whether the take must be repeated; else it is only worth knowing.
    pub again: bool,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: &'static str,
    /// When it happened, s from the recording's start, where it has an instant.
    pub at_s: Option<f64>,
}

impl Trouble {
    pub(crate) fn again(word: &'static str, found: String, advice: &'static str) -> Self {
        Self { word, again: true, found, advice, at_s: None }
    }

    pub(crate) fn note(word: &'static str, found: String, advice: &'static str) -> Self {
        Self { word, again: false, found, advice, at_s: None }
    }

    /// The trouble with the instant at which it was seen, s.
    pub(crate) fn at(self, at_s: f64) -> Self {
        Self { at_s: Some(at_s), ..self }
    }
}
