//! Several modes and one unit: what a unit makes of modes that lie nearer to each other than it couples.
//!
//! Modes n (ωn, δn) and a unit (ωa, δa) with couplings gn have the poles that solve
//! `(s² + 2δa s + ωa²) Π Dn + s² Σ gn² Π′Dn = 0` with `Dn = s² + 2δn s + ωn²` (own derivation; one mode
//! gives the equation of `coupled`). One pole more than modes, so 2(n + 1) numbers against n + 2
//! unknowns: couplings needn't be known from shapes, and n checks are left over.

use super::coupled::Resonator;
use crate::change::ring_s;
use crate::modes::LN_1000;
use rustfft::num_complex::Complex64;

/// A pole is the target's if it carries at least this share of the target's own response, as a split mode's
/// poles do, or if its shape is mostly the target's.
const SHARE: f64 = 0.25;

/// A mode with its coupling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Coupled {
    pub mode: Resonator,
    /// g², 1/s²; an estimate of nothing may come out below zero.
    pub coupling: f64,
}

/// Modes, the target first, and the unit as it is with all of them taken out.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Group {
    pub modes: Vec<Coupled>,
    pub unit: Resonator,
}

fn quadratic(r: Resonator, s: Complex64) -> Complex64 {
    s * s + 2.0 * r.decay_per_s * s + r.omega_per_s.powi(2)
}

fn slope(r: Resonator, s: Complex64) -> Complex64 {
    2.0 * (s + r.decay_per_s)
}

impl Group {
    /// `U(s) = s² + 2δa s + ωa² + s² Σ gn²/Dn` and its derivative.
    fn load(&self, s: Complex64) -> (Complex64, Complex64) {
        let mut value = quadratic(self.unit, s);
        let mut change = slope(self.unit, s);
        for Coupled { mode, coupling } in &self.modes {
            let d = quadratic(*mode, s);
            let term = s * s / d;
            value += *coupling * term;
            change += *coupling * (2.0 * s - term * slope(*mode, s)) / d;
        }
        (value, change)
    }

    /// The poles of the upper half plane, one a mode and one more. Simultaneous iteration of Ehrlich (1967)
    /// and Aberth (Math. Comp. 27 (1973)): Newton's step with the other zeros divided out.
    ///
    /// `None` where they don't settle.
    pub fn poles(&self) -> Option<Vec<Complex64>> {
        let size = self.modes.iter().map(|m| m.coupling.abs()).sum::<f64>().sqrt();
        // A little aside, so that a unit on a mode's frequency starts elsewhere.
        let aside = Complex64::new(-0.31, 0.47) * (0.1 * size + 0.01);
        let mut zeros: Vec<Complex64> = self.modes.iter().map(|m| m.mode.pole() - 0.5 * aside).collect();
        zeros.push(self.unit.pole() + aside);
        for _ in 0..100 {
            let mut most = 0.0_f64;
            for k in 0..zeros.len() {
                let s = zeros[k];
                let (value, change) = self.load(s);
                let modes: Complex64 =
                    self.modes.iter().map(|m| slope(m.mode, s) / quadratic(m.mode, s)).sum();
                let others: Complex64 =
                    (0..zeros.len()).filter(|i| *i != k).map(|i| 1.0 / (s - zeros[i])).sum();
                let images: Complex64 = zeros.iter().map(|z| 1.0 / (s - z.conj())).sum();
                let step = 1.0 / (change / value + modes - others - images);
                // No number: s is a zero already, to the last digit.
                if step.is_finite() {
                    let next = s - step;
                    zeros[k] = Complex64::new(next.re, next.im.abs());
                    most = most.max(step.norm() / s.norm());
                }
            }
            if most < 1e-13 {
                return Some(zeros);
            }
        }
        zeros.iter().all(|s| s.is_finite() && self.residual(*s) < 1e-9).then_some(zeros)
    }

