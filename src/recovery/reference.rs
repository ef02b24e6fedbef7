//! What the test signal is: where it starts and ends, its range, how it rises, what is wrong with it.

use super::transform::{Lags, fall};
use crate::mean::mean_square;
use rustfft::num_complex::Complex64;

/// What was found out about a reference.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Signal {
    /// Stretches in which it plays, samples; one a sweep.
    pub bursts: Vec<(usize, usize)>,
    /// Level outside of them over the level within, a ratio of rms; zero above digital silence.
    pub noise_ratio: f64,
    /// Whether it plays on at the first or the last sample.
    pub cut: (bool, bool),
}

/// Length of the pieces that the level is read in, s.
const PIECE_S: f64 = 0.01;
/// The signal plays where a piece lies within this of the loudest (30 dB, a ratio of powers): noise and hum of a
/// line input stay far below, a click is one piece.
const PLAYS: f64 = 1e-3;
/// Silences shorter than this don't end a signal, s.
const PAUSE_S: f64 = 0.3;
/// Anything that plays for less is a click, s.
const LEAST_S: f64 = 0.2;

/// Kept of the signal's fades on both sides, s.
const MARGIN_S: f64 = 0.1;

impl Signal {
    /// Looks at a reference; `None` if it is silent.
    pub fn of(reference: &[f64], rate_hz: f64) -> Option<Self> {
        let piece = ((PIECE_S * rate_hz) as usize).max(1);
        let powers: Vec<f64> = reference.chunks(piece).map(mean_square).collect();
        let loudest = plateau(&powers);
        if loudest <= 0.0 {
            return None;
        }
        let bursts: Vec<(usize, usize)> = stretches(&powers, PLAYS * loudest, (PAUSE_S / PIECE_S) as usize)
            .into_iter()
            .filter(|(from, to)| (to - from) as f64 * PIECE_S >= LEAST_S)
            .map(|(from, to)| (from * piece, (to * piece).min(reference.len())))
            .collect();
        let (first, last) = (bursts.first()?.0, bursts.last()?.1);
        // A fade belongs to the signal, though it is low at first.
        let margin = (MARGIN_S * rate_hz) as usize;
        let ahead = &reference[..first.saturating_sub(margin)];
        let quiet = ahead.iter().chain(reference.get(last + margin..).unwrap_or_default());
        let (sum, count) = quiet.fold((0.0, 0_usize), |(sum, count), x| (sum + x * x, count + 1));
        Some(Self {
            noise_ratio: (sum / count.max(1) as f64 / loudest).sqrt(),
            cut: (first == 0 && powers[0] > 0.05 * loudest, last + piece > reference.len()),
            bursts,
        })
    }

    /// The reference with nothing but burst `index` in it: what the input picks up beside the signal
    /// isn't divided by.
    pub fn only(&self, reference: &[f64], index: usize, rate_hz: f64, into: &mut Vec<f64>) {
        let (from, to) = self.bursts[index];
        let margin = (MARGIN_S * rate_hz) as usize;
        let (from, to) = (from.saturating_sub(margin), (to + margin).min(reference.len()));
        into.resize(from, 0.0);
        into.extend_from_slice(&reference[from..to]);
        let gated = &mut into[from..];
        let length = gated.len();
        for n in (0..length).filter(|n| *n < margin || length - n < margin) {
            let edge = n.min(length - n) as f64 / margin.max(1) as f64;
            gated[n] *= fall(1.0 - edge);
        }
    }
}

/// The level that a signal keeps up: the median of the pieces within 20 dB of the loudest but one in fifty.
fn plateau(powers: &[f64]) -> f64 {
    let mut sorted = powers.to_vec();
    sorted.sort_by(f64::total_cmp);
    let high = sorted.iter().rev().nth(sorted.len() / 50).copied().unwrap_or(0.0);
    let loud: Vec<f64> = sorted.into_iter().filter(|p| *p > 0.0 && *p >= 0.01 * high).collect();
    loud.get(loud.len() / 2).copied().unwrap_or(0.0)
}

/// Stretches of pieces above `limit`, joined over gaps of up to `pause` pieces.
fn stretches(powers: &[f64], limit: f64, pause: usize) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (k, _) in powers.iter().enumerate().filter(|(_, power)| **power >= limit) {
        match found.last_mut() {
            Some((_, to)) if k <= *to + pause => *to = k + 1,
            _ => found.push((k, k + 1)),
        }
    }
    found
}

