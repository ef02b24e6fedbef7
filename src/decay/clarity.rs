//! Early against late energy, and the centre of the energy in time (ISO 3382-1:2009, A.10 to A.13).

use super::Value;
use super::curve::Integral;
use crate::filter::Backward;
use crate::flag::Flag;

/// Energies of one band around the direct sound.
///
/// The reversed filter spreads an arrival's energy over the time before it, with its centre one
/// delay early. So what lies before the direct sound belongs to it, and a limit at `t` stands at
/// `t − delay` in the filtered response.
pub(super) struct Clarity<'a, 'b> {
    integral: &'b Integral<'a>,
    to_come: &'a [f64],
    rate_hz: f64,
    delay_s: f64,
    bandwidth_hz: f64,
}

impl<'a, 'b> Clarity<'a, 'b> {
    /// Of a band and its integrated curve.
    pub fn of(backward: &Backward<'a>, integral: &'b Integral<'a>) -> Self {
        let channel = backward.channel;
        Self {
            integral,
            to_come: backward.to_come,
            rate_hz: channel.rate_hz,
            delay_s: channel.ringing.delay_s,
            bandwidth_hz: channel.band.bandwidth_hz(),
        }
    }

    /// Energy of the band: ∫p² dt, noise taken off.
    pub fn energy(&self) -> f64 {
        self.sum() / self.rate_hz
    }

    fn sum(&self) -> f64 {
        self.integral.before_zero() + self.integral.at(self.integral.zero())
    }

    /// Energy up to `limit_s` after the direct sound over the energy after it.
    pub fn ratio(&self, limit_s: f64) -> Value {
        // The filter smears over 1/B or so: a limit within two of it tells of the filter alone.
        if 2.0 / self.bandwidth_hz > limit_s {
            return Err(Flag::FilterLimited);
        }
        let index = self.integral.zero() as f64 + (limit_s - self.delay_s) * self.rate_hz;
        let (whole, part) = (index.floor(), index.fract());
        let at = |k: f64| self.integral.at(k as usize);
        let late = at(whole) * (1.0 - part) + at(whole + 1.0) * part;
        let early = self.sum() - late;
        if late > 0.0 && early > 0.0 { Ok(early / late) } else { Err(Flag::NoDecay) }
    }

    /// Centre of the energy, s after the direct sound.
    pub fn centre_s(&self) -> Value {
        let (zero, crossing) = (self.integral.zero(), self.integral.crossing());
        // Σ over k of k·e(k) is Σ over k ≥ 1 of the energy still to come; before time zero likewise.
        let after: f64 = (zero + 1..crossing).map(|k| self.integral.at(k)).sum();
        let behind = self.integral.tail() * self.rate_hz / self.integral.late_rate_per_s();
        let before: f64 = (1..=zero).map(|k| self.to_come[0] - self.to_come[k]).sum();
        let centre_s = (after + behind - before) / self.sum() / self.rate_hz + self.delay_s;
        if 2.0 / self.bandwidth_hz > centre_s { Err(Flag::FilterLimited) } else { Ok(centre_s) }
    }
}