    /// Newton's step left at a zero, relative.
    fn residual(&self, s: Complex64) -> f64 {
        let (value, change) = self.load(s);
        let modes: Complex64 = self.modes.iter().map(|m| slope(m.mode, s) / quadratic(m.mode, s)).sum();
        let step = 1.0 / (change / value + modes);
        if step.is_finite() { step.norm() / s.norm() } else { 0.0 }
    }

    fn without(&self, n: usize) -> Self {
        let mut modes = self.modes.clone();
        modes.remove(n);
        Self { modes, unit: self.unit }
    }

    /// The unit as the target meets it: its pole with only the target taken out, and g² to the target there.
    ///
    /// Near that pole sa the rest of the system is `U(s) ≈ U′(sa)(s − sa)`, where the unit by itself has 2sa:
    /// so the coupling is smaller by their ratio.
    pub fn loaded(&self) -> Option<(Resonator, f64)> {
        let rest = self.without(0);
        let part = |s: &Complex64| 2.0 * s / rest.load(*s).1;
        let poles = rest.poles()?;
        let own = poles.iter().max_by(|a, b| part(a).norm().total_cmp(&part(b).norm()))?;
        let share = if rest.modes.is_empty() { 1.0 } else { part(own).re.clamp(0.0, 1.0) };
        Some((Resonator::of_pole(*own), self.modes[0].coupling * share))
    }

    /// A mode's share in each pole: residues of its own response, `U₋ₙ/(Dn U)′`, to a sum of sizes of one.
    ///
    /// `(Dn U)′ = Dn′ U₋ₙ + Dn U₋ₙ′ + 2 s gn²` stays sound where the mode couples to nothing and keeps its own pole.
    fn residues(&self, n: usize, poles: &[Complex64]) -> Vec<Complex64> {
        let Coupled { mode, coupling } = self.modes[n];
        let rest = self.without(n);
        let raw: Vec<Complex64> = poles
            .iter()
            .map(|s| {
                let (value, change) = rest.load(*s);
                let below = slope(mode, *s) * value + quadratic(mode, *s) * change + 2.0 * coupling * s;
                let one = value / below;
                if one.is_finite() { one } else { Complex64::default() }
            })
            .collect();
        let all: f64 = raw.iter().map(|r| r.norm()).sum();
        raw.into_iter().map(|r| r / all.max(f64::MIN_POSITIVE)).collect()
    }

    /// The poles that are the target's: those that carry their share of its response, and those in which it takes part
    /// more than any other mode. A neighbour's pole is neither, however weakly the unit works on that neighbour.
    fn own(&self) -> Option<Vec<Complex64>> {
        let poles = self.poles()?;
        let parts: Vec<Vec<Complex64>> = (0..self.modes.len()).map(|n| self.residues(n, &poles)).collect();
        let most = |k: usize| parts[1..].iter().all(|other| other[k].norm() <= parts[0][k].norm());
        let own = (0..poles.len()).filter(|k| parts[0][*k].norm() >= SHARE || most(*k));
        Some(own.map(|k| poles[k]).collect())
    }

    /// T60 of the slowest pole that is the target's, seconds.
    pub fn t60_s(&self) -> Option<f64> {
        let slowest = self.own()?.iter().map(|s| -s.re).reduce(f64::min)?;
        (slowest > 0.0).then(|| LN_1000 / slowest)
    }

    /// Time until the target's own response is 60 dB down for good, seconds.
    pub fn ring_s(&self) -> Option<f64> {
        let poles = self.poles()?;
        let residues = self.residues(0, &poles);
        ring_s(&poles, &[residues])
    }

