//! What is wrong with a take, told while it can still be repeated.

use super::RecoveryError;
use super::arrival::Levels;
use super::background::Background;
use super::evidence::{AHEAD_S, MICROPHONE, REFERENCE, TakeEvidence, clipping};
use super::gain::automatic_gain;
use super::interrupted::interrupted;
use super::recovered::{PeriodicResponse, Trouble};
use super::reference::Rise;
use super::words::{against, signed};
use crate::recording::{Fault, flat_tops, inspect};

/// Modes matter from here up, Hz: a range that begins higher leaves some out.
const LOWEST_MODE_HZ: f64 = 25.0;
/// A response that ends this far under its signal, a share (nearly an octave), has lost what a loudspeaker plays.
const FAR_BELOW: f64 = 0.55;
/// No microphone of a room stands farther off than this, s (27 m).
const FAR_S: f64 = 0.08;
/// Fall that every band must show before the record ends: 30 dB (ISO 18233:2006, 6.3.2), as a ratio of powers.
const LEAST_FALL: f64 = 1e3;

/// All troubles of a take.
pub(super) fn of_take(seen: &TakeEvidence<'_>) -> Vec<Trouble> {
    let mut found = Vec::new();
    found.extend(clipping(seen.recording, seen.rate_hz, MICROPHONE));
    found.extend(clipping(seen.reference, seen.rate_hz, REFERENCE));
    found.extend(automatic_gain(seen));
    let reference = reference_noise(seen);
    let clicks = reference.as_ref().is_some_and(|trouble| trouble.word == "click");
    found.extend(interrupted(seen, clicks));
    found.extend(start_and_end(seen));
    found.extend(channels(seen));
    found.extend(no_room(seen));
    found.extend(reference);
    found.extend(several(seen));
    found.extend(decay_cut(seen));
    found.extend(strength(seen));
    found.extend(distortion(seen));
    found.extend(hum(&seen.recovered.background));
    found
}

/// Mains hum at the microphone: it takes its own lines out of every decay near them.
fn hum(background: &Background) -> Option<Trouble> {
    let (hz, ratio) = background.hum.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Trouble::note(
        "hum",
        format!("hum at {hz:.0} Hz, {:.0} dB over the noise beside it", 10.0 * ratio.log10()),
        "feed all devices from one socket, use balanced cables, switch off dimmers and compressors",
    ))
}

/// What kept a response from being found: a clipped recording shows none, or that of another signal.
pub(super) fn cause(recording: &[f64], rate_hz: f64, error: RecoveryError) -> RecoveryError {
    match error {
        RecoveryError::NoResponse | RecoveryError::OtherSignal { .. } => flat_tops(recording, rate_hz)
            .map_or(error, |fault| RecoveryError::Clipped { clipped: fault.to_string() }),
        other => other,
    }
}

/// A sweep that was played slower by this share than it was written: its response is smeared over the lags that its bands
/// drift by.
pub(super) fn other_speed(slower: f64) -> Trouble {
    let which = if slower > 0.0 { "slower" } else { "faster" };
    let rates = |ratio: f64| (1.0 + slower - ratio).abs() < 5e-3;
    let reason = if rates(48.0 / 44.1) || rates(44.1 / 48.0) {
        ": 44.1 and 48 kHz were taken for each other"
    } else {
        ""
    };
    Trouble::again(
        "other-speed",
        format!("the signal runs {:.1} % {which} than it was written{reason}", 100.0 * slower.abs()),
        "play and record at the rate of the signal's file, with nothing that changes speed, or record the signal on a \
         second channel (--reference)",
    )
}

