//! The integrated decay curve: noise taken off, ended at the crossing, the tail added.

use super::knee::{Energies, Knee};
use super::line::{Line, Range};
use crate::filter::Backward;
use crate::flag::{Flag, Flags};

/// Shortest interval over which a mean square is taken, s (Lundeby et al. 1995: 10 to 50 ms).
const LEAST_INTERVAL_S: f64 = 0.010;
/// Points at most that a line is fitted to; the curve is smooth, more add nothing but time.
const MOST_POINTS: usize = 400;

/// Energy still to come at each sample, up to the crossing.
pub(super) struct Integral<'a> {
    energies: Energies<'a>,
    knee: Knee,
    rate_hz: f64,
    tail: f64,
    peak: f64,
}

/// A decay curve for a figure: seconds after the direct sound, and energy relative to the start.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct DecayCurve {
    /// Seconds after the direct sound.
    pub time_s: Vec<f64>,
    /// Energy still to come, relative to that at time 0.
    pub energy: Vec<f64>,
}

impl<'a> Integral<'a> {
    /// The integral of one band; `None` where no decay stands out of the noise.
    pub fn of(backward: &Backward<'a>) -> Option<Self> {
        let channel = backward.channel;
        let guard = 2.0 * channel.ringing.delay_s;
        Self::new(backward.to_come, backward.zero, channel.rate_hz, (channel.band.bandwidth_hz(), guard))
    }

    /// The integral of sums `to_come` at `rate_hz`; `guard_s` is left out at the end.
    pub fn new(
        to_come: &'a [f64],
        zero: usize,
        rate_hz: f64,
        (bandwidth_hz, guard_s): (f64, f64),
    ) -> Option<Self> {
        let interval = ((2.0 / bandwidth_hz).max(LEAST_INTERVAL_S) * rate_hz).ceil() as usize;
        let end = (to_come.len() - 1).saturating_sub((guard_s * rate_hz).ceil() as usize);
        let energies = Energies { to_come, zero, end, interval };
        let knee = energies.knee()?;
        // Σ over all later samples of a geometric decay that stands at `left`.
        let tail = knee.left / -(-knee.rate).exp_m1();
        let peak = energies.peak();
        Some(Self { energies, knee, rate_hz, tail, peak }).filter(|integral| integral.at(zero) > 0.0)
    }

    /// Energy still to come at sample `k`, noise taken off.
    pub fn at(&self, k: usize) -> f64 {
        let sums = self.energies.to_come;
        let crossing = self.knee.crossing;
        if k >= crossing {
            return self.tail * (-self.knee.rate * (k - crossing) as f64).exp();
        }
        sums[k] - sums[crossing] - self.knee.floor * (crossing - k) as f64 + self.tail
    }

    /// Energy before the direct sound (the reversed filter's ringing of it), noise taken off.
    pub fn before_zero(&self) -> f64 {
        let (sums, zero) = (self.energies.to_come, self.energies.zero);
        (sums[0] - sums[zero] - self.knee.floor * zero as f64).max(0.0)
    }

    /// Index of the direct sound.
    pub fn zero(&self) -> usize {
        self.energies.zero
    }

    /// Index of the crossing.
    pub fn crossing(&self) -> usize {
        self.knee.crossing
    }

    /// Decay of energy per second under the late slope.
    pub fn late_rate_per_s(&self) -> f64 {
        self.knee.rate * self.rate_hz
    }

    /// Energy that lies behind the crossing by the late slope.
    pub fn tail(&self) -> f64 {
        self.tail
    }

    /// Largest mean square over one interval against that of the noise.
    pub fn peak_to_noise(&self) -> Result<f64, Flag> {
        if self.knee.ceiling > 0.0 { Ok(self.peak / self.knee.ceiling) } else { Err(Flag::NoFloor) }
    }

    /// Fall of the curve to the crossing.
    pub fn range(&self) -> f64 {
        self.at(self.zero()) / self.tail.max(f64::MIN_POSITIVE)
    }

    /// Remarks on how the curve ends.
    pub fn flags(&self) -> Flags {
        let ends_early = (self.knee.floor <= 0.0).then_some(Flag::EndsInDecay);
        ends_early.into_iter().collect()
    }

    /// The least-squares line over a range of the curve.
    pub fn line(&self, range: Range) -> Result<Line, Flag> {
        let start = self.at(self.zero());
        let (high, low) = range.energies();
        let first = self.first_under(start * high, self.zero()).ok_or(range.too_low())?;
        let last = self.first_under(start * low, first).ok_or(range.too_low())?;
        let step = ((last - first) / MOST_POINTS).max(1);
        let points: Vec<(f64, f64)> = (first..=last)
            .step_by(step)
            .map(|k| (k as f64 / self.rate_hz, (self.at(k) / start).ln()))
            .collect();
        Line::through(&points).ok_or(range.too_low())
    }

    /// First sample from `from` on at which the curve lies at or under `energy`, before the crossing.
    fn first_under(&self, energy: f64, from: usize) -> Option<usize> {
        let crossing = self.knee.crossing;
        let step = 16;
        let near = (from..crossing).step_by(step).find(|k| self.at(*k) <= energy);
        let near = near.unwrap_or(crossing - 1);
        (near.saturating_sub(step).max(from)..=near).find(|k| self.at(*k) <= energy)
    }

    /// The curve thinned to at most `points`.
    pub fn thinned(&self, points: usize) -> DecayCurve {
        let (zero, crossing) = (self.zero(), self.knee.crossing);
        let start = self.at(zero);
        let step = ((crossing - zero) / points.max(1)).max(1);
        let indices = (zero..crossing).step_by(step);
        DecayCurve {
            time_s: indices.clone().map(|k| (k - zero) as f64 / self.rate_hz).collect(),
            energy: indices.map(|k| self.at(k) / start).collect(),
        }
    }
}