    /// The group with the unit set otherwise.
    pub fn with_unit(&self, step_hz: f64, damping_factor: f64) -> Self {
        let unit = Resonator {
            omega_per_s: self.unit.omega_per_s + std::f64::consts::TAU * step_hz,
            decay_per_s: self.unit.decay_per_s * damping_factor,
        };
        Self { modes: self.modes.clone(), unit }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::absorber::coupled::couple;
    use crate::room::simulate::Scene;
    use approx::assert_relative_eq;
    use std::f64::consts::TAU;

    fn resonator(hz: f64, decay_per_s: f64) -> Resonator {
        Resonator { omega_per_s: TAU * hz, decay_per_s }
    }

    /// One mode: the closed form of `coupled`, through the meeting point (where poles carry half the digits).
    #[test]
    fn one_mode_is_the_quartic() {
        for (off, decay) in [(-3.0, 6.0), (0.3, 9.0), (0.0, 13.9), (2.0, 30.0)] {
            let (mode, unit) = (resonator(40.0, 4.0), resonator(40.0 + off, decay));
            let group = Group { modes: vec![Coupled { mode, coupling: 100.0 }], unit };
            let mut found = group.poles().unwrap();
            found.sort_by(|a, b| b.re.total_cmp(&a.re));
            let exact = couple(mode, unit, 100.0).unwrap().poles();
            for (a, b) in found.iter().zip(exact) {
                assert!((a - b).norm() < 1e-5, "{off}: {a} {b}");
            }
            let (loaded, coupling) = group.loaded().unwrap();
            assert_relative_eq!(loaded.omega_per_s, unit.omega_per_s, max_relative = 1e-12);
            assert_relative_eq!(coupling, 100.0);
        }
    }

    /// A neighbour that the unit hardly works on, or (an estimate of nothing) less than not at all, keeps its pole, and
    /// T60 and ringing of the target are those of the closed form for one mode, though that neighbour rings twice as long.
    #[test]
    fn a_neighbour_left_alone_is_not_the_targets() {
        let (mode, next, unit) = (resonator(88.2, 13.1), resonator(96.1, 8.3), resonator(89.0, 17.0));
        let one = couple(mode, unit, 225.0).unwrap().poles();
        let exact = one.iter().map(|s| LN_1000 / -s.re).fold(0.0, f64::max);
        for coupling in [0.0, 1e-9, 1e-4, 0.01, 1.0, -1e-6, -0.5] {
            let modes = vec![Coupled { mode, coupling: 225.0 }, Coupled { mode: next, coupling }];
            let group = Group { modes, unit };
            assert_relative_eq!(group.t60_s().unwrap(), exact, max_relative = 0.01);
            assert!(group.ring_s().unwrap() < 1.01 * exact, "{coupling}: {:?}", group.ring_s());
        }
    }

    /// Two modes 1.4 Hz apart and their unit in the full room, by the room's own solution (another file's):
    /// the group's poles differ by the load of the other hundred modes only, which moves the unit.
    #[test]
    fn two_close_modes_are_those_of_the_room() {
        let mut scene = Scene::empty([5.6, 4.25, 2.75], 20.0, 0.012, 160.0);
        scene.dimensions_m[1] = 5.6 * 0.96;
        let (first, second) = (scene.bare_mode([1, 0, 0]).unwrap(), scene.bare_mode([0, 1, 0]).unwrap());
        let unit = scene.unit_for([1, 0, 0], 9.0, [0.1, 0.1, 0.1], (first.0 + 3.0, 8.0));
        scene.units = vec![unit];
        let g = |axes| unit.coupling_per_s * scene.scaled_shape(axes, unit.at_m);
        let mode = |n: (f64, f64)| Resonator { omega_per_s: n.0, decay_per_s: n.1 };
        let group = Group {
            modes: vec![
                Coupled { mode: mode(first), coupling: g([1, 0, 0]).powi(2) },
                Coupled { mode: mode(second), coupling: g([0, 1, 0]).powi(2) },
            ],
            // The unit as loaded by the others: some tenths of a hertz lower.
            unit: Resonator { omega_per_s: unit.omega_per_s, decay_per_s: unit.decay_per_s },
        };
        let room: Vec<Complex64> = scene.solve().unwrap().room_poles().iter().map(|p| p.s).collect();
        for s in group.poles().unwrap() {
            let near = room.iter().map(|r| (r - s).norm()).fold(f64::INFINITY, f64::min);
            assert!(near < TAU * 0.5, "{s}: {near}");
        }
    }
}
