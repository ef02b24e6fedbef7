//! Player and recorder run on two clocks: by how much they differ, and the recording put right.

use super::reference::{Edges, Rise, Signal, edges};
use super::transform::{BAND_REACH, Lags, quick_length, ring_length, spectrum, spectrum_of};
use rustfft::num_complex::Complex64;
use std::borrow::Cow;
use std::f64::consts::PI;

/// By how much a recorder's clock runs fast against the player's.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct ClockError {
    /// Parts per million.
    pub ppm: f64,
    /// One standard deviation.
    pub sd_ppm: f64,
}

/// Bands above this, Hz, would tell times sharper still, and cost most of the time.
const SHARP_ENOUGH_HZ: f64 = 6_500.0;

/// Reads the clocks off a reference as it was recorded, against the signal as it was written: a sweep that
/// was stretched by ε passes each frequency ε·t later. `None` where the signal is no sweep, or neither is
/// clear enough.
#[must_use]
pub fn clock_from_reference(recorded: &[f64], written: &[f64], rate_hz: f64) -> Option<ClockError> {
    ClockGauge::of(written, rate_hz)?.clock(recorded)
}

/// Two devices' clocks differ by less than this, ppm; more is another speed.
const MOST_PPM: f64 = 2e3;
/// A difference of clocks that is known less well than this is none, ppm.
const MOST_SD_PPM: f64 = 30.0;

/// What recordings of a sweep are held against to tell their clock: its lines as written, and how it rises.
#[derive(Debug, Clone)]
pub(super) struct ClockGauge {
    /// Lines up to the highest that tells times, of a ring of `length` samples.
    lines: Vec<Complex64>,
    length: usize,
    rate_hz: f64,
    rise: Rise,
    /// Range of the bands that tell times, Hz.
    range_hz: (f64, f64),
}

impl ClockGauge {
    /// Of one sweep as written; `None` if it is none.
    pub fn of(written: &[f64], rate_hz: f64) -> Option<Self> {
        let length = ring_length(written.len(), written.len(), rate_hz, true);
        let mut lines = spectrum(written, length);
        let Edges { inner, .. } = edges(&lines);
        let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
        let range_hz = (hertz(inner.0), hertz(inner.1));
        let rise = Rise::of(&lines, length, rate_hz, range_hz)?;
        let range_hz = telling(range_hz);
        lines.truncate((BAND_REACH * range_hz.1 / hertz(1)) as usize + 2);
        lines.shrink_to_fit();
        Some(Self { lines, length, rate_hz, rise, range_hz })
    }

    /// The clock of a recording of it.
    pub fn clock(&self, recorded: &[f64]) -> Option<ClockError> {
        self.drift(recorded).filter(|found| found.ppm.abs() < MOST_PPM && found.sd_ppm < MOST_SD_PPM)
    }

    /// Drift of a recording, of any size. Only how lags differ from band to band counts, so one of any length may lie
    /// on the ring in several turns.
    fn drift(&self, recorded: &[f64]) -> Option<ClockError> {
        let turns = spectrum_of(self.length, |ring| {
            let (once, more) = recorded.split_at(self.length.min(recorded.len()));
            ring.extend_from_slice(once);
            for turn in more.chunks(self.length) {
                ring.iter_mut().zip(turn).for_each(|(sum, sample)| *sum += sample);
            }
        });
        let crossed = crossed(&turns, &self.lines);
        let bands: Vec<Lags> = super::reference::centres(self.range_hz.0, self.range_hz.1)
            .filter_map(|hz| Lags::of(&crossed, self.length, self.rate_hz, hz))
            .collect();
        drift_of(bands.iter(), &self.rise)
    }
}

/// Range of the bands that tell times, of those that a signal covers, Hz.
fn telling((low_hz, high_hz): (f64, f64)) -> (f64, f64) {
    (2.0 * low_hz.max(100.0), (high_hz / 1.3).min(SHARP_ENOUGH_HZ))
}

