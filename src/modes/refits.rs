//! Refits with other, equally good choices: how far they widen each interval, and which resonances they don't find again.
//!
//! On measured rooms the choice of poles moves a value further than noise does, so intervals of one fit
//! are 1.4 to 3 times too small. The variance reported is the fit's own plus the mean square distance of the refits that
//! found the pole, less the distance that is expected because they use less of the record.

use super::collect::pole_of;
use super::pole::Pole;
use super::{Amplitude, Mode, ModeSet};
use crate::flag::Flag;

/// A resonance counts as reproduced only if this share of the refits that start from it still have it …
const REAPPEARS: f64 = 0.7;
/// … and this share of the fits that search for poles anew (some of them in records that end early). Both our own choice.
const FOUND_AGAIN: f64 = 0.3;
/// With one or two places, distances between refits count this much more: nothing there averages out. Our own
/// choice.
const ONE_OR_TWO_PLACES: (usize, f64) = (2, 1.5);
/// From this many refits on the furthest is left out: one of them may have mistaken a neighbour for it. Our own
/// choice.
const ENOUGH: usize = 5;
/// Expected variance of the difference between a refit on less data and the full fit: the difference of their variances
/// (Hausman 1978). It is subtracted from the squared distance, but at most this many variances of the full fit.
const MAX_EXPECTED: f64 = 1.5;

/// Widens the intervals of a fit by its refits and flags what doesn't reappear: in those made `again` from its own poles,
/// and in the searches for poles from nothing. Searches in `whole` records widen intervals as well; those in records that end
/// `early` don't: they scatter for want of data.
pub(super) fn widen_by_refits(set: &mut ModeSet, again: &[ModeSet], whole: &[ModeSet], early: &[&[Pole]]) {
    let refits: Vec<&ModeSet> = again.iter().chain(whole).collect();
    if refits.is_empty() && early.is_empty() {
        return;
    }
    let poles = |refit: &&ModeSet| refit.modes.iter().map(pole_of).collect::<Vec<Pole>>();
    let partners: Vec<Vec<Option<usize>>> = refits.iter().map(|refit| partners(set, &poles(refit))).collect();
    let found_early: Vec<Vec<Option<usize>>> = early.iter().map(|poles| self::partners(set, poles)).collect();
    let factor = if set.places.len() <= ONE_OR_TWO_PLACES.0 { ONE_OR_TWO_PLACES.1 } else { 1.0 };
    let mut widening = Vec::with_capacity(2 * set.modes.len());
    for (j, mode) in set.modes.iter_mut().enumerate() {
        let found: Vec<Option<&Mode>> = refits
            .iter()
            .zip(&partners)
            .map(|(refit, partner)| partner[j].map(|k| &refit.modes[k]))
            .collect();
        let (from_here, from_nothing) = found.split_at(again.len());
        let early = found_early.iter().map(|partner| partner[j].is_some());
        let from_here = from_here.iter().map(Option::is_some);
        let from_nothing = from_nothing.iter().map(Option::is_some).chain(early);
        if share(from_here) < REAPPEARS || share(from_nothing) < FOUND_AGAIN {
            mode.flags.add(Flag::NotReproduced);
        }
        let found: Vec<&Mode> = found.iter().flatten().copied().collect();
        widening.extend(widen(mode, &found, factor));
    }
    let side = widening.len();
    for (i, covariance) in set.covariance.iter_mut().enumerate() {
        *covariance *= widening[i / side] * widening[i % side];
    }
}

/// Share of the refits that have a pole; all of none.
fn share(found: impl Iterator<Item = bool> + Clone) -> f64 {
    let (all, good) = (found.clone().count(), found.filter(|found| *found).count());
    if all == 0 { 1.0 } else { good as f64 / all as f64 }
}

/// Widens one resonance's intervals; by how much those of ω and δ grew.
fn widen(mode: &mut Mode, again: &[&Mode], factor: f64) -> [f64; 2] {
    let own = mode.clone();
    let grown = |value: fn(&Mode) -> f64, sd: fn(&Mode) -> f64| {
        let distances = again.iter().map(|m| (value(m) - value(&own), sd(m).powi(2)));
        let between = between(distances, sd(&own).powi(2), factor);
        (1.0 + between / sd(&own).powi(2).max(f64::MIN_POSITIVE)).sqrt()
    };
    let omega = grown(|m| m.omega_per_s, |m| m.omega_sd_per_s);
    let decay = grown(|m| m.decay_per_s, |m| m.decay_sd_per_s);
    mode.omega_sd_per_s *= omega;
    mode.decay_sd_per_s *= decay;
    for (place, amplitude) in mode.amplitudes.iter_mut().enumerate() {
        let others = again.iter().filter_map(|m| m.amplitudes[place]).collect::<Vec<_>>();
        if let Some(amplitude) = amplitude {
            widen_amplitude(amplitude, &others, factor);
        }
    }
    [omega, decay]
}

fn widen_amplitude(amplitude: &mut Amplitude, again: &[Amplitude], factor: f64) {
    let own = *amplitude;
    let more_re = typical(again.iter().map(|a| a.re - own.re), factor);
    let more_im = typical(again.iter().map(|a| a.im - own.im), factor);
    amplitude.covariance[0] += more_re;
    amplitude.covariance[2] += more_im;
}

/// Variance that the median square distance stands for (0.4549 of χ² with one degree): a refit that has a
/// twin of the pole divides the amplitude between the two, which says nothing of either.
fn typical(distances: impl Iterator<Item = f64>, factor: f64) -> f64 {
    let mut squares: Vec<f64> = distances.map(|d| d * d).collect();
    squares.sort_by(f64::total_cmp);
    squares.get(squares.len() / 2).map_or(0.0, |median| factor * median / 0.4549)
}

/// Variance between refits, from their distances and own variances.
fn between(again: impl Iterator<Item = (f64, f64)>, own: f64, factor: f64) -> f64 {
    let mut squares: Vec<f64> = again
        .map(|(distance, variance)| distance * distance - (variance - own).clamp(0.0, MAX_EXPECTED * own))
        .collect();
    squares.sort_by(f64::total_cmp);
    if squares.len() >= ENOUGH {
        squares.pop();
    }
    let (sum, count) = (squares.iter().sum::<f64>(), squares.len() as f64);
    if count > 0.0 { (factor * (1.0 + 1.0 / count) * sum / count).max(0.0) } else { 0.0 }
}

/// For each resonance the one of a refit that is the same: pairs in rising distance, one to one.
fn partners(set: &ModeSet, refit: &[Pole]) -> Vec<Option<usize>> {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (j, mode) in set.modes.iter().enumerate() {
        for (k, other) in refit.iter().enumerate() {
            let apart = pole_of(mode).distance_per_s(other);
            if apart < reach(mode) {
                pairs.push((apart, j, k));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut partners = vec![None; set.modes.len()];
    let mut taken = vec![false; refit.len()];
    for (_, j, k) in pairs {
        if partners[j].is_none() && !taken[k] {
            partners[j] = Some(k);
            taken[k] = true;
        }
    }
    partners
}

/// How far a refit's pole may lie to be the same, rad/s: a good part of the resonance's width, and at
/// most all of it.
fn reach(mode: &Mode) -> f64 {
    let sd = mode.omega_sd_per_s.max(mode.decay_sd_per_s);
    (0.5 * mode.decay_per_s + 3.0 * sd).min(mode.decay_per_s.max(2.0 * sd.min(3.0)))
}
