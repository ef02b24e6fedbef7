//! What tells whether two responses of one place passed the same measuring chain: the direct sound,
//! gated, and the response above the modes, in one-third-octave bands.
//!
//! Small numbers, kept after the samples are gone; the comparison of two states reads them.

use super::align::Repeats;
use crate::mean::mean_square;
use std::f64::consts::PI;

/// Exponents n of the base-10 mid-bands 10^(n/10) Hz (IEC 61260-1:2014, 5.2.1): 500 Hz to 4 kHz.
const MID_BANDS: std::ops::RangeInclusive<i32> = 27..=36;

/// Gate of the direct sound, in seconds from its start: faded in over one millisecond before, out
/// over the last one. Three clear milliseconds resolve some 300 Hz (common practice, no source).
const GATE_S: [f64; 4] = [-0.001, 0.0, 0.003, 0.004];

/// The stretch that stands for the whole response above the modes, in the same way.
const WHOLE_S: [f64; 4] = [-0.001, 0.0, 0.25, 0.26];

/// Energy in one band.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct BandEnergy {
    /// Exact mid-band frequency, in hertz.
    pub mid_hz: f64,
    /// Σ p² / fs in the band: full scale squared times seconds, noise included.
    pub energy: f64,
    /// What noise as loud as the last tenth of the record adds to it.
    pub noise: f64,
}

/// What the measuring chain left in one response.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct ChainFacts {
    /// Direct sound, 500 Hz to 4 kHz, as far as the rate reaches.
    pub direct: Vec<BandEnergy>,
    /// The first 250 ms, in the same bands.
    pub whole: Vec<BandEnergy>,
    /// Largest magnitude of the response, full scale 1.
    pub peak: f64,
    /// The first milliseconds below some 800 Hz, at about 6 kHz: they tell the sign.
    pub wave: Vec<f32>,
}

/// Measures the bands of `samples` (linear, usable part only) around the direct sound at `start_s`.
#[must_use]
pub fn chain_facts(samples: &[f64], rate_hz: f64, start_s: f64) -> ChainFacts {
    let tail = &samples[samples.len() - samples.len() / 10..];
    let noise = (padded(&smooth_ends(tail), rate_hz), tail.len());
    ChainFacts {
        direct: energies(samples, &noise, rate_hz, start_s, GATE_S),
        whole: energies(samples, &noise, rate_hz, start_s, WHOLE_S),
        peak: samples.iter().fold(0.0, |most, x| most.max(x.abs())),
        wave: wave(samples, rate_hz, start_s),
    }
}

/// A gate of 5 ms is read at bins of 5 Hz or less, so that no band falls between them.
fn padded(signal: &[f64], rate_hz: f64) -> Repeats {
    let mut long = signal.to_vec();
    long.resize(signal.len().max((0.1 * rate_hz) as usize), 0.0);
    Repeats::new(&[&long], rate_hz)
}

/// From a millisecond before the direct sound to four after it, behind a smoothing of 1.25 ms (a Hann window's
/// spectrum is down by half at the inverse of its length).
fn wave(samples: &[f64], rate_hz: f64, start_s: f64) -> Vec<f32> {
    let half = ((0.000_625 * rate_hz) as isize).max(1);
    let (first, last) = (((start_s - 0.001) * rate_hz) as isize, ((start_s + 0.004) * rate_hz) as isize);
    let at = |k: isize| usize::try_from(k).ok().and_then(|k| samples.get(k)).copied().unwrap_or(0.0);
    let weight = |k: isize| 0.5 + 0.5 * (PI * k as f64 / (half + 1) as f64).cos();
    let smooth = |k: isize| (-half..=half).map(|d| weight(d) * at(k + d)).sum::<f64>() / half as f64;
    let step = ((rate_hz / 6_000.0) as usize).max(1);
    (first..last).step_by(step).map(|k| smooth(k) as f32).collect()
}