/// How lags differ from band to band, of those of a quotient or product over a range of frequencies.
pub(super) fn drift_in(bands: &[Lags], rise: &Rise, range_hz: (f64, f64)) -> Option<ClockError> {
    let (low_hz, high_hz) = telling(range_hz);
    drift_of(bands.iter().filter(|lags| (low_hz..=high_hz).contains(&lags.centre_hz)), rise)
}

fn drift_of<'a>(bands: impl Iterator<Item = &'a Lags>, rise: &Rise) -> Option<ClockError> {
    let mut seconds = 0.0;
    let point = |lags: &Lags| {
        seconds = lags.seconds();
        (rise.passes_s(lags.centre_hz), peak_s(lags), lags.width_hz.powi(2))
    };
    let points: Vec<(f64, f64, f64)> = bands.map(point).collect();
    weighted_slope(&unwrapped(points, seconds))
}

/// Reads the clocks off a signal that was played several times: where its repeats stand in the recording
/// against where they stand in the file. `None` for a single one.
#[must_use]
pub fn clock_from_repeats(recording: &[f64], written: &[f64], rate_hz: f64) -> Option<ClockError> {
    let signal = Signal::of(written, rate_hz)?;
    let (first, last) = (*signal.bursts.first()?, *signal.bursts.last()?);
    if signal.bursts.len() < 2 {
        return None;
    }
    let length = quick_length(recording.len() + first.1);
    let lines = spectrum_of(length, |record| signal.only(written, 0, rate_hz, record));
    let inner = edges(&lines).inner;
    let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
    let crossed = crossed(&spectrum(recording, length), &lines);
    let apart_s = (last.0 as f64 - first.0 as f64) / rate_hz;
    let found: Vec<f64> = super::reference::centres(hertz(inner.0).max(80.0), hertz(inner.1) / 1.3)
        .filter_map(|hz| Lags::of(&crossed, length, rate_hz, hz))
        .filter_map(|lags| Some((spacing_s(&lags, apart_s)? / apart_s - 1.0) * 1e6))
        .collect();
    let upper = &found[found.len().saturating_sub(9)..];
    if upper.len() < 3 {
        return None;
    }
    let mut sorted = upper.to_vec();
    sorted.sort_by(f64::total_cmp);
    let ppm = sorted[sorted.len() / 2];
    let mut off: Vec<f64> = sorted.iter().map(|p| (p - ppm).abs()).collect();
    off.sort_by(f64::total_cmp);
    // Median absolute deviation to sd of a Gaussian: 1.4826; of the median of n: √(π/2n).
    let sd_ppm = 1.4826 * off[off.len() / 2] * (PI / 2.0 / upper.len() as f64).sqrt();
    (sd_ppm < 30.0).then_some(ClockError { ppm, sd_ppm: sd_ppm.max(0.1) })
}

/// Up to this two devices' clocks may differ and nothing is said, ppm (common practice, no source).
const USUAL_PPM: f64 = 100.0;

/// How far the clocks may differ as a single sweep shows it through the room: its bands drift as if they did. A
/// loudspeaker that delays low frequencies does the same, so it bounds and doesn't correct; `None` up to the usual.
fn limit_ppm(drift: ClockError) -> Option<f64> {
    let at_least = drift.ppm.abs() - 2.0 * drift.sd_ppm;
    (at_least > USUAL_PPM).then(|| drift.ppm.abs() + 2.0 * drift.sd_ppm)
}

/// What the drift of a single sweep's bands says of the two clocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Speed {
    /// They may differ by up to this, ppm.
    Clocks(f64),
    /// The signal was played, or recorded, at another speed: so much slower, a share.
    Other(f64),
}

/// Another speed is told from bands that scatter if it is this many standard deviations off: two sweeps of one
/// recording, each found by half of the bands, make seven of a drift.
const SPEED_SD: f64 = 12.0;
/// No file is played this much off, a share; the rates 44.1 and 48 kHz taken for each other are 9 % apart.
const MOST_SPEED: f64 = 0.15;