/// An exponential sweep, as its bands pass by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rise {
    /// Time in which the frequency rises by the factor e, s.
    pub time_constant_s: f64,
    /// When the sweep passes 1 Hz by that law, s.
    pub at_one_hertz_s: f64,
}

impl Rise {
    /// When the sweep passes `hz`, s from sample 0.
    pub fn passes_s(&self, hz: f64) -> f64 {
        self.at_one_hertz_s + self.time_constant_s * hz.ln()
    }

    /// Where the sweep is at that time from sample 0, Hz.
    pub fn at_hz(&self, s: f64) -> f64 {
        ((s - self.at_one_hertz_s) / self.time_constant_s).exp()
    }

    /// How long before the response the harmonic of an order lands, s (Farina 2000).
    pub fn harmonic_lead_s(&self, order: u32) -> f64 {
        self.time_constant_s * f64::from(order).ln()
    }

    /// Reads the law off the bands of the signal's spectrum, a transform of `length` samples; `None` for too few bands, or no sweep at all. Bands up to 2 kHz are
    /// enough where the signal spans five octaves under it; those above cost most of the time.
    pub fn of(
        lines: &[Complex64],
        length: usize,
        rate_hz: f64,
        (low_hz, high_hz): (f64, f64),
    ) -> Option<Self> {
        let enough_hz = if low_hz < ENOUGH_HZ / 32.0 { ENOUGH_HZ } else { high_hz };
        let passes: Vec<(f64, f64)> = centres(1.3 * low_hz, (high_hz / 1.3).min(enough_hz))
            .filter_map(|hz| Lags::of(lines, length, rate_hz, hz))
            .map(|lags| (lags.centre_hz.ln(), middle_s(&lags)))
            .collect();
        let (time_constant_s, at_one_hertz_s, scatter_s) = line(&passes)?;
        (time_constant_s > 0.05 && scatter_s < 0.1 * time_constant_s)
            .then_some(Self { time_constant_s, at_one_hertz_s })
    }
}

/// See [`Rise::of`].
const ENOUGH_HZ: f64 = 2_000.0;

/// Centre of gravity of a band's power over time, s.
fn middle_s(lags: &Lags) -> f64 {
    let whole: f64 = lags.power.iter().sum();
    let moment: f64 = lags.power.iter().enumerate().map(|(k, p)| k as f64 * p).sum();
    moment / whole.max(f64::MIN_POSITIVE) * lags.step_s
}

/// Least squares: slope, value at zero, rms departure.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let rest: f64 = points.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    Some((slope, my - slope * mx, (rest / n).sqrt()))
}

/// Third-octave centres between two frequencies, on the base-2 grid through 1 kHz.
pub(super) fn centres(low_hz: f64, high_hz: f64) -> impl Iterator<Item = f64> {
    let index = |hz: f64| 3.0 * (hz / 1_000.0).log2();
    let (first, last) = (index(low_hz.max(1.0)).ceil() as i32, index(high_hz.max(1.0)).floor() as i32);
    (first..=last).map(|k| 1_000.0 * 2.0_f64.powf(f64::from(k) / 3.0))
}

/// Power per octave smoothed over a twelfth of an octave, by line.
fn per_octave(lines: &[Complex64]) -> impl Fn(usize) -> f64 {
    let mut running = vec![0.0; lines.len() + 1];
    for (k, line) in lines.iter().enumerate() {
        running[k + 1] = running[k] + line.norm_sqr();
    }
    // A band of fixed relative width holds the power per octave times a constant.
    let half = 2.0_f64.powf(1.0 / 24.0);
    move |k: usize| {
        let low = (k as f64 / half).ceil() as usize;
        let high = ((k as f64 * half).floor() as usize + 1).min(running.len() - 1);
        (running[high] - running[low.min(high)]) / (high - low.min(high)).max(1) as f64 * k as f64
    }
}

impl Edges {
    /// What is added to a line's power where the signal falls off, so that no line is lifted further than
    /// 12 dB over what an even spread would need.
    pub fn guard(&self, bin: usize) -> f64 {
        let inside = (self.inner.0..=self.inner.1).contains(&bin);
        if inside { 0.0 } else { EDGES.1 * self.kept / bin.max(1) as f64 }
    }
}

