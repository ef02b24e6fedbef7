//! Envelope of a response in a band without ringing.

use crate::mean::first_largest;
use crate::spectrum::{Kept, Memory, shared_length};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use std::sync::Arc;

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

    /// From here up its gain is below 1e-12, so that cutting it there leaves digital silence silent; in hertz.
    fn end_hz(&self) -> f64 {
        self.centre_hz + 7.5 * self.sd_hz
    }

    /// Gain at a frequency, about one in the middle.
    fn gain(&self, hz: f64) -> f64 {
        let bell = (-0.5 * ((hz - self.centre_hz) / self.sd_hz).powi(2)).exp();
        bell * (1.0 - (-0.5 * (5.0 * hz / self.centre_hz).powi(2)).exp())
    }
}

/// A record whose ends are held and faded out, so that an offset or a mode cut by them makes no click there, with its
/// spectrum: what envelopes in several bands are made from.
pub struct Record<'a> {
    /// Linear pressure.
    pub samples: &'a [f64],
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Samples of each fade.
    fade: usize,
    /// Length of the transform.
    length: usize,
    memory: Memory,
}

impl Drop for Record<'_> {
    fn drop(&mut self) {
        std::mem::take(&mut self.memory).give_back();
    }
}

impl<'a> Record<'a> {
    /// Fades last ten periods of `lowest_hz`, the middle of the lowest band that will be looked at.
    pub fn new(samples: &'a [f64], rate_hz: f64, lowest_hz: f64) -> Self {
        let fade = (10.0 * rate_hz / lowest_hz).ceil() as usize;
        let length = shared_length(samples.len() + 2 * fade);
        let rise = |k: usize| 0.5 - 0.5 * (PI * k as f64 / fade as f64).cos();
        let [first, last] = [samples.first(), samples.last()].map(|x| x.copied().unwrap_or(0.0));
        let mut memory = Memory::spare();
        let padded = &mut memory.real;
        padded.clear();
        padded.extend((0..fade).map(|k| first * rise(k)));
        padded.extend_from_slice(samples);
        padded.extend((0..fade).rev().map(|k| last * rise(k)));
        padded.resize(length, 0.0);
        memory.transform();
        Self { samples, rate_hz, fade, length, memory }
    }

    /// The analytic signal's magnitudes in a band, at every sample or at what rate the band asks for.
    fn magnitudes(&mut self, band: Band, thinned: bool) -> Magnitudes {
        let gains = self.gains(band);
        let out = if thinned { shared_length(gains.len()).min(self.length) } else { self.length };
        let Memory { bins, complex, .. } = &mut self.memory;
        complex.clear();
        complex.extend(bins.iter().zip(gains.iter()).map(|(bin, gain)| bin * gain));
        complex.resize(out, Complex::new(0.0, 0.0));
        self.memory.back();
        let step = self.length as f64 / out as f64;
        let first = (self.fade as f64 / step).ceil();
        let last = (self.fade + self.samples.len()) as f64 / step;
        let kept = &self.memory.complex[first as usize..(last.ceil() as usize).min(out)];
        let values = kept.iter().map(|z| z.norm_sqr().sqrt()).collect();
        Magnitudes { values, step, first: first * step - self.fade as f64 }
    }

    /// Factors of the bins, from zero frequency to where the band ends: 2 for the negative frequencies left out,
    /// 1/length for the way back.
    fn gains(&self, band: Band) -> Arc<[f64]> {
        static GAINS: Kept<(usize, u64, [u64; 2]), [f64]> = Kept::new();
        let per_bin_hz = self.rate_hz / self.length as f64;
        let end = ((band.end_hz() / per_bin_hz).ceil() as usize).min(self.length.div_ceil(2));
        let gain = |k: usize| 2.0 * band.gain(k as f64 * per_bin_hz) / self.length as f64;
        let key = (self.length, self.rate_hz.to_bits(), [band.centre_hz.to_bits(), band.sd_hz.to_bits()]);
        GAINS.get(key, end, || (0..end).map(gain).collect())
    }
}

