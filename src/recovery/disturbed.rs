//! A sound that only one of several repeats holds: a door, a knock, steps. Divided by the sweep it stands in each band
//! at a lag of its own, where the others hold the decay, and their mean carries it.
//!
//! What one repeat differs by from the mean of the others is noise, and a share of the response where air or clocks moved
//! in between. A stretch of a band in which it stands far over both is a sound of its own.

use super::recovered::{Recovered, Trouble};
use super::reference::centres;
use super::transform::{Lags, quick_length, spectrum};
use rustfft::num_complex::Complex64;

/// Stretches are this many inverse widths of their band long, as a thump is at the least: the largest of a thousand of noise
/// alone stays 10 dB over their median (Erlang's distribution of two).
const STRETCH: f64 = 2.0;
/// How long they are above [`LOW_HZ`], where sweeps share little but power: shorter ones of either hold next to nothing
/// now and then.
const LONG_STRETCH: f64 = 16.0;
/// Stretches that a band must hold for their median to tell the noise.
const LEAST_STRETCHES: usize = 8;
/// A sound of its own stands this far over the usual difference, a ratio of powers (11 dB).
const OVER_NOISE: f64 = 12.0;
/// And this far over the response there, up to [`MODES_HZ`] and above it: a twentieth of a kelvin between two sweeps turns
/// 200 Hz by 0.2 rad in four seconds, 1 kHz by more than it can be told from.
const OVER_RESPONSE: (f64, f64) = (0.25, 1.0);
const MODES_HZ: f64 = 200.0;
/// What lies deeper under the band's peak than this bends no decay that is read (50 dB).
const DEEP: f64 = 1e-5;
/// Below this, Hz, a sound of its own bends what this program is about; above, it is worth a note where it stands this far
/// over the response, a ratio of powers (12 dB): there two sweeps differ by as much as they are strong.
const LOW_HZ: f64 = 1_000.0;
const OVER_HIGH: f64 = 16.0;
/// A sound in the tail lies at late lags of the upper bands alone; looked for up to here, Hz.
const HIGHEST_HZ: f64 = 8_000.0;
/// Of two sweeps, that holds the sound whose power the difference explains by this share at least; else either may.
const LEAST_SHARE: f64 = 0.3;

/// Where a repeat stands out.
#[derive(Debug, Clone, Copy)]
struct Sound {
    repeat: usize,
    hz: f64,
    over_noise: f64,
    /// By how much more the repeat has than the others where it stands out, as a share of the difference: 1 where the
    /// sound is its own, −1 where it is theirs. A sum over the stretches, and the weights it is a sum of: how far each
    /// stands over what both share, as what interferes there may have either sign.
    own: (f64, f64),
}

/// Names the repeat that holds a sound which the others lack; all aligned. A single one has no others.
pub(super) fn disturbed(repeats: &[Recovered], rate_hz: f64) -> Option<Trouble> {
    if repeats.len() < 2 {
        return None;
    }
    let length = quick_length(repeats.iter().map(|repeat| repeat.samples.len()).min()?);
    let lines: Vec<Vec<Complex64>> = repeats
        .iter()
        .map(|repeat| spectrum(&repeat.samples[..repeat.samples.len().min(length)], length))
        .collect();
    let (low_hz, high_hz) = repeats[0].range_hz;
    // What stands before the first sound bends no decay.
    let arrival_s = repeats[0].arrival_s;
    // Two differ by the same, whichever it is told from.
    let each = if repeats.len() == 2 { 0..1 } else { 0..repeats.len() };
    let of_bands = |from_hz: f64, to_hz: f64| -> Vec<Sound> {
        centres(from_hz, to_hz)
            .flat_map(|hz| each.clone().map(move |repeat| (hz, repeat)))
            .filter_map(|(hz, repeat)| of_band(&lines, (length, rate_hz), (repeat, arrival_s), hz))
            .collect()
    };
    let low = of_bands(1.15 * low_hz, high_hz.min(LOW_HZ) / 1.15);
    if !low.is_empty() {
        let advice = "keep doors shut and everybody still while the sweeps play, and repeat";
        return Some(Trouble::again("disturbed", said(&low, repeats.len())?, advice));
    }
    let high = of_bands(LOW_HZ.max(1.15 * low_hz), high_hz.min(HIGHEST_HZ) / 1.15);
    let advice = "keep everybody still until the ringing is gone; decays of these bands are bent, those below 1 kHz are not";
    Some(Trouble::note("disturbed", said(&high, repeats.len())?, advice))
}

