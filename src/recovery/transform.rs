//! Fourier transforms of real signals, and what a quotient of two spectra holds band by band.

use crate::spectrum::{Memory, fast_length};
use rustfft::num_complex::Complex64;
use std::cell::OnceCell;
use std::f64::consts::PI;
use std::sync::LazyLock;

/// The next even length whose only prime factors are 2, 3 and 5: the transform is quick there.
pub(super) fn quick_length(samples: usize) -> usize {
    2 * fast_length(samples.div_ceil(2))
}

/// Kept free at the end of the ring of a division, s: filters ring there.
const SPARE_S: f64 = 1.0;

/// Length of the transforms. Recorded together, noise at time t lands at lags from t − (end of the signal) to t; as a
/// ring a little longer than the recording, none of it wraps into the response, which ends with the recording. A signal
/// that was recorded apart may have begun as much before the recording as after its start: no lag may stand for two.
pub(super) fn ring_length(recording: usize, signal: usize, rate_hz: f64, together: bool) -> usize {
    let spare = (SPARE_S * rate_hz) as usize;
    quick_length(if together { recording.max(signal) + spare } else { recording + signal })
}

/// Spectrum of `samples`, padded with zeros to `length` (even).
pub(super) fn spectrum(samples: &[f64], length: usize) -> Vec<Complex64> {
    spectrum_of(length, |record| record.extend_from_slice(&samples[..samples.len().min(length)]))
}

/// Spectrum of what `fill` writes into an empty record, at most `length` samples.
pub(super) fn spectrum_of(length: usize, fill: impl FnOnce(&mut Vec<f64>)) -> Vec<Complex64> {
    let mut memory = Memory::spare();
    memory.real.clear();
    fill(&mut memory.real);
    memory.real.resize(length, 0.0);
    memory.transform();
    let lines = std::mem::take(&mut memory.bins);
    memory.give_back();
    lines
}

/// The samples of a spectrum, `length` of them.
pub(super) fn inverse(lines: Vec<Complex64>, length: usize) -> Vec<f64> {
    inverse_to(lines, length, |samples| samples.iter().map(|sample| sample / length as f64).collect())
}

/// What `pick` makes of the samples of a spectrum, which are `length` times too large.
pub(super) fn inverse_to<T>(lines: Vec<Complex64>, length: usize, pick: impl FnOnce(&[f64]) -> T) -> T {
    let mut memory = Memory::spare();
    memory.bins = lines;
    memory.back_to_real(length);
    let picked = pick(&memory.real);
    memory.give_back();
    picked
}

/// A raised cosine that falls from 1 to 0 while `share` runs from 0 to 1.
pub(super) fn fall(share: f64) -> f64 {
    0.5 + 0.5 * (PI * share.clamp(0.0, 1.0)).cos()
}

/// A band shows a response if its peak stands this far over its usual power (18 dB): the largest of 10⁵
/// values of noise stays 12 dB over their median.
pub(super) const CLEAR: f64 = 63.0;

/// Power of a quotient in one band over all lags, as a ring: a clean impulse reads 1.
pub(super) struct Lags {
    /// Mid-band frequency, Hz.
    pub centre_hz: f64,
    /// Width between the points where the band is 6 dB down, Hz.
    pub width_hz: f64,
    /// Power, lag 0 first; what comes before the emission stands at the end.
    pub power: Vec<f64>,
    /// Time between two values, s.
    pub step_s: f64,
    /// Share of the ring that a recording fills at any one frequency.
    filled: f64,
    /// See [`Lags::usual`]; found when it is first asked for.
    usual: OnceCell<f64>,
}

/// Values of a band's ring, at least twice its lines: those of the uppermost third of its octave. The thirds of an octave
/// so share a plan, which costs as much as its use.
fn values(centre_hz: f64, spacing_hz: f64) -> usize {
    let octave = (centre_hz / TOP_HZ).log2() - 1e-9;
    let lines = TOP_HZ * octave.ceil().exp2() * (BAND_REACH - BAND_REACH.recip()) / spacing_hz;
    quick_length(2 * (lines as usize + 1))
}

/// Uppermost third of an octave, Hz.
const TOP_HZ: f64 = 16_000.0;
/// A band reaches this far to both sides of its middle, octaves: raised cosines a third of an octave
/// apart then add up to an even gain.
const REACH_OCTAVES: f64 = 1.0 / 3.0;
/// How far a band reaches to both sides of its middle, as a ratio of frequencies.
pub(super) const BAND_REACH: f64 = 1.259_921_049_894_873;
/// See [`Lags::filled`]: signal and recording one after the other, about as long.
const USUALLY_FILLED: f64 = 0.5;

/// The band's gain over frequency divided by its middle, tabulated: cosine and logarithm of each line would cost as much
/// as transforming it. Straight between 8,000 steps of 6·10⁻⁵ the error stays under 10⁻⁷.
struct Shape {
    from: f64,
    step: f64,
    gains: Vec<f64>,
}

static BAND: LazyLock<Shape> = LazyLock::new(|| {
    let (from, step) = (BAND_REACH.recip(), (BAND_REACH - BAND_REACH.recip()) / 8_000.0);
    let gain = |k: i32| fall((from + f64::from(k) * step).log2().abs() / REACH_OCTAVES);
    Shape { from, step, gains: (0..=8_001).map(gain).collect() }
});

