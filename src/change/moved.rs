//! Did a microphone or the loudspeaker move between the states?

use super::exchange::exchanged;
use super::jointly_fitted::JointlyFitted;
use super::shape::{ModePair, SLACK, disagreement};
use super::unmoved;
use super::view::{Common, DECAY_SD, Resonance, SAME_ARRIVAL_S};
use crate::mean::median;

/// Misfit over its expectation from which shapes don't agree, and by how much one place less must better it. Our own
/// choice, as are the others here.
const DISAGREE: f64 = 3.0;
const BETTER: f64 = 0.3;
/// Share of the modes whose residues changed without a decay to show for it, from which the loudspeaker moved.
const MANY: f64 = 0.6;

/// Residues changed if their common factor is off one by this much, and by so many sd.
const CHANGED: (f64, f64) = (0.15, 4.0);
/// Their factors have no smooth course if neighbours differ by more than this share.
const ROUGH: f64 = 0.2;
/// A decay stayed within this (ln), or three sd.
const SAME_DECAY: f64 = 0.05;

/// A mode is away from a unit if the unit changes its shape by less than this share.
const AWAY: f64 = 0.06;

/// What moved.
#[derive(Debug, Clone, Default)]
pub(super) struct Moved {
    /// For each common place.
    pub microphones: Vec<bool>,
    /// The loudspeaker.
    pub loudspeaker: bool,
    /// For each common place, whether its file and that of another seem exchanged; it counts among the microphones too.
    pub exchanged: Vec<bool>,
}

