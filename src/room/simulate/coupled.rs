//! The poles of a scene and their shapes; residues between any two places.

use super::basis::{Basis, basis};
use super::roots::Characteristic;
use super::{Scene, SceneError};
use crate::room::Prediction;
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;

/// One pole pair −δ ± iω of a scene.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Pole {
    /// −δ + iω, 1/s.
    pub s: Complex64,
    /// The mode of the empty room that its shape is mostly made of; `None` for a pole of the chain.
    pub axes: Option<[u32; 3]>,
    /// How much of its motion is the units' (0…1): 0 with none, about one half where a unit is
    /// tuned to a mode.
    pub unit_share: f64,
}

impl Pole {
    /// Damped natural frequency, hertz.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        self.s.im / (2.0 * std::f64::consts::PI)
    }

    /// Decay constant δ, 1/s.
    #[must_use]
    pub fn decay_per_s(&self) -> f64 {
        -self.s.re
    }

    /// Reverberation time 3 ln 10/δ, seconds.
    #[must_use]
    pub fn t60_s(&self) -> f64 {
        3.0 * std::f64::consts::LN_10 / self.decay_per_s()
    }
}

/// A scene with its poles: residues between any two places come cheap.
#[derive(Debug, Clone)]
pub struct Solved {
    /// Poles of the room and its units in rising frequency, then those of the chain.
    pub poles: Vec<Pole>,
    /// Modes of the empty room.
    pub room: Prediction,
    scene: Scene,
    /// For each room pole, how much of which mode: the pole's shape is the sum of weight times φ.
    weights: Vec<Vec<(usize, Complex64)>>,
}

impl Solved {
    pub(super) fn new(scene: &Scene, room: &Prediction) -> Result<Self, SceneError> {
        let (coupled, free): (Vec<Basis>, Vec<Basis>) =
            basis(scene, room).into_iter().partition(|mode| felt(mode, scene));
        let mut found: Vec<(Pole, Vec<(usize, Complex64)>)> =
            free.iter().map(|mode| alone(mode, room)).collect();
        if !scene.units.is_empty() {
            let system = Characteristic { modes: &coupled, units: &scene.units };
            for s in system.zeros()? {
                found.push(together(&system, s, room).ok_or(SceneError::NotSolved)?);
            }
        }
        found.sort_by(|a, b| a.0.s.im.total_cmp(&b.0.s.im).then(a.0.s.re.total_cmp(&b.0.s.re)));
        let (mut poles, weights): (Vec<Pole>, _) = found.into_iter().unzip();
        poles.extend(scene.chain.sections.iter().map(|section| Pole {
            s: section.pole,
            axes: None,
            unit_share: 0.0,
        }));
        Ok(Self { poles, room: room.clone(), scene: scene.clone(), weights })
    }

    /// Complex residues A between a source and a place, in the order of [`Solved::poles`]: the
    /// response to a unit pulse of volume acceleration is `Σ 2 Re(A exp(s t))` from the emission on.
    #[must_use]
    pub fn residues(&self, source_m: [f64; 3], at_m: [f64; 3]) -> Vec<Complex64> {
        let (from, to) = (self.shapes(source_m), self.shapes(at_m));
        let bare: Vec<Complex64> = from.iter().zip(&to).map(|(a, b)| self.scene.gain * a * b).collect();
        let chain = &self.scene.chain;
        let room = bare.iter().zip(&self.poles).map(|(a, pole)| a * chain.at(pole.s));
        let seen = (0..chain.sections.len()).map(|i| {
            let s = chain.sections[i].pole;
            let transfer: Complex64 = bare
                .iter()
                .zip(&self.poles)
                .map(|(a, pole)| a / (s - pole.s) + a.conj() / (s - pole.s.conj()))
                .sum();
            transfer * chain.residue(i)
        });
        room.chain(seen).collect()
    }

    /// Each pole with its residue between a source and a place, as [`sound::add_modes`](super::sound::add_modes) takes them.
    #[must_use]
    pub fn modes(&self, source_m: [f64; 3], at_m: [f64; 3]) -> Vec<(Complex64, Complex64)> {
        self.poles.iter().map(|pole| pole.s).zip(self.residues(source_m, at_m)).collect()
    }

