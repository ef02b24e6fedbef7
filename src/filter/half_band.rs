//! Halving the sample rate with a linear-phase low-pass.
//!
//! A half-band filter leaves the grid of times where it was: it has no delay and rings alike on both
//! sides, far below anything that the decay reads.

use std::f64::consts::PI;

/// Non-zero taps on each side of the centre.
const PAIRS: usize = 15;

/// Attenuation that the Kaiser window aims at, in dB.
///
/// Class 1 of IEC 61260-1:2014 asks for 70 dB; a low band may hold 30 dB less than the band that folds into it.
const ATTENUATION_DB: f64 = 100.0;

/// Largest upper band edge, as a share of the halved rate, that the low-pass keeps flat and free of aliases.
pub const USABLE_SHARE: f64 = 0.1;

/// Samples on a grid that holds time zero: sample `zero` is the direct sound.
#[derive(Debug, Clone, Copy)]
pub struct Grid<'a> {
    /// Linear pressure.
    pub samples: &'a [f64],
    /// Index of time zero.
    pub zero: usize,
}

/// The low-pass before a rate is halved.
#[derive(Debug, Clone, Copy)]
pub struct HalfBand {
    taps: [f64; PAIRS],
}

impl HalfBand {
    /// Windowed sinc, taps at odd distances only (Kaiser & Schafer, IEEE T-ASSP 28 (1980) 105, for the window).
    #[must_use]
    pub fn new() -> Self {
        let beta = 0.1102 * (ATTENUATION_DB - 8.7);
        let mut taps = [0.0; PAIRS];
        for (i, tap) in taps.iter_mut().enumerate() {
            let distance = (2 * i + 1) as f64;
            let place = distance / (2 * PAIRS) as f64;
            let window = bessel_i0(beta * (1.0 - place * place).sqrt()) / bessel_i0(beta);
            *tap = (PI * distance / 2.0).sin() / (PI * distance) * window;
        }
        let sum: f64 = taps.iter().sum();
        Self { taps: taps.map(|tap| tap * 0.25 / sum) }
    }

    /// Every other sample of the low-passed input, into `output`; returns the index of time zero there.
    ///
    /// Time zero stays on the grid, the ringing is kept at both ends.
    pub fn halve(&self, input: Grid, output: &mut Vec<f64>) -> usize {
        let before = input.zero.div_ceil(2) + PAIRS;
        let after = (input.samples.len() - input.zero).div_ceil(2) + PAIRS;
        output.resize(before + after, 0.0);
        // Index in the input, from its start, of the sample that the first output sits on.
        let mut centre = input.zero as isize - 2 * before as isize;
        for outputs in output.chunks_mut(BLOCK) {
            let (even, odd) = split(input.samples, centre - 2 * PAIRS as isize);
            for (k, outputs) in outputs.chunks_mut(STEP).enumerate() {
                self.step(&even[k * STEP..], &odd[k * STEP..], outputs);
            }
            centre += 2 * BLOCK as isize;
        }
        before
    }

    /// Low-passed samples: each from the even sample it sits on and the odd ones around it.
    #[inline]
    fn step(&self, even: &[f64], odd: &[f64], outputs: &mut [f64]) {
        let odd = &odd[..STEP + 2 * PAIRS];
        let mut sums = [0.0; STEP];
        for (i, tap) in self.taps.iter().enumerate() {
            let ahead = &odd[PAIRS + i..][..STEP];
            let behind = &odd[PAIRS - i - 1..][..STEP];
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum += tap * (ahead[k] + behind[k]);
            }
        }
        for ((output, sum), even) in outputs.iter_mut().zip(sums).zip(&even[PAIRS..]) {
            *output = 0.5 * even + sum;
        }
    }

    /// Real gain at `cycles` per sample of the input.
    #[cfg(test)]
    pub(super) fn gain_at(&self, cycles: f64) -> f64 {
        let odd = |(i, tap): (usize, &f64)| 2.0 * tap * (2.0 * PI * (2 * i + 1) as f64 * cycles).cos();
        0.5 + self.taps.iter().enumerate().map(odd).sum::<f64>()
    }
}

impl Default for HalfBand {
    fn default() -> Self {
        Self::new()
    }
}

/// Outputs whose sums stay in registers.
const STEP: usize = 8;

/// Outputs made from one window of the input.
const BLOCK: usize = 64;

/// Pairs of input samples that a block of outputs reaches.
const WINDOW: usize = BLOCK + 2 * PAIRS;

/// Even and odd samples of the window that begins at `start`; silence outside the input.
fn split(samples: &[f64], start: isize) -> ([f64; WINDOW], [f64; WINDOW]) {
    let mut window = [0.0; 2 * WINDOW];
    let clamp = |index: isize| usize::try_from(index).unwrap_or(0).min(samples.len());
    let (from, to) = (clamp(start), clamp(start + 2 * WINDOW as isize));
    let offset = usize::try_from(from as isize - start).unwrap_or(0);
    if to > from {
        window[offset..offset + to - from].copy_from_slice(&samples[from..to]);
    }
    (std::array::from_fn(|k| window[2 * k]), std::array::from_fn(|k| window[2 * k + 1]))
}

/// Modified Bessel function of the first kind and order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// The convolution sum, written out.
    fn low_passed(input: Grid, at: isize) -> f64 {
        let sample = |k: isize| {
            usize::try_from(k + input.zero as isize)
                .ok()
                .and_then(|k| input.samples.get(k))
                .copied()
                .unwrap_or(0.0)
        };
        let pair = |(i, tap): (usize, &f64)| {
            let distance = 2 * i as isize + 1;
            tap * (sample(2 * at - distance) + sample(2 * at + distance))
        };
        0.5 * sample(2 * at) + HalfBand::new().taps.iter().enumerate().map(pair).sum::<f64>()
    }

    /// The fast form against the slow one, for every parity of length and time zero, and in a used buffer.
    #[test]
    fn halving_is_the_convolution_sum() {
        let mut output = vec![f64::NAN; 1000];
        for (length, zero) in [(1, 0), (2, 1), (37, 0), (37, 7), (64, 33), (300, 299), (301, 120)] {
            let samples: Vec<f64> = (0..length).map(|k| ((k * 37 % 19) as f64 - 9.0) / 9.0).collect();
            let input = Grid { samples: &samples, zero };
            let zero = HalfBand::new().halve(input, &mut output);
            for (j, value) in output.iter().enumerate() {
                let expected = low_passed(input, j as isize - zero as isize);
                assert!((value - expected).abs() < 1e-15, "{length} {zero} {j}: {value} {expected}");
            }
        }
    }

    /// Flat to 1e-4 dB where bands lie, and at least 98 dB down where it would fold onto them.
    #[test]
    fn the_pass_band_is_flat_and_the_stop_band_deep() {
        let half_band = HalfBand::new();
        assert_relative_eq!(half_band.gain_at(0.0), 1.0, epsilon = 0.0, max_relative = 1e-14);
        for step in 0..=500 {
            let cycles = USABLE_SHARE / 2.0 * f64::from(step) / 500.0;
            assert!((half_band.gain_at(cycles) - 1.0).abs() < 1.2e-5, "{cycles}");
            assert!(half_band.gain_at(0.5 - cycles).abs() < 1.2e-5, "{cycles}");
        }
    }
}
