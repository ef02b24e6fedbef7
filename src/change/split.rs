//! One mode before, two poles after: a tuned absorber splits a mode, and near its best setting the two
//! can't be told apart.

use super::view::Resonance;
use crate::modes::ModeSet;
use rustfft::num_complex::Complex64;

/// Each pole carries at least this share of the mode's shape.
const SHARE: f64 = 0.25;
/// Poles closer than this (by their joint covariance) can't be told apart.
pub(super) const APART_SD: f64 = 4.0;
/// Decays worse known than this say nothing about a split.
const DECAY_SD: f64 = 0.15;
/// Another mode before within this many hertz makes it a group, not a split.
const GROUP_HZ: f64 = 0.3;
/// How far from the mode a pole of its split may lie, hertz.
pub(super) const REACH_HZ: f64 = 8.0;

/// Two poles after that make up one mode before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Split {
    /// Index of the mode before.
    pub before: usize,
    /// Index of the slower pole after.
    pub slow: usize,
    /// Index of the faster one.
    pub fast: usize,
    /// Distance in sd of the joint covariance.
    pub apart_sd: f64,
    /// |R0 − R1 − R2| over the smaller of |R0 − R1| and |R0 − R2|: under one half, or it is no split.
    pub rest: f64,
}

/// Looks for splits among the poles that pairing left over and that are no filter's. Better ones first; each pole in one only.
pub(super) fn splits(
    old: &[Resonance],
    new: &[Resonance],
    partners: &[Option<usize>],
    filters: &[usize],
    set: &ModeSet,
) -> Vec<Split> {
    let free = |j: &usize| !partners.contains(&Some(*j)) && !filters.contains(j);
    let mut found = Vec::new();
    for (i, mode) in old.iter().enumerate() {
        let crowded = old.iter().enumerate().any(|(n, o)| n != i && (o.hz() - mode.hz()).abs() < GROUP_HZ);
        if crowded {
            continue;
        }
        let near = |j: &usize| (new[*j].hz() - mode.hz()).abs() < REACH_HZ;
        let left: Vec<usize> = (0..new.len()).filter(free).filter(near).collect();
        let firsts = partners[i].map_or_else(|| left.clone(), |j| vec![j]);
        for &j in &firsts {
            for &k in left.iter().filter(|k| **k != j) {
                found.extend(split(old, new, (i, j, k), set));
            }
        }
    }
    found.sort_by(|a: &Split, b: &Split| a.rest.total_cmp(&b.rest));
    let mut kept: Vec<Split> = Vec::new();
    for candidate in found {
        let taken = |s: &Split| {
            s.before == candidate.before
                || [s.slow, s.fast].iter().any(|j| [candidate.slow, candidate.fast].contains(j))
        };
        if !kept.iter().any(taken) {
            kept.push(candidate);
        }
    }
    kept
}

fn split(
    old: &[Resonance],
    new: &[Resonance],
    (before, j, k): (usize, usize, usize),
    set: &ModeSet,
) -> Option<Split> {
    let (slow, fast) = if new[j].decay() <= new[k].decay() { (j, k) } else { (k, j) };
    let known = new[j].log_sd() <= DECAY_SD && new[k].log_sd() <= DECAY_SD;
    let rest = rest(&old[before], &new[j], &new[k]).filter(|rest| *rest < 0.5)?;
    let apart_sd = apart(set, &new[j], &new[k])?;
    // Two that can't be told apart have wide decays each; their sum is what counts. But then the mode
    // before must be known well, or any two neighbours make it up.
    let merged = apart_sd < APART_SD && sharp(&old[before]);
    (known && apart_sd >= APART_SD || merged).then_some(Split { before, slow, fast, apart_sd, rest })
}

/// Whether a mode's residues are known to a seventh in all.
fn sharp(mode: &Resonance) -> bool {
    let residues = || mode.residues.iter().flatten();
    let (errors, power) =
        (residues().map(|s| s.variance).sum::<f64>(), residues().map(|s| s.value.norm_sqr()).sum::<f64>());
    errors < 0.02 * power
}

