//! How well the states repeat: single takes against each other.

use super::facts::StateFacts;
use crate::mean::median;
use crate::modes::{Kind, Mode, ModeSet};
use statrs::distribution::{Binomial, DiscreteCDF};

/// What single takes of the two states say of the standard deviations that the fit claims.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Repeats {
    /// By what factor takes of one state scatter more than their own standard deviations claim.
    pub scatter: f64,
    /// What intervals are widened by: the scatter where chance doesn't explain it, else one.
    pub widening: f64,
}

/// Median of χ² with one degree of freedom.
const MEDIAN_CHI_SQUARE: f64 = 0.4549;
/// Fewer pairs say nothing about a median.
const FEWEST: usize = 3;
/// Chance that pairs which scatter no more than they claim seem to: half the pairs of a mode lie over the median.
const CHANCE: f64 = 0.05;

impl Repeats {
    /// Over all modes that all takes of a state have (nearest within half a hertz), both states' pairs together: two or
    /// three takes say little about a single mode. `None` without repeats.
    pub fn of(states: [&StateFacts<'_>; 2]) -> Option<Self> {
        Self::from(states.into_iter().flat_map(|state| squares(&state.repeats)).collect())
    }

    /// Over the modes that all of one state's takes have.
    pub fn of_takes(takes: &[&ModeSet]) -> Option<Self> {
        Self::from(squares(takes))
    }

    fn from(mut squares: Vec<f64>) -> Option<Self> {
        squares.retain(|s| s.is_finite());
        if squares.len() < FEWEST {
            return None;
        }
        let over = squares.iter().filter(|s| **s > MEDIAN_CHI_SQUARE).count();
        // P(X ≥ over) = P(X > over − 1).
        let by_chance = match over {
            0 => 1.0,
            _ => Binomial::new(0.5, squares.len() as u64).map_or(1.0, |pairs| pairs.sf(over as u64 - 1)),
        };
        let scatter = (median(squares)? / MEDIAN_CHI_SQUARE).sqrt();
        Some(Self { scatter, widening: if by_chance < CHANCE { scatter.max(1.0) } else { 1.0 } })
    }
}

/// Squared differences of all takes' modes over their expected variances.
fn squares(takes: &[&ModeSet]) -> Vec<f64> {
    let mut squares = Vec::new();
    for (n, first) in takes.iter().enumerate() {
        for second in &takes[n + 1..] {
            for a in first.modes.iter().filter(|m| m.kind == Kind::Mode) {
                squares.extend(nearest(a, &second.modes).map(|b| square(a, b)));
            }
        }
    }
    squares
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

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    /// Squares of so many normal deviates, times a factor: the quantiles at the middle of equal parts.
    fn squares(count: usize, factor: f64) -> Vec<f64> {
        let normal = Normal::standard();
        (0..count).map(|i| (factor * normal.inverse_cdf((i as f64 + 0.5) / count as f64)).powi(2)).collect()
    }

    #[test]
    fn scatter_as_claimed_widens_nothing_and_more_does() {
        let as_claimed = Repeats::from(squares(40, 1.0)).unwrap();
        assert!((as_claimed.scatter - 1.0).abs() < 0.05 && as_claimed.widening == 1.0, "{as_claimed:?}");
        let twice = Repeats::from(squares(40, 2.0)).unwrap();
        assert!((twice.scatter - 2.0).abs() < 0.1 && twice.widening == twice.scatter, "{twice:?}");
        // Of eight pairs five over the median are chance.
        let few = Repeats::from(squares(8, 1.3)).unwrap();
        assert!(few.scatter > 1.2 && few.widening == 1.0, "{few:?}");
        assert_eq!(Repeats::from(vec![9.0, 9.0, f64::NAN]), None);
    }
}
