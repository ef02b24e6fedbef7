//! Four bands filtered in lockstep: one number per band in the `biquad` crate's coefficients.
//!
//! The compiler turns each operation into vector instructions; every lane gets the very bits that the
//! crate's scalar struct would give.

use super::butterworth::{Cascade, ORDER};
use biquad::Coefficients;
use std::ops::{Add, Mul, Sub};

/// Bands in lockstep.
pub const WIDTH: usize = 4;

/// One number for each band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lanes(pub [f64; WIDTH]);

impl Lanes {
    /// Zero in every lane.
    pub const ZERO: Self = Self([0.0; WIDTH]);

    /// One number in every lane.
    #[must_use]
    #[inline]
    pub fn all(value: f64) -> Self {
        Self([value; WIDTH])
    }
}

/// Element by element.
#[inline]
fn each(a: Lanes, b: Lanes, operation: impl Fn(f64, f64) -> f64) -> Lanes {
    let mut both = a;
    for lane in 0..WIDTH {
        both.0[lane] = operation(a.0[lane], b.0[lane]);
    }
    both
}

impl Add for Lanes {
    type Output = Self;
    #[inline]
    fn add(self, other: Self) -> Self {
        each(self, other, |a, b| a + b)
    }
}

impl Sub for Lanes {
    type Output = Self;
    #[inline]
    fn sub(self, other: Self) -> Self {
        each(self, other, |a, b| a - b)
    }
}

impl Mul for Lanes {
    type Output = Self;
    #[inline]
    fn mul(self, other: Self) -> Self {
        each(self, other, |a, b| a * b)
    }
}

/// Up to [`WIDTH`] band-passes that run over the same samples.
#[derive(Debug, Clone)]
pub struct LaneFilter {
    sections: [Section; ORDER],
}

/// One section of the cascade in every lane: the transposed direct form 2 as in the `biquad` crate, whose own `run` the
/// compiler doesn't put into the loop where the crate's parts are optimised each by itself.
#[derive(Debug, Clone, Copy)]
struct Section {
    coefficients: Coefficients<Lanes>,
    s1: Lanes,
    s2: Lanes,
}

impl Section {
    #[inline]
    fn run(&mut self, input: Lanes) -> Lanes {
        let Coefficients { a1, a2, b0, b1, b2 } = self.coefficients;
        let out = self.s1 + b0 * input;
        self.s1 = self.s2 + b1 * input - a1 * out;
        self.s2 = b2 * input - a2 * out;
        out
    }
}

/// States below this are cleared: 1e-100 is 2000 dB under full scale, and still far from the subnormal
/// numbers (below 2e-308) that cost a processor a hundred times more.
const NOTHING: f64 = 1e-100;

/// Samples run in one go, and so between two looks at the states.
pub const BLOCK: usize = 64;

impl LaneFilter {
    /// Puts one cascade in each lane; lanes without one stay silent.
    #[must_use]
    pub fn new<'a>(cascades: impl Iterator<Item = &'a Cascade>) -> Self {
        let mut lanes = [Coefficients::<Lanes> {
            a1: Lanes::ZERO,
            a2: Lanes::ZERO,
            b0: Lanes::ZERO,
            b1: Lanes::ZERO,
            b2: Lanes::ZERO,
        }; ORDER];
        for (lane, cascade) in cascades.take(WIDTH).enumerate() {
            for (to, from) in lanes.iter_mut().zip(cascade.sections()) {
                to.a1.0[lane] = from.a1;
                to.a2.0[lane] = from.a2;
                to.b0.0[lane] = from.b0;
                to.b1.0[lane] = from.b1;
                to.b2.0[lane] = from.b2;
            }
        }
        Self {
            sections: lanes.map(|coefficients| Section { coefficients, s1: Lanes::ZERO, s2: Lanes::ZERO }),
        }
    }

    /// The next samples through every band.
    pub fn run(&mut self, input: &[f64; BLOCK], output: &mut [Lanes; BLOCK]) {
        self.advance(input.iter().map(|sample| Lanes::all(*sample)), output);
    }

    /// The next samples, each band its own.
    pub fn run_each(&mut self, input: &[Lanes; BLOCK], output: &mut [Lanes; BLOCK]) {
        self.advance(input.iter().copied(), output);
    }

    /// Sample by sample through all sections, so that they overlap in the processor.
    #[inline]
    fn advance(&mut self, input: impl Iterator<Item = Lanes>, output: &mut [Lanes; BLOCK]) {
        let mut sections = self.sections;
        for (output, sample) in output.iter_mut().zip(input) {
            let mut value = sample;
            for section in &mut sections {
                value = section.run(value);
            }
            *output = value;
        }
        self.sections = sections;
        self.clear_traces();
    }

    /// Clears what has decayed to nothing.
    fn clear_traces(&mut self) {
        for section in &mut self.sections {
            for state in section.s1.0.iter_mut().chain(&mut section.s2.0) {
                if state.abs() < NOTHING {
                    *state = 0.0;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Fraction;
    use biquad::{Biquad, DirectForm2Transposed};

    /// The slow obvious form: the crate's own scalar struct, section after section. Bits must agree.
    #[test]
    fn lockstep_gives_the_bits_of_the_scalar_filter() {
        let cascades: Vec<Cascade> =
            (0..3).map(|step| Cascade::new(&Fraction::Third.band(step), 48_000.0).unwrap()).collect();
        let mut lockstep = LaneFilter::new(cascades.iter());
        let mut scalar: Vec<_> =
            cascades.iter().map(|c| c.sections().map(DirectForm2Transposed::<f64>::new)).collect();
        let mut outputs = [Lanes::ZERO; BLOCK];
        for block in 0..30 {
            let input: [f64; BLOCK] =
                std::array::from_fn(|k| ((block * BLOCK + k) * 7_919 % 101) as f64 / 101.0 - 0.5);
            lockstep.run(&input, &mut outputs);
            for (sample, lanes) in input.iter().zip(outputs) {
                for (lane, sections) in scalar.iter_mut().enumerate() {
                    let expected = sections.iter_mut().fold(*sample, |value, section| section.run(value));
                    assert_eq!(lanes.0[lane].to_bits(), expected.to_bits());
                }
                assert_eq!(lanes.0[3], 0.0);
            }
        }
    }

    /// A band-pass fed an impulse and then nothing keeps subnormal states for ever, unless they are cleared.
    #[test]
    fn silence_empties_the_states() {
        let cascade = Cascade::new(&Fraction::Third.band(10), 48_000.0).unwrap();
        let mut filter = LaneFilter::new(std::iter::once(&cascade));
        let mut scalar = cascade.sections().map(DirectForm2Transposed::<f64>::new);
        let mut outputs = [Lanes::ZERO; BLOCK];
        for block in 0..750 {
            let mut input = [0.0; BLOCK];
            input[0] = if block == 0 { 1.0 } else { 0.0 };
            filter.run(&input, &mut outputs);
            for sample in input {
                scalar.iter_mut().fold(sample, |value, section| section.run(value));
            }
        }
        let states = filter.sections.iter().flat_map(|s| s.s1.0.into_iter().chain(s.s2.0));
        assert!(states.into_iter().all(|state| state == 0.0));
        assert!(
            scalar.iter().any(|s| s.s1 != 0.0 && !s.s1.is_normal()),
            "the trap is gone: drop the clearing"
        );
    }
}
