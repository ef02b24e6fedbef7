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
pub const USABLE_SHARE: f64 = 0.385;

/// Samples on a grid that holds time zero: sample `zero` is the direct sound.
#[derive(Debug, Clone, Default)]
pub struct Grid {
    /// Linear pressure.
    pub samples: Vec<f64>,
    /// Index of time zero.
    pub zero: usize,
}

/// The low-pass before a rate is halved.
#[derive(Debug, Clone)]
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

    /// Every other sample of the low-passed input; time zero stays on the grid, the ringing is kept at both ends.
    #[must_use]
    pub fn halve(&self, input: &Grid) -> Grid {
        let before = input.zero.div_ceil(2) + PAIRS;
        let after = (input.samples.len() - input.zero).div_ceil(2) + PAIRS;
        let length = before + after;
        let (even, odd) = split(input, before, length);
        let mut samples = vec![0.0; length];
        let mut start = 0;
        for block in samples.chunks_mut(BLOCK) {
            self.block(&even[start..], &odd[start..], block);
            start += BLOCK;
        }
        Grid { samples, zero: before }
    }

    /// Low-passed samples; `odd` starts [`PAIRS`] entries before `even`.
    fn block(&self, even: &[f64], odd: &[f64], output: &mut [f64]) {
        let mut sum = [0.0; BLOCK];
        for (i, tap) in self.taps.iter().enumerate() {
            let ahead = &odd[PAIRS + i..PAIRS + i + BLOCK];
            let behind = &odd[PAIRS - i - 1..PAIRS - i - 1 + BLOCK];
            for ((sum, ahead), behind) in sum.iter_mut().zip(ahead).zip(behind) {
                *sum += tap * (ahead + behind);
            }
        }
        for ((output, sum), even) in output.iter_mut().zip(sum).zip(even) {
            *output = 0.5 * even + sum;
        }
    }

    /// Real gain at `cycles` per sample of the input.
    #[must_use]
    pub fn gain_at(&self, cycles: f64) -> f64 {
        let odd = |(i, tap): (usize, &f64)| 2.0 * tap * (2.0 * PI * (2 * i + 1) as f64 * cycles).cos();
        0.5 + self.taps.iter().enumerate().map(odd).sum::<f64>()
    }
}

impl Default for HalfBand {
    fn default() -> Self {
        Self::new()
    }
}

/// Outputs made in one go; the sums stay in registers.
const BLOCK: usize = 8;

/// Even and odd samples as arrays of their own; entry `j` of `even` is output `j`'s centre tap, `odd` has
/// [`PAIRS`] entries more in front, both are padded with zeros to a whole block.
fn split(input: &Grid, before: usize, length: usize) -> (Vec<f64>, Vec<f64>) {
    let padded = length.next_multiple_of(BLOCK);
    let mut even = vec![0.0; padded];
    let mut odd = vec![0.0; padded + 2 * PAIRS];
    // Sample `zero` of the input is even[before]; the pair that holds the input's first sample:
    let first = before - input.zero.div_ceil(2);
    let samples = if input.zero % 2 == 1 {
        odd[PAIRS + first] = input.samples[0];
        &input.samples[1..]
    } else {
        &input.samples[..]
    };
    let first = first + input.zero % 2;
    let pairs = samples.chunks_exact(2);
    if let [last] = pairs.remainder() {
        even[first + samples.len() / 2] = *last;
    }
    for ((pair, even), odd) in pairs.zip(&mut even[first..]).zip(&mut odd[PAIRS + first..]) {
        *even = pair[0];
        *odd = pair[1];
    }
    (even, odd)
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

    fn low_passed(input: &Grid, at: isize) -> f64 {
        let half_band = HalfBand::new();
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
        0.5 * sample(2 * at) + half_band.taps.iter().enumerate().map(pair).sum::<f64>()
    }

    /// The fast form against the convolution sum written out, for every parity of length and time zero.
    #[test]
    fn halving_is_the_convolution_sum() {
        for (length, zero) in [(1, 0), (2, 1), (37, 0), (37, 7), (64, 33), (100, 99)] {
            let samples = (0..length).map(|k| ((k * 37 % 19) as f64 - 9.0) / 9.0).collect();
            let input = Grid { samples, zero };
            let output = HalfBand::new().halve(&input);
            for (j, value) in output.samples.iter().enumerate() {
                let expected = low_passed(&input, j as isize - output.zero as isize);
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
