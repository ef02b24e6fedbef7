//! One mode before, two poles after: a tuned absorber splits a mode, and near its best setting the two
//! can't be told apart.

use super::view::Resonance;
use crate::modes::ModeSet;
use rustfft::num_complex::Complex64;

/// Each pole carries at least this share of the mode's shape.
const SHARE: f64 = 0.25;
/// Of the share of the mode's shape that a pole carries, so much at least must follow from where the two poles lie: a unit that
/// takes a quarter of a mode moves it by a third of the poles' distance. Our own choice; two thirds are left for what else
/// moved the mode.
const FOLLOWS: f64 = 0.35;
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
/// `drift`: ln of the factor that temperature moved all frequencies by.
pub(super) fn splits(
    old: &[Resonance],
    new: &[Resonance],
    partners: &[Option<usize>],
    filters: &[usize],
    (set, drift): (&ModeSet, f64),
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
                found.extend(split(old, new, (i, j, k), (set, drift)));
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
    (set, drift): (&ModeSet, f64),
) -> Option<Split> {
    let (slow, fast) = if new[j].decay() <= new[k].decay() { (j, k) } else { (k, j) };
    let known = new[j].log_sd() <= DECAY_SD && new[k].log_sd() <= DECAY_SD;
    let found = Parts::of(&old[before], &new[j], &new[k])?;
    let rest = Some(found.rest).filter(|rest| *rest < 0.5)?;
    let apart_sd = apart(set, &new[j], &new[k])?;
    let here = Complex64::new(old[before].pole.re, old[before].pole.im * drift.exp());
    if apart_sd >= APART_SD && !found.follow_from(here, [new[j].pole, new[k].pole]) {
        return None;
    }
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

/// How much of a mode's shape two poles carry.
struct Parts {
    /// R1·R0*/|R0|² and R2·R0*/|R0|², over all places.
    shares: [Complex64; 2],
    /// |R0 − R1 − R2| over the smaller of |R0 − R1| and |R0 − R2|.
    rest: f64,
}

impl Parts {
    /// `None` unless each of the two carries its share.
    fn of(mode: &Resonance, first: &Resonance, second: &Resonance) -> Option<Self> {
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
        let shares = shares.map(|share| share / sums[0]);
        let carries = sums[0] > 0.0 && shares.iter().all(|share| share.norm() >= SHARE);
        carries.then(|| Self { shares, rest: (sums[3] / sums[1].min(sums[2])).sqrt() })
    }

    /// Whether a unit at a mode of this pole could leave these two poles with such shares. Of two coupled oscillators the
    /// mode's own response exp(At)₁₁ has shares with r1 + r2 = 1 and r1 λ1 + r2 λ2 = A₁₁ = λ0 (its value and its slope at t =
    /// 0), so r2 = (λ0 − λ1)/(λ2 − λ1): a mode that has hardly moved has given little to a pole far away.
    fn follow_from(&self, mode: Complex64, [first, second]: [Complex64; 2]) -> bool {
        let own = [(mode - second) / (first - second), (mode - first) / (second - first)];
        self.shares.iter().zip(own).all(|(found, own)| own.norm() >= FOLLOWS * found.norm())
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;
    use crate::modes::{Kind, Mode};
    use std::f64::consts::TAU;

    const SHAPE: [f64; 4] = [1.0, -0.7, 0.4, 0.9];

    /// A resonance of this frequency, Hz, and decay, 1/s, with so much of the shape.
    fn pole(hz: f64, decay_per_s: f64, share: Complex64) -> Resonance {
        let residues = SHAPE.map(|shape| (share * shape, 1e-8));
        Resonance::known(Complex64::new(-decay_per_s, TAU * hz), &residues)
    }

    /// Only their number counts here.
    fn any_mode() -> Mode {
        Mode {
            kind: Kind::Mode,
            omega_per_s: 1.0,
            decay_per_s: 1.0,
            omega_sd_per_s: 0.1,
            decay_sd_per_s: 0.1,
            amplitudes: Vec::new(),
            flags: Flags::default(),
        }
    }

    /// What splits of a mode of the two after are found, their poles known to 0.1 1/s.
    fn found(mode: Resonance, after: [Resonance; 2]) -> usize {
        let mut set = ModeSet::default();
        let after: Vec<Resonance> =
            after.into_iter().enumerate().map(|(index, pole)| Resonance { index, ..pole }).collect();
        set.covariance = (0..16).map(|i| if i % 5 == 0 { 0.01 } else { 0.0 }).collect();
        set.modes = vec![any_mode(), any_mode()];
        splits(&[mode], &after, &[Some(0)], &[], (&set, 0.0)).len()
    }

    /// A unit of 41 Hz, decay 8 1/s, coupled by 10 1/s to a mode of 40 Hz and 3 1/s: the two poles and their shares in closed
    /// form make a split.
    #[test]
    fn a_unit_splits_its_mode() {
        let (mode, unit) = (Complex64::new(-3.0, TAU * 40.0), Complex64::new(-8.0, TAU * 41.0));
        let (middle, half) = (0.5 * (mode + unit), 0.5 * (mode - unit));
        let root = (half * half - 100.0).sqrt();
        let poles = [middle + root, middle - root];
        let shares = [(mode - poles[1]) / (poles[0] - poles[1]), (mode - poles[0]) / (poles[1] - poles[0])];
        let after = [0, 1].map(|k: usize| pole(poles[k].im / TAU, -poles[k].re, shares[k]));
        assert_eq!(found(pole(40.0, 3.0, 1.0.into()), after), 1);
    }

    /// A mode that moved by 0.15 Hz has no part in a pole 8 Hz away, though that makes up what it lost.
    #[test]
    fn a_pole_far_away_is_another_mode_s() {
        let after = [pole(40.37, 3.53, 0.72.into()), pole(32.16, 10.9, 0.26.into())];
        assert_eq!(found(pole(40.22, 3.26, 1.0.into()), after), 0);
    }
}