/// Energies of the gated response; `noise`: spectrum of the record's last tenth, and its samples.
fn energies(
    samples: &[f64],
    (noise, tail): &(Repeats, usize),
    rate_hz: f64,
    start_s: f64,
    gate_s: [f64; 4],
) -> Vec<BandEnergy> {
    let first = ((start_s + gate_s[0]) * rate_hz).floor().max(0.0) as usize;
    let last = ((start_s + gate_s[3]) * rate_hz).ceil().max(0.0) as usize;
    let part = samples.get(first..last.min(samples.len())).unwrap_or_default();
    let weight = |k: usize| gate((first + k) as f64 / rate_hz - start_s, gate_s);
    let gated: Vec<f64> = part.iter().enumerate().map(|(k, x)| x * weight(k)).collect();
    let weights = (0..part.len()).map(|k| weight(k).powi(2)).sum::<f64>();
    let response = padded(&gated, rate_hz);
    let share = weights / (0.5 * (*tail).max(1) as f64);
    let mids = MID_BANDS.map(|n| 10.0_f64.powf(f64::from(n) / 10.0));
    let bands = mids.filter(|mid| mid * 10.0_f64.powf(0.05) < 0.45 * rate_hz);
    let energy = |of: &Repeats, mid: f64| band_energy(of, mid);
    bands
        .map(|mid_hz| BandEnergy {
            mid_hz,
            energy: energy(&response, mid_hz),
            noise: share * energy(noise, mid_hz),
        })
        .collect()
}

/// Weight at a time after the direct sound.
fn gate(at_s: f64, [from, full, fade, to]: [f64; 4]) -> f64 {
    let ramp = |x: f64| 0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos();
    ramp((at_s - from) / (full - from)) * ramp((to - at_s) / (to - fade))
}

/// A sine window: mean square one half.
fn smooth_ends(samples: &[f64]) -> Vec<f64> {
    let n = samples.len() as f64;
    samples.iter().enumerate().map(|(k, x)| x * (PI * (k as f64 + 0.5) / n).sin()).collect()
}

/// Σ p² / fs of the only signal between the band's edges (Parseval).
fn band_energy(of: &Repeats, mid_hz: f64) -> f64 {
    let edge = 10.0_f64.powf(0.05);
    let bins = of.bins(mid_hz / edge, mid_hz * edge);
    let sum: f64 = of.spectra[0][bins].iter().map(|z| z.norm_sqr()).sum();
    2.0 * sum / of.length as f64 / of.rate_hz
}

