//! Room or measuring chain: the likelihood ratio of a filter, from the neighbouring modes.
//!
//! A filter in the chain multiplies every position by the same E(ω). To turn a mode's pole z into another pole p, E must
//! contain (s − z)/(s − p): then it also multiplies the residues of every *other* mode by E at that mode's pole, a known
//! complex number. A damper in the room leaves those residues alone. So each neighbouring mode contributes to the
//! log-likelihood ratio, weighted by how well its own residues are known; this works from one position up.

use super::shape::{ResidueRatio, residue_ratio};
use super::view::{DECAY_SD, Resonance};
use rustfft::num_complex::Complex64;

/// Neighbours farther away than this hardly feel the filter, hertz. Our own choice.
const REACH_HZ: f64 = 80.0;
/// What the room itself does to the neighbours' residues, relative (units couple modes a little). Our own choice.
const SLACK: f64 = 0.02;
/// What a unit does to its neighbours, in units of what the filter would: it drives them too, and through it they take on
/// some of the treated mode's shape. With couplings g, h and a distance Δω each such part is of the size gh/Δω², and so is
/// the filter's effect (second-order perturbation of coupled oscillators); there are up to three, of either sign.
const BY_UNIT: f64 = 1.5;
/// Shift of the origin between states that arrivals can't exclude, seconds. Our own choice.
const ORIGIN_SD_S: f64 = 5e-5;

/// One neighbouring mode before and after, and the ratio of its residues.
#[derive(Debug, Clone, Copy)]
pub(super) struct NeighbourRatio {
    /// Index of the mode before.
    pub before: usize,
    /// Pole after.
    pub pole: Complex64,
    /// Its residues after over those before.
    pub ratio: ResidueRatio,
}

/// The modes that have one partner and are known well, with the ratios of their residues.
pub(super) fn witnesses(
    old: &[Resonance],
    new: &[Resonance],
    partners: &[Option<usize>],
    moved: &[bool],
) -> Vec<NeighbourRatio> {
    let mut witnesses = Vec::new();
    for (before, partner) in partners.iter().enumerate() {
        let Some(after) = partner.map(|j| &new[j]) else { continue };
        if old[before].log_sd() > DECAY_SD || after.log_sd() > DECAY_SD {
            continue;
        }
        if let Some(ratio) = residue_ratio(&old[before], after, SLACK, moved) {
            // A mode whose shape changed tells less: its variance grows as one ratio fits it worse than chance explains.
            let excess = if ratio.freedom > 0 { ratio.misfit / ratio.freedom as f64 } else { 1.0 };
            let variance = ratio.variance * excess.max(1.0);
            witnesses.push(NeighbourRatio {
                before,
                pole: after.pole,
                ratio: ResidueRatio { variance, ..ratio },
            });
        }
    }
    witnesses
}

/// Log-likelihood ratios of a filter.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct TransferEvidence {
    /// Against no change of the chain and none by a unit.
    pub for_filter: f64,
    /// Against a unit in the room, which changes the neighbours too, but not by the filter's ratios.
    pub over_unit: f64,
}

impl TransferEvidence {
    /// Whether a filter is so much likelier than anything in the room.
    pub fn is_filter(self, from: f64) -> bool {
        self.for_filter >= from && self.over_unit >= from
    }
}

/// Log-likelihood ratio of the filter `transfer` (its value for a mode, given index and pole) against none; mode `but` is
/// excluded.
///
/// `gain_sd`: of ln of the gain that was removed.
pub(super) fn log_likelihood_ratio(
    witnesses: &[NeighbourRatio],
    transfer: impl Fn(usize, Complex64) -> Complex64,
    but: Option<usize>,
    centre: Complex64,
    gain_sd: f64,
) -> TransferEvidence {
    let reach = 2.0 * std::f64::consts::PI * REACH_HZ;
    let near = |w: &&NeighbourRatio| Some(w.before) != but && (w.pole.im - centre.im).abs() < reach;
    let chosen: Vec<&NeighbourRatio> = witnesses.iter().filter(near).collect();
    let expected = |filter: bool, w: &NeighbourRatio| {
        if filter { transfer(w.before, w.pole) } else { Complex64::new(1.0, 0.0) }
    };
    let plain = |filter: bool, w: &NeighbourRatio| variance(w, expected(filter, w));
    let misfit = |filter: bool| misfit(&chosen, |w| expected(filter, w), |w| plain(filter, w), gain_sd);
    let (with, without) = (misfit(true), misfit(false));
    // Where neither fits, the errors are larger than assumed, and the ratio is scaled down.
    let scale = (with.min(without) / chosen.len().max(1) as f64).max(1.0);
    let marked =
        |w: &NeighbourRatio| plain(false, w) + (BY_UNIT * (transfer(w.before, w.pole) - 1.0)).norm_sqr();
    let by_unit = self::misfit(&chosen, |w| expected(false, w), marked, gain_sd);
    let wider: f64 = chosen.iter().map(|w| (marked(w) / plain(true, w)).ln()).sum();
    TransferEvidence { for_filter: (without - with) / scale, over_unit: (by_unit - with) / scale + wider }
}

fn variance(witness: &NeighbourRatio, expected: Complex64) -> f64 {
    witness.ratio.variance + SLACK * SLACK * expected.norm_sqr()
}

