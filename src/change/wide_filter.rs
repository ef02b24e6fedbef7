//! A filter too broad to leave a pole among the modes: an equaliser's shelf or wide bell, a high-pass.
//!
//! What reaches every position alike was changed on the loudspeaker's side: a mode's residues then have one factor at all
//! places, whatever it is. Factors that pass smoothly from mode to mode are a filter's; those of a loudspeaker that stands
//! elsewhere jump, since each mode has another pressure there.

use super::chain::NeighbourRatio;

/// Least modes whose residues changed alike at all places. Our own choice.
const LEAST_MODES: usize = 5;
/// Degrees of freedom that two places beyond the first leave.
const LEAST_FREEDOM: usize = 4;
/// Misfit over its expectation up to which one factor fits all places. Our own choice.
const ALIKE: f64 = 2.0;
/// Share of the modes that must have one factor each, and of the factors that must lie between their neighbours'. Our own choice.
const MOST: f64 = 0.8;
/// How far a factor may lie from what its neighbours have, relative: 1 dB. Our own choice.
const ROUGH: f64 = 0.12;

/// Whether a mode's residues have one factor at all places.
fn is_alike(witness: &NeighbourRatio) -> bool {
    let freedom = witness.ratio.freedom;
    freedom >= LEAST_FREEDOM && witness.ratio.misfit <= ALIKE * freedom as f64
}

fn sd(witness: &NeighbourRatio) -> f64 {
    witness.ratio.variance.sqrt()
}

/// Whether that factor is another than one.
pub(super) fn changed(witness: &NeighbourRatio) -> bool {
    is_alike(witness) && (witness.ratio.value - 1.0).norm() > 3.0 * sd(witness)
}

/// Whether the modes together show such a filter.
pub(super) fn shows(witnesses: &[NeighbourRatio]) -> bool {
    let mut alike: Vec<&NeighbourRatio> = witnesses.iter().filter(|w| is_alike(w)).collect();
    alike.sort_by(|a, b| a.pole.im.total_cmp(&b.pole.im));
    let between: Vec<bool> = alike.windows(3).map(|three| is_between(three[1], three[0], three[2])).collect();
    let most = |count: usize, of: usize| count as f64 >= MOST * of as f64;
    alike.iter().filter(|w| changed(w)).count() >= LEAST_MODES
        && most(alike.len(), witnesses.len())
        && most(between.iter().filter(|is| **is).count(), between.len())
}

/// Whether a factor lies where a straight line between its neighbours' has it.
fn is_between(middle: &NeighbourRatio, below: &NeighbourRatio, above: &NeighbourRatio) -> bool {
    let way = (middle.pole.im - below.pole.im) / (above.pole.im - below.pole.im).max(f64::MIN_POSITIVE);
    let line = below.ratio.value * (1.0 - way) + above.ratio.value * way;
    let sds = [sd(middle), (1.0 - way) * sd(below), way * sd(above)];
    let sd = sds.iter().map(|sd| sd * sd).sum::<f64>().sqrt();
    (middle.ratio.value - line).norm() < 3.0 * sd + ROUGH * line.norm()
}

#[cfg(test)]
mod tests {
    use super::super::shape::ResidueRatio;
    use super::*;
    use rustfft::num_complex::Complex64;

    /// Modes from 40 Hz on, every 6 Hz, six places, known to 3 %.
    fn witnesses(factor: impl Fn(f64) -> Complex64, misfit: f64) -> Vec<NeighbourRatio> {
        let one = |k: usize| {
            let hz = 40.0 + 6.0 * k as f64;
            let value = factor(hz);
            NeighbourRatio {
                before: k,
                pole: Complex64::new(-5.0, 2.0 * std::f64::consts::PI * hz),
                ratio: ResidueRatio { value, variance: 1e-3, misfit, freedom: 10 },
            }
        };
        (0..10).map(one).collect()
    }

    /// A bell of 6 dB over an octave and a half, its phase apart, is smooth; a factor that changes sign from mode to mode is a
    /// loudspeaker's; one that fits the places badly is no filter's; and none at all shows none.
    #[test]
    fn a_smooth_factor_alike_at_all_places_is_a_filter() {
        let bell = |hz: f64| {
            let off = (hz / 65.0 - 65.0 / hz) / 0.7;
            Complex64::from(1.0 + 1.0 / (1.0 + off * off))
        };
        assert!(shows(&witnesses(bell, 10.0)));
        assert!(!shows(&witnesses(bell, 40.0)));
        assert!(!shows(&witnesses(|_| Complex64::from(1.0), 10.0)));
        let jumps = |hz: f64| Complex64::from(1.0 + 0.4 * (std::f64::consts::PI * (hz - 40.0) / 6.0).cos());
        assert!(!shows(&witnesses(jumps, 10.0)));
    }
}