/// Values `step` samples apart, from the sample `first` on (a fraction of one step after the record's start).
struct Magnitudes {
    values: Vec<f64>,
    step: f64,
    first: f64,
}

/// Magnitude of the analytic signal in a band.
pub struct Envelope {
    /// The values.
    pub values: Vec<f64>,
    /// Samples of the record from one value to the next.
    pub step: f64,
    /// Sample at which the first value stands: less than a step from the record's start.
    pub first: f64,
    /// Sample rate of the record in hertz.
    pub rate_hz: f64,
    /// The band.
    pub band: Band,
    /// Index of the largest value; the record's very end, where the cut shows, left out.
    pub largest: usize,
    /// End of the values among which `largest` was looked for.
    pub largest_end: usize,
    /// The band is loud at the record's ends only although the signal goes on between: a steady tone
    /// cut by the ends, no response.
    pub ends_only: bool,
    /// Rms of the quietest twentieth that isn't digitally silent.
    pub noise: f64,
}

impl Envelope {
    /// At every sample.
    pub fn new(samples: &[f64], rate_hz: f64, band: Band) -> Self {
        Self::of(&mut Record::new(samples, rate_hz, band.centre_hz), band, false)
    }

    /// At the rate that the band asks for: a top between two values is at most a tenth higher than they are.
    pub fn overview(record: &mut Record<'_>, band: Band) -> Self {
        Self::of(record, band, true)
    }

    fn of(record: &mut Record<'_>, band: Band, thinned: bool) -> Self {
        let (samples, rate_hz) = (record.samples, record.rate_hz);
        let Magnitudes { values, step, first } = record.magnitudes(band, thinned);
        let margin = ((6.0 * band.width_s() * rate_hz / step).ceil() as usize).min(values.len());
        let largest_end = values.len() - margin;
        let largest = first_largest(&values[..largest_end]);
        let inner = margin..largest_end.max(margin);
        let [before, inside, after] =
            [0..margin, inner.clone(), largest_end..values.len()].map(|part| peak(&values[part]));
        let loud_ends = 0.1 * before.max(after) > inside && after > 3.0 * inside;
        let ends_only = loud_ends && {
            let at = |k: usize| ((k as f64 * step) as usize).min(samples.len());
            peak(&samples[at(inner.start)..at(inner.end)]) > 0.1 * peak(samples)
        };
        let noise = quietest(&values, 1e-12 * values.get(largest).copied().unwrap_or(0.0));
        Self { values, step, first, rate_hz, band, largest, largest_end, ends_only, noise }
    }

    /// The largest value over the noise; infinite above digital silence, zero for silence itself.
    pub fn peak_to_noise(&self) -> f64 {
        let maximum = self.top(self.largest).1;
        match (maximum > 0.0, self.noise > 0.0) {
            (false, _) => 0.0,
            (true, false) => f64::INFINITY,
            (true, true) => maximum / self.noise,
        }
    }

    /// Sample at which a value stands, or an index between two.
    pub fn sample(&self, index: f64) -> f64 {
        self.first + index * self.step
    }

    /// Index and height of the top next to a value: of the parabola through the logarithms of three (exact for a
    /// Gaussian).
    pub fn top(&self, k: usize) -> (f64, f64) {
        let values = &self.values;
        let Some(&middle) = values.get(k) else { return (k as f64, 0.0) };
        let (Some(before), Some(&after)) = (k.checked_sub(1).map(|i| values[i]), values.get(k + 1)) else {
            return (k as f64, middle);
        };
        if before <= 0.0 || after <= 0.0 || middle <= 0.0 {
            return (k as f64, middle);
        }
        let (left, mid, right) = (before.ln(), middle.ln(), after.ln());
        let bend = left - 2.0 * mid + right;
        if bend >= -1e-12 {
            return (k as f64, middle);
        }
        let shift = (0.5 * (left - right) / bend).clamp(-0.5, 0.5);
        (k as f64 + shift, (mid - 0.25 * (left - right) * shift).exp())
    }
}

/// Largest magnitude.
fn peak(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |most, v| most.max(v.abs()))
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
