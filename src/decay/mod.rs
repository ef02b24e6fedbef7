//! A response becomes a [`BandDecay`] for each band: Schroeder integral, T20, T30, EDT, clarity.
//!
//! 1. The band filters run backwards in time ([`crate::filter`]), so their ringing falls before each
//!    arrival; the squares are summed from the end (Schroeder, J. Acoust. Soc. Am. 37 (1965) 409).
//! 2. [`knee`] finds where the decay meets the noise (Lundeby et al., Acustica 81 (1995) 344).
//! 3. [`curve`] takes the noise's mean square off (Chu, J. Acoust. Soc. Am. 63 (1978) 1444), ends the
//!    integral there and adds the missing tail (ISO 3382-1:2009, 5.3.3).
//! 4. [`line`](mod@line) fits straight lines to it, over the ranges that its peak-to-noise allows.
//!
//! A value that the range or the filter doesn't carry is an error with its [`Flag`], never a guess.

mod average;
mod clarity;
mod curve;
mod knee;
mod line;
mod narrow;

pub use average::average;
pub use curve::DecayCurve;
pub use narrow::{NarrowRecord, narrow_curve, narrow_t20};

use crate::estimate::{Estimate, Reading};
use crate::filter::{Backward, Band, Bank, Fraction};
use crate::flag::{Flag, Flags};
use curve::Integral;
use line::{Line, Range};

/// The usable part of one response.
#[derive(Debug, Clone, Copy)]
pub struct Signal<'a> {
    /// Linear pressure, finite; without a faded or digitally silent tail.
    pub samples: &'a [f64],
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Direct sound, s from sample 0.
    pub onset_s: f64,
}

/// A value without a standard deviation, or why there is none.
pub type Value = Result<f64, Flag>;

/// What one band of one response shows.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct BandDecay {
    /// The band.
    pub band: Band,
    /// Early decay time, s (ISO 3382-1:2009, A.2.2).
    pub edt_s: Value,
    /// T20, s, with its standard deviation (ISO 3382-2:2008, 6; ISO 3382-1:2009, eq. 4).
    pub t20_s: Reading,
    /// T30, s, with its standard deviation (eq. 5).
    pub t30_s: Reading,
    /// Energy of the first 50 ms over that after them (eq. A.10), a ratio.
    pub c50: Value,
    /// Energy of the first 80 ms over that after them, a ratio.
    pub c80: Value,
    /// Share of the energy in the first 50 ms (eq. A.11), 0…1.
    pub d50: Value,
    /// Centre time, s (eq. A.13).
    pub ts_s: Value,
    /// fs·Σp²/B, a ratio of powers.
    pub level: Value,
    /// Largest mean square over max(10 ms, 2/B) against the floor's, a ratio of powers.
    pub peak_to_noise: Value,
    /// Fall of the integrated curve to the crossing, a ratio of energies.
    pub decay_range: Value,
    /// 1 − r² over the T20 range (ISO 3382-2:2008, annex B), 0…1.
    pub nonlinearity_t20: Value,
    /// 1 − r² over the T30 range, 0…1.
    pub nonlinearity_t30: Value,
    /// T30/T20 − 1 (ISO 3382-2:2008, B.3).
    pub curvature: Value,
    /// Bandwidth times T20, or T30 where there is no T20.
    pub bt_product: Value,
    /// Remarks.
    pub flags: Flags,
}

impl BandDecay {
    /// A band of which nothing can be said.
    fn void(band: Band, why: Flag) -> Self {
        Self {
            band,
            edt_s: Err(why),
            t20_s: Err(why),
            t30_s: Err(why),
            c50: Err(why),
            c80: Err(why),
            d50: Err(why),
            ts_s: Err(why),
            level: Err(why),
            peak_to_noise: Err(why),
            decay_range: Err(why),
            nonlinearity_t20: Err(why),
            nonlinearity_t30: Err(why),
            curvature: Err(why),
            bt_product: Err(why),
            flags: std::iter::once(why).collect(),
        }
    }
}

/// Decay in every band from 20 Hz to 20 kHz, in rising frequency.
///
/// `bank` must have been made by [`bank`] for the same fraction and the signal's rate (another rate
/// makes one anew). Bands that the rate can't carry hold [`Flag::AboveRate`].
#[must_use]
pub fn band_decays(signal: &Signal<'_>, fraction: Fraction, bank: &Bank) -> Vec<BandDecay> {
    let bands = fraction.bands();
    if bank.rate_hz().total_cmp(&signal.rate_hz).is_ne() {
        return band_decays(signal, fraction, &self::bank(fraction, signal.rate_hz));
    }
    let mut found: Vec<BandDecay> =
        bands.into_iter().map(|band| BandDecay::void(band, Flag::AboveRate)).collect();
    let zero = (signal.onset_s * signal.rate_hz).round().max(0.0) as usize;
    bank.run(signal.samples, zero, |backward| {
        found[backward.channel.index] = one_band(&backward, signal.rate_hz);
    });
    found
}