/// −ln of the likelihood (complex normal, without the variances' own part), with gain and origin free within what is
/// known of them.
fn misfit(
    witnesses: &[&NeighbourRatio],
    expected: impl Fn(&NeighbourRatio) -> Complex64,
    variance: impl Fn(&NeighbourRatio) -> f64,
    gain_sd: f64,
) -> f64 {
    // e = c − h (1 + x − iωτ), x and τ with their own priors: two real unknowns, normal equations.
    let prior = [1.0 / gain_sd.max(1e-4).powi(2), 1.0 / ORIGIN_SD_S.powi(2)];
    let mut matrix = [[0.5 * prior[0], 0.0], [0.0, 0.5 * prior[1]]];
    let mut right = [0.0; 2];
    let mut square = 0.0;
    for w in witnesses {
        let h = expected(w);
        let weight = 1.0 / variance(w);
        let error = w.ratio.value - h;
        let columns = [h, h * Complex64::new(0.0, -w.pole.im)];
        for (r, column) in columns.iter().enumerate() {
            right[r] += weight * (error * column.conj()).re;
            for (c, other) in columns.iter().enumerate() {
                matrix[r][c] += weight * (other * column.conj()).re;
            }
        }
        square += weight * error.norm_sqr();
    }
    let determinant = matrix[0][0] * matrix[1][1] - matrix[0][1] * matrix[1][0];
    let explained = (right[0] * right[0] * matrix[1][1] - 2.0 * right[0] * right[1] * matrix[0][1]
        + right[1] * right[1] * matrix[0][0])
        / determinant;
    square - explained
}

/// The filter that makes pole `from` look like pole `to`.
pub(super) fn replacing(from: Complex64, to: Complex64) -> impl Fn(Complex64) -> Complex64 {
    move |s| (s - from) * (s - from.conj()) / ((s - to) * (s - to.conj()))
}

/// The filter with a pole at `pole` and residue `residue` over a straight wire.
pub(super) fn adding(pole: Complex64, residue: Complex64) -> impl Fn(Complex64) -> Complex64 {
    move |s| 1.0 + residue / (s - pole) + residue.conj() / (s - pole.conj())
}

/// Whether a pole that only the after state has could be a filter's: then its residues are the before state's response at
/// that pole times one factor. Returns the factor and the match (0 to 1).
pub(super) fn filter_residue(old: &[Resonance], pole: &Resonance) -> Option<(Complex64, f64)> {
    let response = |m: usize| -> Option<Complex64> {
        let mut sum = Complex64::default();
        for mode in old {
            let b = mode.residues[m]?.value;
            sum += b / (pole.pole - mode.pole) + b.conj() / (pole.pole - mode.pole.conj());
        }
        Some(sum)
    };
    let (mut top, mut squares) = (Complex64::default(), (0.0, 0.0));
    for (m, residue) in pole.residues.iter().enumerate() {
        let (Some(residue), Some(h)) = (residue, response(m)) else { continue };
        top += residue.value * h.conj();
        squares.0 += h.norm_sqr();
        squares.1 += residue.value.norm_sqr();
    }
    let alike = top.norm_sqr() / (squares.0 * squares.1);
    alike.is_finite().then(|| (top / squares.0, alike))
}

/// The mode that makes most of the before state's response at a pole.
pub(super) fn beside(old: &[Resonance], at: Complex64) -> Option<usize> {
    let part = |mode: &Resonance| {
        let squares: f64 = mode.residues.iter().flatten().map(|s| s.value.norm_sqr()).sum();
        squares / (at - mode.pole).norm_sqr()
    };
    (0..old.len()).max_by(|a, b| part(&old[*a]).total_cmp(&part(&old[*b])))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One witness that is off by r + iy from an expected 1, with the variance v: gain and origin, free within their sds γ and
    /// σ, take their share of either part and leave r²/(v + 2γ²) + y²/(v + 2(σω)²).
    #[test]
    fn gain_and_origin_take_what_they_are_uncertain_by() {
        let (r, y, v, gain_sd, omega) = (0.03, 0.02, 1e-4, 0.02, 300.0);
        let value = Complex64::new(1.0 + r, y);
        let witness = NeighbourRatio {
            before: 0,
            pole: Complex64::new(-4.0, omega),
            ratio: ResidueRatio { value, variance: v, misfit: 0.0, freedom: 0 },
        };
        let found = misfit(&[&witness], |_| Complex64::new(1.0, 0.0), |_| v, gain_sd);
        let expected =
            r * r / (v + 2.0 * gain_sd.powi(2)) + y * y / (v + 2.0 * (ORIGIN_SD_S * omega).powi(2));
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    }

    /// One mode's residues fell by half as the filter has it, the other's stayed: each speaks where the other is left out.
    #[test]
    fn the_mode_in_question_is_no_witness() {
        let witness = |before: usize, value: f64| NeighbourRatio {
            before,
            pole: Complex64::new(-4.0, 250.0 + 60.0 * before as f64),
            ratio: ResidueRatio { value: Complex64::from(value), variance: 1e-3, misfit: 0.0, freedom: 0 },
        };
        let both = [witness(0, 0.5), witness(1, 1.0)];
        let without = |but: usize| {
            let half = |_: usize, _: Complex64| Complex64::from(0.5);
            log_likelihood_ratio(&both, half, Some(but), Complex64::new(-4.0, 280.0), 1e-3).for_filter
        };
        assert!(without(1) > 10.0 && without(0) < -10.0, "{} {}", without(1), without(0));
    }
}
