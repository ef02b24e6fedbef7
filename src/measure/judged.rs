//! From what was heard to a response with its record, and whether to keep the take.

use super::loopback::Loopback;
use super::{Heard, Stop};
use crate::capture::CaptureRecord;
use crate::output::audio::{SampleForm, wav_of};
use crate::recording::{Recording, read_whole_from};
use crate::recovery::{Parts, PlayedSignal, SweepRecording, Trouble, and_more, responses_of_sweeps};
use std::io::Cursor;

/// Which input holds what, channels from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Inputs {
    /// The microphone.
    pub microphone: usize,
    /// The signal as it left the output, where one input is a loopback.
    pub reference: Option<usize>,
}

/// A take as it was judged.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Judged {
    /// The recording as a WAV file: the microphone, then the loopback.
    pub wav: Vec<u8>,
    /// The response, where one came of it.
    pub response: Option<Response>,
    /// Why the take must be repeated, and what to do; `None`: keep it.
    pub again: Option<(String, String)>,
    /// Time from handing over the signal until it came back at the loopback, or from the loudspeaker, s.
    pub latency_s: Option<f64>,
}

/// A response with its record.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Response {
    /// Samples; a direct connection gives 1.
    pub samples: Vec<f64>,
    /// What is known of it; the SHA-256 of its own file is still missing.
    pub record: CaptureRecord,
}

/// Recovers the response of a signal, and judges the take. The recording goes through the bytes of the file that it
/// may be kept as, so that `respond` on that file finds the same.
#[must_use]
pub fn judge(heard: &Heard, signal: &[f64], rate_hz: u32, inputs: Inputs) -> Judged {
    let channels = [Some(inputs.microphone), inputs.reference].into_iter().flatten();
    let taken: Vec<&[f64]> = channels.filter_map(|c| heard.channels.get(c)).map(Vec::as_slice).collect();
    let again = |found: String, advice: &str| Some((found, advice.to_owned()));
    let wav = match wav_of(&taken, rate_hz, SampleForm::Float32) {
        Ok(wav) => wav,
        Err(error) => {
            return Judged { again: again(error.to_string(), "record a shorter take"), ..Judged::default() };
        }
    };
    let mut judged = Judged { wav, ..Judged::default() };
    judged.again = match &heard.stopped {
        Some(Stop::Clipped { channel, at_s }) => again(
            format!("input {channel} clipped at {at_s:.1} s"),
            "turn the input's gain down, or the level",
        ),
        Some(Stop::TooLoud { at_s }) => again(
            format!("the level passed the limit at {at_s:.1} s"),
            "play at a lower level, or raise the limit",
        ),
        Some(Stop::Interrupted) => again("it was stopped".to_owned(), "start again"),
        None => None,
    };
    if judged.again.is_none() {
        recover(&mut judged, heard, (signal, rate_hz), inputs);
    }
    judged
}

fn recover(judged: &mut Judged, heard: &Heard, (signal, rate_hz): (&[f64], u32), inputs: Inputs) {
    let channel = |bytes: &[u8], channel: usize| -> Result<Recording, String> {
        read_whole_from(Cursor::new(bytes.to_vec()), "the recording", channel).map_err(|e| e.to_string())
    };
    let found = wav_of(&[signal], rate_hz, SampleForm::Integer24)
        .map_err(|error| error.to_string())
        .and_then(|played| {
            let microphone = channel(&judged.wav, 1)?;
            let reference = inputs.reference.map(|_| channel(&judged.wav, 2)).transpose()?;
            let signal = channel(&played, 1)?;
            let taken = SweepRecording {
                microphone: &microphone,
                reference: reference.as_ref(),
                signal: Some(&PlayedSignal::of(&signal)),
                length_s: None,
                parts: Parts::AsPlayed,
            };
            responses_of_sweeps(&taken).map_err(|error| error.to_string())
        });
    let first = found.map(|found| found.into_iter().next());
    match first {
        Ok(Some((samples, record))) => {
            let looped = inputs
                .reference
                .and_then(|channel| Loopback::of(heard.channels.get(channel)?, signal, f64::from(rate_hz)));
            let began_s = heard.began as f64 / f64::from(rate_hz);
            let late_s = looped.as_ref().map_or(record.start_offset_s, |looped| looped.late_s);
            let troubles = lost(heard).into_iter().chain(looped.and_then(|looped| looped.trouble));
            let record = record.with_troubles(&troubles.collect::<Vec<_>>());
            judged.again = record.again().map(|found| (found, record.advice().to_owned()));
            judged.latency_s = Some(late_s - began_s);
            judged.response = Some(Response { samples, record });
        }
        Ok(None) => judged.again = Some(("no response".to_owned(), String::new())),
        Err(error) => {
            let mut lines = error.lines().map(str::trim);
            let found = lines.next().unwrap_or_default().to_owned();
            let advice = lines.find_map(|line| line.strip_prefix("do")).unwrap_or_default().trim().to_owned();
            let lost = heard.lost.first().map_or(String::new(), |lost| format!("; {lost}"));
            judged.again = Some((found + &lost, advice));
        }
    }
}

/// What the sound system said it lost.
fn lost(heard: &Heard) -> Option<Trouble> {
    let first = heard.lost.first()?;
    Some(Trouble::again(
        "dropout",
        format!("{first}{}", and_more(heard.lost.len() - 1)),
        "close other programs, let the sound system buffer more, and repeat",
    ))
}
