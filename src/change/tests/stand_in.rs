//! A stand-in for the mode fit, at the Cramér–Rao bound: the poles and strengths that a least-squares
//! fit would give if it knew the right number of poles and its errors were linear in the noise.
//!
//! The noise is that of the very record which the chain test sees.

use crate::flag::Flags;
use crate::modes::{Amplitude, Kind, Mode, ModeSet};
use nalgebra::{Cholesky, DMatrix, DVector};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// One state as a fit sees it.
pub struct Record<'a> {
    pub rate_hz: f64,
    /// Noise of each place from the emission on.
    pub noise: Vec<Vec<f64>>,
    /// One-sided density over frequency.
    pub density: &'a dyn Fn(f64) -> f64,
    /// Poles, and residues by place.
    pub poles: Vec<Complex64>,
    pub residues: Vec<Vec<Complex64>>,
    /// Range that is reported, hertz.
    pub range_hz: (f64, f64),
}

/// The set, and for each of its modes the index of the true pole.
pub fn fitted(record: &Record<'_>, names: &[String]) -> (ModeSet, Vec<usize>) {
    let known = known_poles(record);
    let n = record.noise[0].len();
    let seconds = n as f64 / record.rate_hz;
    let (first, last) = ((10.0 * seconds) as usize, ((record.range_hz.1 + 15.0) * seconds) as usize);
    let omegas: Vec<f64> = (first..=last).map(|k| 2.0 * PI * k as f64 / seconds).collect();
    let weights: Vec<f64> =
        omegas.iter().map(|o| 2.0 / (seconds * (record.density)(o / (2.0 * PI))).sqrt()).collect();
    let fit = Linear::new(record, &known, &omegas, &weights, n);
    fit.set(record, &known, names)
}

/// Poles that stand out of the noise at all; the others a fit would not know of.
fn known_poles(record: &Record<'_>) -> Vec<usize> {
    (0..record.poles.len())
        .filter(|&j| {
            let pole = record.poles[j];
            let hz = pole.im / (2.0 * PI);
            let power: f64 = record.residues.iter().map(|r| r[j].norm_sqr()).sum();
            let log_sd = (-2.0 * pole.re * (record.density)(hz) / power).sqrt();
            hz > 10.0 && hz < record.range_hz.1 + 15.0 && log_sd < 0.35
        })
        .collect()
}

struct Linear {
    /// Covariance of (ω, δ) of the known poles.
    poles: DMatrix<f64>,
    moves: DVector<f64>,
    /// By place: strengths' errors and covariances.
    strengths: Vec<(DVector<f64>, DMatrix<f64>)>,
}

impl Linear {
    fn new(record: &Record<'_>, known: &[usize], omegas: &[f64], weights: &[f64], n: usize) -> Self {
        let rows = 2 * omegas.len();
        let stack = |column: &dyn Fn(f64) -> Complex64| -> Vec<f64> {
            let values: Vec<Complex64> = omegas.iter().zip(weights).map(|(o, w)| column(*o) * *w).collect();
            values.iter().map(|v| v.re).chain(values.iter().map(|v| v.im)).collect()
        };
        let one = Complex64::new(1.0, 0.0);
        let i = Complex64::i();
        let mut columns = Vec::new();
        for &j in known {
            let pole = record.poles[j];
            for phase in [one, i] {
                columns.extend(stack(&|o| response(record.rate_hz, n, pole, phase, o, false)));
            }
        }
        let phi = DMatrix::from_vec(rows, 2 * known.len(), columns);
        let spread = Cholesky::new(phi.tr_mul(&phi)).expect("poles differ").inverse();
        let pseudo = &spread * phi.transpose();
        let mut information = DMatrix::zeros(2 * known.len(), 2 * known.len());
        let mut right = DVector::zeros(2 * known.len());
        let mut each = Vec::new();
        for (noise, residues) in record.noise.iter().zip(&record.residues) {
            let mut slopes = Vec::new();
            for &j in known {
                let (pole, a) = (record.poles[j], residues[j]);
                for turn in [i, -one] {
                    slopes.extend(stack(&|o| response(record.rate_hz, n, pole, a * turn, o, true)));
                }
            }
            let slopes = DMatrix::from_vec(rows, 2 * known.len(), slopes);
            let data = DVector::from_vec(stack(&|o| transform(noise, record.rate_hz, o)));
            let reaction = &pseudo * &slopes;
            let projected = &slopes - &phi * &reaction;
            information += projected.tr_mul(&projected);
            right += projected.tr_mul(&data);
            each.push((reaction, &pseudo * data));
        }
        let poles = Cholesky::new(information).expect("poles are seen").inverse();
        let moves = &poles * right;
        let strengths = each
            .into_iter()
            .map(|(reaction, own)| {
                let covariance = &spread + &reaction * &poles * reaction.transpose();
                (own - &reaction * &moves, covariance)
            })
            .collect();
        Self { poles, moves, strengths }
    }

