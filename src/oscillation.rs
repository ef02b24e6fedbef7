//! Sums of decaying oscillations, sample by sample: what the poles of a room make of a record.

use rustfft::num_complex::Complex64;

/// An oscillation that turns and shrinks by the same factor from sample to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Oscillation {
    /// Its complex value at the first sample; the real part is heard.
    pub first: Complex64,
    /// The factor: exp(λ/fs) of a pole λ.
    pub turn: Complex64,
}

/// Oscillations in one pass: each waits for its own last product, several side by side keep the processor busy.
pub(crate) const TOGETHER: usize = 8;

/// Adds the real parts of all to the samples, the first value to the first sample.
///
/// Exact but for rounding, relative 1e-16 a sample.
pub(crate) fn add(samples: &mut [f64], oscillations: &[Oscillation]) {
    for group in oscillations.chunks(TOGETHER) {
        // Real and imaginary parts by themselves, so that vector instructions take several at once.
        let [mut re, mut im, mut turn_re, mut turn_im] = [[0.0; TOGETHER]; 4];
        for (k, Oscillation { first, turn }) in group.iter().enumerate() {
            (re[k], im[k], turn_re[k], turn_im[k]) = (first.re, first.im, turn.re, turn.im);
        }
        for sample in samples.iter_mut() {
            let (now_re, now_im) = (re, im);
            for k in 0..TOGETHER {
                re[k] = now_re[k] * turn_re[k] - now_im[k] * turn_im[k];
                im[k] = now_re[k] * turn_im[k] + now_im[k] * turn_re[k];
            }
            let [a, b, c, d, e, f, g, h] = now_re;
            *sample += ((a + e) + (c + g)) + ((b + f) + (d + h));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the exponential itself, for fewer than go together and for more.
    #[test]
    fn the_sum_is_that_of_the_exponentials() {
        let lambda = |k: usize| Complex64::new(-0.002 * (k + 1) as f64, 0.05 * (k + 1) as f64);
        let first = |k: usize| Complex64::from_polar(1.0 + k as f64, 0.7 * k as f64);
        for count in [1, 11] {
            let all: Vec<Oscillation> =
                (0..count).map(|k| Oscillation { first: first(k), turn: lambda(k).exp() }).collect();
            let mut samples = vec![0.5; 400];
            add(&mut samples, &all);
            for (n, sample) in samples.iter().enumerate() {
                let exact = |k: usize| (first(k) * (lambda(k) * n as f64).exp()).re;
                let sum: f64 = (0..count).map(exact).sum();
                approx::assert_abs_diff_eq!(*sample, 0.5 + sum, epsilon = 1e-11);
            }
        }
    }
}
