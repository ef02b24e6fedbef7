//! A recording of sweeps, from its channels to responses with their records: clocks compared and put right, parts
//! split, each divided by its reference, repeats averaged.

use super::clock::Speed;
use super::played::PlayedSignal;
use super::trouble::{of_part, other_speed};
use super::{
    ClockError, Deconvolution, Recovered, RecoveryError, Trouble, as_recorded, averaged, clock_from_repeats,
    deconvolve, on_the_players_clock, parts_by_arrival, parts_by_reference, record_of_sweep,
};
use crate::capture::CaptureRecord;
use crate::recording::Recording;
use std::borrow::Cow;

/// What was recorded, and what is known of it.
#[derive(Debug, Clone, Copy)]
pub struct SweepRecording<'a> {
    /// The microphone's channel.
    pub microphone: &'a Recording,
    /// The channel that holds the signal as it left the output.
    pub reference: Option<&'a Recording>,
    /// The signal as written; with neither this nor a reference nothing can be done.
    pub signal: Option<&'a PlayedSignal<'a>>,
    /// Length of the responses after the emission, s; `None`: as the recording allows.
    pub length_s: Option<f64>,
    /// What several sweeps in the recording are.
    pub parts: Parts,
}

/// What the sweeps of one recording are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parts {
    /// As many of one place as the signal or the reference holds: averaged.
    AsPlayed,
    /// Any number of one place: averaged.
    OnePlace,
    /// One a place.
    InOrder,
}

/// Responses with their records: one, or one a place in order.
///
/// # Errors
/// [`RecoveryError`] where no response comes of it.
pub fn responses_of_sweeps(
    taken: &SweepRecording<'_>,
) -> Result<Vec<(Vec<f64>, CaptureRecord)>, RecoveryError> {
    if let Some(signal) = taken.signal {
        signal.checked()?;
    }
    match (taken.reference, taken.signal) {
        (Some(reference), _) => together(taken, reference),
        (None, Some(signal)) => apart(taken, signal),
        (None, None) => Err(RecoveryError::SilentReference),
    }
}

/// Parts of a sweep's recording, each divided by its reference, repeats averaged.
struct Sweeps<'a> {
    taken: &'a SweepRecording<'a>,
    clock: Option<ClockError>,
    settings: Deconvolution,
    /// What is wrong with the channels as they were recorded.
    recorded: Vec<Trouble>,
}

/// The signal was recorded on another channel of the same recorder.
fn together(
    taken: &SweepRecording<'_>,
    reference: &Recording,
) -> Result<Vec<(Vec<f64>, CaptureRecord)>, RecoveryError> {
    let (microphone, rate_hz) = (taken.microphone, taken.microphone.rate_hz);
    let parts = parts_by_reference(&reference.samples, rate_hz);
    let once = parts.first().map_or(&reference.samples[..], |(from, to)| &reference.samples[*from..*to]);
    let clock = taken.signal.and_then(|signal| signal.clock_of(once));
    let ppm = clock.map_or(0.0, ClockError::worth_removing);
    let settings = Deconvolution { after_s: taken.length_s, ..Deconvolution::default() };
    let played = on_the_players_clock(&reference.samples, ppm);
    let heard = on_the_players_clock(&microphone.samples, ppm);
    let moved = matches!(heard, Cow::Owned(_));
    let mut recorded =
        if moved { as_recorded(&microphone.samples, Some(&reference.samples), rate_hz) } else { Vec::new() };
    recorded.extend(fewer(taken, parts.len()));
    let sweeps = Sweeps { taken, clock, settings, recorded };
    let parts = if moved { parts_by_reference(&played, rate_hz) } else { parts };
    let each = |(from, to): &(usize, usize)| (*from, part(&heard, *from, *to), part(&played, *from, *to));
    sweeps.divided(if parts.len() > 1 {
        parts.iter().map(each).collect()
    } else {
        vec![(0, &heard, &played)]
    })
}

fn part(samples: &[f64], from: usize, to: usize) -> &[f64] {
    &samples[from.min(samples.len())..to.min(samples.len())]
}

/// Fewer signals in the recording than in the file that was played.
fn fewer(taken: &SweepRecording<'_>, found: usize) -> Option<Trouble> {
    let played = taken.signal?.times;
    (taken.parts != Parts::InOrder && (1..played).contains(&found)).then(|| {
        Trouble::note(
            "fewer-sweeps",
            format!("the signal's file plays {played} sweeps, and the recording holds {found} of them"),
            "if another file was played, name that one (--signal); if the recording was cut, record all of it",
        )
    })
}

