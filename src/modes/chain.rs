//! Poles that the direct sound brings along: the lower band edge of a loudspeaker, or of the sweep, rings like a mode.
//!
//! At every place such a pole starts with the direct sound and in its phase, while a mode of the room swings everywhere
//! at once, in phase or against it: brought to each place's own direct sound the amplitudes of the one agree, brought to
//! the emission those of the other. It lies where the range of the signal ends.

use super::Mode;
use super::collect::pole_of;
use super::record::sounding_len;
use super::settings::Place;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

// Our own choices, all of these; what becomes of low ends of a chain by them stands in docs/accuracy.md.

/// Amplitudes at the direct sound that belong to the chain add up to more than this share of their sizes …
const AGREE: f64 = 0.97;
/// … and leave at most a third of what those at the emission leave, which is not nothing.
const BETTER: (f64, f64) = (3.0, 0.02);
/// So many places at least must say so.
const PLACES: usize = 3;
/// No farther from the end of the range than this factor.
const NEAR_END: f64 = 1.3;
/// The range ends where the level falls so far below that of the octave above: 20 dB.
const FALL: f64 = 0.01;
/// Where the end is looked for, Hz, and the steps, as factors.
const LOOK_HZ: (f64, f64) = (10.0, 200.0);
const STEP: f64 = 1.04;

/// The lower band edge of what the files hold.
pub(super) struct Chain {
    end_hz: Option<f64>,
    /// Of each place: from the emission, to which amplitudes refer, to the direct sound, s.
    arrivals_s: Vec<Option<f64>>,
}

