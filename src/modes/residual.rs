//! The residual of a fit at each place, compared with the noise at the end of that place's record.
//!
//! Whether a model fits can't be seen from its own intervals. Where the record ends in noise, that noise
//! is the measure: a fit with a larger residual has not explained the response, one with a smaller residual has
//! fitted noise.

use super::joint_fit::WindowFit;
use super::noise::{MOST_FALL, Tail};
use super::record::Records;
use super::settings::Place;
use crate::flag::Flag;
use std::f64::consts::PI;

/// Reach of the running mean over the tail's bins, Hz, and in bins where these are wide.
const REACH_HZ: f64 = 15.0;
const REACH_BINS: f64 = 6.0;
/// Share of the bins, from the weakest, that the mean is taken from: hum has its few bins among the rest.
const KEPT: f64 = 0.75;
/// Below this a room's noise is what moves the air, not what is measured, Hz.
const LOWEST_HZ: f64 = 10.0;

/// Mean over the bins of the residual's density over that of the noise, by place; 1 is a perfect fit.
///
/// Corrected for the degrees of freedom of each window: n numbers fitted with p unknowns leave (n − p)/n of the noise.
pub(crate) fn residual_over_noise(
    places: &[Place<'_>],
    records: &Records,
    windows: &[WindowFit],
) -> Vec<Result<f64, Flag>> {
    let mut ratios = vec![Err(Flag::LeftOutOfFit); places.len()];
    for (record, left) in records.records.iter().zip(left(records.records.len(), windows)) {
        if !left.is_empty() {
            ratios[record.place] = over_noise(&left, &places[record.place]);
        }
    }
    ratios
}

/// One-sided density of the residual at one frequency.
#[derive(Debug, Clone, Copy)]
struct RecordResidual {
    hz: f64,
    density: f64,
}

/// Residual of each record, from each window within the range whose poles it reports.
fn left(records: usize, windows: &[WindowFit]) -> Vec<Vec<RecordResidual>> {
    let mut all = vec![Vec::new(); records];
    for fitted in windows {
        let problem = &fitted.window.problem;
        let own = 2.0 * PI * fitted.span.owns_from_hz..2.0 * PI * fitted.span.owns_to_hz;
        for (group, fit) in problem.groups.iter().zip(&fitted.window.fit.projection.groups) {
            let (n, rows) = (group.bins.len(), group.rows() as f64);
            let kept = (1.0 - problem.penalty(fitted.window.fit.poles.len()) / rows).max(1.0 / rows);
            for k in (0..n).filter(|k| own.contains(&group.bins.omegas[*k])) {
                // Of X = Σ x exp(−iωn/fs)/fs over T seconds, E|X|² is T S/2.
                let scale = 2.0 / group.bins.seconds() / group.bins.weights[k].powi(2) / kept;
                let hz = group.bins.omegas[k] / (2.0 * PI);
                for (column, record) in group.records.iter().enumerate() {
                    let (re, im) = (fit.residual.at(k, column), fit.residual.at(n + k, column));
                    let square = re * re + im * im;
                    all[*record].push(RecordResidual { hz, density: scale * square });
                }
            }
        }
    }
    all
}

fn over_noise(left: &[RecordResidual], place: &Place<'_>) -> Result<f64, Flag> {
    let tail = Tail::new(place).filter(|tail| tail.log_fall <= MOST_FALL).ok_or(Flag::NoQuietEnd)?;
    let background = Background::new(&tail);
    let mut sum = 0.0;
    for at in left {
        let noise = background.density(at.hz);
        if noise <= 0.0 {
            return Err(Flag::NoFloor);
        }
        sum += at.density / noise;
    }
    let ratio = sum / left.len() as f64;
    if ratio.is_finite() { Ok(ratio) } else { Err(Flag::NoFloor) }
}

/// Noise density at whole hertz: the trend of the tail's bins over frequency, times a running mean of what
/// departs from it that passes over hum and single modes that still ring.
struct Background(Vec<f64>);

impl Background {
    fn new(tail: &Tail) -> Self {
        let trend = Trend::of(tail);
        let whitened: Vec<f64> = tail
            .log_power
            .iter()
            .enumerate()
            .map(|(k, log)| (log - trend.at(k as f64 * tail.step_hz)).exp())
            .collect();
        let top = (tail.step_hz * whitened.len() as f64) as usize;
        let at =
            |hz: f64| tail.density * trend.at(hz).exp() * trimmed(&whitened, hz / tail.step_hz, tail.step_hz);
        Self((0..=top).map(|hz| at(hz as f64)).collect())
    }

    fn density(&self, hz: f64) -> f64 {
        let last = self.0.len() - 1;
        let low = (hz.max(0.0) as usize).min(last);
        let part = (hz - low as f64).clamp(0.0, 1.0);
        // Between two whole hertz the logarithm is straight: noise follows powers of frequency.
        self.0[low].powf(1.0 - part) * self.0[(low + 1).min(last)].powf(part)
    }
}

/// Straight line through ln power over ln f, within the frequencies of modes.
struct Trend {
    offset: f64,
    slope: f64,
}

impl Trend {
    fn of(tail: &Tail) -> Self {
        let points: Vec<(f64, f64)> = tail
            .log_power
            .iter()
            .enumerate()
            .map(|(k, y)| (k as f64 * tail.step_hz, *y))
            .filter(|(hz, _)| (LOWEST_HZ..200.0).contains(hz))
            .map(|(hz, y)| (hz.ln(), y))
            .collect();
        let n = points.len().max(1) as f64;
        let mean = |pick: fn(&(f64, f64)) -> f64| points.iter().map(pick).sum::<f64>() / n;
        let (x, y) = (mean(|p| p.0), mean(|p| p.1));
        let (mut xx, mut xy) = (0.0, 0.0);
        for point in &points {
            xx += (point.0 - x).powi(2);
            xy += (point.0 - x) * (point.1 - y);
        }
        let slope = if xx > 0.0 { xy / xx } else { 0.0 };
        Self { offset: y - slope * x, slope }
    }

    fn at(&self, hz: f64) -> f64 {
        self.offset + self.slope * hz.max(LOWEST_HZ).ln()
    }
}

/// Mean around a bin of the lowest three quarters, as the mean of all that it stands for.
///
/// Powers of noise are exponential: the lowest share p = 1 − q of them has the mean (1 − q (1 − ln q))/p.
fn trimmed(whitened: &[f64], bin: f64, step_hz: f64) -> f64 {
    let reach = (REACH_HZ / step_hz).max(REACH_BINS);
    let first = ((bin - reach).ceil().max(LOWEST_HZ / step_hz) as usize).min(whitened.len());
    let last = ((bin.max(LOWEST_HZ / step_hz) + reach) as usize + 1).min(whitened.len());
    let mut near: Vec<f64> = whitened[first.min(last)..last].to_vec();
    near.sort_by(f64::total_cmp);
    let kept = (KEPT * near.len() as f64).ceil() as usize;
    let q = 1.0 - kept as f64 / near.len().max(1) as f64;
    let whole = if q > 0.0 { (1.0 - q * (1.0 - q.ln())) / (1.0 - q) } else { 1.0 };
    near.iter().take(kept).sum::<f64>() / kept.max(1) as f64 / whole
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Six bins to both sides of bin 10 hold 4 to 16; the lowest ten of these thirteen have the mean 8.5, which for
    /// exponential powers is 0.5601 of the whole (q = 3/13).
    #[test]
    fn the_lowest_three_quarters_stand_for_the_whole() {
        let powers: Vec<f64> = (0..40).map(f64::from).collect();
        let found = trimmed(&powers, 10.0, 2.5);
        assert!((found - 8.5 / 0.560_1).abs() < 2e-3, "{found}");
    }

    #[test]
    fn of_one_bin_all_is_kept() {
        assert!((trimmed(&[2.0], 0.0, 20.0) - 2.0).abs() < 1e-12);
    }

    /// A straight line over the logarithm of frequency, level under 10 Hz.
    #[test]
    fn the_trend_is_a_power_of_frequency() {
        let trend = Trend { offset: 1.0, slope: -2.0 };
        assert!((trend.at(100.0) - (1.0 - 2.0 * 100.0_f64.ln())).abs() < 1e-12);
        assert!((trend.at(3.0) - (1.0 - 2.0 * 10.0_f64.ln())).abs() < 1e-12);
    }
}
