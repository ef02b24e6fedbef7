//! Repeats of one response laid on one another: spectra, delays, shifts.

use crate::spectrum::{fast_length, of_real, to_real};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use std::ops::Range;

/// Least delay that is taken out, in seconds. Two takes 10 µs apart lose 0.3 dB of their mean at
/// 8 kHz, 0.004 dB at 1 kHz (cos πfτ); under that, repeats are left as they were recorded.
const LEAST_DELAY_S: f64 = 10e-6;

/// Spectra of repeats at one rate, all of one transform length with room for a shift.
pub struct Repeats {
    /// One spectrum a take: bins 0 to `length / 2`.
    pub spectra: Vec<Vec<Complex<f64>>>,
    /// Transform length in samples.
    pub length: usize,
    /// Sample rate in hertz.
    pub rate_hz: f64,
}

/// How one take lies against another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delay {
    /// By how many samples it comes later.
    pub samples: f64,
    /// Standard deviation of that, from the scatter of the phases.
    pub sd_samples: f64,
    /// Whether the sign is the same.
    pub same_sign: bool,
}

impl Repeats {
    /// Transforms the takes; each is padded with as many zeros as the longest has samples.
    pub fn new(takes: &[&[f64]], rate_hz: f64) -> Self {
        let longest = takes.iter().map(|t| t.len()).max().unwrap_or(1);
        let length = 2 * fast_length(longest.max(2));
        let spectrum = |take: &&[f64]| {
            let mut padded = take.to_vec();
            padded.resize(length, 0.0);
            of_real(&mut padded)
        };
        Self { spectra: takes.iter().map(spectrum).collect(), length, rate_hz }
    }

    /// Bins from one frequency to another, as far as the rate reaches.
    pub fn bins(&self, from_hz: f64, to_hz: f64) -> Range<usize> {
        let per_hz = self.length as f64 / self.rate_hz;
        let last = self.length / 2;
        let from = ((from_hz * per_hz).ceil() as usize).clamp(1, last);
        from..((to_hz.min(0.45 * self.rate_hz) * per_hz) as usize).clamp(from, last)
    }

    /// Delay of take `later` against take `reference`: the peak of their cross-correlation, then the
    /// slope of the cross-spectrum's phase, weighted by its magnitude (least squares).
    pub fn delay(&self, reference: usize, later: usize) -> Delay {
        if reference == later {
            return Delay { samples: 0.0, sd_samples: 0.0, same_sign: true };
        }
        let bins = self.bins(20.0, f64::INFINITY);
        let pairs = self.spectra[later][bins.clone()].iter().zip(&self.spectra[reference][bins.clone()]);
        let cross: Vec<Complex<f64>> = pairs.map(|(a, b)| a * b.conj()).collect();
        let (whole, same_sign) = self.correlation_peak(&cross, bins.start);
        let per_bin = 2.0 * PI / self.length as f64;
        let mut lines: Vec<Line> = cross
            .iter()
            .enumerate()
            .map(|(k, value)| Line {
                angle: per_bin * (bins.start + k) as f64,
                value: if same_sign { *value } else { -value },
                weight: value.norm(),
            })
            .collect();
        advance(&mut lines, whole);
        let first = phase_slope(&lines).0;
        advance(&mut lines, first);
        let (more, sd_samples) = phase_slope(&lines);
        Delay { samples: whole + first + more, sd_samples, same_sign }
    }

    /// Whole lag, in samples, of the largest magnitude of the cross-correlation, and its sign.
    fn correlation_peak(&self, cross: &[Complex<f64>], first_bin: usize) -> (f64, bool) {
        let mut bins = vec![Complex::from(0.0); self.length / 2 + 1];
        bins[first_bin..first_bin + cross.len()].copy_from_slice(cross);
        let correlation = to_real(&mut bins, self.length);
        let mut best = 0;
        for (lag, value) in correlation.iter().enumerate() {
            if value.abs() > correlation[best].abs() {
                best = lag;
            }
        }
        let signed = if best > self.length / 2 { best as f64 - self.length as f64 } else { best as f64 };
        (signed, correlation[best] >= 0.0)
    }

    /// Moves a take earlier by `samples` (any fraction); what is moved in counts as zero.
    pub fn advance(&mut self, take: usize, samples: f64) {
        let last = self.length / 2;
        for (k, value) in self.spectra[take].iter_mut().enumerate() {
            let turn = Complex::cis(2.0 * PI * k as f64 * samples / self.length as f64);
            // The highest bin stands for both signs of its frequency and must stay real.
            *value = if k == last { Complex::new(value.re * turn.re, 0.0) } else { *value * turn };
        }
    }

    /// The first `n` samples of a take, back from its spectrum.
    pub fn samples(&self, take: usize, n: usize) -> Vec<f64> {
        let mut samples = to_real(&mut self.spectra[take].clone(), self.length);
        samples.truncate(n);
        samples.iter().map(|x| x / self.length as f64).collect()
    }
}

/// One line of a cross-spectrum.
struct Line {
    /// Its phase for a delay of one sample, rad.
    angle: f64,
    value: Complex<f64>,
    /// Magnitude of the value.
    weight: f64,
}

/// Takes a delay out.
fn advance(lines: &mut [Line], samples: f64) {
    if samples != 0.0 {
        lines.iter_mut().for_each(|line| line.value *= Complex::cis(line.angle * samples));
    }
}