impl Shape {
    /// Gain at a frequency, in middles of the band.
    fn at(&self, ratio: f64) -> f64 {
        let place = ((ratio - self.from) / self.step).clamp(0.0, 8_000.0);
        let (below, share) = (place as usize, place.fract());
        self.gains[below] + share * (self.gains[below + 1] - self.gains[below])
    }
}

impl Lags {
    /// The band round `centre_hz` of a quotient on `length` samples; `None` if it holds too few lines.
    pub fn of(quotient: &[Complex64], length: usize, rate_hz: f64, centre_hz: f64) -> Option<Self> {
        let spacing_hz = rate_hz / length as f64;
        let first = (centre_hz / BAND_REACH / spacing_hz).ceil().max(1.0) as usize;
        let last = (centre_hz * BAND_REACH / spacing_hz).floor() as usize;
        if last >= quotient.len() || last < first + 8 {
            return None;
        }
        let values = values(centre_hz, spacing_hz).max(2 * (last - first + 1));
        let mut memory = Memory::spare();
        memory.complex.clear();
        let mut whole = 0.0;
        memory.complex.extend((first..=last).map(|k| {
            let gain = BAND.at(k as f64 * spacing_hz / centre_hz);
            whole += gain;
            quotient[k] * gain
        }));
        memory.complex.resize(values, Complex64::ZERO);
        memory.back();
        let power = memory.complex.iter().map(|z| z.norm_sqr() / (whole * whole)).collect();
        memory.give_back();
        let width_hz = centre_hz * (BAND_REACH.sqrt() - BAND_REACH.sqrt().recip());
        Some(Self {
            centre_hz,
            width_hz,
            power,
            step_s: length as f64 / rate_hz / values as f64,
            filled: USUALLY_FILLED,
            usual: OnceCell::new(),
        })
    }

    /// The band of a recording that fills this share of the transform.
    pub fn filled(self, share: f64) -> Self {
        Self { filled: share.clamp(0.0, 1.0), ..self }
    }

    /// Length of the ring, s.
    pub fn seconds(&self) -> f64 {
        self.step_s * self.power.len() as f64
    }

    /// Mean power over lags from `from_s` to `to_s`; zero for an empty stretch.
    pub fn mean(&self, from_s: f64, to_s: f64) -> f64 {
        let (first, count) = self.stretch(from_s, to_s);
        let sum: f64 = self.runs(first, count).into_iter().flatten().sum();
        sum / count.max(1) as f64
    }

    /// Largest power between two lags, and its lag, s.
    pub fn largest(&self, from_s: f64, to_s: f64) -> (f64, f64) {
        let (first, count) = self.stretch(from_s, to_s);
        let powers = self.runs(first, count).into_iter().flatten().enumerate();
        let most = powers.max_by(|a, b| a.1.total_cmp(b.1));
        most.map_or((0.0, from_s), |(k, power)| (*power, (first + k as i64) as f64 * self.step_s))
    }

    /// Median power of the lags that the recording fills; the others hold less.
    pub fn usual(&self) -> f64 {
        *self.usual.get_or_init(|| {
            let mut sorted = self.power.clone();
            let place = ((1.0 - 0.5 * self.filled) * sorted.len() as f64) as usize;
            let place = place.min(sorted.len() - 1);
            *sorted.select_nth_unstable_by(place, f64::total_cmp).1
        })
    }

    /// A stretch of the ring: up to its end, and on from its start.
    fn runs(&self, first: i64, count: usize) -> [&[f64]; 2] {
        let from = first.rem_euclid(self.power.len().max(1) as i64) as usize;
        let to_end = count.min(self.power.len() - from);
        [&self.power[from..from + to_end], &self.power[..count - to_end]]
    }

    fn stretch(&self, from_s: f64, to_s: f64) -> (i64, usize) {
        let first = (from_s / self.step_s).ceil();
        let count = (to_s / self.step_s).floor() - first + 1.0;
        (first as i64, count.clamp(0.0, self.power.len() as f64) as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quick_lengths_are_even_smooth_and_near() {
        for (asked, found) in [(0, 2), (7, 8), (11, 12), (1_001, 1_024), (480_001, 486_000)] {
            let length = quick_length(asked);
            assert!(length >= asked && length <= found, "{asked}: {length}");
            assert_eq!(length % 2, 0);
        }
    }

    /// A delayed impulse of half the height: a quarter of the power, at its lag, in every band.
    #[test]
    fn an_impulse_reads_its_power_at_its_lag() {
        let mut samples = vec![0.0; 16_000];
        samples[4_000] = 0.5;
        let quotient = spectrum(&samples, 16_000);
        for centre in [40.0, 500.0, 2_000.0] {
            let lags = Lags::of(&quotient, 16_000, 8_000.0, centre).expect("lines enough");
            let (power, lag) = lags.largest(-1.0, 1.0);
            assert!((power - 0.25).abs() < 0.03, "{centre}: {power}");
            assert!((lag - 0.5).abs() <= lags.step_s, "{centre}: {lag}");
        }
        assert!(Lags::of(&quotient, 16_000, 8_000.0, 3_900.0).is_none());
    }
}