/// |R0 − R1 − R2| over the smaller of |R0 − R1| and |R0 − R2|; `None` unless each of the two carries its share.
fn rest(mode: &Resonance, first: &Resonance, second: &Resonance) -> Option<f64> {
    let mut sums = [0.0; 4];
    let mut shares = [Complex64::default(); 2];
    for ((a, b), c) in mode.residues.iter().zip(&first.residues).zip(&second.residues) {
        let (Some(a), Some(b), Some(c)) = (a, b, c) else { continue };
        let (r0, r1, r2) = (a.value, b.value, c.value);
        sums[0] += r0.norm_sqr();
        sums[1] += (r0 - r1).norm_sqr();
        sums[2] += (r0 - r2).norm_sqr();
        sums[3] += (r0 - r1 - r2).norm_sqr();
        shares[0] += r1 * r0.conj();
        shares[1] += r2 * r0.conj();
    }
    let carries = shares.iter().all(|s| s.norm() >= SHARE * sums[0]);
    (sums[0] > 0.0 && carries).then(|| (sums[3] / sums[1].min(sums[2])).sqrt())
}

/// Distance of two poles of one state in sd of their joint covariance.
fn apart(set: &ModeSet, a: &Resonance, b: &Resonance) -> Option<f64> {
    let side = 2 * set.modes.len();
    let covariance = |r: usize, c: usize| set.covariance.get(r * side + c).copied();
    let difference = |r: usize, c: usize| -> Option<f64> {
        let (ar, ac, br, bc) = (2 * a.index + r, 2 * a.index + c, 2 * b.index + r, 2 * b.index + c);
        Some(covariance(ar, ac)? + covariance(br, bc)? - covariance(ar, bc)? - covariance(br, ac)?)
    };
    let (oo, od, dd) = (difference(0, 0)?, difference(0, 1)?, difference(1, 1)?);
    let determinant = oo * dd - od * od;
    let (w, d) = (a.pole.im - b.pole.im, a.decay() - b.decay());
    let square = (dd * w * w - 2.0 * od * w * d + oo * d * d) / determinant;
    (determinant > 0.0 && square.is_finite()).then(|| square.sqrt())
}

/// The one pole that stands for two: least squares of one decay against their sum, over all time and
/// all places.
///
/// Maximises `2δ Σ_m |R1/(λ1 + λ*) + R2/(λ2 + λ*)|²`, the energy that a single decay catches.
pub(super) fn one_pole(first: &Resonance, second: &Resonance) -> Complex64 {
    let residues: Vec<(Complex64, Complex64)> = first
        .residues
        .iter()
        .zip(&second.residues)
        .filter_map(|(a, b)| Some((a.as_ref()?.value, b.as_ref()?.value)))
        .collect();
    let caught = |pole: Complex64| -> f64 {
        let one = |(a, b): &(Complex64, Complex64)| {
            (a / (first.pole + pole.conj()) + b / (second.pole + pole.conj())).norm_sqr()
        };
        -2.0 * pole.re * residues.iter().map(one).sum::<f64>()
    };
    let mut best = 0.5 * (first.pole + second.pole);
    let mut step = 0.5 * (first.pole - second.pole).norm().max(0.1);
    let turns = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
    // A pattern search: the surface is smooth with one summit between the poles.
    for _ in 0..200 {
        let around = turns.map(|(re, im)| best + step * Complex64::new(re, im));
        let damped = around.into_iter().filter(|p| p.re < 0.0);
        match damped.max_by(|a, b| caught(*a).total_cmp(&caught(*b))) {
            Some(next) if caught(next) > caught(best) => best = next,
            _ => step *= 0.5,
        }
        if step < 1e-6 {
            break;
        }
    }
    best
}
