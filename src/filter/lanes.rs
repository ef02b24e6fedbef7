//! Four bands filtered in lockstep: one number per band in a value that the `biquad` crate's structs run on.
//!
//! The compiler turns each operation into vector instructions; every lane gets the very bits that the
//! scalar struct would give.

use super::butterworth::{Cascade, ORDER};
use biquad::{Biquad, Coefficients, DirectForm2Transposed};
use rustfft::num_traits::{ConstZero, Zero};
use std::ops::{Add, Mul, Sub};

/// Bands in lockstep.
pub const WIDTH: usize = 4;

/// One number for each band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lanes(pub [f64; WIDTH]);

impl Lanes {
    /// The same number in every lane.
    #[must_use]
    #[inline]
    pub fn all(value: f64) -> Self {
        Self([value; WIDTH])
    }
}

/// Element by element.
#[inline]
fn each(a: Lanes, b: Lanes, operation: impl Fn(f64, f64) -> f64) -> Lanes {
    Lanes(std::array::from_fn(|lane| operation(a.0[lane], b.0[lane])))
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

impl Zero for Lanes {
    fn zero() -> Self {
        Self::ZERO
    }
    fn is_zero(&self) -> bool {
        *self == Self::ZERO
    }
}

impl ConstZero for Lanes {
    const ZERO: Self = Self([0.0; WIDTH]);
}

/// Up to [`WIDTH`] band-passes that run over the same samples.
#[derive(Debug, Clone)]
pub struct LaneFilter {
    sections: [DirectForm2Transposed<Lanes, Lanes>; ORDER],
}

/// States below this are cleared: 1e-100 is 2000 dB under full scale, and still far from the subnormal
/// numbers (below 2e-308) that cost a processor a hundred times more.
const NOTHING: f64 = 1e-100;

/// Samples between two looks at the states; a section loses under 300 dB in so few.
pub const LOOK_EVERY: usize = 64;

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
        Self { sections: lanes.map(DirectForm2Transposed::new) }
    }

    /// The next sample through every band.
    #[inline]
    pub fn run(&mut self, sample: f64) -> Lanes {
        let mut value = Lanes::all(sample);
        for section in &mut self.sections {
            value = section.run(value);
        }
        value
    }

    /// Clears what has decayed to nothing; to be called every [`LOOK_EVERY`] samples.
    pub fn clear_traces(&mut self) {
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

    /// The slow obvious form: the crate's own scalar struct, section after section. Bits must agree.
    #[test]
    fn lockstep_gives_the_bits_of_the_scalar_filter() {
        let cascades: Vec<Cascade> =
            (0..3).map(|step| Cascade::new(&Fraction::Third.band(step), 48_000.0).unwrap()).collect();
        let mut lockstep = LaneFilter::new(cascades.iter());
        let mut scalar: Vec<_> =
            cascades.iter().map(|c| c.sections().map(DirectForm2Transposed::<f64>::new)).collect();
        for k in 0..2_000 {
            let sample = f64::from(k * 7_919 % 101) / 101.0 - 0.5;
            let lanes = lockstep.run(sample);
            for (lane, sections) in scalar.iter_mut().enumerate() {
                let expected = sections.iter_mut().fold(sample, |value, section| section.run(value));
                assert_eq!(lanes.0[lane].to_bits(), expected.to_bits());
            }
            assert_eq!(lanes.0[3], 0.0);
        }
    }

    /// Without clearing, the states of a band-pass fed an impulse stay subnormal for ever.
    #[test]
    fn silence_empties_the_states() {
        let cascade = Cascade::new(&Fraction::Third.band(10), 48_000.0).unwrap();
        let run = |clear: bool| {
            let mut filter = LaneFilter::new([&cascade].into_iter());
            filter.run(1.0);
            for k in 0..48_000 {
                filter.run(0.0);
                if clear && k % LOOK_EVERY == 0 {
                    filter.clear_traces();
                }
            }
            filter.sections.iter().flat_map(|s| s.s1.0.into_iter().chain(s.s2.0)).map(f64::abs).sum::<f64>()
        };
        assert_eq!(run(true), 0.0);
        assert!(run(false) > 0.0);
    }
}
