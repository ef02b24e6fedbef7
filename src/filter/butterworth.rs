//! Butterworth band-pass as a cascade of second-order sections.
//!
//! Analogue prototype poles on the unit circle, the low-pass to band-pass transformation, the
//! bilinear transformation with both edges pre-warped (Oppenheim & Schafer, *Discrete-Time Signal
//! Processing*, ch. 7): −3.01 dB falls exactly on the edges. Sections, never one long polynomial: as
//! numerator and denominator of order eight a one-third octave at 20 Hz is unstable in double precision.

use super::band::Band;
use biquad::Coefficients;
use rustfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};

/// Order of the low-pass prototype; the band-pass has twice as many poles.
///
/// Two fails class 1 of IEC 61260-1:2014, three fails it in the top bands, where the bilinear
/// transformation flattens the lower skirt; four meets it in every band up to an upper edge of
/// rate/2.05 (shown in this folder's tests).
pub const ORDER: usize = 4;

/// How close the upper edge may come to the sample rate: rate / upper edge. Above, class 1 is lost.
pub const LEAST_RATE_PER_EDGE: f64 = 2.05;

/// A band-pass at one sample rate: as many second-order sections as the prototype has poles.
#[derive(Debug, Clone, Copy)]
pub struct Cascade {
    sections: [Coefficients<f64>; ORDER],
    rate_hz: f64,
}

impl Cascade {
    /// Designs the band-pass; `None` where the sample rate can't carry the band.
    #[must_use]
    pub fn new(band: &Band, rate_hz: f64) -> Option<Self> {
        if !(rate_hz.is_finite() && rate_hz >= LEAST_RATE_PER_EDGE * band.upper_hz) {
            return None;
        }
        let warped = |hz: f64| (PI * hz / rate_hz).tan();
        let (lower, upper) = (warped(band.lower_hz), warped(band.upper_hz));
        let (width, product) = (upper - lower, lower * upper);
        let mut sections = [Coefficients { a1: 0.0, a2: 0.0, b0: 0.0, b1: 0.0, b2: 0.0 }; ORDER];
        for (pair, sections) in sections.chunks_exact_mut(2).enumerate() {
            let prototype = Complex::from_polar(1.0, PI * (2 * pair + 1 + ORDER) as f64 / (2 * ORDER) as f64);
            let half = prototype * (width / 2.0);
            let root = (half * half - product).sqrt();
            for (section, pole) in sections.iter_mut().zip([half + root, half - root]) {
                *section = unit_gain_section((1.0 + pole) / (1.0 - pole), band.centre_hz / rate_hz);
            }
        }
        Some(Self { sections, rate_hz })
    }

    /// The sections' coefficients, as the `biquad` crate runs them.
    #[must_use]
    pub fn sections(&self) -> &[Coefficients<f64>; ORDER] {
        &self.sections
    }

    /// Samples after which an impulse has left the filter, by 180 dB or more, from the pole nearest the unit circle.
    #[must_use]
    pub fn settled_after(&self) -> usize {
        let slowest = self.sections.iter().map(|section| section.a2.ln() / 2.0).fold(f64::MIN, f64::max);
        (9.0 * std::f64::consts::LN_10 / -slowest).ceil() as usize
    }

    /// Complex gain at a frequency in hertz, of the filter run forward in time.
    #[cfg(test)]
    pub(super) fn gain_at(&self, hz: f64) -> Complex<f64> {
        self.gain_of(Complex::new(0.0, -TAU * hz))
    }

    /// What the filter, run backward in time, makes of e^(λt) while that lasts: with λ in 1/s the same times Σ h(u) e^(λu),
    /// which holds exactly, as the reversed filter sees nothing but what is still to come.
    #[must_use]
    pub(crate) fn gain_of(&self, lambda_per_s: Complex<f64>) -> Complex<f64> {
        let z1 = (lambda_per_s / self.rate_hz).exp();
        self.sections.iter().map(|section| section_gain(section, z1)).product()
    }
}

/// Poles at `pole` and its conjugate, zeros at 0 Hz and half the rate, gain 1 at `centre` cycles per sample.
fn unit_gain_section(pole: Complex<f64>, centre: f64) -> Coefficients<f64> {
    let raw = Coefficients { a1: -2.0 * pole.re, a2: pole.norm_sqr(), b0: 1.0, b1: 0.0, b2: -1.0 };
    let gain = 1.0 / section_gain(&raw, Complex::from_polar(1.0, -TAU * centre)).norm();
    Coefficients { b0: gain, b2: -gain, ..raw }
}

/// Gain of one section where a delay by a sample is a factor of `z1`.
fn section_gain(c: &Coefficients<f64>, z1: Complex<f64>) -> Complex<f64> {
    let z2 = z1 * z1;
    (z1 * c.b1 + z2 * c.b2 + c.b0) / (z1 * c.a1 + z2 * c.a2 + 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Fraction;
    use approx::assert_relative_eq;

    /// The definition of the design: |H|² is 1 at the centre and ½ at both edges, at every rate.
    #[test]
    fn edges_are_half_power_and_the_centre_has_unit_gain() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for band in [Fraction::Octave, Fraction::Third].iter().flat_map(|f| f.bands()) {
                let Some(cascade) = Cascade::new(&band, rate_hz) else { continue };
                assert_relative_eq!(
                    cascade.gain_at(band.centre_hz).norm(),
                    1.0,
                    epsilon = 0.0,
                    max_relative = 1e-9
                );
                let reference = cascade.peak_gain(&band);
                for edge in [band.lower_hz, band.upper_hz] {
                    let power = (cascade.gain_at(edge).norm() / reference).powi(2);
                    assert_relative_eq!(power, 0.5, epsilon = 0.0, max_relative = 1e-8);
                }
            }
        }
    }

    impl Cascade {
        /// Gain where the digital band-pass has its maximum: the geometric mean of the warped edges.
        fn peak_gain(&self, band: &Band) -> f64 {
            let warped = |hz: f64| (PI * hz / self.rate_hz).tan();
            let peak = (warped(band.lower_hz) * warped(band.upper_hz)).sqrt().atan() * self.rate_hz / PI;
            self.gain_at(peak).norm()
        }
    }

    /// Butterworth (1930): |H|² = 1/(1 + u^2N) over the transformed frequency u, here on the warped axis.
    #[test]
    fn the_power_gain_is_the_butterworth_formula_everywhere() {
        let (band, rate_hz) = (Fraction::Third.band(0), 48_000.0);
        let cascade = Cascade::new(&band, rate_hz).unwrap();
        let warped = |hz: f64| (PI * hz / rate_hz).tan();
        let (lower, upper) = (warped(band.lower_hz), warped(band.upper_hz));
        let reference = cascade.peak_gain(&band).powi(2);
        for hz in [50.0, 300.0, 800.0, 950.0, 1_050.0, 1_300.0, 4_000.0, 20_000.0] {
            let u = (warped(hz) * warped(hz) - lower * upper) / ((upper - lower) * warped(hz));
            let expected = 1.0 / (1.0 + u.powi(2 * ORDER as i32));
            assert_relative_eq!(
                cascade.gain_at(hz).norm_sqr() / reference,
                expected,
                epsilon = 0.0,
                max_relative = 1e-7
            );
        }
    }

    #[test]
    fn a_rate_too_low_for_the_band_is_refused() {
        let band = Fraction::Third.band(13);
        assert!(Cascade::new(&band, 44_100.0).is_none());
        assert!(Cascade::new(&band, 48_000.0).is_some());
        assert!(Cascade::new(&band, f64::NAN).is_none());
    }
}