    fn set(&self, record: &Record<'_>, known: &[usize], names: &[String]) -> (ModeSet, Vec<usize>) {
        let mut modes: Vec<(usize, usize, Mode)> = Vec::new();
        for (row, &j) in known.iter().enumerate() {
            let pole = record.poles[j];
            let (omega, decay) = (pole.im + self.moves[2 * row], -pole.re + self.moves[2 * row + 1]);
            let sd = |k: usize| self.poles[(2 * row + k, 2 * row + k)].sqrt();
            let hz = omega / (2.0 * PI);
            if decay <= 0.0 || !(record.range_hz.0..record.range_hz.1).contains(&hz) || sd(1) > 0.6 * decay {
                continue;
            }
            let kind = match 6.907_755 / decay {
                t60 if t60 < 0.15 => Kind::Loudspeaker,
                _ if sd(1) > 0.25 * decay => Kind::Unsure,
                _ => Kind::Mode,
            };
            let amplitudes = self
                .strengths
                .iter()
                .zip(&record.residues)
                .map(|((error, covariance), residues)| {
                    let c = |a: usize, b: usize| covariance[(2 * row + a, 2 * row + b)];
                    let (re, im) = (residues[j].re + error[2 * row], residues[j].im + error[2 * row + 1]);
                    let square = c(1, 1) * re * re - 2.0 * c(0, 1) * re * im + c(0, 0) * im * im;
                    Some(Amplitude {
                        re,
                        im,
                        covariance: [c(0, 0), c(0, 1), c(1, 1)],
                        delta_chi2: square / (c(0, 0) * c(1, 1) - c(0, 1) * c(0, 1)),
                    })
                })
                .collect();
            let mode = Mode {
                kind,
                omega_per_s: omega,
                decay_per_s: decay,
                omega_sd_per_s: sd(0),
                decay_sd_per_s: sd(1),
                amplitudes,
                flags: Flags::default(),
            };
            modes.push((row, j, mode));
        }
        modes.sort_by(|a, b| a.2.omega_per_s.total_cmp(&b.2.omega_per_s));
        let rows: Vec<usize> = modes.iter().map(|m| m.0).collect();
        let covariance = rows
            .iter()
            .flat_map(|a| [0, 1].map(|p| 2 * a + p))
            .flat_map(|r| rows.iter().flat_map(|b| [0, 1].map(|p| 2 * b + p)).map(move |c| (r, c)))
            .map(|at| self.poles[at])
            .collect();
        let truth = modes.iter().map(|m| m.1).collect();
        let set = ModeSet {
            modes: modes.into_iter().map(|m| m.2).collect(),
            covariance,
            places: names.iter().map(|n| (n.clone(), String::new())).collect(),
            residual_over_noise: vec![Ok(1.0); names.len()],
            ..ModeSet::default()
        };
        (set, truth)
    }
}

/// Spectrum at ω of 2 Re(a e^{λt}) over n samples, or of its derivative by λ.
fn response(rate_hz: f64, n: usize, pole: Complex64, a: Complex64, omega: f64, slope: bool) -> Complex64 {
    let part = |pole: Complex64, a: Complex64| {
        let q = ((pole - Complex64::new(0.0, omega)) / rate_hz).exp();
        let last = q.powu(n as u32);
        let sum = (1.0 - last) / (1.0 - q);
        let value = if slope { (q * sum - n as f64 * last) / (1.0 - q) / rate_hz } else { sum };
        a * value / rate_hz
    };
    part(pole, a) + part(pole.conj(), a.conj())
}

fn transform(samples: &[f64], rate_hz: f64, omega: f64) -> Complex64 {
    let turn = Complex64::from_polar(1.0, -omega / rate_hz);
    let mut phase = Complex64::new(1.0, 0.0);
    let mut sum = Complex64::new(0.0, 0.0);
    for x in samples {
        sum += x * phase;
        phase *= turn;
    }
    sum / rate_hz
}
