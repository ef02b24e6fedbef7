//! Were the files of two or three places exchanged between the states?
//!
//! Then neither place agrees with itself, and leaving out one of them mends little; but the shapes of the modes known well agree once
//! each file is held against the other's place.

use super::facts::PlaceFacts;
use super::gain::usable;
use super::shape::{ModePair, disagreement};
use super::view::{Common, Resonance, SAME_ARRIVAL_S};
use crate::mean::median;
use rustfft::num_complex::Complex64;

/// Misfit from which an exchange is looked for, and what is left of it once the files stand right. Our own choice, as are
/// the others here: unrelated shapes come by half of it at most.
const DISAGREE: f64 = 3.0;
const MENDED: f64 = 0.2;
/// Misfit up to which the shapes agree then: they differ by some 15 %.
const AGREE: f64 = 30.0;
/// Fewest modes and places that can tell.
const MODES: usize = 2;
const PLACES: usize = 3;
/// Up to so many places three are tried in a ring (there are n³/3 such rings), and two pairs at once.
const RINGS: usize = 24;
/// Fewest bands above the modes that can speak against an exchange.
const BANDS: usize = 6;

/// For each common place, whose place its file of the after state seems to be: its own where nothing was exchanged.
pub(super) fn exchanged(places: &[Common<'_>], pairs: &[ModePair<'_>], stayed: &[bool]) -> Vec<usize> {
    let own: Vec<usize> = (0..places.len()).collect();
    let Some(as_named) = misfit(places, pairs, &own) else { return own };
    if pairs.len() < MODES || places.len() < PLACES || as_named < DISAGREE {
        return own;
    }
    let free: Vec<usize> = own.iter().copied().filter(|m| !stayed[*m]).collect();
    let (mut order, mut left) = (own.clone(), as_named);
    // Two exchanges may lie side by side; each step must better the whole.
    while let Some((next, better)) = best(places, pairs, &order, &free).filter(|step| step.1 < 0.9 * left) {
        (order, left) = (next, better);
    }
    let needed = own.iter().all(|m| order[*m] == *m || treble_agrees(places, *m, order[*m]));
    if left < AGREE.min(MENDED * as_named) && needed { order } else { own }
}

