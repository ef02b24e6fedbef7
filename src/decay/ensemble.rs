//! The ensemble decay: the backward integrals of several places added before a line is drawn.
//!
//! One place's curve in a narrow low band bends with the few modes that it hears; the sum over places is the
//! energy that the room still holds, and bends less (ISO 3382-2:2008 calls it ensemble averaging of decay curves).

use super::crossing::Crossing;
use super::curve::Curve;
use super::energy::Energy;
use super::line::{Line, Range};

/// Points kept of a curve: with 60 dB to the noise, some fifty of them lie in the range of T20.
const POINTS: usize = 128;

/// One band's decay at one place, freed of noise, thin enough to be kept until states are compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    step_s: f64,
    /// ln of the energy still to come, pressure² · s, each `step_s`; ends at or before the noise.
    logs: Vec<f32>,
    /// Late decay of the energy beyond that, 1/s.
    decay_per_s: f64,
}

impl Course {
    /// The course of one band; `None` where the curve doesn't stay above zero.
    pub(super) fn new(energy: &Energy<'_>, crossing: &Crossing, curve: &Curve<'_>) -> Option<Self> {
        let step = crossing.entry.div_ceil(POINTS).max(1);
        let log = |entry: usize| {
            let to_come = curve.at(entry);
            (to_come > 0.0 && to_come.is_finite()).then(|| to_come.ln() as f32)
        };
        let logs: Vec<f32> = (0..=crossing.entry).step_by(step).map(log).collect::<Option<_>>()?;
        (logs.len() > 1).then(|| Self {
            step_s: step as f64 / energy.rate_hz,
            logs,
            decay_per_s: crossing.decay_per_s,
        })
    }

    /// Energy still to come at a time after the direct sound, pressure² · s.
    fn at(&self, time_s: f64) -> f64 {
        let place = time_s / self.step_s;
        let last = self.logs.len() - 1;
        if place >= last as f64 {
            let beyond_s = (place - last as f64) * self.step_s;
            return (f64::from(self.logs[last]) - self.decay_per_s * beyond_s).exp();
        }
        let (index, share) = (place as usize, place.fract());
        let [from, to] = [self.logs[index], self.logs[index + 1]].map(f64::from);
        (from + share * (to - from)).exp()
    }
}

/// T20 of the sum of all groups' integrals, s, and of the sum with each group left out in turn; `None` without a
/// course, or where a sum doesn't fall.
#[must_use]
pub fn ensemble_t20_s(groups: &[Vec<&Course>]) -> Option<(f64, Vec<f64>)> {
    let step_s = groups.iter().flatten().map(|course| course.step_s).reduce(f64::min)?;
    let mut sums = vec![Vec::new(); groups.len() + 1];
    let (high, low) = Range::T20.energies();
    let falls = |sum: &Vec<f64>| sum.last().is_some_and(|last| *last > sum[0] * low);
    // A sum that needs longer than this for 25 dB falls nowhere: the slowest of the curves would have.
    for entry in 0..64 * POINTS {
        let time_s = entry as f64 * step_s;
        let own: Vec<f64> = groups.iter().map(|group| group.iter().map(|c| c.at(time_s)).sum()).collect();
        let total: f64 = own.iter().sum();
        sums[0].push(total);
        for (sum, own) in sums[1..].iter_mut().zip(&own) {
            sum.push(total - own);
        }
        if !sums.iter().any(falls) {
            break;
        }
    }
    let t20_s = |sum: &Vec<f64>| {
        let within = |point: &(f64, f64)| point.1 <= high && point.1 > low;
        let share = sum.iter().enumerate().map(|(k, energy)| (k as f64 * step_s, energy / sum[0]));
        let points: Vec<(f64, f64)> =
            share.filter(within).map(|(time_s, share)| (time_s, share.ln())).collect();
        Some(Line::through(&points).filter(|line| points.len() >= 4 && line.falls())?.time_s())
    };
    Some((t20_s(&sums[0])?, sums[1..].iter().map(t20_s).collect::<Option<_>>()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn course(level: f64, t60_s: f64, length_s: f64) -> Course {
        let decay_per_s = 6.0 * std::f64::consts::LN_10 / t60_s;
        let step_s = length_s / POINTS as f64;
        let log = |k: usize| (level.ln() - decay_per_s * k as f64 * step_s) as f32;
        Course { step_s, logs: (0..=POINTS).map(log).collect(), decay_per_s }
    }

    #[test]
    fn one_exponential_keeps_its_time_also_past_its_end() {
        for length_s in [0.2, 0.9] {
            let one = course(3.0, 0.8, length_s);
            let (all, less) = ensemble_t20_s(&[vec![&one], vec![&one]]).unwrap();
            assert_relative_eq!(all, 0.8, max_relative = 1e-3);
            assert_relative_eq!(less[1], 0.8, max_relative = 1e-3);
        }
        assert!(ensemble_t20_s(&[]).is_none());
    }

    /// Two exponentials of one level: the line through e^(−at) + e^(−bt) from −5 to −25 dB, by least squares over
    /// steps of 0.1 ms, gives 0.9344 s for 0.5 and 1.0 s.
    #[test]
    fn the_sum_of_two_is_the_line_through_their_sum() {
        let (fast, slow) = (course(1.0, 0.5, 0.8), course(1.0, 1.0, 0.8));
        let (together, less) = ensemble_t20_s(&[vec![&fast], vec![&slow]]).unwrap();
        assert_relative_eq!(together, 0.934_4, max_relative = 5e-3);
        assert_relative_eq!(less[0], 1.0, max_relative = 2e-3);
        let loud = course(1e4, 0.5, 0.8);
        let (led, _) = ensemble_t20_s(&[vec![&loud], vec![&slow]]).unwrap();
        assert!(led < 0.52, "the louder place leads: {led}");
    }
}