/// Which repeat it is, and where it shows most.
fn said(found: &[Sound], repeats: usize) -> Option<String> {
    let loudest = found.iter().max_by(|a, b| a.over_noise.total_cmp(&b.over_noise))?;
    let (own, weight) =
        found.iter().fold((0.0, 0.0), |sum, sound| (sum.0 + sound.own.0, sum.1 + sound.own.1));
    let share = own / f64::max(weight, f64::MIN_POSITIVE);
    let which = match repeats {
        2 if share > LEAST_SHARE => "sweep 1 of 2 holds a sound that the other lacks".to_owned(),
        2 if share < -LEAST_SHARE => "sweep 2 of 2 holds a sound that the other lacks".to_owned(),
        2 => "one of the two sweeps holds a sound that the other lacks".to_owned(),
        n => format!("sweep {} of {n} holds a sound that the others lack", loudest.repeat + 1),
    };
    let decibels = 10.0 * loudest.over_noise.log10();
    let hz = loudest.hz;
    Some(format!("{which}, {decibels:.0} dB over the noise at {hz:.0} Hz: a door, a knock or steps"))
}

/// The largest difference of one repeat from the mean of the others in a band, if it is a sound of its own.
fn of_band(
    lines: &[Vec<Complex64>],
    (length, rate_hz): (usize, f64),
    (repeat, arrival_s): (usize, f64),
    hz: f64,
) -> Option<Sound> {
    let others = (lines.len() - 1) as f64;
    let mean = |k: usize| {
        let all: Complex64 = lines.iter().map(|each| each[k]).sum();
        (all - lines[repeat][k]) / others
    };
    let rest: Vec<Complex64> = (0..lines[0].len()).map(mean).collect();
    let apart: Vec<Complex64> = lines[repeat].iter().zip(&rest).map(|(a, b)| a - b).collect();
    let bands = [&apart, &rest, &lines[repeat]].map(|lines| Lags::of(lines, length, rate_hz, hz));
    let [Some(apart), Some(rest), Some(own)] = bands else { return None };
    let stretch_s = if hz < LOW_HZ { STRETCH } else { LONG_STRETCH } / apart.width_hz;
    let seconds = apart.seconds();
    let count = (2.0 * ((seconds - arrival_s) / stretch_s - 1.0)).max(0.0) as usize;
    let from_s = |k: usize| arrival_s + 0.5 * stretch_s * k as f64;
    let differences: Vec<f64> = (0..count).map(|k| apart.mean(from_s(k), from_s(k) + stretch_s)).collect();
    // Twice as wide: where modes beat, one stretch may hold less than its neighbours.
    let at = |band: &Lags, k: &usize| band.mean(from_s(*k) - 0.5 * stretch_s, from_s(*k) + 1.5 * stretch_s);
    let mut sorted = differences.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = *sorted.get(count / 2).filter(|_| count >= LEAST_STRETCHES)?;
    let peak = rest.largest(0.0, seconds).0;
    let share = match hz {
        hz if hz < MODES_HZ => OVER_RESPONSE.0,
        hz if hz < LOW_HZ => OVER_RESPONSE.1,
        _ => OVER_HIGH,
    };
    let stands_out = |k: &usize| {
        let (difference, own) = (differences[*k], at(&own, k));
        // Of two, the other may hold it.
        let response = if lines.len() == 2 { at(&rest, k).min(own) } else { at(&rest, k) };
        difference > OVER_NOISE * usual
            && difference > share * response
            && difference > DEEP * peak
            && (lines.len() == 2 || own > response)
    };
    let found: Vec<usize> = (0..count).filter(stands_out).collect();
    let most = *found.iter().max_by(|a, b| differences[**a].total_cmp(&differences[**b]))?;
    let own = found.iter().fold((0.0, 0.0), |sum, k| {
        let (here, there) = (at(&own, k), at(&rest, k));
        let weight = (here - there).abs() / (here.min(there) + usual).max(f64::MIN_POSITIVE);
        (sum.0 + weight * (here - there) / (here + there).max(f64::MIN_POSITIVE), sum.1 + weight)
    });
    Some(Sound { repeat, hz, over_noise: differences[most] / usual.max(f64::MIN_POSITIVE), own })
}