fn start_and_end(seen: &TakeEvidence<'_>) -> Vec<Trouble> {
    let mut found = Vec::new();
    let late_s = -seen.arrival.lag_s;
    let start_s = seen.signal.bursts[0].0 as f64 / seen.rate_hz;
    if seen.settings.together && seen.signal.cut.0 {
        found.push(Trouble::again(
            "late-start",
            "the recording begins while the signal already plays".to_owned(),
            "start the recorder first and leave a second of silence",
        ));
    }
    if !seen.settings.together && late_s > start_s {
        let missed = missed(seen.rise, late_s, seen.recovered.range_hz.1);
        found.push(Trouble::again(
            "late-start",
            format!("the recorder started {:.2} s after the signal: {missed} is in it", late_s - start_s),
            "start the recorder first and leave a second of silence",
        ));
    }
    if seen.settings.together && seen.signal.cut.1 {
        found.push(Trouble::again(
            "early-stop",
            "the recording ends while the signal still plays".to_owned(),
            "stop the recorder only when the ringing is gone",
        ));
    }
    found
}

/// What a recording that begins `late_s` after the signal's file is short of; a frequency only where the sweep passed
/// it by then, within the range in which the response was found.
fn missed(rise: Option<&Rise>, late_s: f64, high_hz: f64) -> String {
    let passed = rise.map(|rise| rise.at_hz(late_s));
    match passed.filter(|hz| (1.0..high_hz).contains(hz)) {
        Some(hz) => format!("nothing below {hz:.0} Hz"),
        None => "nothing of the signal's beginning".to_owned(),
    }
}

fn swapped(lag_s: f64) -> Trouble {
    Trouble::again(
        "swapped-channels",
        format!("the sound comes {:.1} ms before the signal that made it", -1e3 * lag_s),
        "check which channel holds the microphone and which the signal (--channel, --reference)",
    )
}

fn channels(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    if !seen.settings.together {
        return None;
    }
    let lag_s = seen.arrival.lag_s;
    if lag_s < -AHEAD_S && seen.arrival.broken.is_none() {
        return Some(swapped(lag_s));
    }
    (lag_s > FAR_S).then(|| {
        Trouble::note(
            "latency",
            format!("the sound comes {:.0} ms after the signal in the reference", 1e3 * lag_s),
            "something delays the loudspeaker and not the reference; levels and decays are right, distances are \
             not",
        )
    })
}

/// A response with no room in it: the microphone's channel holds the loopback.
fn no_room(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let found = inspect(&seen.recovered.samples, seen.rate_hz).found;
    found.iter().any(|fault| matches!(fault, Fault::SignalItself { .. })).then(|| {
        Trouble::again(
            "loopback",
            "the response is a pulse with no room behind it: the microphone's channel holds the signal itself"
                .to_owned(),
            "check which channel holds the microphone (--channel)",
        )
    })
}

/// Noise or hum in the reference from −60 dB on is worth knowing, from −40 dB (1 % of the signal) on it spoils
/// the division; common practice, no source.
fn reference_noise(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let peak = seen.reference.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
    let (from, to) = seen.signal.bursts[0];
    let within = &seen.reference[from..to];
    let rms = (within.iter().map(|x| x * x).sum::<f64>() / within.len().max(1) as f64).sqrt();
    if seen.settings.together && peak > 2.5 * rms {
        return Some(Trouble::again(
            "click",
            format!(
                "the reference has a peak {:.0} dB over the signal's rms: a click",
                20.0 * (peak / rms).log10()
            ),
            "look for a loose plug or a dropout, and repeat",
        ));
    }
    let decibels = 20.0 * seen.signal.noise_ratio.log10();
    let found = || {
        format!("hum or noise in the reference, {} dB against the signal", signed(&format!("{decibels:.0}")))
    };
    let advice = "use a shorter or balanced cable, or send the reference at a higher level";
    if seen.signal.noise_ratio > 1e-2 {
        Some(Trouble::again("reference-noise", found(), advice))
    } else if seen.signal.noise_ratio > 1e-3 {
        Some(Trouble::note("reference-noise", found(), advice))
    } else {
        None
    }
}