impl Speed {
    /// Reads it off how the lags of one sweep differ from band to band.
    pub fn of(drift: ClockError) -> Option<Self> {
        let share = 1e-6 * drift.ppm;
        if drift.ppm.abs() >= MOST_PPM {
            let sure = drift.ppm.abs() > SPEED_SD * drift.sd_ppm && share.abs() < MOST_SPEED;
            return sure.then_some(Self::Other(share));
        }
        limit_ppm(drift).filter(|_| drift.sd_ppm < MOST_SD_PPM).map(Self::Clocks)
    }
}

/// Lags on a ring of `seconds`, each put beside the first one's.
fn unwrapped(mut points: Vec<(f64, f64, f64)>, seconds: f64) -> Vec<(f64, f64, f64)> {
    let first = points.first().map_or(0.0, |point| point.1);
    points.iter_mut().for_each(|point| point.1 -= seconds * ((point.1 - first) / seconds).round());
    points
}

fn crossed(recording: &[Complex64], signal: &[Complex64]) -> Vec<Complex64> {
    recording.iter().zip(signal).map(|(y, x)| y * x.conj()).collect()
}

/// Time of a band's largest power, between two values by a parabola through the logarithms, s.
fn peak_s(lags: &Lags) -> f64 {
    let n = lags.power.len();
    let at = (0..n).max_by(|a, b| lags.power[*a].total_cmp(&lags.power[*b])).unwrap_or(0);
    let signed = if at > n / 2 { at as f64 - n as f64 } else { at as f64 };
    (signed + shift(lags, at as i64)) * lags.step_s
}

fn shift(lags: &Lags, at: i64) -> f64 {
    let n = lags.power.len() as i64;
    let ln = |k: i64| lags.power[k.rem_euclid(n) as usize].max(f64::MIN_POSITIVE).ln();
    let (left, mid, right) = (ln(at - 1), ln(at), ln(at + 1));
    let bend = left - 2.0 * mid + right;
    if bend < -1e-12 { (0.5 * (left - right) / bend).clamp(-1.0, 1.0) } else { 0.0 }
}

/// Distance between the two highest peaks about `apart_s` from each other, s.
fn spacing_s(lags: &Lags, apart_s: f64) -> Option<f64> {
    let n = lags.power.len() as i64;
    let steps = apart_s / lags.step_s;
    let reach = ((1e-3 * apart_s / lags.step_s).ceil() as i64).max(2);
    // The room's response is alike in both: their powers multiplied are largest at its peak.
    let product = |k: i64| {
        let other = k + steps.round() as i64;
        let near =
            (-reach..=reach).map(|d| lags.power[(other + d).rem_euclid(n) as usize]).fold(0.0, f64::max);
        lags.power[k as usize] * near
    };
    let first = (0..n).max_by(|a, b| product(*a).total_cmp(&product(*b)))?;
    let around = first + steps.round() as i64;
    let power = |k: i64| lags.power[k.rem_euclid(n) as usize];
    let second = (-reach..=reach).map(|d| around + d).max_by(|a, b| power(*a).total_cmp(&power(*b)))?;
    let exact = |k: i64| k as f64 + shift(lags, k.rem_euclid(n));
    Some((exact(second) - exact(first)) * lags.step_s)
}

