//! The exact DFT of a finite damped oscillation at the bins of its own record.
//!
//! With z = exp(λ/fs), N samples of A zⁿ have at a bin ω (so that exp(−iωN/fs) = 1) the DFT
//! A (1 − zᴺ) / (1 − z exp(−iω/fs)): a geometric sum, exact for any decay and any record length.
//! A real oscillation 2 Re(A zⁿ) adds the same with A* and z*. Divided by fs it comes close to
//! A / (iω − λ), the Fourier transform of the unending decay.
//!
//! Least squares runs on real numbers: a column holds the real parts of all bins, then the imaginary parts.

use super::pole::Pole;
use super::tall::Tall;
use rustfft::num_complex::Complex;
use std::ops::Range;

/// DFT bins of a record, each with the weight that whitens its noise.
#[derive(Debug, Clone)]
pub(crate) struct Bins {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Samples in the record.
    pub samples: usize,
    /// Angular frequency of each bin, rad/s, rising.
    pub omegas: Vec<f64>,
    /// Weight of each bin.
    pub weights: Vec<f64>,
    /// exp(−iω/fs) of each bin.
    turns: Vec<Complex<f64>>,
}

/// exp(x) − 1 without cancellation near zero: e^x cos y − 1 = (e^x − 1) cos y − 2 sin²(y/2).
fn exp_m1(x: Complex<f64>) -> Complex<f64> {
    let half = (0.5 * x.im).sin();
    Complex::new(x.re.exp_m1() * x.im.cos() - 2.0 * half * half, x.re.exp() * x.im.sin())
}

impl Bins {
    /// The bins `first..=last` of a record of `samples` at `rate_hz`, all of weight one.
    pub fn new(rate_hz: f64, samples: usize, first: usize, last: usize) -> Self {
        let step = 2.0 * std::f64::consts::PI / samples as f64;
        let angles: Vec<f64> = (first..=last).map(|k| step * k as f64).collect();
        Self {
            rate_hz,
            samples,
            omegas: angles.iter().map(|a| a * rate_hz).collect(),
            weights: vec![1.0; angles.len()],
            turns: angles.iter().map(|a| Complex::cis(-a)).collect(),
        }
    }

    /// The bins between two frequencies, and which they are.
    pub fn part(&self, (from_hz, to_hz): (f64, f64)) -> (Range<usize>, Self) {
        let at = |hz: f64| self.omegas.partition_point(|o| *o < 2.0 * std::f64::consts::PI * hz);
        let range = at(from_hz)..at(to_hz);
        let part = Self {
            rate_hz: self.rate_hz,
            samples: self.samples,
            omegas: self.omegas[range.clone()].to_vec(),
            weights: self.weights[range.clone()].to_vec(),
            turns: self.turns[range.clone()].to_vec(),
        };
        (range, part)
    }

    /// How many bins there are.
    pub fn len(&self) -> usize {
        self.omegas.len()
    }

    /// Length of the record, s.
    pub fn seconds(&self) -> f64 {
        self.samples as f64 / self.rate_hz
    }

    /// Writes the columns of Re A and Im A of each pole into the first `2 * len()` rows.
    pub fn columns(&self, poles: &[Pole], into: &mut Tall) {
        self.write(&mut self.sums(poles), into, |sum, turn, _| sum.value(sum.z * turn));
    }

    /// Writes the derivatives of both columns along the real direction of λ (Re A, then Im A).
    pub fn derivatives(&self, poles: &[Pole], into: &mut Tall) {
        self.write(&mut self.sums(poles), into, |sum, turn, _| sum.derivative(sum.z * turn));
    }

    /// The geometric sums of each pole and of its conjugate.
    pub(super) fn sums(&self, poles: &[Pole]) -> Vec<[GeometricSum; 2]> {
        poles.iter().map(|p| [p.lambda(), p.lambda().conj()].map(|lambda| self.sum(lambda))).collect()
    }

    /// Writes two columns for each pole: its response to Re A = 1 and to Im A = 1. A real oscillation is A zⁿ + A* z*ⁿ, so
    /// with P and Q what `pick` gives for z and for z* in a bin (the sum itself, or its derivative) the first column holds
    /// P + Q, the second i (P − Q), each times the bin's weight: real parts of all bins above, imaginary parts below.
    pub(super) fn write<S>(
        &self,
        sequences: &mut [[S; 2]],
        into: &mut Tall,
        pick: impl Fn(&mut S, &Complex<f64>, f64) -> Complex<f64>,
    ) {
        let n = self.len();
        for (k, (turn, weight)) in self.turns.iter().zip(&self.weights).enumerate() {
            let (re, im) = into.rows_mut(k, n + k);
            let pairs = re.as_chunks_mut::<2>().0.iter_mut().zip(im.as_chunks_mut::<2>().0);
            for ([own, mirrored], (re, im)) in sequences.iter_mut().zip(pairs) {
                let (z, mirror) = (pick(own, turn, *weight), pick(mirrored, turn, *weight));
                *re = [weight * (z.re + mirror.re), weight * (mirror.im - z.im)];
                *im = [weight * (z.im + mirror.im), weight * (z.re - mirror.re)];
            }
        }
    }