fn several(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let away = seen.arrival.again_s.iter().map(|time| time - seen.arrival.lag_s);
    let nearest = away.min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let side = if nearest < 0.0 { "earlier" } else { "later" };
    let seconds = nearest.abs();
    let found = match seen.arrival.again_s.len() {
        1 => format!("the signal is in the recording once more, {seconds:.1} s {side}"),
        n => format!("the signal is in the recording {n} more times, the nearest {seconds:.1} s {side}"),
    };
    Some(Trouble::again(
        SEVERAL,
        found,
        "average them if all are of one place (--average), name their places (--in-order), or give each its own file",
    ))
}

const SEVERAL: &str = "several-signals";

/// In a part of a recording that should hold one signal, a second means that the repeats stand too close, or that the
/// reference plays fewer.
pub(super) fn of_part(mut troubles: Vec<Trouble>) -> Vec<Trouble> {
    for several in troubles.iter_mut().filter(|trouble| trouble.word == SEVERAL) {
        several.advice = "leave a second of silence or more between the signals, or give each its own file";
    }
    troubles
}

/// Middles of the bands in range that neither have fallen by 30 dB at the end nor met their noise.
fn ringing_at_end(levels: &Levels, (low, high): (f64, f64)) -> Vec<f64> {
    let in_range = levels.bands.iter().filter(|band| (low..high).contains(&band.centre_hz));
    let rings = in_range.filter(|band| band.end * LEAST_FALL > band.peak && band.before_end > 2.5 * band.end);
    rings.map(|band| band.centre_hz).collect()
}

/// Whether every band in range has fallen by 30 dB, or to its noise, before the record ends.
fn decay_cut(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let cut = ringing_at_end(seen.levels, seen.recovered.range_hz);
    let (first, last) = (cut.first()?, cut.last()?);
    Some(Trouble::again(
        "early-stop",
        if last - first < 1.0 {
            format!("the recording ends while {first:.0} Hz still rings, less than 30 dB down")
        } else {
            format!("the recording ends while {first:.0} to {last:.0} Hz still ring, less than 30 dB down")
        },
        "stop the recorder only when the ringing is gone",
    ))
}

/// Whether the bands where modes are stand far enough over the noise: 35 dB carry a T20 (ISO 3382-1:2009).
fn strength(seen: &TakeEvidence<'_>) -> Vec<Trouble> {
    let mut found = Vec::new();
    let (low, high) = seen.recovered.range_hz;
    let ended = |from_above: bool| seen.arrival.broken.is_some_and(|broken| broken.came_on != from_above);
    if low > LOWEST_MODE_HZ && !ended(false) {
        found.push(Trouble::note(
            "narrow-range",
            format!("below {low:.0} Hz the response doesn't stand over the noise and is left out"),
            "play louder or sweep longer if modes there matter",
        ));
    }
    if high < 200.0 && !ended(true) {
        found.push(Trouble::note(
            "narrow-range",
            format!("above {high:.0} Hz the response doesn't stand over the noise and is left out"),
            "a subwoofer alone is enough for its own range; for the bands above, measure a full-range \
             loudspeaker too",
        ));
    }
    if high >= 200.0 && high < FAR_BELOW * seen.signal_to_hz && !ended(true) {
        found.push(Trouble::note(
            "narrow-range",
            format!(
                "above {} the response doesn't stand over the noise and is left out; the signal goes to {}",
                rounded(high),
                rounded(seen.signal_to_hz)
            ),
            "if the loudspeaker plays higher tones, look what took them, or play louder",
        ));
    }
    let weakest = seen.recovered.peak_to_noise.iter().filter(|o| o.band_hz < 200.0);
    if let Some(weak) = weakest.min_by(|a, b| a.ratio.total_cmp(&b.ratio)).filter(|o| o.ratio < 3_162.0) {
        found.push(Trouble::note(
            "weak",
            format!("peak-to-noise {:.0} dB at {:.0} Hz", 10.0 * weak.ratio.log10(), weak.band_hz),
            "play louder, or twice as long for 3 dB more (ISO 18233:2006, 6.3.6)",
        ));
    }
    found
}

