//! One channel of one recording becomes responses with their records.

use super::super::args::RespondArgs;
use super::super::write;
use super::channels::{Found, read, read_pair};
use super::given::Given;
use std::path::Path;
use stillroom::capture::CaptureRecord;
use stillroom::recording::Recording;
use stillroom::recovery::{
    Parts, PlayedSignal, RecoveryError, Run, SweepRecording, linearity, periodic, record_of_noise,
    responses_of_sweeps, seed_difference, two_channel,
};

/// What a recording is divided by.
pub struct Divisor<'a> {
    /// The signal as written.
    pub signal: Option<&'a PlayedSignal<'a>>,
    /// Positions of several signals in one recording, in order.
    pub in_order: &'a [String],
    /// Corrections and levels.
    pub given: &'a Given,
}

/// All responses of one channel: one, or one a position in order.
pub fn responses(
    args: &RespondArgs,
    path: &Path,
    channel: usize,
    known: &Divisor<'_>,
) -> Result<Vec<Found>, String> {
    let taken = Taken::read(args, path, channel)?;
    let mut found = taken.divided(args, path, known)?;
    if let (Some(path), [main]) = (&args.quieter, found.as_mut_slice()) {
        let lower = Taken::read(args, path, channel)?;
        if let [quieter] = lower.divided(args, path, known)?.as_slice() {
            hold_against(main, quieter, (&taken, &lower), args.quieter_by);
        }
    }
    let played = taken.reference.as_ref().or(known.signal.map(|signal| signal.recording));
    for response in &mut found {
        known.given.apply(response, played);
    }
    Ok(found)
}

/// The channels of one recording.
struct Taken {
    microphone: Recording,
    reference: Option<Recording>,
    /// The microphone's channel.
    channel: usize,
}

impl Taken {
    fn read(args: &RespondArgs, path: &Path, channel: usize) -> Result<Self, String> {
        let Some(reference) = args.reference else {
            return Ok(Self { microphone: read(path, channel)?, reference: None, channel });
        };
        let [reference, microphone] = read_pair(path, [reference.get(), channel])?;
        Ok(Self { microphone, reference: Some(reference), channel })
    }

    fn divided(&self, args: &RespondArgs, path: &Path, known: &Divisor<'_>) -> Result<Vec<Found>, String> {
        let shown = write::shown(path);
        let (microphone, in_order) = (&self.microphone, known.in_order);
        // Beside a reference the signal only tells clocks: one that nobody named, at another rate, isn't missed.
        let not_needed = |signal: &&PlayedSignal<'_>| {
            let one_rate = one_rate(signal.recording, microphone.rate_hz);
            self.reference.is_some() && args.signal.is_none() && !one_rate
        };
        let signal = known.signal.filter(|signal| !not_needed(signal));
        if let Some(signal) = signal {
            same_rate(&shown, signal.recording, microphone.rate_hz)?;
        }
        let found = match (args.noise, &self.reference, signal) {
            (true, Some(reference), _) => {
                let second = args.second_seed.as_ref().map(|path| Self::read(args, path, self.channel));
                noise(args, (microphone, reference), second.transpose()?.as_ref()).map(|found| vec![found])
            }
            (false, None, None) | (true, None, _) => {
                return Err(format!("{shown}: neither --signal nor --reference"));
            }
            (false, reference, signal) => sweeps(args, microphone, reference.as_ref(), (signal, in_order)),
        };
        found.map_err(|error| format!("{shown}: {error}"))
    }
}

/// Notes in the record of a response what a quieter run of it shows.
fn hold_against(main: &mut Found, quieter: &Found, recordings: (&Taken, &Taken), turned_db: Option<f64>) {
    let Some((record, lower)) = main.record.take().zip(quieter.record.as_ref()) else { return };
    let rms = |recording: &Recording| {
        let samples = &recording.samples;
        (samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64).sqrt()
    };
    let range = |record: &CaptureRecord| (record.range_hz[0], record.range_hz[1]);
    let run = |samples, record: &CaptureRecord, taken: &Taken| Run {
        samples,
        range_hz: range(record),
        arrival_s: record.arrival_s,
        driven_rms: taken.reference.as_ref().filter(|_| record.emission_s.is_some()).map(rms),
    };
    let loud = run(main.samples.as_slice(), &record, recordings.0);
    let soft = run(quieter.samples.as_slice(), lower, recordings.1);
    main.record = Some(match linearity(loud, soft, main.rate_hz, turned_db) {
        Ok(Some(found)) => record.with_quieter(&found),
        Ok(None) => record,
        Err(trouble) => record.with_troubles(&[trouble]),
    });
}

