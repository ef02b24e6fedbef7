//! What is wrong with a take, told while it can still be repeated.

use super::RecoveryError;
use super::arrival::{Arrival, Levels};
use super::background::Background;
use super::dropout::dropouts;
use super::recovered::{Deconvolution, PeriodicResponse, Recovered, Trouble};
use super::reference::{Rise, Signal};
use crate::recording::{Fault, flat_tops, inspect, is_silent};

/// What findings call the channels.
const MICROPHONE: &str = "the microphone's channel";
const REFERENCE: &str = "the reference";

/// All that troubles are told from.
pub(super) struct TakeEvidence<'a> {
    pub signal: &'a Signal,
    pub reference: &'a [f64],
    pub recording: &'a [f64],
    pub rate_hz: f64,
    pub settings: &'a Deconvolution,
    pub arrival: &'a Arrival,
    pub levels: &'a Levels,
    pub rise: Option<&'a Rise>,
    pub recovered: &'a Recovered,
}

/// Modes matter from here up, Hz: a range that begins higher leaves some out.
const LOWEST_MODE_HZ: f64 = 25.0;
/// Sound that arrives earlier than this before its own signal can't be the room's, s.
const AHEAD_S: f64 = 1e-3;
/// No microphone of a room stands farther off than this, s (27 m).
const FAR_S: f64 = 0.08;
/// Fall that every band must show before the record ends: 30 dB (ISO 18233:2006, 6.3.2), as a ratio of powers.
const LEAST_FALL: f64 = 1e3;

/// Whether a recording holds nothing.
pub(super) fn silent(recording: &[f64]) -> bool {
    is_silent(recording)
}

