//! Decay behind a narrow band filter round one resonance: a cross-check that needs no model.

use super::curve::{DecayCurve, Integral};
use super::line::{LEAST_BT, Range, T20_SPREAD};
use crate::estimate::{Estimate, Reading};
use crate::filter::{Band, Bank};
use crate::flag::Flag;

/// The low end of one place.
#[derive(Debug, Clone, Copy)]
pub struct NarrowRecord<'a> {
    /// Linear pressure.
    pub samples: &'a [f32],
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Direct sound, s from sample 0.
    pub onset_s: f64,
}

/// T20 behind a time-reversed filter from `lower_hz` to `upper_hz`, from the sum of the places'
/// backward-integrated curves.
///
/// # Errors
/// The flag of what is missing: no decay, too little peak-to-noise, or a filter that rings as long.
pub fn narrow_t20(records: &[NarrowRecord<'_>], lower_hz: f64, upper_hz: f64) -> Reading {
    with_sum(records, lower_hz, upper_hz, |integral, bandwidth_hz| {
        if integral.peak_to_noise()? < Range::T20.least_peak_to_noise() {
            return Err(Flag::RangeT20);
        }
        let line = integral.line(Range::T20)?;
        if line.time_s * bandwidth_hz <= LEAST_BT {
            return Err(Flag::FilterLimited);
        }
        Ok(Estimate::new(line.time_s, T20_SPREAD.sd_s(line.time_s, bandwidth_hz, records.len())))
    })
}

/// The same curve for a figure.
///
/// # Errors
/// As [`narrow_t20`].
pub fn narrow_curve(
    records: &[NarrowRecord<'_>],
    lower_hz: f64,
    upper_hz: f64,
    points: usize,
) -> Result<DecayCurve, Flag> {
    with_sum(records, lower_hz, upper_hz, |integral, _| Ok(integral.thinned(points)))
}

/// Sums the places' integrals on the time since each one's direct sound, and hands over the sum.
fn with_sum<T>(
    records: &[NarrowRecord<'_>],
    lower_hz: f64,
    upper_hz: f64,
    read: impl FnOnce(&Integral<'_>, f64) -> Result<T, Flag>,
) -> Result<T, Flag> {
    let first = records.first().ok_or(Flag::NoDecay)?;
    let band = Band::new((lower_hz * upper_hz).sqrt(), lower_hz, upper_hz).ok_or(Flag::FilterLimited)?;
    let mut sum: Vec<f64> = Vec::new();
    let mut grid: Option<(f64, f64)> = None;
    for record in records.iter().filter(|r| r.rate_hz.total_cmp(&first.rate_hz).is_eq()) {
        let samples: Vec<f64> = record.samples.iter().map(|s| f64::from(*s)).collect();
        let zero = (record.onset_s * record.rate_hz).round().max(0.0) as usize;
        Bank::new(&[band], record.rate_hz).run(&samples, zero, |backward| {
            grid = Some((backward.channel.rate_hz, 2.0 * backward.channel.ringing.delay_s));
            add(&mut sum, &backward.to_come[backward.zero.min(backward.to_come.len() - 1)..]);
        });
    }
    let (rate_hz, guard_s) = grid.ok_or(Flag::AboveRate)?;
    let integral = Integral::new(&sum, 0, rate_hz, (band.bandwidth_hz(), guard_s)).ok_or(Flag::NoDecay)?;
    read(&integral, band.bandwidth_hz())
}

/// Adds energies still to come; where records differ in length the shortest ends the sum.
fn add(sum: &mut Vec<f64>, to_come: &[f64]) {
    if sum.is_empty() {
        sum.extend_from_slice(to_come);
        return;
    }
    let length = sum.len().min(to_come.len());
    let (sum_after, more_after) = (sum[length - 1], to_come[length - 1]);
    sum.truncate(length);
    for (sum, more) in sum.iter_mut().zip(to_come) {
        *sum = (*sum - sum_after) + (more - more_after);
    }
}