/// "350 Hz", "1.6 kHz", "18 kHz": an edge of the range is known no better.
#[must_use]
pub fn rounded(hertz: f64) -> String {
    match hertz {
        hz if hz < 999.5 => format!("{hz:.0} Hz"),
        hz if hz < 9_950.0 => format!("{:.1} kHz", 1e-3 * hz),
        hz => format!("{:.0} kHz", 1e-3 * hz),
    }
}

/// Harmonics within 26 dB of the response (5 %): the loudspeaker is driven too hard; common practice, no source.
fn distortion(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let worst = seen.recovered.harmonics.iter().max_by(|a, b| a.ratio.total_cmp(&b.ratio))?;
    (worst.ratio > 2.5e-3).then(|| {
        Trouble::note(
            "distortion",
            format!(
                "harmonic {} stands {} the response at {:.0} Hz",
                worst.order,
                against(worst.ratio),
                worst.band_hz
            ),
            "turn the volume down by 6 dB and see whether it falls by more",
        )
    })
}

/// Troubles of a recording of noise: clipping on each channel, and what only a second seed could tell.
pub(super) fn of_noise(
    reference: &[f64],
    microphone: &[f64],
    rate_hz: f64,
    found: &PeriodicResponse,
) -> Vec<Trouble> {
    let mut troubles: Vec<Trouble> = clipping(microphone, rate_hz, MICROPHONE).into_iter().collect();
    troubles.extend(clipping(reference, rate_hz, REFERENCE));
    let lag_s = found.arrival_s - found.emission_s;
    if lag_s < -AHEAD_S {
        troubles.push(swapped(lag_s));
    }
    troubles.extend(found.troubles.iter().cloned());
    troubles.extend(hum(&found.background));
    if found.averages == 1 {
        troubles.push(Trouble::note(
            "one-period",
            "only one period after the first: too few to tell the noise".to_owned(),
            "record eight periods or more",
        ));
    }
    troubles.push(Trouble::note(
        "distortion-not-seen",
        "periods that repeat make distortion coherent: it isn't seen".to_owned(),
        "a second recording with another seed, or a sweep, shows it",
    ));
    troubles
}

/// A period must outlast the decay, else the response wraps round (ISO 18233:2006, annex A).
pub(super) fn of_levels(levels: &Levels, range_hz: (f64, f64), period_s: f64) -> Option<Trouble> {
    let wrapped = ringing_at_end(levels, range_hz);
    let first = wrapped.first()?;
    Some(Trouble::again(
        "short-period",
        format!("at the end of a period of {period_s:.2} s, {first:.0} Hz rings on less than 30 dB down"),
        "play noise with a longer period",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// T = 2 s, 1 Hz passed at −4 s: 20 Hz at 2 ln 20 − 4 = 1.99 s, 20 kHz at 15.8 s. No frequency is named that the
    /// sweep doesn't reach.
    #[test]
    fn a_late_start_names_no_frequency_beyond_the_range() {
        let rise = Rise { time_constant_s: 2.0, at_one_hertz_s: -4.0 };
        let at_20_hz = 2.0 * 20.0_f64.ln() - 4.0;
        assert_eq!(missed(Some(&rise), at_20_hz, 20_000.0), "nothing below 20 Hz");
        for late_s in [-5.0, 16.0, 60.0] {
            assert_eq!(missed(Some(&rise), late_s, 20_000.0), "nothing of the signal's beginning");
        }
        assert_eq!(missed(None, at_20_hz, 20_000.0), "nothing of the signal's beginning");
    }

    #[test]
    fn a_part_has_no_advice_that_was_followed_already() {
        let told = of_part(vec![Trouble::again(SEVERAL, String::new(), "name them (--in-order)")]);
        assert!(!told[0].advice.contains("--"), "{told:?}");
    }
}