/// Delay in samples that lines still hold, and its standard deviation.
fn phase_slope(lines: &[Line]) -> (f64, f64) {
    let phases: Vec<f64> = lines.iter().map(|line| line.value.arg()).collect();
    let (mut slope, mut weight) = (0.0, 0.0);
    for (line, phase) in lines.iter().zip(&phases) {
        slope -= line.weight * line.angle * phase;
        weight += line.weight * line.angle * line.angle;
    }
    if weight <= 0.0 {
        return (0.0, f64::INFINITY);
    }
    let delay = slope / weight;
    let scatter = lines
        .iter()
        .zip(&phases)
        .map(|(line, phase)| (line.weight * line.angle * (phase + delay * line.angle)).powi(2));
    (delay, scatter.sum::<f64>().sqrt() / weight)
}

/// The part of each delay worth taking out, against the middle one.
///
/// Sample 0 stays that of the take in the middle, the most likely to share its start with the files of
/// other positions. Nothing is moved below 10 µs or three standard deviations of the delay.
pub fn to_take_out(delays: &[Delay], rate_hz: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..delays.len()).collect();
    order.sort_by(|&a, &b| delays[a].samples.total_cmp(&delays[b].samples).then(a.cmp(&b)));
    let middle = order[(delays.len() - 1) / 2];
    let worth_moving = |delay: &Delay| {
        let apart = delay.samples - delays[middle].samples;
        let sd = delay.sd_samples.hypot(delays[middle].sd_samples);
        let worth = apart.abs() > 3.0 * sd && apart.abs() > LEAST_DELAY_S * rate_hz;
        if worth { apart } else { 0.0 }
    };
    delays.iter().map(worth_moving).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{add_impulse, damped, measured, noise};

    fn response(at: f64, seed: u64, floor: f64) -> Vec<f64> {
        let mut samples: Vec<f64> = noise(seed, 24_000).iter().map(|x| floor * x).collect();
        for (away, height) in [(0.0, 1.0), (311.3, 0.5), (700.1, -0.4), (1500.7, 0.2)] {
            add_impulse(&mut samples, at + away, height);
        }
        samples
    }

    /// Known delays, down to a fraction of a sample, with noise 60 dB under the peak: within four of
    /// the stated standard deviations, and these are small.
    #[test]
    fn delay_is_found_to_a_small_fraction_of_a_sample_with_its_own_spread() {
        let first = response(2000.0, 1, 1e-3);
        for (k, delay) in [0.0, 0.01, 0.37, -0.5, 12.75, -133.2, 4000.4].into_iter().enumerate() {
            for sign in [1.0, -1.0] {
                let other: Vec<f64> =
                    response(2000.0 + delay, 50 + k as u64, 1e-3).iter().map(|x| sign * x).collect();
                let found = Repeats::new(&[&first, &other], 48_000.0).delay(0, 1);
                assert!((found.samples - delay).abs() < 4.0 * found.sd_samples, "{delay}: {found:?}");
                assert!(found.sd_samples < 0.005, "{delay}: {found:?}");
                assert_eq!(found.same_sign, sign > 0.0);
            }
        }
    }

    /// Shifting there and back is no change; shifting by whole samples is a shift.
    #[test]
    fn a_shift_moves_by_exactly_what_is_asked() {
        let first = damped(200.0, 30.0, 0.3, 8_000.0, 4_000);
        let mut repeats = Repeats::new(&[&first], 8_000.0);
        repeats.advance(0, 100.0);
        let moved = repeats.samples(0, 3_900);
        assert!(moved.iter().zip(&first[100..]).all(|(a, b)| (a - b).abs() < 1e-12));
        repeats.advance(0, -100.37);
        repeats.advance(0, 0.37);
        let back = repeats.samples(0, 4_000);
        assert!(back.iter().zip(&first).all(|(a, b)| (a - b).abs() < 2e-4), "only the highest bin is lost");
    }

    #[test]
    fn small_or_doubtful_delays_are_left_alone_and_the_middle_take_stays() {
        let delay = |samples: f64, sd_samples: f64| Delay { samples, sd_samples, same_sign: true };
        let moves = to_take_out(&[delay(0.0, 0.01), delay(0.2, 0.01), delay(-0.3, 0.01)], 44_100.0);
        assert_eq!(moves, vec![0.0, 0.0, 0.0], "5 and 7 microseconds");
        let moves = to_take_out(&[delay(0.0, 0.01), delay(5.25, 0.01), delay(5.0, 0.01)], 44_100.0);
        assert_eq!(moves, vec![-5.0, 0.0, 0.0]);
        assert_eq!(to_take_out(&[delay(0.0, 0.0), delay(9.0, 4.0)], 44_100.0), vec![0.0, 0.0]);
    }

    /// Five repeats of one microphone (Prawda et al. 2022): under half a microsecond apart.
    #[test]
    fn measured_repeats_are_not_moved() {
        for state in ["2_numComb_200", "50_numComb_5000"] {
            let names = (1..=5).map(|k| format!("arni_two_states/IR_numClosed_{state}_mic_1_sweep_{k}.wav"));
            let Some(takes) = names.map(|n| measured(&n)).collect::<Option<Vec<_>>>() else { return };
            let slices: Vec<&[f64]> = takes.iter().map(|(samples, _)| samples.as_slice()).collect();
            let repeats = Repeats::new(&slices, 44_100.0);
            let delays: Vec<Delay> = (0..5).map(|k| repeats.delay(0, k)).collect();
            let worst = delays.iter().map(|d| d.samples.abs() / 44_100.0).fold(0.0, f64::max);
            assert!(worst < 0.6e-6, "{delays:?}");
            assert_eq!(to_take_out(&delays, 44_100.0), vec![0.0; 5]);
        }
    }
}