fn one_rate(signal: &Recording, rate_hz: f64) -> bool {
    (signal.rate_hz - rate_hz).abs() <= 0.5
}

fn same_rate(shown: &str, signal: &Recording, rate_hz: f64) -> Result<(), String> {
    if one_rate(signal, rate_hz) {
        return Ok(());
    }
    Err(format!(
        "{shown}: recorded at {rate_hz} Hz, the signal has {} Hz\n  allowed  one rate\n  \
         do       record at {} Hz, or write the same signal with excite --rate {rate_hz} and name that one (--signal)",
        signal.rate_hz, signal.rate_hz
    ))
}

/// Recordings of sweeps, with the remark on what each response rests on.
fn sweeps(
    args: &RespondArgs,
    microphone: &Recording,
    reference: Option<&Recording>,
    (signal, in_order): (Option<&PlayedSignal<'_>>, &[String]),
) -> Result<Vec<Found>, RecoveryError> {
    let parts = match (in_order, args.average) {
        ([], false) => Parts::AsPlayed,
        ([], true) => Parts::OnePlace,
        _ => Parts::InOrder,
    };
    let taken = SweepRecording { microphone, reference, signal, length_s: args.length, parts };
    let found = |(samples, record): (Vec<f64>, CaptureRecord)| Found {
        samples,
        rate_hz: microphone.rate_hz,
        remark: String::new(),
        record: Some(record),
    };
    Ok(responses_of_sweeps(&taken)?.into_iter().map(found).collect())
}

/// 20/ln 10: what a small relative change of magnitude is in decibels.
const DB_PER_NEPER: f64 = 8.686;

fn noise(
    args: &RespondArgs,
    (microphone, reference): (&Recording, &Recording),
    second: Option<&Taken>,
) -> Result<Found, RecoveryError> {
    let rate_hz = microphone.rate_hz;
    let (played, heard) = (&reference.samples, &microphone.samples);
    if let Some(mut found) = periodic(played, heard, rate_hz)? {
        if let Some(Taken { microphone: heard, reference: Some(played), .. }) = second {
            let other = periodic(&played.samples, &heard.samples, rate_hz)?;
            let difference = other.as_ref().and_then(|other| seed_difference(&found, other));
            let (other, difference) = other.zip(difference).ok_or(RecoveryError::OtherPeriod)?;
            found = found.with_second_seed(&other, &difference);
        }
        let record = record_of_noise(&found, microphone);
        let spread = match (found.coherence(), record.magnitude_95_db) {
            (Some(coherence), Some(half)) => {
                let bracket = record.bracket_db.unwrap_or(0.0);
                let bracket = format!("{bracket:+.2}").replace('-', "−");
                format!("; coherence {coherence:.3}, ±{half:.2} dB (95 %), H2 {bracket} dB against H1")
            }
            _ => String::new(),
        };
        let (count, period) = (found.averages, found.period_s);
        let remark = format!("{count} periods of {period:.2} s{spread}; ");
        return Ok(Found { samples: found.samples, rate_hz, record: Some(record), remark });
    }
    let found = two_channel(played, heard, rate_hz, args.segment)?;
    let remark = format!(
        "not periodic: {:.0} segments averaged, coherence {:.3}, ±{:.2} dB (±1 dB takes {:.0})",
        found.averages,
        found.coherence,
        DB_PER_NEPER * found.magnitude_sd,
        found.averages_for_1_db.ceil().max(1.0)
    );
    Ok(Found { samples: found.samples, rate_hz, record: None, remark })
}