/// Judges by arrivals (where the emission is known), by gains that are off, and by residues.
pub(super) fn moved(
    places: &[Common<'_>],
    gain_off: &[bool],
    old: &[Resonance],
    new: &[Resonance],
    partners: &[Option<usize>],
    jointly_fitted: &[JointlyFitted<'_>],
) -> Moved {
    let pairs: Vec<(&Resonance, &Resonance)> = partners
        .iter()
        .enumerate()
        .filter_map(|(i, j)| Some((&old[i], &new[(*j)?])))
        .filter(|(a, b)| a.log_sd() < DECAY_SD && b.log_sd() < DECAY_SD)
        .collect();
    // What a unit works on says nothing about microphones; the modes away from it must.
    let mixed = |r: &Resonance| jointly_fitted.iter().map(|t| t.mixes(r.pole.im)).sum::<f64>();
    let own = |r: &Resonance| jointly_fitted.iter().any(|t| t.facts.mode == r.index);
    let away = |(a, b): &(&Resonance, &Resonance)| !own(a) && mixed(b) < AWAY && mixed(a) < AWAY;
    // Modes near to each other are mixed by a unit however far from it.
    let mixed_near = |r: &Resonance| {
        let others = old.iter().filter(|other| other.index != r.index);
        let apart = others.map(|other| (other.pole.im - r.pole.im).abs()).fold(f64::INFINITY, f64::min);
        jointly_fitted.iter().map(|t| t.mixes_neighbours(r.pole.im, apart)).sum::<f64>()
    };
    let pair = |(before, after)| ModePair {
        before,
        after,
        slack: SLACK.hypot(mixed(before)).hypot(mixed_near(before)),
    };
    let pairs: Vec<ModePair<'_>> = pairs.into_iter().filter(away).map(pair).collect();
    let stayed = unmoved::kept(places);
    let order = exchanged(places, &pairs, &stayed);
    let exchanged: Vec<bool> = order.iter().enumerate().map(|(m, from)| m != *from).collect();
    // What is exchanged says nothing of what moved.
    let late = |p: &Common<'_>| p.arrival_off_s.is_some_and(|off| off.abs() > SAME_ARRIVAL_S);
    let arrivals: Vec<bool> = places.iter().zip(&exchanged).map(|(p, other)| !other && late(p)).collect();
    let count = arrivals.iter().filter(|off| **off).count();
    // One thing that moved explains many arrivals better than many things do.
    let by_arrival =
        count >= 3 && 2 * count > places.len() - exchanged.iter().filter(|other| **other).count();
    let loudspeaker = by_arrival || by_residues(&pairs, &exchanged);
    let mut microphones: Vec<bool> =
        gain_off.iter().zip(&exchanged).map(|(off, other)| *off || *other).collect();
    if !by_arrival {
        microphones.iter_mut().zip(&arrivals).for_each(|(m, off)| *m |= off);
    }
    if pairs.len() >= 3 {
        outliers(&pairs, &mut microphones, &stayed);
    }
    Moved { microphones, loudspeaker, exchanged }
}

/// Marks one place at a time as long as the rest then agrees much better. Close to a unit the room's own
/// shapes change; a place whose response `stayed` above the modes did not move.
fn outliers(pairs: &[ModePair<'_>], marked: &mut [bool], stayed: &[bool]) {
    loop {
        let Some(all) = disagreement(pairs, marked) else { return };
        let left = marked.iter().filter(|m| !**m).count();
        if all < DISAGREE || left < 3 {
            return;
        }
        let without = |m: &usize| {
            let mut fewer = marked.to_vec();
            fewer[*m] = true;
            disagreement(pairs, &fewer).unwrap_or(f64::INFINITY)
        };
        let candidates = (0..marked.len()).filter(|m| !marked[*m] && !stayed[*m]);
        let scored = candidates.map(|m| (m, without(&m)));
        match scored.min_by(|a, b| a.1.total_cmp(&b.1)) {
            Some((m, rest)) if rest < BETTER * all => marked[m] = true,
            _ => return,
        }
    }
}

/// A loudspeaker elsewhere drives each mode by another amount, with no smooth course over frequency,
/// and leaves every decay alone.
fn by_residues(pairs: &[ModePair<'_>], without: &[bool]) -> bool {
    let factors: Vec<_> = pairs.iter().filter_map(|pair| pair.ratio(without)).collect();
    if factors.len() < 5 {
        return false;
    }
    let changed = |f: &&super::shape::ResidueRatio| {
        let off = (f.value - 1.0).norm();
        off > CHANGED.0 && off > CHANGED.1 * f.variance.sqrt()
    };
    let steps: Vec<f64> = factors
        .windows(2)
        .map(|w| 2.0 * (w[1].value - w[0].value).norm() / (w[0].value.norm() + w[1].value.norm()))
        .collect();
    let rough = median(steps).is_some_and(|step| step > ROUGH);
    let same_decay = pairs.iter().filter(|pair| {
        let change = (pair.after.decay() / pair.before.decay()).ln().abs();
        change < SAME_DECAY.max(3.0 * pair.before.log_sd().hypot(pair.after.log_sd()))
    });
    let decays_stay = 2 * same_decay.count() > pairs.len();
    let many = factors.iter().filter(changed).count() as f64 > MANY * factors.len() as f64;
    many && rough && decays_stay
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::change::PlaceFacts;
    use rustfft::num_complex::Complex64;

    /// Residues of six modes at three places, each times its factor.
    fn by_factors(factors: [f64; 6]) -> bool {
        let mode = |k: usize, factor: f64| {
            let pole = Complex64::new(-4.0, 250.0 + 40.0 * k as f64);
            Resonance::known(pole, &[(Complex64::from(factor), 1e-6); 3])
        };
        let both: Vec<(Resonance, Resonance)> =
            factors.iter().enumerate().map(|(k, factor)| (mode(k, 1.0), mode(k, *factor))).collect();
        by_residues(&ModePair::of(&both), &[])
    }

    /// Neighbours a tenth apart are a smooth course whatever the gain; a half and more is none.
    #[test]
    fn a_smooth_course_is_no_loudspeaker_s_at_any_gain() {
        for gain in [0.1, 1.0, 10.0] {
            assert!(!by_factors([1.3, 1.43, 1.3, 1.43, 1.3, 1.43].map(|f| gain * f)), "{gain}");
            assert!(by_factors([1.3, 2.2, 1.3, 2.2, 1.3, 2.2].map(|f| gain * f)), "{gain}");
        }
    }

    /// Which of five places `signs` marks: each mode's residues after are those before times its signs.
    fn marked(signs: [[f64; 5]; 4]) -> [bool; 5] {
        let mode = |signs: [f64; 5]| {
            Resonance::known(Complex64::new(-4.0, 250.0), &signs.map(|sign| (Complex64::from(sign), 1e-6)))
        };
        let both: Vec<(Resonance, Resonance)> =
            signs.iter().map(|signs| (mode([1.0; 5]), mode(*signs))).collect();
        let mut marked = [false; 5];
        outliers(&ModePair::of(&both), &mut marked, &[false; 5]);
        marked
    }

    /// A microphone is named where the rest agrees without it; where no single one explains it, none is.
    #[test]
    fn a_place_is_marked_where_the_rest_agrees() {
        assert_eq!(marked([[1.0, 1.0, -1.0, 1.0, 1.0]; 4]), [false, false, true, false, false]);
        let shapes = [
            [1.0, -1.0, 1.0, -1.0, 1.0],
            [-1.0, -1.0, 1.0, 1.0, 1.0],
            [1.0, -1.0, -1.0, 1.0, -1.0],
            [1.0, 1.0, -1.0, -1.0, -1.0],
        ];
        assert_eq!(marked(shapes), [false; 5]);
    }

    /// Three arrivals of four that are off are the loudspeaker's; one is its microphone's.
    #[test]
    fn many_arrivals_are_the_loudspeaker_s() {
        let facts = PlaceFacts::plain();
        let told = |off_s: [f64; 4]| {
            let common = |off_s: f64| Common {
                before: &facts,
                after: &facts,
                indices: (0, 0),
                shift_s: 0.0,
                arrival_off_s: Some(off_s),
            };
            moved(&off_s.map(common), &[false; 4], &[], &[], &[], &[])
        };
        let many = told([0.001, 0.001, 0.002, 0.0]);
        assert!(many.loudspeaker && many.microphones == [false; 4], "{many:?}");
        let one = told([0.0, 0.001, 0.0, 0.0]);
        assert!(!one.loudspeaker && one.microphones == [false, true, false, false], "{one:?}");
    }

    /// Residues 1 and 2 that become 1 and 4 are off their best ratio, 9/5, by 0.8 over (1.8 · 0.03)² · 2.5; twice that is the
    /// misfit, over two degrees of freedom.
    #[test]
    fn disagreement_is_misfit_by_degree_of_freedom() {
        let of = |values: [f64; 2]| {
            let pole = Complex64::new(-4.0, 250.0);
            Resonance::known(pole, &values.map(|value| (Complex64::from(value), 1e-12)))
        };
        let found = disagreement(&ModePair::of(&[(of([1.0, 2.0]), of([1.0, 4.0]))]), &[false; 2]).unwrap();
        assert!((found * (1.8_f64 * 0.03).powi(2) * 2.5 / 0.8 - 1.0).abs() < 1e-6, "{found}");
    }
}