/// Player and recorder ran each by itself.
fn apart(
    taken: &SweepRecording<'_>,
    signal: &PlayedSignal<'_>,
) -> Result<Vec<(Vec<f64>, CaptureRecord)>, RecoveryError> {
    let (microphone, rate_hz) = (taken.microphone, taken.microphone.rate_hz);
    let clock = clock_from_repeats(&microphone.samples, &signal.recording.samples, rate_hz);
    let heard = on_the_players_clock(&microphone.samples, clock.map_or(0.0, ClockError::worth_removing));
    let once = signal.once.ok_or(RecoveryError::SilentReference)?;
    let repeats = signal.times > 1;
    let settings = Deconvolution { after_s: taken.length_s, together: false, ..Deconvolution::default() };
    // On one clock the samples are divided as they are, and looked at there.
    let moved = matches!(heard, Cow::Owned(_));
    let mut recorded = if moved { as_recorded(&microphone.samples, None, rate_hz) } else { Vec::new() };
    if !repeats && taken.parts == Parts::AsPlayed {
        return Sweeps { taken, clock, settings, recorded }.divided(vec![(0, &heard, once)]);
    }
    let parts = parts_by_arrival(&heard, once, rate_hz)?;
    recorded.extend(fewer(taken, parts.len()));
    let each = |(from, to): &(usize, usize)| (*from, part(&heard, *from, *to), once);
    Sweeps { taken, clock, settings, recorded }.divided(parts.iter().map(each).collect())
}

/// Where a part begins, its samples of the microphone, and what it is divided by.
type Part<'a> = (usize, &'a [f64], &'a [f64]);

impl Sweeps<'_> {
    fn divided(&self, parts: Vec<Part<'_>>) -> Result<Vec<(Vec<f64>, CaptureRecord)>, RecoveryError> {
        let rate_hz = self.taken.microphone.rate_hz;
        // As it was played, once and apart from the recorder: then alone the user hasn't said what more signals are.
        let told = parts.len() > 1 || self.settings.together || self.taken.parts != Parts::AsPlayed;
        let each = parts.into_iter().map(|(from, heard, played)| {
            let settings = Deconvolution { from_s: from as f64 / rate_hz, ..self.settings };
            let mut found = deconvolve(heard, played, rate_hz, &settings)?;
            if told {
                found.troubles = of_part(found.troubles);
            }
            Ok(found)
        });
        let responses = each.collect::<Result<Vec<_>, RecoveryError>>()?;
        if self.taken.parts == Parts::InOrder {
            let named = responses.into_iter().map(|found| self.recorded_as(found));
            return Ok(named.collect());
        }
        let repeats = responses.len();
        let alone = repeats == 1 && !told;
        let (mean, difference) = averaged(responses, rate_hz).ok_or(RecoveryError::NoResponse)?;
        let drift = mean.drift;
        let (samples, record) = self.recorded_as(mean);
        let record = record.averaged(repeats, difference);
        let record = match drift.filter(|_| alone).and_then(Speed::of) {
            Some(Speed::Clocks(limit_ppm)) => record.with_clock_limit(limit_ppm),
            Some(Speed::Other(slower)) => record.with_troubles(&[other_speed(slower)]),
            None => record,
        };
        Ok(vec![(samples, record)])
    }

    /// A response with its record, which holds what is wrong with the channels as they were recorded, too; a fault that was
    /// found in both isn't told twice.
    fn recorded_as(&self, found: Recovered) -> (Vec<f64>, CaptureRecord) {
        let known = |more: &Trouble| {
            let same = |known: &Trouble| {
                let near = known.at_s.zip(more.at_s).is_some_and(|(a, b)| (a - b).abs() < ONE_FAULT_S);
                near && ["dropout", "broken-off"].contains(&known.word)
            };
            more.word == "dropout" && found.troubles.iter().any(same)
        };
        let more: Vec<Trouble> = self.recorded.iter().filter(|more| !known(more)).cloned().collect();
        let record = record_of_sweep(&found, self.clock, self.taken.microphone).with_troubles(&more);
        (found.samples, record)
    }
}

/// Jumps this near to each other, or to where the loudspeaker broke off, are one fault, s.
const ONE_FAULT_S: f64 = 0.5;
