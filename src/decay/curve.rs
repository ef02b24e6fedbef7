//! The decay curve: the backward integral freed of noise, ended at the crossing, its tail added.

use super::crossing::Crossing;
use super::energy::{EARLY_S, Energy};
use super::line::{Line, Range};

/// Energy of the decay alone still to come, from each entry to infinity.
///
/// The floor's mean square is taken off (Chu, JASA 63 (1978) 1444), the integral ends at the crossing and
/// the missing tail is added as an exponential of the late slope (ISO 3382-1:2009, 5.3.3). Both or
/// neither: the tail without the subtraction is worse than no tail.
#[derive(Debug, Clone, Copy)]
pub struct Curve<'a> {
    energy: &'a Energy<'a>,
    crossing: &'a Crossing,
    /// Energy beyond the crossing, in pressure² · s.
    pub tail: f64,
}

impl<'a> Curve<'a> {
    /// The decay curve of one band.
    #[must_use]
    pub fn new(energy: &'a Energy<'a>, crossing: &'a Crossing) -> Self {
        let per_entry = crossing.decay_per_s / energy.rate_hz;
        // A geometric sum: entry by entry the level falls by exp(-per_entry).
        let tail = crossing.level / energy.rate_hz / -(-per_entry).exp_m1();
        Self { energy, crossing, tail }
    }

    /// Energy still to come at an entry, the direct sound's being 0, in pressure² · s.
    #[must_use]
    pub fn at(&self, entry: usize) -> f64 {
        self.freed(self.energy.at(entry), entry as f64)
    }

    /// All energy, with the ringing ahead of the direct sound.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.freed(self.energy.total(), -(self.energy.lead() as f64))
    }

    /// Energy from a limit of [`EARLY_S`] on, cut before the filter.
    #[must_use]
    pub fn late(&self, limit: usize) -> f64 {
        self.freed(self.energy.late[limit], EARLY_S[limit] * self.energy.rate_hz)
    }

    /// Takes floor and everything past the crossing off what is still to come at `place`; adds the tail.
    fn freed(&self, to_come: f64, place: f64) -> f64 {
        let noise = self.crossing.floor * (self.crossing.entry as f64 - place) / self.energy.rate_hz;
        to_come - self.energy.at(self.crossing.entry) - noise + self.tail
    }

    /// Fall of the curve from the direct sound to the crossing, as a ratio of energies.
    #[must_use]
    pub fn range(&self) -> f64 {
        self.at(0) / self.tail
    }

    /// First entry from `from` on that lies at or under an energy, if that is reached before the crossing.
    fn first_under(&self, energy: f64, from: usize) -> Option<usize> {
        (from..=self.crossing.entry).find(|entry| self.at(*entry) <= energy)
    }

    /// The least-squares line over a range of the curve; `None` where the curve doesn't fall through it in four points or more.
    #[must_use]
    pub fn line(&self, range: Range) -> Option<Line> {
        let top = self.at(0);
        let (high, low) = range.energies();
        let from = self.first_under(top * high, 0)?;
        let to = self.first_under(top * low, from)?;
        let step = ((to - from) / MOST_POINTS).max(1);
        let point = |entry: usize| (entry as f64 / self.energy.rate_hz, (self.at(entry) / top).ln());
        let points: Vec<_> = (from..=to).step_by(step).map(point).collect();
        // Fewer points than this are no curve: the rate that the band runs at is too low for the decay.
        if points.len() < 4 { None } else { Line::through(&points).filter(Line::falls) }
    }

    /// Centre of the energy in seconds after the direct sound, the filter's delay taken off.
    #[must_use]
    pub fn centre_s(&self) -> f64 {
        let energy = self.energy;
        let lead = energy.lead() as f64;
        // Sum of k·e(k) = sum over k of what is still to come after k.
        let ahead: f64 =
            energy.before_zero().enumerate().skip(1).map(|(k, e)| self.freed(e, k as f64 - lead)).sum();
        let after: f64 = (0..=self.crossing.entry).map(|entry| self.at(entry)).sum();
        let beyond = self.tail / (self.crossing.decay_per_s / energy.rate_hz).exp_m1();
        let entries = (ahead + after + beyond) / self.total() - lead + 0.5 - energy.half_sample();
        entries / energy.rate_hz + energy.ringing.delay_s
    }
}

/// More points than this don't change a slope.
const MOST_POINTS: usize = 400;

/// A decay curve for a figure: seconds after the direct sound, and energy relative to the start.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct DecayCurve {
    /// Seconds after the direct sound.
    pub time_s: Vec<f64>,
    /// Energy still to come, relative to that at time 0.
    pub energy: Vec<f64>,
    /// That at time 0, in pressure² · s: what `energy` refers to.
    pub start: f64,
    /// Whether the curve ends where noise comes into what is still to come; else it ends 10 dB above what the record cut
    /// off.
    pub meets_noise: bool,
}