impl Chain {
    /// Looks at all places of a state.
    pub fn of(places: &[Place<'_>]) -> Self {
        let arrival = |p: &Place<'_>| p.emission_s.map(|emission| p.onset_s - emission);
        Self { end_hz: lower_edge_hz(places), arrivals_s: places.iter().map(arrival).collect() }
    }

    /// Whether a resonance is one of the chain's.
    pub fn has(&self, mode: &Mode) -> bool {
        let pole = pole_of(mode);
        let near = |end_hz: f64| (1.0 / NEAR_END..NEAR_END).contains(&(pole.frequency_hz() / end_hz));
        self.end_hz.is_some_and(near) && self.starts_with_direct_sound(mode)
    }

    fn starts_with_direct_sound(&self, mode: &Mode) -> bool {
        let lambda = pole_of(mode).lambda();
        let known = mode.amplitudes.iter().zip(&self.arrivals_s).filter_map(|(a, t)| (*a).zip(*t));
        let (mut here, mut there, mut sizes, mut count) =
            (Complex::from(0.0), Complex::from(0.0), (0.0, 0.0), 0);
        for (amplitude, arrival_s) in known.filter(|(a, _)| a.is_detected()) {
            let emitted = Complex::new(amplitude.re, amplitude.im);
            let arrived = emitted * (lambda * arrival_s).exp();
            (here, there) = (here + arrived, there + emitted);
            sizes = (sizes.0 + arrived.norm(), sizes.1 + emitted.norm());
            count += 1;
        }
        let left = (1.0 - here.norm() / sizes.0, 1.0 - there.norm() / sizes.1);
        count >= PLACES && left.0 < 1.0 - AGREE && left.1 > BETTER.1 && left.1 > BETTER.0 * left.0
    }
}

/// The highest frequency under which the places together hold 20 dB less than in the octave above it; `None` where
/// their spectrum has no end.
fn lower_edge_hz(places: &[Place<'_>]) -> Option<f64> {
    let powers: Vec<Power> = places.iter().map(Power::of).collect();
    let power = |from: f64, to: f64| powers.iter().map(|p| p.mean(from, to)).sum::<f64>();
    let mut hz = LOOK_HZ.1;
    while hz > LOOK_HZ.0 {
        hz /= STEP;
        if power(hz / STEP, hz * STEP) < FALL * power(hz * STEP, 2.0 * hz) {
            return Some(hz);
        }
    }
    None
}

/// Squared spectrum of one place's whole file: an edge that rings before the direct sound too has no end after it.
struct Power {
    step_hz: f64,
    squares: Vec<f64>,
}

impl Power {
    fn of(place: &Place<'_>) -> Self {
        let samples = &place.samples[..sounding_len(&place.samples)];
        let mut buffer: Vec<Complex<f64>> = samples.iter().map(|s| Complex::from(*s)).collect();
        if buffer.is_empty() {
            return Self { step_hz: 1.0, squares: Vec::new() };
        }
        FftPlanner::new().plan_fft_forward(buffer.len()).process(&mut buffer);
        let step_hz = place.rate_hz / buffer.len() as f64;
        Self { step_hz, squares: buffer.iter().take(buffer.len() / 2).map(|v| v.norm_sqr()).collect() }
    }

    /// Mean between two frequencies.
    fn mean(&self, from_hz: f64, to_hz: f64) -> f64 {
        let first = (from_hz / self.step_hz).floor() as usize;
        let last = (to_hz / self.step_hz).ceil() as usize;
        let inside = self.squares.get(first..=last).unwrap_or_default();
        inside.iter().sum::<f64>() / inside.len().max(1) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Amplitude, Kind};
    use super::*;
    use crate::flag::Flags;
    use std::f64::consts::TAU;

    const ARRIVALS_S: [f64; 4] = [0.004, 0.009, 0.006, 0.012];

    fn mode(hz: f64, amplitude: impl Fn(usize, Complex<f64>) -> Complex<f64>) -> Mode {
        let lambda = Complex::new(-9.0, TAU * hz);
        let at = |m: usize| {
            let a = amplitude(m, lambda);
            Some(Amplitude { re: a.re, im: a.im, covariance: [1e-9, 0.0, 1e-9], delta_chi2: 1e6 })
        };
        Mode {
            kind: Kind::Unsure,
            omega_per_s: lambda.im,
            decay_per_s: -lambda.re,
            omega_sd_per_s: 0.01,
            decay_sd_per_s: 0.01,
            amplitudes: (0..ARRIVALS_S.len()).map(at).collect(),
            flags: Flags::default(),
        }
    }

    /// A pole that starts with the direct sound at every place, the weaker the later; one that swings everywhere at
    /// once, with and against; both at the end of the range and far from it.
    #[test]
    fn what_starts_with_the_direct_sound_is_the_chain() {
        let chain = Chain { end_hz: Some(48.0), arrivals_s: ARRIVALS_S.map(Some).to_vec() };
        let direct = |m: usize, lambda: Complex<f64>| (-lambda * ARRIVALS_S[m]).exp() / ARRIVALS_S[m];
        let room = |m: usize, _: Complex<f64>| Complex::new(0.0, [1.0, 0.7, -0.8, 1.2][m]);
        let one_side = |m: usize, _: Complex<f64>| Complex::new(0.0, [1.0, 0.7, 0.8, 1.2][m]);
        assert!(chain.has(&mode(50.0, direct)));
        assert!(!chain.has(&mode(50.0, room)) && !chain.has(&mode(50.0, one_side)));
        assert!(!chain.has(&mode(75.0, direct)));
        let unknown = Chain { end_hz: Some(48.0), arrivals_s: vec![None; 4] };
        assert!(!unknown.has(&mode(50.0, direct)));
    }

    /// White below 200 Hz down to 40 Hz, nothing below: the end is there; a flat spectrum has none.
    #[test]
    fn the_end_of_the_range_is_where_the_level_falls() {
        let rate_hz = 1000.0;
        let from = |lowest: usize| -> Vec<f64> {
            let tones: Vec<f64> = (lowest..400).map(|k| TAU * k as f64 / 2000.0).collect();
            (0..2000)
                .map(|n| tones.iter().enumerate().map(|(i, w)| (w * n as f64 + (i * i) as f64).sin()).sum())
                .collect()
        };
        let end = |samples: &[f64]| lower_edge_hz(&[Place::new("p", "", samples, rate_hz, 0.0)]);
        let found = end(&from(80)).unwrap();
        assert!((37.0..43.0).contains(&found), "{found}");
        assert_eq!(end(&from(1)), None);
    }
}
