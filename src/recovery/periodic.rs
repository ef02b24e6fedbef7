//! A response from periodic noise: whole periods averaged, each line with the scatter it shows.
//!
//! Every period excites the same lines; where nothing but the room's steady state and noise is in the
//! recording, H1 = ΣY X*/ΣX X* has no leakage whatever the decay (Bendat & Piersol, *Random Data*, ch. 6, 9).

use super::arrival::{Ring, locate};
use super::background::{Background, background};
use super::deconvolution::{fade_to, kept};
use super::recovered::{BEFORE_S, Line, PeriodicResponse};
use super::reference::{Signal, edges};
use super::transform::{inverse, spectrum};
use super::{RecoveryError, on_the_players_clock, trouble};
use crate::mean::upper_median;
use crate::recording::is_silent;
use rustfft::num_complex::Complex64;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Shortest period looked for, s.
const LEAST_PERIOD_S: f64 = 0.25;
/// Likeness of the reference to itself a period on from which it counts as periodic.
const ALIKE: f64 = 0.9;
/// Lags that stay as they are: a fraction of a sample this small turns 20 kHz at 48 kHz by under a degree.
const WHOLE: f64 = 0.005;

/// Finds the period of a reference and averages; `None` for a reference that doesn't repeat.
///
/// # Errors
/// [`RecoveryError`] where no response comes of it.
pub fn periodic(
    reference: &[f64],
    microphone: &[f64],
    rate_hz: f64,
) -> Result<Option<PeriodicResponse>, RecoveryError> {
    let signal = Signal::of(reference, rate_hz).ok_or(RecoveryError::SilentReference)?;
    if is_silent(microphone) {
        return Err(RecoveryError::SilentRecording);
    }
    let held = reference.len().min(microphone.len());
    let (from, to) = (signal.bursts[0].0, signal.bursts[0].1.min(held));
    let Some(exact) = period(&reference[from..to], rate_hz) else { return Ok(None) };
    let whole = exact.round() as usize;
    // Two clocks, or a period that isn't whole: read at the rate that makes it so.
    let ppm = if (exact - exact.round()).abs() < WHOLE { 0.0 } else { 1e6 * (exact / exact.round() - 1.0) };
    let played = on_the_players_clock(&reference[from..to], ppm);
    let heard = on_the_players_clock(&microphone[from..to], ppm);
    let periods = (played.len().min(heard.len()) + whole / 50) / whole;
    let averages = periods.saturating_sub(1);
    if averages == 0 {
        return Err(RecoveryError::TooFewSegments { found: periods, segment_s: exact / rate_hz });
    }
    let sums = Sums::of(&played, &heard, whole, averages);
    let mut found = respond(&sums, rate_hz)?;
    found.background = background(&microphone[..from], rate_hz);
    found.troubles = trouble::of_noise(reference, microphone, rate_hz, &found);
    Ok(Some(found))
}

/// Period of a signal in samples, to a small fraction of one; `None` if it doesn't repeat.
fn period(samples: &[f64], rate_hz: f64) -> Option<f64> {
    let n = samples.len();
    let length = (2 * n).next_power_of_two();
    let powers = spectrum(samples, length).into_iter().map(|z| Complex64::new(z.norm_sqr(), 0.0)).collect();
    let alike = inverse(powers, length);
    // What overlaps at a lag is a part of the whole.
    let ratio = |lag: usize| alike[lag] / alike[0].max(f64::MIN_POSITIVE) * n as f64 / (n - lag) as f64;
    let least = (LEAST_PERIOD_S * rate_hz) as usize;
    let most = n / 2 + n / 50;
    let peak = |from: usize, to: usize| (from..to.min(n)).max_by(|a, b| ratio(*a).total_cmp(&ratio(*b)));
    let best = peak(least, most)?;
    if ratio(best) < ALIKE {
        return None;
    }
    // The first lag as good is the period; the best may be several of it.
    let first = (least..=best).find(|lag| ratio(*lag) > 0.97 * ratio(best))?;
    let first = peak(first, first + (0.002 * rate_hz) as usize + 2)?;
    // The farthest repeat tells its fraction best.
    let repeats = ((n as f64 * 0.75) / first as f64).floor().max(1.0);
    let around = (repeats * first as f64) as usize;
    let reach = 2 + repeats as usize;
    let far = peak(around.saturating_sub(reach), around + reach + 1)?;
    let (left, mid, right) = (ratio(far - 1), ratio(far), if far + 1 < n { ratio(far + 1) } else { 0.0 });
    let bend = left - 2.0 * mid + right;
    let shift = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let shift = if shift.abs() < 0.02 { 0.0 } else { shift };
    Some((far as f64 + shift) / repeats)
}

/// Sums over the periods, line by line.
struct Sums {
    xx: Vec<f64>,
    yy: Vec<f64>,
    yx: Vec<Complex64>,
    length: usize,
    averages: usize,
}

