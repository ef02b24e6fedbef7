//! The average over positions (ISO 3382-2:2008: arithmetic mean of the positions' times).

use super::line::{Spread, T20_SPREAD, T30_SPREAD};
use super::straightness::is_curved;
use super::{BandDecay, Value};
use crate::estimate::{Estimate, Reading};
use crate::flag::{Flag, Flags};

/// Averages the bands of several positions: means over those that have the value, for the level the
/// mean of the energies, for peak-to-noise and range the smallest. All slices must hold the same bands;
/// an empty list gives none.
#[must_use]
pub fn average(positions: &[&[BandDecay]]) -> Vec<BandDecay> {
    let bands = positions.iter().map(|bands| bands.len()).min().unwrap_or(0);
    (0..bands).map(|band| of_band(&positions.iter().map(|p| &p[band]).collect::<Vec<_>>())).collect()
}

fn of_band(all: &[&BandDecay]) -> BandDecay {
    let band = all[0].band;
    let mean = |of: fn(&BandDecay) -> Value| mean(all.iter().map(|b| of(b)));
    let least = |of: fn(&BandDecay) -> Value| {
        all.iter().filter_map(|b| of(b).ok()).reduce(f64::min).ok_or(reason(all.iter().map(|b| of(b).err())))
    };
    let time = |of: fn(&BandDecay) -> Reading, spread| {
        mean_time(all.iter().map(|b| of(b)), spread, band.bandwidth_hz())
    };
    let (t20_s, t30_s) = (time(|b| b.t20_s, T20_SPREAD), time(|b| b.t30_s, T30_SPREAD));
    let seconds = |reading: &Reading| reading.map(|estimate| estimate.value);
    let mut result = BandDecay {
        edt_s: mean(|b| b.edt_s),
        t20_s,
        t30_s,
        c50: mean(|b| b.c50.map(f64::ln)).map(f64::exp),
        c80: mean(|b| b.c80.map(f64::ln)).map(f64::exp),
        d50: mean(|b| b.d50),
        ts_s: mean(|b| b.ts_s),
        level: mean(room_level),
        peak_to_noise: least(|b| b.peak_to_noise),
        decay_range: least(|b| b.decay_range),
        nonlinearity_t20: mean(|b| b.nonlinearity_t20),
        nonlinearity_t30: mean(|b| b.nonlinearity_t30),
        // Of each position's own pair: the positions with a T30 may be fewer than those with a T20.
        curvature: mean(|b| b.curvature),
        bt_product: seconds(&t20_s).or(seconds(&t30_s)).map(|t| t * band.bandwidth_hz()),
        ..BandDecay::void(band, Flag::NoDecay)
    };
    result.flags = remarks(all, &result);
    result
}

/// The level, unless it is that of the signal itself and of no room.
fn room_level(band: &BandDecay) -> Value {
    if band.flags.has(Flag::SignalItself) { Err(Flag::SignalItself) } else { band.level }
}

/// What every position says, the reasons of empty times, and straightness judged anew: chance averages out.
fn remarks(all: &[&BandDecay], mean: &BandDecay) -> Flags {
    let anew = [Flag::NotStraight, Flag::Curved];
    let shared = |flag: &Flag| all.iter().all(|b| b.flags.has(*flag)) && !anew.contains(flag);
    // What all say, the first says.
    let mut flags: Flags = all[0].flags.iter().filter(shared).collect();
    for reason in [mean.edt_s.err(), mean.t20_s.err(), mean.t30_s.err()].into_iter().flatten() {
        flags.add(reason);
    }
    let with_t20 = all.iter().filter(|b| b.t20_s.is_ok()).count();
    let with_level = all.iter().filter(|b| room_level(b).is_ok()).count();
    if [with_t20, with_level].iter().any(|with| 0 < *with && *with < all.len()) {
        flags.add(Flag::SomePositions);
    }
    let with_both = all.iter().filter(|b| b.curvature.is_ok()).count();
    if let (Ok(curvature), Ok(bt)) = (mean.curvature, mean.bt_product)
        && is_curved(curvature, bt, with_both.max(1))
    {
        flags.add(Flag::Curved);
    }
    flags
}

fn mean(values: impl Iterator<Item = Value> + Clone) -> Value {
    let known: Vec<f64> = values.clone().flatten().collect();
    if known.is_empty() {
        return Err(reason(values.map(Result::err)));
    }
    Ok(known.iter().sum::<f64>() / known.len() as f64)
}

/// The mean, with the larger of the standard's spread and the scatter over √N.
fn mean_time(values: impl Iterator<Item = Reading> + Clone, spread: Spread, bandwidth_hz: f64) -> Reading {
    let mean = mean(values.clone().map(|reading| reading.map(|estimate| estimate.value)))?;
    let known: Vec<f64> = values.flatten().map(|estimate| estimate.value).collect();
    let n = known.len();
    let standard = spread.sd_s(mean, bandwidth_hz, n);
    let scatter = if n < 2 {
        0.0
    } else {
        let squares: f64 = known.iter().map(|value| (value - mean).powi(2)).sum();
        (squares / (n - 1) as f64 / n as f64).sqrt()
    };
    Ok(Estimate::new(mean, standard.max(scatter)))
}

/// Why no position has the value: the first position's reason.
fn reason(mut reasons: impl Iterator<Item = Option<Flag>>) -> Flag {
    reasons.find_map(|reason| reason).unwrap_or(Flag::NoDecay)
}
