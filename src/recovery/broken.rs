//! A loudspeaker that went off, or came on, while the sweep played.
//!
//! Where the sound breaks off or begins at once, it clicks: a click at time t stands in each band that the sweep passes
//! silently, as many seconds before or after the arrival as the sweep passes that band after or before t. Bands that
//! sound agree on one arrival, the silent ones lie on that line, and both meet at the frequency of the break. Where it
//! fades within some tenths of a second nothing clicks: then the response falls to the noise within a quarter of an
//! octave, as no loudspeaker does.

use super::reference::Rise;
use super::transform::{CLEAR, Lags};
use crate::mean::upper_median;
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// Where in the sweep the sound broke off or came on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Break {
    /// Frequency of the sweep at that time, Hz.
    pub hz: f64,
    /// Whether sound was missing up to there; else it is missing from there on.
    pub came_on: bool,
    /// Whether nothing else looks like it: a subwoofer's crossover might.
    pub sure: bool,
}

/// A band that shows a peak: the band, the peak's power, its lag in s.
type Peak<'a> = (&'a Lags, f64, f64);

/// Bands on each side of a break that must lie where they should, at the least.
const LEAST_BANDS: usize = 3;
/// Share of the bands on each side that must.
const SHARE: f64 = 0.8;

/// The break that the bands' lags show, with the lag of those that sound, s.
pub(super) fn clicked(peaks: &[Peak<'_>], rise: &Rise) -> Option<(Break, f64)> {
    let splits = LEAST_BANDS..(peaks.len() + 1).saturating_sub(LEAST_BANDS);
    let each = splits.flat_map(|at| {
        let (low, high) = peaks.split_at(at);
        [of_split(low, high, rise, false), of_split(high, low, rise, true)]
    });
    each.flatten().max_by(|a, b| a.2.total_cmp(&b.2)).map(|(found, lag_s, _)| (found, lag_s))
}

/// The break between bands that sound and bands that hold its click, with the share of all bands where they should be.
fn of_split(
    sound: &[Peak<'_>],
    silent: &[Peak<'_>],
    rise: &Rise,
    came_on: bool,
) -> Option<(Break, f64, f64)> {
    let lag_s = middle(sound.iter().map(|peak| peak.2));
    let turn_s = |band: &Lags| rise.time_constant_s * band.centre_hz.ln();
    let click_s = middle(silent.iter().map(|(band, _, lag)| lag + turn_s(band)));
    let hz = ((click_s - lag_s) / rise.time_constant_s).exp();
    let border = if came_on {
        (silent.last()?.0.centre_hz, sound.first()?.0.centre_hz)
    } else {
        (sound.last()?.0.centre_hz, silent.first()?.0.centre_hz)
    };
    if !(border.0 / SKIRT..border.1 * SKIRT).contains(&hz) {
        return None;
    }
    let reach = |band: &Lags| 0.05 + 2.0 / band.width_hz;
    let stands = sound.iter().filter(|(band, _, lag)| (lag - lag_s).abs() < BUILD_UP_S + reach(band)).count();
    let on_line = |(band, _, lag): &&Peak<'_>| (lag + turn_s(band) - click_s).abs() < reach(band);
    let clicks = silent.iter().filter(on_line).count();
    let apart = |(band, _, lag): &&Peak<'_>| (lag - lag_s).abs() > BUILD_UP_S + 2.0 * reach(band);
    let told = silent.iter().filter(on_line).filter(apart).count();
    let enough = |found: usize, of: usize| found >= LEAST_BANDS && found as f64 >= SHARE * of as f64;
    let share = (stands + clicks) as f64 / (sound.len() + silent.len()) as f64;
    let all = enough(stands, sound.len()) && enough(clicks, silent.len()) && told >= LEAST_BANDS;
    all.then_some((Break { hz, came_on, sure: true }, lag_s, share))
}

/// A band reaches this far over the frequency of a break on either side, a ratio.
const SKIRT: f64 = 1.26;
/// Low bands may peak this much after the first sound, s.
const BUILD_UP_S: f64 = 0.15;

fn middle(values: impl Iterator<Item = f64>) -> f64 {
    upper_median(&mut values.collect::<Vec<f64>>()).unwrap_or(0.0)
}

/// Bands an octave in which a fall is looked for.
const PER_OCTAVE: usize = 12;
/// The fall lies within this many of them.
const WITHIN: usize = 3;
/// Before the fall the lower quartile of this many bands counts, behind it the largest of an octave.
const BEFORE: usize = 7;
/// Half the width of a band over its middle: its ends lie as far apart as the fall may be wide.
const HALF_WIDTH: f64 = 0.125;
/// Least fall, a ratio of powers (30 dB). Subwoofers behind crossovers of 48 dB an octave fell by 22 dB above
/// [`SURE_HZ`], loudspeakers' lower ends by 5 dB, in simulated rooms with decays of 0.2 to 4 s.
const FALL: f64 = 1e3;
/// The octave behind the fall stands this little over its noise, a ratio of powers (12 dB).
const NOTHING: f64 = 16.0;
/// Below this frequency, Hz, a mode beside a steep crossover falls as far: up to 52 dB in the same rooms.
const SURE_HZ: f64 = 180.0;
/// There it is worth a note from here on, a ratio of powers (40 dB).
const STEEP: f64 = 1e4;
/// A fall is looked for up to here, Hz: what is missing above concerns no table of this program, and costs most.
const HIGHEST_HZ: f64 = 5_000.0;

/// Where the response is gone at once within a range, around its lag.
pub(super) fn fallen(
    quotient: &[Complex64],
    length: usize,
    rate_hz: f64,
    (low_hz, high_hz, lag_s): (f64, f64, f64),
) -> Option<Break> {
    let index = |hz: f64| PER_OCTAVE as f64 * (hz / 1_000.0).log2();
    let top_hz = high_hz.min(HIGHEST_HZ) / (1.0 + HALF_WIDTH);
    let (first, last) = (index(low_hz * 1.1).ceil() as i32, index(top_hz).floor() as i32);
    let at = |hz: f64, late_s: f64| power_at(quotient, length, rate_hz, (hz, lag_s + late_s));
    let noise = |hz: f64| middle(NOISE_S.iter().map(|ahead_s| at(hz, -ahead_s)));
    let loudest = |hz: f64| (0..3).map(|n| at(hz, f64::from(n) / hz)).fold(0.0, f64::max);
    let hertz = |k: i32| 1_000.0 * (f64::from(k) / PER_OCTAVE as f64).exp2();
    let mut bands: Vec<(f64, f64)> = (first..=last).map(|k| (hertz(k), loudest(hertz(k)))).collect();
    let least = |hz: f64| if hz > SURE_HZ { FALL } else { STEEP };
    let off = fall_of(&bands, least, noise).map(|hz| Break { hz, came_on: false, sure: hz > SURE_HZ });
    bands.reverse();
    off.or_else(|| fall_of(&bands, |_| FALL, noise).map(|hz| Break { hz, came_on: true, sure: true }))
}

/// Where nothing is left any more of the power that the bands before have; bands as (Hz, power).
fn fall_of(bands: &[(f64, f64)], least: impl Fn(f64) -> f64, noise: impl Fn(f64) -> f64) -> Option<f64> {
    let places = BEFORE..(bands.len() + 1).saturating_sub(2 * WITHIN);
    let behind =
        |place: usize| &bands[place - 1 + WITHIN..(place - 1 + WITHIN + PER_OCTAVE).min(bands.len())];
    let most = |bands: &[(f64, f64)]| bands.iter().map(|band| band.1).fold(0.0, f64::max);
    let gone = |place: &usize| {
        let mut before: Vec<f64> = bands[place - BEFORE..*place].iter().map(|band| band.1).collect();
        before.sort_by(f64::total_cmp);
        let behind = behind(*place);
        before[BEFORE / 4] > least(bands[*place].0) * most(behind)
            && middle(behind.iter().map(|(hz, power)| power / noise(*hz).max(f64::MIN_POSITIVE))) < NOTHING
    };
    let place = places.into_iter().find(gone)?;
    // Deep under what sounds the bands' own skirts fall as steeply: the fall lies where half of it is done, in decibels.
    let octave = &bands[place.saturating_sub(PER_OCTAVE)..place];
    let half = (most(octave) * most(behind(place))).sqrt();
    let sounds = octave.iter().rposition(|band| band.1 >= half).map_or(0, |k| k + 1);
    Some(octave.get(sounds).map_or(bands[place].0, |band| band.0))
}

/// Whether the bands above a fall stand at the instant of it and not at the arrival: what fades within some tenths of a second
/// spreads over them, while a crossover lets them sound, and harmonics stand at one lag in all of them.
pub(super) fn spreads(
    bands: &[Lags],
    (least_s, greatest_s): (f64, f64),
    rise: &Rise,
    (hz, lag_s): (f64, f64),
) -> bool {
    let heard = bands.iter().filter(|band| band.centre_hz > NEXT * hz).map(|band| {
        let (most, at_s) = band.largest(least_s, greatest_s);
        (band, at_s, rise.passes_s(band.centre_hz) + at_s, most > CLEAR * band.usual())
    });
    let heard: Vec<_> = heard.filter(|band| band.3).collect();
    let instant_s = middle(heard.iter().map(|band| band.2));
    let there = |(band, at_s, time_s, _): &&(&Lags, f64, f64, bool)| {
        let smear_s = 2.0 / band.width_hz;
        *at_s < lag_s - 0.05 - smear_s && (time_s - instant_s).abs() < SPREAD * rise.time_constant_s + smear_s
    };
    let there: Vec<_> = heard.iter().filter(there).collect();
    let span = |values: Vec<f64>| {
        values.iter().fold(f64::MIN, |a, b| a.max(*b)) - values.iter().fold(f64::MAX, |a, b| a.min(*b))
    };
    there.len() >= LEAST_BANDS
        && 3 * there.len() >= 2 * heard.len()
        && 2.0 * span(there.iter().map(|band| band.2).collect())
            < span(there.iter().map(|band| band.1).collect())
}

/// The first band that the fall itself doesn't reach, a ratio of frequencies.
const NEXT: f64 = 1.12;
/// How far apart bands may have the instant of a fall, a share of the sweep's time constant: less than from one band to the
/// next.
const SPREAD: f64 = 0.15;

/// Instants ahead of the sound at which noise is read, s.
const NOISE_S: [f64; 6] = [0.3, 0.37, 0.45, 0.52, 0.6, 0.68];

/// Power of a band of raised cosine at one lag.
fn power_at(quotient: &[Complex64], length: usize, rate_hz: f64, (hz, lag_s): (f64, f64)) -> f64 {
    let spacing_hz = rate_hz / length as f64;
    let half = HALF_WIDTH * hz;
    let bins = ((hz - half) / spacing_hz).ceil() as usize
        ..=(((hz + half) / spacing_hz).floor() as usize).min(quotient.len().saturating_sub(1));
    // Both phases turn by the same step from bin to bin: a product is cheaper than a cosine.
    let phase = |radians_per_hz: f64, from_hz: f64| {
        let start_hz = *bins.start() as f64 * spacing_hz - from_hz;
        let unit = |radians: f64| Complex64::from_polar(1.0, radians);
        (unit(radians_per_hz * start_hz), unit(radians_per_hz * spacing_hz))
    };
    let ((mut turn, step), (mut shape, shape_step)) = (phase(TAU * lag_s, 0.0), phase(PI / half, hz));
    let (mut sum, mut whole) = (Complex64::ZERO, 0.0);
    for line in quotient.get(bins.clone()).unwrap_or_default() {
        let gain = 0.5 + 0.5 * shape.re;
        sum += line * turn * gain;
        whole += gain;
        turn *= step;
        shape *= shape_step;
    }
    sum.norm_sqr() / (whole * whole).max(f64::MIN_POSITIVE)
}
