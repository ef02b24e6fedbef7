//! How well a state repeats: single takes against each other.

use super::facts::StateFacts;
use super::view::median;
use crate::modes::{Kind, Mode};

/// By what factor takes of one state scatter more than their own standard deviations claim.
///
/// Over all modes that all takes have (nearest within half a hertz): the root of the median of
/// squared differences over their expected variance, against 0.4549, the median of χ² with one degree.
/// One pooled number: two or three takes say little about a single mode. `None` without repeats.
pub(super) fn scatter(state: &StateFacts<'_>) -> Option<f64> {
    let mut squares = Vec::new();
    for (n, first) in state.repeats.iter().enumerate() {
        for second in &state.repeats[n + 1..] {
            for a in first.modes.iter().filter(|m| m.kind == Kind::Mode) {
                squares.extend(nearest(a, &second.modes).map(|b| square(a, b)));
            }
        }
    }
    squares.retain(|s| s.is_finite());
    // Fewer say nothing about a median.
    if squares.len() < 3 { None } else { median(squares).map(|m| (m / 0.4549).sqrt()) }
}

fn nearest<'a>(mode: &Mode, among: &'a [Mode]) -> Option<&'a Mode> {
    let distance = |m: &&Mode| (m.omega_per_s - mode.omega_per_s).abs();
    let claimed = among.iter().filter(|m| m.kind == Kind::Mode);
    claimed.min_by(|a, b| distance(a).total_cmp(&distance(b))).filter(|m| distance(m) < std::f64::consts::PI)
}

/// Squared difference of ln δ over its expected variance.
fn square(a: &Mode, b: &Mode) -> f64 {
    let variance = (a.decay_sd_per_s / a.decay_per_s).powi(2) + (b.decay_sd_per_s / b.decay_per_s).powi(2);
    (b.decay_per_s / a.decay_per_s).ln().powi(2) / variance
}