    /// The poles of room and units, without those of the chain.
    #[must_use]
    pub fn room_poles(&self) -> &[Pole] {
        &self.poles[..self.weights.len()]
    }

    /// Shape of each room pole at a place; the product of two of them is the bare residue.
    fn shapes(&self, at_m: [f64; 3]) -> Vec<Complex64> {
        let phi: Vec<f64> =
            self.room.modes.iter().map(|mode| self.scene.scaled_shape(mode.axes, at_m)).collect();
        self.weights.iter().map(|weights| weights.iter().map(|&(n, w)| w * phi[n]).sum()).collect()
    }
}

/// Whether a unit moves the mode by more than rounding would. What stays behind is 1e-11 of the pole.
fn felt(mode: &Basis, scene: &Scene) -> bool {
    let s = mode.pole();
    let shift: f64 = mode
        .coupling
        .iter()
        .zip(&scene.units)
        .map(|(g, unit)| {
            let d = s * s + 2.0 * unit.decay_per_s * s + unit.omega_per_s.powi(2);
            g * g * s.norm() / (2.0 * d.norm().max(1e-300))
        })
        .sum();
    shift > 1e-11 * s.norm()
}

/// A mode that no unit touches: residue `φφ/(2iω)`.
fn alone(mode: &Basis, room: &Prediction) -> (Pole, Vec<(usize, Complex64)>) {
    let s = mode.pole();
    let scale = (Complex64::new(0.0, 2.0 * s.im)).sqrt().inv();
    let weights: Vec<(usize, Complex64)> = mode.terms.iter().map(|&(n, share)| (n, scale * share)).collect();
    (Pole { s, axes: strongest(&weights, room), unit_share: 0.0 }, weights)
}

/// A pole of the coupled system: with v the null vector of M(s), the residue between two places is
/// `−s² (v·U)(v·U′)/(vᵀM′v)` with `U_j = Σ_n φ_n g_nj/D_n`, from the derivative of the inverse.
fn together(
    system: &Characteristic<'_>,
    s: Complex64,
    room: &Prediction,
) -> Option<(Pole, Vec<(usize, Complex64)>)> {
    let (m, slope) = system.matrices(s);
    let v = null_vector(m)?;
    let norm = v.iter().enumerate().flat_map(|(j, a)| v.iter().enumerate().map(move |(k, b)| (j, k, a * b)));
    let denominator: Complex64 = norm.map(|(j, k, product)| product * slope[(j, k)]).sum();
    let scale = Complex64::new(0.0, 1.0) * s / denominator.sqrt();
    let mut weights = vec![Complex64::new(0.0, 0.0); room.modes.len()];
    let mut in_modes = 0.0;
    for mode in system.modes {
        let drive: Complex64 = v.iter().zip(&mode.coupling).map(|(v, g)| v * *g).sum();
        let amount = drive / mode.quadratic(s);
        in_modes += (amount * s).norm_sqr();
        for &(n, share) in &mode.terms {
            weights[n] += scale * amount * share;
        }
    }
    let in_units: f64 = v.iter().map(Complex64::norm_sqr).sum();
    let weights: Vec<(usize, Complex64)> =
        weights.into_iter().enumerate().filter(|(_, w)| w.norm() > 0.0).collect();
    let finite = weights.iter().all(|(_, w)| w.is_finite());
    let pole = Pole { s, axes: strongest(&weights, room), unit_share: in_units / (in_units + in_modes) };
    finite.then_some((pole, weights))
}

/// The vector that M sends to zero, of length one; M is singular but for rounding.
fn null_vector(m: DMatrix<Complex64>) -> Option<Vec<Complex64>> {
    if m.nrows() == 1 {
        return Some(vec![Complex64::new(1.0, 0.0)]);
    }
    // The decomposition does not end on a number that is none.
    if !m.iter().all(|x| x.is_finite()) {
        return None;
    }
    let svd = m.try_svd(false, true, f64::EPSILON, 1000)?;
    let (least, _) = svd.singular_values.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1))?;
    Some(svd.v_t?.row(least).iter().map(Complex64::conj).collect())
}

/// The mode with the largest share.
fn strongest(weights: &[(usize, Complex64)], room: &Prediction) -> Option<[u32; 3]> {
    weights.iter().max_by(|a, b| a.1.norm().total_cmp(&b.1.norm())).map(|&(n, _)| room.modes[n].axes)
}