/// Lines at which a signal's power per octave falls by a factor below what it keeps up.
pub(super) struct Edges {
    /// First and last line at full strength (down by 1 dB at most).
    pub inner: (usize, usize),
    /// First and last line at all (12 dB down): beyond them a division would lift noise only.
    pub outer: (usize, usize),
    /// Power per octave that it keeps up: the mean power of the lines round one, times that line's number.
    pub kept: f64,
}

/// Power per octave over what is kept up, at the inner and the outer edges: −1 and −12 dB.
const EDGES: (f64, f64) = (0.8, 0.063);

/// The edges of a signal's range; what it keeps up is the median of the lines within 10 dB of the largest,
/// each octave counting alike.
pub(super) fn edges(lines: &[Complex64]) -> Edges {
    let power = per_octave(lines);
    let each = |k: usize| (1.02_f64.powi(k as i32) + 7.0) as usize;
    let mut sampled: Vec<f64> = (0..).map(each).take_while(|k| *k < lines.len()).map(&power).collect();
    let most = sampled.iter().fold(0.0_f64, |a, b| a.max(*b));
    sampled.retain(|p| *p >= 0.1 * most);
    sampled.sort_by(f64::total_cmp);
    let kept = sampled.get(sampled.len() / 2).copied().unwrap_or(most);
    let between = |limit: f64| {
        let inside = |k: &usize| power(*k) >= limit * kept;
        let first = (8..lines.len()).find(inside).unwrap_or(8);
        let last = (0..lines.len()).rev().find(inside).unwrap_or(first);
        (first, last.max(first))
    };
    Edges { inner: between(EDGES.0), outer: between(EDGES.1), kept }
}

#[cfg(test)]
mod tests {
    use super::super::transform::spectrum;
    use super::*;
    use crate::excitation::Sweep;

    fn sweep() -> Sweep {
        Sweep {
            from_hz: 15.0,
            to_hz: 3_600.0,
            seconds: 6.0,
            rate_hz: 8_000.0,
            tail_s: 2.0,
            ..Sweep::default()
        }
    }

    /// T/ln(f2/f1), and the range as it was asked for.
    #[test]
    fn the_law_of_a_sweep_is_read_off_its_bands() {
        let samples = sweep().samples().expect("in range");
        let lines = spectrum(&samples, 80_000);
        let rise = Rise::of(&lines, 80_000, 8_000.0, (20.0, 3_400.0)).expect("a sweep");
        assert!((rise.time_constant_s - 6.0 / 240.0_f64.ln()).abs() < 5e-3, "{rise:?}");
        assert!((rise.passes_s(60.0) - (1.0 + 6.0 / 240.0_f64.ln() * 4.0_f64.ln())).abs() < 0.01, "{rise:?}");
        let found = edges(&lines);
        let hertz = |bin: usize| bin as f64 * 0.1;
        assert!((14.0..19.0).contains(&hertz(found.inner.0)), "{}", hertz(found.inner.0));
        assert!((3_400.0..3_620.0).contains(&hertz(found.inner.1)), "{}", hertz(found.inner.1));
        assert!(hertz(found.outer.1) < 3_700.0, "{}", hertz(found.outer.1));
    }

    #[test]
    fn a_click_and_hum_are_not_the_signal() {
        let mut samples = sweep().samples().expect("in range");
        samples[100] = 1.0;
        let hum = |n: usize| 1e-3 * (n as f64 * 0.0392).sin();
        samples.iter_mut().enumerate().for_each(|(n, x)| *x += hum(n));
        let signal = Signal::of(&samples, 8_000.0).expect("it plays");
        assert_eq!(signal.bursts.len(), 1);
        let (from, to) = signal.bursts[0];
        assert!((7_900..8_900).contains(&from) && (55_800..56_200).contains(&to), "{from} {to}");
        assert_eq!(signal.cut, (false, false));
        assert_eq!(Signal::of(&[], 8_000.0), None);
        assert_eq!(Signal::of(&[0.1; 3], 8_000.0), None);
        let cut = Signal::of(&samples[20_000..50_000], 8_000.0).expect("it plays");
        assert_eq!(cut.cut, (true, true));
    }
}