impl Sums {
    fn of(played: &[f64], heard: &[f64], length: usize, averages: usize) -> Self {
        let bins = length / 2 + 1;
        let (mut xx, mut yy) = (vec![0.0; bins], vec![0.0; bins]);
        let mut yx = vec![Complex64::new(0.0, 0.0); bins];
        for k in 1..=averages {
            let part = |samples: &[f64]| {
                let from = (k * length).min(samples.len());
                spectrum(&samples[from..(from + length).min(samples.len())], length)
            };
            for (bin, (x, y)) in part(played).iter().zip(part(heard)).enumerate() {
                xx[bin] += x.norm_sqr();
                yy[bin] += y.norm_sqr();
                yx[bin] += y * x.conj();
            }
        }
        Self { xx, yy, yx, length, averages }
    }

    /// H1 at a line, with the scatter of its periods.
    fn line(&self, bin: usize, rate_hz: f64) -> Line {
        let (xx, yy, n) = (self.xx[bin].max(f64::MIN_POSITIVE), self.yy[bin], self.averages as f64);
        let h = self.yx[bin] / xx;
        let shared = (self.yx[bin].norm_sqr() / xx).min(yy);
        let several = self.averages > 1;
        let raw = if yy > 0.0 { shared / yy } else { 0.0 };
        Line {
            hz: bin as f64 * rate_hz / self.length as f64,
            re: h.re,
            im: h.im,
            // Half of what the periods leave unexplained in each part, over n − 1 degrees of freedom.
            sd: several.then(|| ((yy - shared) / (n - 1.0) / 2.0 / xx).sqrt()),
            bracket: (several && raw > 0.0).then(|| raw.recip()),
            coherence: several.then(|| (raw - (1.0 - raw).powi(2) / n).max(0.0)),
        }
    }
}

fn respond(sums: &Sums, rate_hz: f64) -> Result<PeriodicResponse, RecoveryError> {
    let length = sums.length;
    let excited: Vec<Complex64> = sums.xx.iter().map(|p| Complex64::new(p.sqrt(), 0.0)).collect();
    let edges = edges(&excited);
    let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
    let inside = |bin: usize| (edges.inner.0..=edges.inner.1).contains(&bin);
    let mut response: Vec<Complex64> = (0..excited.len())
        .map(|k| {
            if inside(k) { sums.yx[k] / sums.xx[k].max(f64::MIN_POSITIVE) } else { Complex64::new(0.0, 0.0) }
        })
        .collect();
    let ring = Ring::of(&response, length, rate_hz, (hertz(edges.inner.0), hertz(edges.inner.1)));
    let arrival = locate(&ring, None)?;
    let period_s = length as f64 / rate_hz;
    let after_s = period_s - BEFORE_S - arrival.lag_s.max(0.0);
    let levels = ring.levels(&arrival, after_s, 0.0);
    let (low, high) = levels.range().ok_or(RecoveryError::NoResponse)?;
    fade_to(&mut response, (low, high), hertz);
    let range_hz = (low.0.max(hertz(edges.inner.0)), high.0.min(hertz(edges.inner.1)));
    let of_range = |bin: &usize| (range_hz.0..=range_hz.1).contains(&hertz(*bin));
    Ok(PeriodicResponse {
        samples: kept(response, length, rate_hz, (-BEFORE_S, period_s)),
        emission_s: BEFORE_S,
        arrival_s: BEFORE_S + arrival.lag_s,
        period_s,
        averages: sums.averages,
        runs: 1,
        range_hz,
        peak_to_noise: levels.octaves((low.0, high.0)),
        lines: (0..excited.len()).filter(of_range).map(|bin| sums.line(bin, rate_hz)).collect(),
        background: Background::default(),
        troubles: trouble::of_levels(&levels, range_hz, period_s).into_iter().collect(),
    })
}

impl PeriodicResponse {
    /// Median over the lines between 20 and 200 Hz (or all, if none lies there); `None` for a single period.
    fn median(&self, pick: impl Fn(&Line) -> Option<f64>) -> Option<f64> {
        let modal = |line: &&Line| (20.0..200.0).contains(&line.hz);
        let any = self.lines.iter().any(|line| modal(&line));
        let mut values: Vec<f64> =
            self.lines.iter().filter(|line| !any || modal(line)).map(pick).collect::<Option<_>>()?;
        upper_median(&mut values)
    }

    /// Median coherence there.
    #[must_use]
    pub fn coherence(&self) -> Option<f64> {
        self.median(|line| line.coherence)
    }

    /// Median of H2 over H1 there.
    #[must_use]
    pub fn bracket(&self) -> Option<f64> {
        self.median(|line| line.bracket)
    }

    /// Half the 95 % interval of the magnitude there, relative: Student's t, as real and imaginary part of each line take
    /// their sd from n periods of a run, 2 (n − 1) degrees of freedom for each run.
    #[must_use]
    pub fn magnitude_interval(&self) -> Option<f64> {
        let freedom = 2.0 * (self.averages as f64 - self.runs as f64);
        let t = StudentsT::new(0.0, 1.0, freedom).ok()?.inverse_cdf(0.975);
        Some(t * self.magnitude_sd()?)
    }

    /// Median relative sd of the magnitude there.
    #[must_use]
    pub fn magnitude_sd(&self) -> Option<f64> {
        self.median(|line| Some(line.sd? / line.re.hypot(line.im).max(f64::MIN_POSITIVE)))
    }
}
