//! What the fit is given: the records of all places, and what it may do.

use crate::response::LowRecord;
use std::borrow::Cow;

/// Fewer places than this have few numbers: none of theirs are given away, and several parts of their decay are
/// predicted. Our own choice.
pub(super) const FEW_PLACES: usize = 3;
/// From this many places on each of them weighs little: a mode must be seen at more than one, and a fit to the first part
/// of the records may start from poles of the whole. Our own choice.
pub(super) const MANY_PLACES: usize = 6;

/// The record of one place: a source–receiver path, named by its position and source.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Place<'a> {
    /// Name of the position.
    pub position: String,
    /// Name of the source.
    pub source: String,
    /// Linear pressure in the file's full scale; flat below the highest frequency that is to be fitted.
    pub samples: Cow<'a, [f64]>,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Sample rate of the file the record came from, Hz; levels refer to it.
    pub file_rate_hz: f64,
    /// Time of the direct sound from sample 0, s; the fit starts there.
    pub onset_s: f64,
    /// Time of the emission from sample 0, s, where all places share one instant.
    pub emission_s: Option<f64>,
}

impl<'a> Place<'a> {
    /// A record whose file had the same rate, with no time base.
    #[must_use]
    pub fn new(position: &str, source: &str, samples: &'a [f64], rate_hz: f64, onset_s: f64) -> Self {
        Self {
            position: position.into(),
            source: source.into(),
            samples: Cow::Borrowed(samples),
            rate_hz,
            file_rate_hz: rate_hz,
            onset_s,
            emission_s: None,
        }
    }

    /// The record with the instant of emission known.
    #[must_use]
    pub fn emitted_at(mut self, emission_s: f64) -> Self {
        self.emission_s = Some(emission_s);
        self
    }

    /// The low-frequency record of a response.
    #[must_use]
    pub fn from_low_record(position: &str, source: &str, low: &LowRecord) -> Place<'static> {
        Place {
            position: position.into(),
            source: source.into(),
            samples: Cow::Owned(low.samples.iter().map(|s| f64::from(*s)).collect()),
            rate_hz: low.rate_hz,
            file_rate_hz: low.file_rate_hz,
            onset_s: low.onset_s,
            emission_s: low.emission_s,
        }
    }
}

/// What to fit and how hard.
#[derive(Clone, Copy)]
#[non_exhaustive]
pub struct FitSettings<'a> {
    /// Lowest frequency, Hz; default 15, at least 5.
    pub from_hz: f64,
    /// Highest frequency, Hz; default 200, at most 300 (above that a low-frequency record isn't flat).
    pub to_hz: f64,
    /// Whether the fit is tested (several times the work): refits, hold-out test, overlap; default true. Without, a
    /// resonance is called a mode untested, intervals are those of one fit, and they hold only where the model does.
    pub refits: bool,
    /// Looked at between steps; once it says true the fit ends early with [`super::ModeSet::cancelled`] set.
    pub cancel: Option<&'a (dyn Fn() -> bool + Sync)>,
}

impl Default for FitSettings<'_> {
    fn default() -> Self {
        Self { from_hz: 15.0, to_hz: 200.0, refits: true, cancel: None }
    }
}

impl std::fmt::Debug for FitSettings<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "FitSettings {{ {} to {} Hz, refits: {} }}", self.from_hz, self.to_hz, self.refits)
    }
}

impl FitSettings<'_> {
    /// Whether the user asked to stop.
    pub(crate) fn cancelled(&self) -> bool {
        self.cancel.is_some_and(|stop| stop())
    }

    /// The range with its ends kept to what the method carries, Hz.
    pub(crate) fn range_hz(&self) -> (f64, f64) {
        (self.from_hz.max(5.0), self.to_hz.min(300.0))
    }
}
