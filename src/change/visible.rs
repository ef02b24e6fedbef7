//! Would a mode have been seen, had it been there?

use super::noise::Noise;
use super::view::Resonance;

/// A mode shows if its decay would be known at least this well; the fit claims modes up to 20 %.
const SHOWS: f64 = 0.12;

/// Beyond this overlap with its neighbours a mode may be taken for one of them.
const CROWD: f64 = 0.35;

/// Least relative standard deviation of δ that a mode with residues of these squares can have, alone in its noise.
///
/// (sd/δ)² = 2δ / Σ_m |B_m|²/S_m, S the one-sided density: the Cramér–Rao bound of a damped oscillation
/// with free frequency, decay, magnitude and phase in noise that is flat over its width
/// (Yao & Pandit 1995). `noise`: of each common place at the mode's frequency, in the unit of fs·A.
pub(super) fn bound_log_sd(decay: f64, powers: &[f64], noise: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = powers.iter().zip(noise).filter_map(|(p, s)| Some(p / (*s)?)).collect();
    let ratio: f64 = known.iter().sum();
    (ratio > 0.0 && ratio.is_finite()).then(|| (2.0 * decay / ratio).sqrt())
}

/// Whether `mode` of one state would show in the other if it decayed `faster` times as fast there.
///
/// Neighbours take some of it: `others` within their decay of the mode widen its bound.
pub(super) fn would_show(
    mode: &Resonance,
    faster: f64,
    others: &[Resonance],
    noise: &[Option<f64>],
) -> Option<bool> {
    let powers: Vec<f64> = mode.residues.iter().map(|s| s.map_or(0.0, |s| s.value.norm_sqr())).collect();
    let decay = faster * mode.decay();
    let alone = bound_log_sd(decay, &powers, noise)?;
    let crowd: f64 = others.iter().map(|o| overlap(o, mode, decay)).sum();
    Some(crowd < CROWD && alone * (1.0 + crowd).powi(2) < SHOWS)
}

/// How much of a decay another one imitates, |⟨e^{λt}, e^{μt}⟩|² over both norms.
fn overlap(other: &Resonance, mode: &Resonance, decay: f64) -> f64 {
    let distance = other.pole.im - mode.pole.im;
    let sum = other.decay() + decay;
    4.0 * other.decay() * decay / (sum * sum + distance * distance)
}

/// Noise of each common place, (fs·A)² per hertz.
pub(super) fn residue_noise(
    noises: &[Option<Noise>],
    rates_hz: &[f64],
    gain: f64,
    hz: f64,
) -> Vec<Option<f64>> {
    noises
        .iter()
        .zip(rates_hz)
        .map(|(noise, rate)| noise.as_ref().map(|n| n.at(hz) * rate * rate / (gain * gain)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Squares of 2 and 6 over noise of 1 and 3: √(2 · 4/4) at a decay of 4 1/s; a place whose noise isn't known says
    /// nothing, and nothing at all is no bound.
    #[test]
    fn a_bound_adds_up_the_places_that_are_known() {
        let of = |noise: [Option<f64>; 3]| bound_log_sd(4.0, &[2.0, 6.0, 5.0], &noise);
        assert!((of([Some(1.0), Some(3.0), None]).unwrap() - 2.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(of([None; 3]), None);
        assert_eq!(of([Some(0.0), None, None]), None, "a digital silence");
    }
}