/// Power ratio of the averaged response's peak-to-noise to that of its median take: what averaging
/// brought. The number of takes, where noise is independent and nothing else differs.
#[must_use]
pub(super) fn averaging_gain(average: &[f64], takes: &[&[f64]]) -> Option<f64> {
    let peak_to_noise = |samples: &[f64]| {
        let peak = samples.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        let noise = mean_square(&samples[samples.len() - samples.len() / 10..]);
        (noise > 0.0).then(|| peak * peak / noise)
    };
    let mut each = takes.iter().map(|t| peak_to_noise(t)).collect::<Option<Vec<f64>>>()?;
    each.sort_by(f64::total_cmp);
    let middle = each.len() / 2;
    let median = if each.len() % 2 == 1 { each[middle] } else { 0.5 * (each[middle - 1] + each[middle]) };
    Some(peak_to_noise(average)? / median)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{add_impulse, noise};
    use approx::assert_relative_eq;

    /// A unit sample has energy 1/fs spread evenly from 0 to fs/2: a band of B hertz holds 2B/fs².
    #[test]
    fn a_unit_sample_fills_each_band_by_its_width() {
        for rate_hz in [16_000.0, 48_000.0, 96_000.0] {
            let mut samples = vec![0.0; rate_hz as usize];
            samples[1_000] = 1.0;
            let facts = chain_facts(&samples, rate_hz, 1_000.0 / rate_hz);
            for band in facts.direct.iter().chain(&facts.whole) {
                let width = band.mid_hz * (10.0_f64.powf(0.05) - 10.0_f64.powf(-0.05));
                let expected = 2.0 * width / rate_hz / rate_hz;
                assert_relative_eq!(band.energy, expected, epsilon = 0.0, max_relative = 0.06);
            }
            assert_eq!(facts.direct.len(), 10);
            assert_relative_eq!(facts.direct[3].mid_hz, 1000.0, epsilon = 0.0, max_relative = 1e-12);
            assert_eq!(facts.peak, 1.0);
        }
    }

    #[test]
    fn an_echo_outside_the_gate_and_modes_leave_the_direct_sound_alone() {
        let mut samples = vec![0.0; 48_000];
        add_impulse(&mut samples, 2_000.0, 1.0);
        let alone = chain_facts(&samples, 48_000.0, 2_000.0 / 48_000.0);
        add_impulse(&mut samples, 2_300.0, 2.0); // 6.25 ms later
        let echo = chain_facts(&samples, 48_000.0, 2_000.0 / 48_000.0);
        for (a, b) in alone.direct.iter().zip(&echo.direct) {
            assert_relative_eq!(a.energy, b.energy, epsilon = 0.0, max_relative = 1e-9);
        }
        assert!(echo.whole[0].energy > 2.0 * alone.whole[0].energy);
    }

    /// Gain squared scales every energy; noise alone is told to be noise.
    #[test]
    fn gain_scales_and_noise_is_told() {
        let mut samples: Vec<f64> = noise(4, 48_000).iter().map(|x| 1e-2 * x).collect();
        let bare = chain_facts(&samples, 48_000.0, 0.1);
        let ratio = bare.direct.iter().map(|b| b.energy / b.noise).sum::<f64>() / 10.0;
        assert!((0.3..2.0).contains(&ratio), "{ratio}");
        let whole = bare.whole.iter().map(|b| b.energy / b.noise).sum::<f64>() / 10.0;
        assert!((0.8..1.25).contains(&whole), "{whole}");
        add_impulse(&mut samples, 4_800.0, 1.0);
        let before = chain_facts(&samples, 48_000.0, 0.1).direct;
        samples.iter_mut().for_each(|x| *x *= -0.5);
        let after = chain_facts(&samples, 48_000.0, 0.1).direct;
        for (b, a) in before.iter().zip(&after) {
            assert_relative_eq!(a.energy / b.energy, 0.25, epsilon = 0.0, max_relative = 1e-9);
        }
    }

    #[test]
    fn four_takes_with_independent_noise_bring_six_decibels() {
        let takes: Vec<Vec<f64>> = (0..4)
            .map(|seed| {
                let mut samples: Vec<f64> = noise(seed, 48_000).iter().map(|x| 1e-3 * x).collect();
                samples[100] = 1.0;
                samples
            })
            .collect();
        let average: Vec<f64> = (0..48_000).map(|k| takes.iter().map(|t| t[k]).sum::<f64>() / 4.0).collect();
        let slices: Vec<&[f64]> = takes.iter().map(Vec::as_slice).collect();
        let gain = averaging_gain(&average, &slices).expect("noise");
        assert_relative_eq!(gain, 4.0, epsilon = 0.0, max_relative = 0.1);
        assert_eq!(averaging_gain(&[1.0, 0.0], &[&[1.0, 0.0]]), None);
    }

    #[test]
    fn short_and_slow_records_do_no_harm() {
        for n in [1, 2, 10, 500] {
            let facts = chain_facts(&vec![1.0; n], 8_000.0, 0.0);
            assert!(facts.direct.iter().all(|b| b.energy.is_finite() && b.noise.is_finite()));
        }
        assert!(chain_facts(&[1.0; 1_000], 1_000.0, 0.0).direct.is_empty());
    }
}
