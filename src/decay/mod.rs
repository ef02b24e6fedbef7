//! A response becomes a [`BandDecay`] for each band: Schroeder integral, T20, T30, EDT, clarity.
//!
//! 1. The band filters run backwards in time ([`crate::filter`]), so their ringing falls before each
//!    arrival; the squares are summed from the end (Schroeder, J. Acoust. Soc. Am. 37 (1965) 409): [`energy`].
//! 2. [`crossing`] finds where the decay meets the noise (Lundeby et al., Acustica 81 (1995) 344).
//! 3. [`curve`] takes the noise's mean square off (Chu, J. Acoust. Soc. Am. 63 (1978) 1444), ends the
//!    integral there and adds the missing tail (ISO 3382-1:2009, 5.3.3).
//! 4. [`line`](mod@line) fits straight lines to it, over the ranges that its peak-to-noise allows.
//! 5. [`evaluation`] holds what comes out against the limits of ISO 3382.
//!
//! A value that the range or the filter doesn't carry is an error with its [`Flag`], never a guess.
//!
//! Time zero of EDT, T20 and T30 is the direct sound: an exponential stays exact behind a reversed filter
//! from there on. Level counts the ringing ahead of it in; clarity cuts the response *before* the filter;
//! centre time takes the filter's mean delay off (ISO 3382-1:2009, A.3.4).

mod average;
mod crossing;
mod curve;
mod energy;
mod ensemble;
mod evaluation;
mod expected;
mod line;
mod middle;
mod narrow;
mod straightness;
#[cfg(test)]
mod tests;

pub use average::average;
pub use curve::DecayCurve;
pub use ensemble::{Course, ensemble_t20_s};
pub use expected::expected_change;
pub use line::LEAST_BT;
pub use middle::middle_t20_s;
pub use narrow::{NarrowRecord, narrow_curve, narrow_t20};

use crate::estimate::Reading;
use crate::filter::{Backward, Band, Bank, Fraction};
use crate::flag::{Flag, Flags};
use energy::{EARLY_S, Energy};

/// The usable part of one response.
#[derive(Debug, Clone, Copy)]
pub struct Signal<'a> {
    /// Linear pressure, finite; without a faded tail (a digitally silent one is left out here).
    pub samples: &'a [f64],
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Direct sound, s from sample 0, from the broadband response.
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
    /// Energy of the first 80 ms over that after them (eq. A.10), a ratio.
    pub c80: Value,
    /// Share of the energy in the first 50 ms (eq. A.11), 0…1.
    pub d50: Value,
    /// Centre time, s (eq. A.13).
    pub ts_s: Value,
    /// fs·Σp²/B, noise taken off, a ratio of powers.
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
    /// The decay itself, thinned, where T20 stands; `None` for averages.
    pub course: Option<Course>,
    /// Remarks.
    pub flags: Flags,
}

impl BandDecay {
    /// A band of which nothing can be said.
    pub(crate) fn void(band: Band, why: Flag) -> Self {
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
            course: None,
            flags: std::iter::once(why).collect(),
        }
    }
}

/// Decay in every band from 20 Hz to 20 kHz, in rising frequency.
///
/// `bank` must have been made by [`bank`] for the same fraction and the signal's rate (another rate
/// makes one anew). Bands that the rate can't carry hold [`Flag::AboveRate`].
///
/// ```
/// use stillroom::decay::{Signal, band_decays, bank};
/// use stillroom::filter::Fraction;
///
/// let decay = |k: i32| (-6.907_755 * f64::from(k) / 24_000.0).exp() * f64::from(k % 7 - 3);
/// let samples: Vec<f64> = (0..48_000).map(decay).collect();
/// let signal = Signal { samples: &samples, rate_hz: 48_000.0, onset_s: 0.0 };
/// let bands = band_decays(&signal, Fraction::Octave, &bank(Fraction::Octave, 48_000.0));
/// let t20_s = bands[8].t20_s.map(|t20| t20.value);
/// assert!(t20_s.is_ok_and(|t20_s| (t20_s - 0.5).abs() < 0.005), "{t20_s:?}");
/// ```
#[must_use]
pub fn band_decays(signal: &Signal<'_>, fraction: Fraction, bank: &Bank) -> Vec<BandDecay> {
    let reason = if used(signal).is_some() { Flag::AboveRate } else { Flag::NoDecay };
    let mut found: Vec<BandDecay> =
        fraction.bands().into_iter().map(|band| BandDecay::void(band, reason)).collect();
    each_band(signal, fraction, bank, |backward, energy| {
        found[backward.channel.index] = evaluation::evaluate(backward.channel.band, energy);
    });
    found
}

/// The bands of a record that holds no decay of a room: each has its level, and `why` in place of all else.
#[must_use]
pub(crate) fn band_levels(signal: &Signal<'_>, fraction: Fraction, bank: &Bank, why: Flag) -> Vec<BandDecay> {
    let reason = if used(signal).is_some() { Flag::AboveRate } else { why };
    let mut found: Vec<BandDecay> =
        fraction.bands().into_iter().map(|band| BandDecay::void(band, reason)).collect();
    each_band(signal, fraction, bank, |backward, energy| {
        let level = evaluation::whole_level(energy).map_err(|_| why);
        let band = backward.channel.band;
        found[backward.channel.index] = BandDecay { level, ..BandDecay::void(band, why) };
    });
    found
}

fn each_band(
    signal: &Signal<'_>,
    fraction: Fraction,
    bank: &Bank,
    mut visit: impl FnMut(&Backward, &Energy),
) {
    let Some((samples, zero)) = used(signal) else { return };
    let anew =
        bank.rate_hz().total_cmp(&signal.rate_hz).is_ne().then(|| self::bank(fraction, signal.rate_hz));
    let length_s = (samples.len() - zero) as f64 / signal.rate_hz;
    anew.as_ref().unwrap_or(bank).run(samples, zero, EARLY_S, |backward| {
        visit(&backward, &Energy::new(&backward, length_s, signal.rate_hz));
    });
}

/// The filters for all bands of a fraction at a sample rate; costs a part of a short response.
#[must_use]
pub fn bank(fraction: Fraction, rate_hz: f64) -> Bank {
    Bank::new(&fraction.bands(), rate_hz)
}

/// Samples up to the last that isn't digital silence, and the index of the direct sound among them.
fn used<'a>(signal: &Signal<'a>) -> Option<(&'a [f64], usize)> {
    let last = signal.samples.iter().rposition(|sample| *sample != 0.0)?;
    let zero = (signal.onset_s * signal.rate_hz).round().max(0.0) as usize;
    (zero <= last).then_some((&signal.samples[..=last], zero))
}