/// All troubles of a take.
pub(super) fn of_take(seen: &TakeEvidence<'_>) -> Vec<Trouble> {
    let mut found = Vec::new();
    found.extend(clipping(seen.recording, seen.rate_hz, MICROPHONE));
    found.extend(clipping(seen.reference, seen.rate_hz, REFERENCE));
    found.extend(automatic_gain(seen));
    found.extend(broken(seen));
    found.extend(start_and_end(seen));
    found.extend(channels(seen));
    found.extend(no_room(seen));
    let reference = reference_noise(seen);
    let recorded = seen.settings.together && reference.as_ref().is_none_or(|trouble| trouble.word != "click");
    let channels = (seen.recording, recorded.then_some(seen.reference));
    found.extend(gaps(channels, seen.rate_hz, seen.signal, seen.arrival.lag_s));
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

/// Clipping and gaps of a recording and its reference as they were recorded: reading them at another clock's rate
/// rounds flat tops and jumps off.
#[must_use]
pub fn as_recorded(recording: &[f64], reference: Option<&[f64]>, rate_hz: f64) -> Vec<Trouble> {
    let mut found: Vec<Trouble> = clipping(recording, rate_hz, MICROPHONE).into_iter().collect();
    let Some(reference) = reference else { return found };
    found.extend(clipping(reference, rate_hz, REFERENCE));
    if let Some(signal) = Signal::of(reference, rate_hz) {
        found.extend(gaps((recording, Some(reference)), rate_hz, &signal, 0.0));
    }
    found
}

/// Gaps while the signal plays, of the reference too if it was recorded; the sound arrives `lag_s` after it.
fn gaps(
    (recording, reference): (&[f64], Option<&[f64]>),
    rate_hz: f64,
    signal: &Signal,
    lag_s: f64,
) -> Option<Trouble> {
    let late = |at: usize| (at as f64 + lag_s * rate_hz).max(0.0) as usize;
    signal.bursts.iter().find_map(|(from, to)| {
        dropouts(recording, rate_hz, late(*from)..late(*to), MICROPHONE)
            .or_else(|| dropouts(reference?, rate_hz, *from..*to, REFERENCE))
    })
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

fn clipping(samples: &[f64], rate_hz: f64, whose: &str) -> Option<Trouble> {
    let clipped = flat_tops(samples, rate_hz)?;
    Some(Trouble::again("clipped", format!("{whose} is {clipped}"), "turn the gain down and repeat"))
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

/// What begins or ends this near to the recording's own ends was cut there, s.
const EDGE_S: f64 = 0.3;

/// A loudspeaker that went off, or came on, in the midst of the sweep.
fn broken(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let (found, rise) = (seen.arrival.broken?, seen.rise?);
    let at_s = rise.passes_s(found.hz) + seen.arrival.lag_s;
    let hz = found.hz;
    let recording_s = seen.recording.len() as f64 / seen.rate_hz;
    if !(EDGE_S..recording_s - EDGE_S).contains(&at_s) {
        return None;
    }
    let said = if found.came_on {
        format!("the loudspeaker comes on only at {at_s:.1} s, when the sweep is at {hz:.0} Hz already")
    } else {
        format!("the loudspeaker is off from {at_s:.1} s on, when the sweep is at {hz:.0} Hz")
    };
    let advice = "look at its plugs and its amplifier: standby, protection, mute; then repeat";
    // Nor does a crossover let sound come before its signal.
    if found.sure || seen.arrival.lag_s < -AHEAD_S && seen.settings.together {
        return Some(Trouble::again("broken-off", said, advice));
    }
    Some(Trouble::note(
        "ends-at-once",
        format!("{said}, or a very steep crossover ends its range there"),
        "if it plays higher tones, they are missing: repeat; if it doesn't, there is nothing to do",
    ))
}

/// What a recording that begins `late_s` after the signal's file is short of; a frequency only where the sweep passed
/// it by then, within the range in which the response was found.
fn missed(rise: Option<&Rise>, late_s: f64, high_hz: f64) -> String {
    let passed = rise.map(|rise| ((late_s - rise.at_one_hertz_s) / rise.time_constant_s).exp());
    match passed.filter(|hz| (1.0..high_hz).contains(hz)) {
        Some(hz) => format!("nothing below {hz:.0} Hz"),
        None => "nothing of the signal's beginning".to_owned(),
    }
}

fn channels(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    if !seen.settings.together {
        return None;
    }
    let lag_s = seen.arrival.lag_s;
    if lag_s < -AHEAD_S && seen.arrival.broken.is_none() {
        return Some(Trouble::again(
            "swapped-channels",
            format!("the sound comes {:.1} ms before the signal that made it", -1e3 * lag_s),
            "check which channel holds the microphone and which the signal (--channel, --reference)",
        ));
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

/// Gain that follows the level: while the sweep is low, noise far above it and its harmonics must be what it is in the
/// silences before and after. An automatic gain turns it down with the signal; its release bends every decay.
fn automatic_gain(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let (rise, rate_hz) = (seen.rise?, seen.rate_hz);
    let start_s = seen.signal.bursts[0].0 as f64 / rate_hz + seen.arrival.lag_s;
    let low_until_s = rise.passes_s(LOW_SHARE * rate_hz) + seen.arrival.lag_s;
    let powers = Hiss::of(seen.recording, rate_hz);
    let before = powers.settled(0.0, start_s - 0.15)?;
    let during = powers.quietest(start_s + 0.3, low_until_s)?.power;
    // Half of what follows the signal may still ring.
    let end_s = seen.recording.len() as f64 / rate_hz;
    let after = powers.settled(end_s - 0.5 * held_s(seen), end_s)?;
    let moved = before.min(after) / during;
    (moved > GAIN_MOVES).then(|| {
        Trouble::again(
            "automatic-gain",
            format!(
                "the gain follows the level: noise above {:.0} kHz falls by {:.0} dB while the sweep is low, and comes back \
                 after it",
                HISS_SHARE * rate_hz / 1e3,
                10.0 * moved.log10()
            ),
            "switch off automatic gain, limiter and noise suppression of the recorder, and repeat",
        )
    })
}

/// What the recording holds after the signal's end, s.
fn held_s(seen: &TakeEvidence<'_>) -> f64 {
    let end = seen.signal.bursts[0].1 as f64 / seen.rate_hz + seen.arrival.lag_s;
    (seen.recording.len() as f64 / seen.rate_hz - end).max(0.0)
}

/// Noise moves by less than this on its own (6 dB): quietest half seconds of one room's noise differ by some tenths of a
/// decibel, people's by more; own choice.
const GAIN_MOVES: f64 = 4.0;
/// Nearly all of white noise's fourth differences lies above this, a share of the rate (2 % lie below).
const HISS_SHARE: f64 = 0.25;
/// The sweep is low up to here, a share of the rate: ten of its harmonics stay under an eighth of the rate.
const LOW_SHARE: f64 = 0.0125;
/// Noise falls by less than this within a quarter of a second, a ratio of powers; what falls more is still a decay.
const STILL_FALLS: f64 = 1.4;

/// Power over time of what lies far above the low part of a sweep.
struct Hiss {
    powers: Vec<f64>,
}

/// Half a second of it.
struct Quiet {
    power: f64,
    falls: f64,
}

impl Hiss {
    /// Length of a piece, s; the median of those of half a second leaves out clicks.
    const PIECE_S: f64 = 0.01;
    const WINDOW: usize = 50;

    /// Fourth differences fall by 24 dB an octave downwards: the sweep's own lines vanish under the noise.
    fn of(samples: &[f64], rate_hz: f64) -> Self {
        let piece = ((Self::PIECE_S * rate_hz) as usize).max(8);
        let rough = |w: &[f64]| w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4];
        let power = |part: &[f64]| part.windows(5).map(|w| rough(w).powi(2)).sum::<f64>();
        Self { powers: samples.chunks_exact(piece).map(power).collect() }
    }

    /// The half second of the least median within a stretch; `None` if the stretch is shorter, or holds no noise at all.
    fn quietest(&self, from_s: f64, to_s: f64) -> Option<Quiet> {
        let index = |at_s: f64| ((at_s / Self::PIECE_S).max(0.0) as usize).min(self.powers.len());
        let part = &self.powers[index(from_s)..index(to_s).max(index(from_s))];
        let each = part.chunks_exact(Self::WINDOW).map(|window| {
            let (first, last) = window.split_at(Self::WINDOW / 2);
            Quiet { power: median(window), falls: median(first) / median(last) }
        });
        each.min_by(|a, b| a.power.total_cmp(&b.power)).filter(|quiet| quiet.power > 0.0)
    }

    /// The power there, unless it is a decay's: of the sweep, or of one before it.
    fn settled(&self, from_s: f64, to_s: f64) -> Option<f64> {
        self.quietest(from_s, to_s).filter(|quiet| quiet.falls < STILL_FALLS).map(|quiet| quiet.power)
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    *sorted.select_nth_unstable_by(values.len() / 2, f64::total_cmp).1
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
    let found = || format!("hum or noise in the reference, {decibels:.0} dB against the signal");
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

/// The same of a part of a recording that was taken to hold one signal: it is the signal or the reference that plays
/// less often than the recording, or repeats too close to each other to be told apart.
pub(super) fn of_part(mut troubles: Vec<Trouble>) -> Vec<Trouble> {
    for several in troubles.iter_mut().filter(|trouble| trouble.word == SEVERAL) {
        several.advice = "leave a second of silence or more between the signals, or give each its own file";
    }
    troubles
}

/// A ratio of powers against the response, in words: `12 dB under`.
pub(super) fn against(ratio: f64) -> String {
    let decibels = (10.0 * ratio.log10()).round();
    if decibels > 0.0 { format!("{decibels:.0} dB over") } else { format!("{:.0} dB under", decibels.abs()) }
}

/// Whether every band in range has fallen by 30 dB, or to its noise, before the record ends.
fn decay_cut(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let (low, high) = seen.recovered.range_hz;
    let cut: Vec<f64> = seen
        .levels
        .bands
        .iter()
        .filter(|band| (low..high).contains(&band.centre_hz))
        .filter(|band| band.end * LEAST_FALL > band.peak && band.before_end > 2.5 * band.end)
        .map(|band| band.centre_hz)
        .collect();
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
        troubles.push(Trouble::again(
            "swapped-channels",
            format!("the sound comes {:.1} ms before the signal that made it", -1e3 * lag_s),
            "check which channel holds the microphone and which the signal (--channel, --reference)",
        ));
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
pub(super) fn of_levels(levels: &Levels, (low, high): (f64, f64), period_s: f64) -> Option<Trouble> {
    let in_range = levels.bands.iter().filter(|band| (low..high).contains(&band.centre_hz));
    let wraps = |band: &&super::arrival::BandLevel| {
        band.end * LEAST_FALL > band.peak && band.before_end > 2.5 * band.end
    };
    let wrapped: Vec<f64> = in_range.filter(wraps).map(|band| band.centre_hz).collect();
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
        let rise = Rise { time_constant_s: 2.0, at_one_hertz_s: -4.0, scatter_s: 0.0 };
        let at_20_hz = 2.0 * 20.0_f64.ln() - 4.0;
        assert_eq!(missed(Some(&rise), at_20_hz, 20_000.0), "nothing below 20 Hz");
        for late_s in [-5.0, 16.0, 60.0] {
            assert_eq!(missed(Some(&rise), late_s, 20_000.0), "nothing of the signal's beginning");
        }
        assert_eq!(missed(None, at_20_hz, 20_000.0), "nothing of the signal's beginning");
    }

    #[test]
    fn no_level_is_negative_in_words() {
        assert_eq!(against(1e-3), "30 dB under");
        assert_eq!(against(2.0), "3 dB over");
        assert_eq!(against(0.99), "0 dB under");
    }

    #[test]
    fn a_part_has_no_advice_that_was_followed_already() {
        let told = of_part(vec![Trouble::again(SEVERAL, String::new(), "name them (--in-order)")]);
        assert!(!told[0].advice.contains("--"), "{told:?}");
    }
}