/// The exchange of two, or of three in a ring, after which the shapes agree best.
fn best(
    places: &[Common<'_>],
    pairs: &[ModePair<'_>],
    order: &[usize],
    free: &[usize],
) -> Option<(Vec<usize>, f64)> {
    let mut found: Option<(Vec<usize>, f64)> = None;
    let mut tried = |next: Vec<usize>| {
        let Some(left) = misfit(places, pairs, &next) else { return };
        if found.as_ref().is_none_or(|best| left < best.1) {
            found = Some((next, left));
        }
    };
    for (i, &a) in free.iter().enumerate() {
        for (j, &b) in free.iter().enumerate().skip(i + 1) {
            let mut two = order.to_vec();
            two.swap(a, b);
            tried(two.clone());
            let rings = if free.len() <= RINGS { &free[j + 1..] } else { &[] };
            for &c in rings {
                for third in [a, b] {
                    let mut three = two.clone();
                    three.swap(third, c);
                    tried(three);
                }
            }
            // Of two pairs each alone mends one place's worth at most: a wrong ring may mend as much.
            let pairs_beside = if free.len() <= RINGS { &free[i + 1..] } else { &[] };
            for (k, &c) in pairs_beside.iter().enumerate().filter(|(_, c)| **c != b) {
                for &d in pairs_beside[k + 1..].iter().filter(|d| **d != b) {
                    let mut four = two.clone();
                    four.swap(c, d);
                    tried(four);
                }
            }
        }
    }
    found
}

/// How little the shapes agree with the after files in this order: the emission of a file in the wrong place was reckoned from
/// that place's distance, or was that of the other files.
fn misfit(places: &[Common<'_>], pairs: &[ModePair<'_>], order: &[usize]) -> Option<f64> {
    let left = |by_distance: bool| {
        let after: Vec<Resonance> =
            pairs.iter().map(|pair| reordered(places, pair.after, order, by_distance)).collect();
        let held: Vec<ModePair<'_>> =
            pairs.iter().zip(&after).map(|(pair, after)| ModePair { after, ..*pair }).collect();
        disagreement(&held, &[])
    };
    left(true).into_iter().chain(left(false)).min_by(f64::total_cmp)
}

/// A resonance after, each residue at the place that its file seems to be of, and referred to that place's origin, which was
/// reckoned from the wrong `by_distance`.
fn reordered(places: &[Common<'_>], after: &Resonance, order: &[usize], by_distance: bool) -> Resonance {
    let usual_s = median(places.iter().map(|p| p.shift_s).collect()).unwrap_or(0.0);
    let at = |(m, from): (usize, &usize)| {
        let mut residue = (*after.residues.get(*from)?)?;
        if m != *from {
            let lead_s = |p: &PlaceFacts<'_>| p.arrival_s - p.origin_s;
            let own_s = lead_s(places[*from].after) - lead_s(places[m].before);
            let other = by_distance && (own_s - usual_s).abs() > SAME_ARRIVAL_S;
            let shift_s = if other { own_s } else { usual_s };
            let turn: Complex64 = (after.pole * (shift_s - places[*from].shift_s)).exp();
            residue.value *= turn;
            residue.variance *= turn.norm_sqr();
        }
        Some(residue)
    };
    Resonance { residues: order.iter().enumerate().map(at).collect(), ..after.clone() }
}

/// Whether the pattern of the bands above the modes doesn't speak against it: it is more alike to that of the other place
/// before than to that of its own.
fn treble_agrees(places: &[Common<'_>], m: usize, from: usize) -> bool {
    let scatter = |before: &PlaceFacts<'_>| {
        let logs: Vec<f64> =
            usable(&before.whole, &places[from].after.whole).iter().map(|(b, a)| (a / b).ln()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len().max(1) as f64;
        let sum = logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
        (logs.len() >= BANDS).then(|| sum / logs.len() as f64)
    };
    match (scatter(places[m].before), scatter(places[from].before)) {
        (Some(other), Some(own)) => other < own,
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Residues of three modes at six places, each 1.3 times as long after; `order`: whose residue each file holds.
    fn found(order: [usize; 6], stayed: [bool; 6]) -> Vec<usize> {
        const SHAPES: [[f64; 6]; 3] = [
            [1.0, -0.8, 0.5, 0.9, -0.3, 0.7],
            [0.9, 0.7, -1.0, 0.4, 0.8, -0.6],
            [-0.5, 1.0, 0.6, -0.9, 0.2, 0.8],
        ];
        let place = PlaceFacts::plain();
        let common = |m: usize| Common {
            before: &place,
            after: &place,
            indices: (m, m),
            shift_s: 0.0,
            arrival_off_s: None,
        };
        let places: Vec<Common<'_>> = (0..6).map(common).collect();
        let of = |values: Vec<f64>, decay: f64| {
            let residues: Vec<(Complex64, f64)> =
                values.iter().map(|v| (Complex64::from(*v), 1e-6)).collect();
            Resonance::known(Complex64::new(-decay, 250.0), &residues)
        };
        let both: Vec<(Resonance, Resonance)> = SHAPES
            .iter()
            .map(|shape| (of(shape.to_vec(), 4.0), of(order.iter().map(|m| shape[*m]).collect(), 5.2)))
            .collect();
        exchanged(&places, &ModePair::of(&both), &stayed)
    }

    /// Pairs, two pairs and rings come out; `found[m]` is where the file of place m is.
    #[test]
    fn what_was_exchanged_is_put_back() {
        let none = [false; 6];
        assert_eq!(found([0, 1, 2, 3, 4, 5], none), [0, 1, 2, 3, 4, 5]);
        assert_eq!(found([1, 0, 2, 3, 4, 5], none), [1, 0, 2, 3, 4, 5]);
        assert_eq!(found([1, 0, 2, 5, 4, 3], none), [1, 0, 2, 5, 4, 3]);
        // Place 1's residue stands in file 0, 2's in 1, 0's in 2.
        assert_eq!(found([1, 2, 0, 3, 4, 5], none), [2, 0, 1, 3, 4, 5]);
        // A place whose treble stayed is what its name says.
        assert_eq!(found([1, 0, 2, 3, 4, 5], [true, false, false, false, false, false]), [0, 1, 2, 3, 4, 5]);
    }
}
