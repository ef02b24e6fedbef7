//! The gain between two states, from what lies above the modes: no treatment of modes changes the
//! direct sound.

use super::facts::PlaceFacts;
use super::view::{Common, robust_sd};
use crate::estimate::Estimate;
use crate::flag::Flag;
use crate::mean::median;
use crate::response::BandEnergy;

/// A band counts from 15 dB over its noise (a ratio of energies).
const OVER_NOISE: f64 = 31.6;

/// A place this many spreads off the others is not averaged in.
const OFF: f64 = 3.0;

/// Least difference from the others, in nepers (0.3 dB), that a place can be off by: a unit close to a microphone
/// alters what it hears up to several hundred hertz. Our choice.
const LEAST_OFF: f64 = 0.035;

/// Least spread over places that is believed, in nepers (0.05 dB): a few places may agree by chance.
const LEAST_SPREAD: f64 = 0.006;

/// The gain, and which places do not share it.
#[derive(Debug, Clone, Default)]
pub(super) struct Gain {
    /// ln of the factor of pressure, after over before, with its standard error.
    pub log: Option<Estimate>,
    /// Why there is none.
    pub missing: Option<Flag>,
    /// Spread of the places' own gains, in nepers, from three places up; `None` for files scaled one by one.
    pub spread: Option<f64>,
    /// For each common place, whether its own gain is off the others'.
    pub off: Vec<bool>,
    /// For each common place, the files were scaled one by one and only its own gain restores the level.
    pub own: Vec<Option<Estimate>>,
    /// ln of the factor that was measured, where the user's word that there is none is taken instead.
    pub overruled: Option<f64>,
}

/// From this many places on they can tell a gain from what a treatment does to the direct sound at one of them.
const TELLS: usize = 3;

/// Median over the places of the ratio of direct sound (else of the first quarter of a second).
///
/// Its standard error is the spread over places, or the spread over bands where that says more. At one place or two a
/// treatment beside the microphone looks the same: if the user says that the chain is the same, that is taken.
pub(super) fn gain(places: &[Common<'_>], same_chain: Option<bool>) -> Gain {
    let each: Vec<Option<Estimate>> = places.iter().map(|p| place_gain(p.before, p.after)).collect();
    let normalised = places.iter().any(|p| p.before.normalised || p.after.normalised);
    if normalised {
        return restored(each);
    }
    let known: Vec<f64> = each.iter().flatten().map(|g| g.value).collect();
    let Some(middle) = median(known.clone()) else {
        return Gain { missing: Some(Flag::GainUnknown), off: vec![false; places.len()], ..Gain::default() };
    };
    if same_chain == Some(true) && known.len() < TELLS {
        let log = Some(Estimate::new(0.0, LEAST_SPREAD));
        let (off, own) = (vec![false; places.len()], vec![None; places.len()]);
        return Gain { log, off, own, overruled: Some(middle), ..Gain::default() };
    }
    let spread = robust_sd(&known, middle).max(LEAST_SPREAD);
    let within = |g: &Estimate| {
        let own = g.sd.unwrap_or(0.0);
        (g.value - middle).abs() <= LEAST_OFF.max(OFF * spread.hypot(own))
    };
    // Two places can't outvote each other.
    let off: Vec<bool> = each.iter().map(|g| known.len() > 2 && g.is_some_and(|g| !within(&g))).collect();
    let kept: Vec<Estimate> =
        each.iter().zip(&off).filter(|(_, off)| !**off).filter_map(|(g, _)| *g).collect();
    let values: Vec<f64> = kept.iter().map(|g| g.value).collect();
    let middle = median(values.clone()).unwrap_or(middle);
    Gain {
        log: Some(Estimate::new(middle, standard_error(&kept, robust_sd(&values, middle)))),
        missing: None,
        spread: (known.len() > 2).then(|| robust_sd(&known, middle)),
        off,
        own: vec![None; places.len()],
        overruled: None,
    }
}

/// A median's standard error is 1.2533 times the mean's (normal distribution, large n).
fn standard_error(kept: &[Estimate], spread: f64) -> f64 {
    let n = (kept.len() as f64).sqrt();
    let bands = median(kept.iter().filter_map(|g| g.sd).collect()).unwrap_or(0.0);
    1.2533 * spread.max(LEAST_SPREAD).max(bands) / n
}

/// Files scaled one by one: each place has a gain of its own, or none.
fn restored(each: Vec<Option<Estimate>>) -> Gain {
    if each.iter().all(Option::is_none) {
        return Gain { missing: Some(Flag::Normalised), off: vec![false; each.len()], ..Gain::default() };
    }
    let middle = median(each.iter().flatten().map(|g| g.value).collect()).unwrap_or(0.0);
    let error = standard_error(&each.iter().flatten().copied().collect::<Vec<_>>(), 0.0);
    Gain {
        log: Some(Estimate::new(middle, error)),
        missing: None,
        spread: None,
        off: each.iter().map(Option::is_none).collect(),
        own: each.iter().map(|g| g.map(|g| Estimate { value: g.value - middle, sd: g.sd })).collect(),
        overruled: None,
    }
}

/// ln of the factor of pressure at one place, with the spread over bands as its standard error.
fn place_gain(before: &PlaceFacts<'_>, after: &PlaceFacts<'_>) -> Option<Estimate> {
    let rates = (after.file_rate_hz / before.file_rate_hz).ln();
    // Σp²/fs of fs times the samples: the same pulse at another rate has the same energy then.
    let log = |(b, a): (f64, f64)| 0.5 * (a / b).ln() + rates;
    let pairs = usable(&before.direct, &after.direct);
    let pairs = if pairs.is_empty() { usable(&before.whole, &after.whole) } else { pairs };
    if pairs.is_empty() || !rates.is_finite() {
        return None;
    }
    let each: Vec<f64> = pairs.iter().map(|pair| log(*pair)).collect();
    // Not the ratio of sums: a unit next to the microphone alters the lowest bands, which hold the most energy.
    let value = median(each.clone())?;
    let spread = (each.iter().map(|g| (g - value).powi(2)).sum::<f64>() / each.len() as f64).sqrt();
    value.is_finite().then(|| Estimate::new(value, spread / (each.len() as f64).sqrt()))
}

/// Energies before and after, noise taken off, of the bands that stand out in both.
pub(super) fn usable(before: &[BandEnergy], after: &[BandEnergy]) -> Vec<(f64, f64)> {
    let stands = |b: &BandEnergy| b.energy > 0.0 && b.energy >= OVER_NOISE * b.noise;
    let mut pairs = Vec::new();
    for old in before.iter().filter(|b| stands(b)) {
        let same = |new: &&BandEnergy| (new.mid_hz / old.mid_hz).ln().abs() < 0.05 && stands(new);
        if let Some(new) = after.iter().find(same) {
            pairs.push((old.energy - old.noise, new.energy - new.noise));
        }
    }
    pairs
}
