//! Envelope of a response in a band without ringing.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// A Gaussian band that lets nothing through at zero frequency: no ringing before or after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Middle, in hertz.
    pub centre_hz: f64,
    /// Standard deviation, in hertz.
    pub sd_hz: f64,
}

impl Band {
    /// Some two octaves wide: −69 dB at zero frequency and at twice the centre, before the low cut.
    pub fn around(centre_hz: f64) -> Self {
        Self { centre_hz, sd_hz: centre_hz / 4.0 }
    }

    /// The widest that still has no edge: sharper in time, less deaf to what lies far below.
    pub fn wide(centre_hz: f64) -> Self {
        Self { centre_hz, sd_hz: centre_hz / 2.5 }
    }

    /// Standard deviation of its impulse response's envelope, in seconds.
    pub fn width_s(&self) -> f64 {
        1.0 / (2.0 * PI * self.sd_hz)
    }

    /// Gain at a frequency, about one in the middle.
    fn gain(&self, hz: f64) -> f64 {
        let bell = (-0.5 * ((hz - self.centre_hz) / self.sd_hz).powi(2)).exp();
        bell * (1.0 - (-0.5 * (5.0 * hz / self.centre_hz).powi(2)).exp())
    }
}

/// Magnitude of the analytic signal in a band, sample by sample.
pub struct Envelope {
    /// The values, as long as the signal.
    pub values: Vec<f64>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// The band.
    pub band: Band,
    /// Where it is largest; the record's very end, where the cut shows, left out.
    pub largest: usize,
    /// End of the samples in which `largest` was looked for.
    pub largest_end: usize,
    /// The band is loud at the record's ends only although the signal goes on between: a steady tone
    /// cut by the ends, no response.
    pub ends_only: bool,
    /// Rms of the quietest twentieth that isn't digitally silent.
    pub noise: f64,
}

impl Envelope {
    /// Envelope of `samples`; before and after, the first and last sample are held and faded out, so
    /// that an offset or a mode cut by the record's ends makes no click there.
    pub fn new(samples: &[f64], rate_hz: f64, band: Band) -> Self {
        let values = magnitudes(samples, rate_hz, band);
        let margin = ((6.0 * band.width_s() * rate_hz).ceil() as usize).min(values.len());
        let largest_end = values.len() - margin;
        let largest = largest(&values[..largest_end]);
        let inner = margin..largest_end.max(margin);
        let inside = peak(&values[inner.clone()]);
        let loud_ends = 0.1 * peak(&values) > inside && peak(&values[largest_end..]) > 3.0 * inside;
        let ends_only = loud_ends && peak(&samples[inner]) > 0.1 * peak(samples);
        let noise = quietest(&values, 1e-12 * values.get(largest).copied().unwrap_or(0.0));
        Self { values, rate_hz, band, largest, largest_end, ends_only, noise }
    }

    /// Largest value over the noise; infinite above digital silence, zero for silence itself.
    pub fn peak_to_noise(&self) -> f64 {
        let maximum = self.values.get(self.largest).copied().unwrap_or(0.0);
        match (maximum > 0.0, self.noise > 0.0) {
            (false, _) => 0.0,
            (true, false) => f64::INFINITY,
            (true, true) => maximum / self.noise,
        }
    }
}

fn magnitudes(samples: &[f64], rate_hz: f64, band: Band) -> Vec<f64> {
    let (Some(&first), Some(&last)) = (samples.first(), samples.last()) else { return Vec::new() };
    let fade = (10.0 * rate_hz / band.centre_hz).ceil() as usize;
    let n = fast_length(samples.len() + 2 * fade);
    let rise = |k: usize| 0.5 - 0.5 * (PI * k as f64 / fade as f64).cos();
    let lead_in = (0..fade).map(|k| first * rise(k));
    let lead_out = (0..fade).rev().map(|k| last * rise(k));
    let mut buffer: Vec<Complex<f64>> =
        lead_in.chain(samples.iter().copied()).chain(lead_out).map(|x| Complex::new(x, 0.0)).collect();
    buffer.resize(n, Complex::new(0.0, 0.0));
    let mut planner = FftPlanner::new();
    planner.plan_fft_forward(n).process(&mut buffer);
    for (k, value) in buffer.iter_mut().enumerate() {
        let positive = k > 0 && 2 * k < n;
        // Two for the negative frequencies left out, 1/n for the way back.
        let gain = if positive { 2.0 * band.gain(k as f64 * rate_hz / n as f64) / n as f64 } else { 0.0 };
        *value *= gain;
    }
    planner.plan_fft_inverse(n).process(&mut buffer);
    buffer[fade..fade + samples.len()].iter().map(|z| z.norm()).collect()
}

/// Next length whose only prime factors are 2, 3 and 5: the transform is quick there.
pub fn fast_length(least: usize) -> usize {
    (least.max(1)..)
        .find(|&n| {
            let mut rest = n;
            for prime in [2, 3, 5] {
                while rest % prime == 0 {
                    rest /= prime;
                }
            }
            rest == 1
        })
        .unwrap_or(least)
}

/// Largest magnitude.
fn peak(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |most, v| most.max(v.abs()))
}

/// Index of the first largest value.
fn largest(values: &[f64]) -> usize {
    let mut best = 0;
    for (k, value) in values.iter().enumerate() {
        if value.total_cmp(&values[best]).is_gt() {
            best = k;
        }
    }
    best
}

/// Least rms of twenty equal stretches, silent ones (at or below `silence`) passed over.
fn quietest(values: &[f64], silence: f64) -> f64 {
    let length = values.len() / 20;
    if length == 0 {
        return 0.0;
    }
    let rms = |part: &[f64]| (part.iter().map(|v| v * v).sum::<f64>() / part.len() as f64).sqrt();
    let stretches = values.chunks_exact(length).map(rms).filter(|&r| r > silence);
    let least = stretches.fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}