    /// The geometric sum of a decay exp(λt).
    fn sum(&self, lambda: Complex<f64>) -> GeometricSum {
        let seconds = self.seconds();
        let missing = -exp_m1(lambda * seconds);
        GeometricSum {
            z: (lambda / self.rate_hz).exp(),
            missing,
            lost: (Complex::from(1.0) - missing) * seconds,
            scale: 1.0 / self.rate_hz,
        }
    }
}

/// DFT over fs of exp(λ n / fs) in a record of N samples, by the geometric sum.
pub(super) struct GeometricSum {
    /// z = exp(λ/fs).
    pub z: Complex<f64>,
    /// 1 − zᴺ.
    pub missing: Complex<f64>,
    /// T zᴺ.
    pub lost: Complex<f64>,
    /// 1/fs.
    pub scale: f64,
}

impl GeometricSum {
    /// 1 / (fs (1 − step)), with step = z exp(−iω/fs).
    fn inverse(&self, step: Complex<f64>) -> Complex<f64> {
        let (re, im) = (1.0 - step.re, -step.im);
        let scale = self.scale / (re * re + im * im);
        Complex::new(re * scale, -im * scale)
    }

    fn value(&self, step: Complex<f64>) -> Complex<f64> {
        self.missing * self.inverse(step)
    }

    /// By λ.
    fn derivative(&self, step: Complex<f64>) -> Complex<f64> {
        let inverse = self.inverse(step);
        (self.missing * inverse * step - self.lost) * inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Direct summation of the damped oscillation is the definition of its DFT.
    #[test]
    fn columns_are_the_summed_dft() {
        let bins = Bins::new(2000.0, 900, 20, 60);
        let pole = Pole::new(51.3, 0.7);
        let (a, b) = (0.3, -1.1);
        let n = bins.len();
        let mut columns = Tall::zeros(2 * n, 2);
        bins.columns(&[pole], &mut columns);
        let (re, im) = (columns.column(0).collect::<Vec<_>>(), columns.column(1).collect::<Vec<_>>());
        for k in [0, 7, 12, n - 1] {
            let mut sum = Complex::from(0.0);
            for i in 0..bins.samples {
                let t = i as f64 / bins.rate_hz;
                let x = 2.0 * (Complex::new(a, b) * (pole.lambda() * t).exp()).re;
                sum += x * Complex::cis(-bins.omegas[k] * t) / bins.rate_hz;
            }
            assert_relative_eq!(a * re[k] + b * im[k], sum.re, epsilon = 1e-13, max_relative = 1e-10);
            assert_relative_eq!(a * re[n + k] + b * im[n + k], sum.im, epsilon = 1e-13, max_relative = 1e-10);
        }
    }

    /// Central difference quotient of fourth order: error about h⁴ f⁽⁵⁾/30, here under 1e-8 of the derivative.
    #[test]
    fn derivative_agrees_with_the_difference_quotient() {
        let bins = Bins::new(1000.0, 1500, 30, 120);
        let pole = Pole::new(47.9, 1.3);
        let size = 2 * bins.len();
        let column = |step: f64, im: bool| {
            let moved = Pole { decay_per_s: pole.decay_per_s - step, ..pole };
            let mut columns = Tall::zeros(size, 2);
            bins.columns(&[moved], &mut columns);
            columns.column(usize::from(im)).collect::<Vec<_>>()
        };
        let mut derivatives = Tall::zeros(size, 2);
        bins.derivatives(&[pole], &mut derivatives);
        let [da, db] = [0, 1].map(|c| derivatives.column(c).collect::<Vec<_>>());
        let h = 0.01;
        for (im, exact) in [(false, &da), (true, &db)] {
            let [p2, p1, m1, m2] = [2.0, 1.0, -1.0, -2.0].map(|s| column(s * h, im));
            let top = exact.iter().fold(0.0_f64, |t, v| t.max(v.abs()));
            for k in 0..size {
                let quotient = (8.0 * (p1[k] - m1[k]) - (p2[k] - m2[k])) / (12.0 * h);
                assert!((quotient - exact[k]).abs() < 1e-8 * top, "{k}: {quotient} {}", exact[k]);
            }
        }
    }
}