/// The filters for all bands of a fraction at a sample rate; costs as much as a short response.
#[must_use]
pub fn bank(fraction: Fraction, rate_hz: f64) -> Bank {
    Bank::new(&fraction.bands(), rate_hz)
}

fn one_band(backward: &Backward<'_>, file_rate_hz: f64) -> BandDecay {
    let band = backward.channel.band;
    let level = |energy: f64| energy * file_rate_hz * file_rate_hz / band.bandwidth_hz();
    let Some(integral) = Integral::of(backward) else {
        // Its energy is known all the same, noise included.
        let whole = backward.to_come[0] / backward.channel.rate_hz;
        return BandDecay { level: Ok(level(whole)), ..BandDecay::void(band, Flag::NoDecay) };
    };
    let mut flags = integral.flags();
    let limits = Limits { bandwidth_hz: band.bandwidth_hz(), peak_to_noise: integral.peak_to_noise() };
    let edt = limits.time(&integral, Range::Edt);
    let t20 = limits.time(&integral, Range::T20);
    let t30 = limits.time(&integral, Range::T30);
    let seconds = |line: &Result<Line, Flag>| line.map(|line| line.time_s);
    let bt_product = seconds(&t20).or(seconds(&t30)).map(|t| t * limits.bandwidth_hz);
    let curvature = seconds(&t20).and_then(|t20| Ok(seconds(&t30)? / t20 - 1.0));
    judge(&mut flags, &t20, &t30, curvature, bt_product);
    let clarity = clarity::Clarity::of(backward, &integral);
    BandDecay {
        band,
        edt_s: seconds(&edt),
        t20_s: limits.reading(&t20, line::T20_SPREAD),
        t30_s: limits.reading(&t30, line::T30_SPREAD),
        c50: clarity.ratio(0.050),
        c80: clarity.ratio(0.080),
        d50: clarity.ratio(0.050).map(|ratio| ratio / (1.0 + ratio)),
        ts_s: clarity.centre_s(),
        level: Ok(level(clarity.energy())),
        peak_to_noise: limits.peak_to_noise,
        decay_range: Ok(integral.range()),
        nonlinearity_t20: t20.map(|line| line.nonlinearity),
        nonlinearity_t30: t30.map(|line| line.nonlinearity),
        curvature,
        bt_product,
        flags,
    }
}

/// What a band carries.
struct Limits {
    bandwidth_hz: f64,
    peak_to_noise: Value,
}

impl Limits {
    /// A decay time, if the peak-to-noise allows its range and the filter its value.
    fn time(&self, integral: &Integral<'_>, range: Range) -> Result<Line, Flag> {
        // A noise-free record has no limit but its own length, which the line meets by itself.
        let enough = self.peak_to_noise.is_ok_and(|ratio| ratio >= range.least_peak_to_noise());
        if !enough {
            return Err(range.too_low());
        }
        let line = integral.line(range)?;
        if line.time_s * self.bandwidth_hz > line::LEAST_BT { Ok(line) } else { Err(Flag::FilterLimited) }
    }

    fn reading(&self, line: &Result<Line, Flag>, spread: line::Spread) -> Reading {
        line.map(|line| Estimate::new(line.time_s, spread.sd_s(line.time_s, self.bandwidth_hz, 1)))
    }
}

/// Remarks on straightness, held against what chance does to a perfect decay at this B·T.
fn judge(flags: &mut Flags, t20: &Result<Line, Flag>, t30: &Result<Line, Flag>, curvature: Value, bt: Value) {
    let Ok(bt) = bt else { return };
    let scatters = |line: &Result<Line, Flag>, chance: f64| {
        line.is_ok_and(|line| line.nonlinearity > line::LEAST_NONLINEARITY.max(chance / bt))
    };
    if scatters(t20, line::CHANCE_T20) || scatters(t30, line::CHANCE_T30) {
        flags.add(Flag::NotStraight);
    }
    let chance = 2.0 * line::CURVATURE_SD / bt.sqrt();
    match curvature {
        Ok(c) if c.abs() > line::LEAST_CURVATURE.max(chance) => flags.add(Flag::Curved),
        _ => {}
    }
}

#[cfg(test)]
mod tests;
