//! Which resonance after is which before: one to one, over all at once.
//!
//! Every pair has a likelihood that the two are one mode (nearness of frequency once the common factor
//! is out, of decay, and of shape, each with a wide tail for a mode that was treated), held against
//! "one went, another came". The assignment with the greatest product wins (Kuhn 1955, Munkres 1957).

use super::shape::{both, mac};
use super::view::Resonance;
use crate::matching::Costs;
use crate::modes::Kind;
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;

/// Model error of a frequency once the common factor is out, relative (own choice).
const FREQUENCY_SLACK: f64 = 1e-3;
/// A treated mode moves by this much, hertz (one sd): half the split of a strong unit (own choice).
const TREATED_HZ: f64 = 2.0;
/// Prior probability that a mode is treated (own choice).
const TREATED: f64 = 0.15;
/// Treated decays differ by this much (one sd of ln): a factor of two (own choice).
const TREATED_LOG_DECAY: f64 = 0.8;
/// Prior probability that a mode disappears, and prior density of unrelated new poles, per hertz (own choice).
const GOES: f64 = 0.05;
const COMES_PER_HZ: f64 = 0.02;
/// Change of shape that treatment makes, in units of 1 − MAC (own choice).
const SHAPE_SLACK: f64 = 0.03;
/// Prior probability that a shape changes by more than that (own choice).
const RESHAPED: f64 = 0.2;
/// Beyond this no treatment moves a mode, hertz (own choice).
const FARTHEST_HZ: f64 = 9.0;

/// For each resonance before, its partner after.
///
/// `log_drift`: ln of the factor that all frequencies share, after over before.
pub(super) fn pair(old: &[Resonance], new: &[Resonance], log_drift: f64) -> Vec<Option<usize>> {
    if old.is_empty() {
        return Vec::new();
    }
    let cost = |nats: f64| (nats * 1e6).round() as i64;
    let alone = cost(-GOES.ln() - COMES_PER_HZ.ln());
    let never = cost(1e5);
    // Each resonance has a column of its own for "no partner".
    let costs = Costs::new(old.len(), new.len() + old.len(), |i, j| match new.get(j) {
        Some(after) => unlikeness(&old[i], after, log_drift).map_or(never, cost),
        None if j == new.len() + i => alone,
        None => never,
    });
    costs.least().into_iter().map(|j| (j < new.len()).then_some(j)).collect()
}

/// −ln of the likelihood that the two are one mode; `None` where that can't be.
fn unlikeness(before: &Resonance, after: &Resonance, log_drift: f64) -> Option<f64> {
    if before.kind == Kind::Loudspeaker || after.kind == Kind::Loudspeaker {
        return None;
    }
    let off_hz = after.hz() * (-log_drift).exp() - before.hz();
    if off_hz.is_nan() || off_hz.abs() >= FARTHEST_HZ {
        return None;
    }
    let sd_hz = before.omega_sd.hypot(after.omega_sd) / (2.0 * PI);
    let near_hz = sd_hz.hypot(FREQUENCY_SLACK * before.hz());
    let frequency = (1.0 - TREATED) * normal_density(off_hz, near_hz)
        + TREATED * normal_density(off_hz, near_hz.hypot(TREATED_HZ));
    let log = (after.decay() / before.decay()).ln();
    let sd = before.log_sd().hypot(after.log_sd());
    let decay = (1.0 - TREATED) * normal_density(log, sd.hypot(0.03))
        + TREATED * normal_density(log, sd.hypot(TREATED_LOG_DECAY));
    // Decays of unrelated modes of one room differ by about a factor e, untreated ones by 3 % (own choice).
    let total = frequency * decay / normal_density(log, 1.0) * shape_likelihood(before, after);
    total.is_finite().then(|| -total.max(f64::MIN_POSITIVE).ln())
}

fn normal_density(x: f64, sd: f64) -> f64 {
    (-0.5 * (x / sd).powi(2)).exp() / (sd * (2.0 * PI).sqrt())
}

/// Likelihood of the shapes' mismatch if they are one, over that of unrelated shapes.
///
/// 1 − MAC of unrelated real shapes over n places is beta((n − 1)/2, 1/2); of one shape with errors a
/// gamma with the same start and the mean that noise and slack make.
fn shape_likelihood(before: &Resonance, after: &Resonance) -> f64 {
    let Some(alike) = mac(before, after) else { return 1.0 };
    let (mut squares, mut errors, mut n) = ((0.0, 0.0), (0.0, 0.0), 0.0);
    for (_, a, b) in both(before, after) {
        squares = (squares.0 + a.value.norm_sqr(), squares.1 + b.value.norm_sqr());
        errors = (errors.0 + a.variance, errors.1 + b.variance);
        n += 1.0;
    }
    let half = 0.5 * (n - 1.0);
    let mean = SHAPE_SLACK + (errors.0 / squares.0 + errors.1 / squares.1) * (n - 1.0) / n;
    let scale = mean / half;
    let off = 1.0 - alike;
    let beta = ln_gamma(half) + ln_gamma(0.5) - ln_gamma(half + 0.5);
    let ratio = beta - ln_gamma(half) - half * scale.ln() - off / scale + 0.5 * alike.max(1e-9).ln();
    (1.0 - RESHAPED) * ratio.exp() + RESHAPED
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustfft::num_complex::Complex64;

    /// Equal shapes at three places: the beta function of 1 and ½ over the scale, 2/scale; the scale is the slack and two thirds
    /// of the relative squared errors, 0.03/3 and 0.12/12.
    #[test]
    fn equal_shapes_have_the_likelihood_by_hand() {
        let of = |size: f64, variance: f64| {
            let residues = [1.0, -1.0, 1.0].map(|sign| (Complex64::from(sign * size), variance));
            Resonance::known(Complex64::new(-4.0, 250.0), &residues)
        };
        let scale = SHAPE_SLACK + 2.0 / 3.0 * (0.03 / 3.0 + 0.12 / 12.0);
        let expected = (1.0 - RESHAPED) * 2.0 / scale + RESHAPED;
        let found = shape_likelihood(&of(1.0, 0.01), &of(2.0, 0.04));
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    }
}