/// Weighted least squares of lag over time; the scatter gives the sd.
fn weighted_slope(points: &[(f64, f64, f64)]) -> Option<ClockError> {
    if points.len() < 6 {
        return None;
    }
    let whole: f64 = points.iter().map(|p| p.2).sum();
    let mean = |pick: fn(&(f64, f64, f64)) -> f64| points.iter().map(|p| p.2 * pick(p)).sum::<f64>() / whole;
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = points.iter().map(|p| p.2 * (p.0 - mx).powi(2)).sum();
    let slope = points.iter().map(|p| p.2 * (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let rest: f64 = points.iter().map(|p| p.2 * (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    let sd = (rest / (points.len() - 2) as f64 / sxx).sqrt();
    Some(ClockError { ppm: 1e6 * slope, sd_ppm: 1e6 * sd.max(1e-7) })
}

/// Half the length of the interpolating kernel, samples.
const HALF: i64 = 24;
/// Its samples.
const TAPS: usize = 2 * HALF as usize;
/// Shape of its Kaiser window: side lobes 80 dB down (Kaiser's formula: 0.1102 (80 − 8.7)).
const BETA: f64 = 7.857;
/// Steps between two samples at which the kernel is tabulated.
const STEPS: usize = 512;

/// Clocks nearer than this are one, ppm: it moves the end of a minute by 6 µs, and 50 ppm stay in any frequency anyway.
const ONE_CLOCK_PPM: f64 = 0.1;

impl ClockError {
    /// What of it is worth being taken out of a sweep's recording, ppm.
    pub(super) fn worth_removing(self) -> f64 {
        if self.ppm.abs() < ONE_CLOCK_PPM { 0.0 } else { self.ppm }
    }
}

/// A recording as the player's clock would have taken it: value n is read at n (1 + ppm/10⁶).
#[must_use]
pub fn on_the_players_clock(samples: &[f64], ppm: f64) -> Cow<'_, [f64]> {
    if ppm == 0.0 {
        return Cow::Borrowed(samples);
    }
    let ratio = 1.0 + 1e-6 * ppm;
    let table = kernel();
    let length = (samples.len() as f64 / ratio) as usize;
    Cow::Owned((0..length).map(|n| read_at(samples, n as f64 * ratio, &table)).collect())
}

/// Windowed sinc at [`STEPS`] fractions of a sample.
fn kernel() -> Vec<[f64; TAPS]> {
    let value = |x: f64| {
        let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let inside = 1.0 - (x / HALF as f64).powi(2);
        if inside <= 0.0 { 0.0 } else { sinc * bessel_i0(BETA * inside.sqrt()) / bessel_i0(BETA) }
    };
    let at = |step: usize| step as f64 / STEPS as f64;
    let taps = |step: usize| std::array::from_fn(|tap| value(at(step) - (tap as i64 + 1 - HALF) as f64));
    (0..=STEPS).map(taps).collect()
}

/// Modified Bessel function of order zero by its series (Abramowitz & Stegun, 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

fn read_at(samples: &[f64], at: f64, table: &[[f64; TAPS]]) -> f64 {
    let whole = at.floor();
    let fine = (at - whole) * STEPS as f64;
    let step = (fine as usize).min(STEPS - 1);
    let share = fine - step as f64;
    let first = whole as i64 + 1 - HALF;
    let inside = usize::try_from(first).ok().and_then(|from| samples.get(from..)?.first_chunk::<TAPS>());
    // Beyond both ends there is silence.
    let around = inside.copied().unwrap_or_else(|| {
        std::array::from_fn(|tap| {
            usize::try_from(first + tap as i64).ok().and_then(|n| samples.get(n)).copied().unwrap_or(0.0)
        })
    });
    between(&around, (&table[step], &table[step + 1]), share)
}

/// Sum of samples times gains between two rows, in four parts side by side.
fn between(samples: &[f64; TAPS], (below, above): (&[f64; TAPS], &[f64; TAPS]), share: f64) -> f64 {
    let mut sums = [0.0; 4];
    let rows = below.chunks_exact(4).zip(above.chunks_exact(4));
    for (samples, (below, above)) in samples.chunks_exact(4).zip(rows) {
        for part in 0..4 {
            let gain = below[part] + (above[part] - below[part]) * share;
            sums[part] += gain * samples[part];
        }
    }
    sums.iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone that a fast clock stretched comes back to its frequency, up to 0.4 of the rate.
    #[test]
    fn a_tone_is_put_right() {
        for (hertz, ppm) in [(0.01, 300.0), (0.2, -120.0), (0.4, 40.0)] {
            let turn = 2.0 * PI * hertz;
            let stretched: Vec<f64> =
                (0..6_000).map(|n| (turn * n as f64 / (1.0 + 1e-6 * ppm)).sin()).collect();
            let right = on_the_players_clock(&stretched, ppm);
            let worst =
                (100..5_800).map(|n| (right[n] - (turn * n as f64).sin()).abs()).fold(0.0_f64, f64::max);
            assert!(worst < 3e-4, "{hertz}: {worst}");
        }
    }
}
