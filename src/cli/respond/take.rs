//! One channel of one recording becomes responses with their records.

use super::super::args::RespondArgs;
use super::super::write;
use super::given::Given;
use std::path::Path;
use stillroom::capture::CaptureRecord;
use stillroom::recording::{self, Recording};
use stillroom::recovery::{
    ClockError, Deconvolution, RecoveryError, Run, Trouble, TwoChannel, averaged, clipped_channels,
    clock_from_reference, clock_from_repeats, clock_limit_ppm, deconvolve, first_signal, linearity,
    on_the_players_clock, parts_by_arrival, parts_by_reference, periodic, record_of_noise, record_of_sweep,
    seed_difference, two_channel,
};

/// A response with what is known of it.
pub struct Found {
    pub samples: Vec<f64>,
    pub rate_hz: f64,
    /// `None` for noise that doesn't repeat: its segments tell too little.
    pub record: Option<CaptureRecord>,
    pub remark: String,
}

/// What a recording is divided by.
pub struct Known<'a> {
    /// The signal as written.
    pub signal: Option<&'a Recording>,
    /// Positions of several signals in one recording, in order.
    pub in_order: &'a [String],
    /// Corrections and levels.
    pub given: &'a Given,
}

pub fn read(path: &Path, channel: usize) -> Result<Recording, String> {
    recording::read_whole(path, &write::shown(path), channel).map_err(|error| error.to_string())
}

/// All responses of one channel: one, or one a position in order.
pub fn responses(
    args: &RespondArgs,
    path: &Path,
    channel: usize,
    known: &Known<'_>,
) -> Result<Vec<Found>, String> {
    let taken = Taken::read(args, path, channel)?;
    let mut found = taken.divided(args, path, known)?;
    if let (Some(path), [main]) = (&args.quieter, found.as_mut_slice()) {
        let lower = Taken::read(args, path, channel)?;
        if let [quieter] = lower.divided(args, path, known)?.as_slice() {
            hold_against(main, quieter, (&taken.microphone, &lower.microphone));
        }
    }
    let played = taken.reference.as_ref().or(known.signal);
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
        let reference = args.reference.map(|channel| read(path, channel.get())).transpose()?;
        Ok(Self { microphone: read(path, channel)?, reference, channel })
    }

    fn divided(&self, args: &RespondArgs, path: &Path, known: &Known<'_>) -> Result<Vec<Found>, String> {
        let shown = write::shown(path);
        let (microphone, in_order) = (&self.microphone, known.in_order);
        if let Some(signal) = known.signal {
            same_rate(&shown, signal, microphone.rate_hz)?;
        }
        let found = match (args.noise, &self.reference, known.signal) {
            (true, Some(reference), _) => {
                let second = args.second_seed.as_ref().map(|path| Self::read(args, path, self.channel));
                noise(args, (microphone, reference), second.transpose()?.as_ref()).map(|found| vec![found])
            }
            (false, Some(reference), signal) => together(args, microphone, reference, (signal, in_order)),
            (false, None, Some(signal)) => apart(args, microphone, signal, in_order),
            _ => return Err(format!("{shown}: neither --signal nor --reference")),
        };
        found.map_err(|error| format!("{shown}: {error}"))
    }
}

/// Notes in the record of a response what a quieter run of it shows.
fn hold_against(main: &mut Found, quieter: &Found, recordings: (&Recording, &Recording)) {
    let Some((record, lower)) = main.record.take().zip(quieter.record.as_ref()) else { return };
    let rms = |recording: &Recording| {
        let samples = &recording.samples;
        (samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64).sqrt()
    };
    let range = |record: &CaptureRecord| (record.range_hz[0], record.range_hz[1]);
    let run = |samples, record: &CaptureRecord, recording| Run {
        samples,
        range_hz: range(record),
        rms: rms(recording),
        absolute: record.emission_s.is_some(),
    };
    let loud = run(main.samples.as_slice(), &record, recordings.0);
    let soft = run(quieter.samples.as_slice(), lower, recordings.1);
    main.record = Some(match linearity(loud, soft, main.rate_hz) {
        Some(found) => record.with_quieter(&found),
        None => record,
    });
}

fn same_rate(shown: &str, signal: &Recording, rate_hz: f64) -> Result<(), String> {
    if (signal.rate_hz - rate_hz).abs() <= 0.5 {
        return Ok(());
    }
    Err(format!(
        "{shown}: recorded at {rate_hz} Hz, the signal has {} Hz\n  allowed  one rate\n  \
         do       name the file that was played, at the rate it was recorded with",
        signal.rate_hz
    ))
}

/// Parts of a sweep's recording, each divided by its reference, repeats averaged.
struct Sweeps<'a> {
    microphone: &'a Recording,
    clock: Option<ClockError>,
    settings: Deconvolution,
    in_order: &'a [String],
    /// Channels that were clipped as they were recorded.
    clipped: Vec<Trouble>,
}

/// The signal was recorded on another channel of the same recorder.
fn together(
    args: &RespondArgs,
    microphone: &Recording,
    reference: &Recording,
    (signal, in_order): (Option<&Recording>, &[String]),
) -> Result<Vec<Found>, RecoveryError> {
    let rate_hz = microphone.rate_hz;
    let first = signal.and_then(|signal| first_signal(&signal.samples, rate_hz));
    let parts = parts_by_reference(&reference.samples, rate_hz);
    let once = parts.first().map_or(&reference.samples[..], |(from, to)| &reference.samples[*from..*to]);
    let clock = first.and_then(|written| clock_from_reference(once, &written, rate_hz));
    let ppm = clock.map_or(0.0, |clock| clock.ppm);
    let settings = Deconvolution { after_s: args.length, ..Deconvolution::default() };
    // On one clock the samples are divided as they are, and looked at there.
    let raw = (ppm != 0.0).then_some(&microphone.samples);
    let clipped = raw.map_or_else(Vec::new, |raw| clipped_channels(raw, Some(&reference.samples), rate_hz));
    let sweeps = Sweeps { microphone, clock, settings, in_order, clipped };
    let played = on_the_players_clock(&reference.samples, ppm);
    let heard = on_the_players_clock(&microphone.samples, ppm);
    let parts = parts_by_reference(&played, rate_hz);
    let each = |(from, to): &(usize, usize)| (part(&heard, *from, *to), part(&played, *from, *to));
    sweeps.divided(if parts.len() > 1 {
        parts.iter().map(each).collect()
    } else {
        vec![(heard.as_slice(), played.as_slice())]
    })
}

fn part(samples: &[f64], from: usize, to: usize) -> &[f64] {
    &samples[from.min(samples.len())..to.min(samples.len())]
}

/// Player and recorder ran each by itself.
fn apart(
    args: &RespondArgs,
    microphone: &Recording,
    signal: &Recording,
    in_order: &[String],
) -> Result<Vec<Found>, RecoveryError> {
    let rate_hz = microphone.rate_hz;
    let clock = clock_from_repeats(&microphone.samples, &signal.samples, rate_hz);
    let heard = on_the_players_clock(&microphone.samples, clock.map_or(0.0, |clock| clock.ppm));
    let once = first_signal(&signal.samples, rate_hz).ok_or(RecoveryError::SilentReference)?;
    let repeats = once.len() < signal.samples.len();
    let settings = Deconvolution { after_s: args.length, together: false, ..Deconvolution::default() };
    let raw = clock.map(|_| &microphone.samples);
    let clipped = raw.map_or_else(Vec::new, |raw| clipped_channels(raw, None, rate_hz));
    let sweeps = Sweeps { microphone, clock, settings, in_order, clipped };
    if !(repeats || args.average || !in_order.is_empty()) {
        let mut found = sweeps.divided(vec![(heard.as_slice(), once.as_slice())])?;
        if let Some(limit_ppm) = clock_limit_ppm(&heard, &once, rate_hz) {
            for response in &mut found {
                response.record = response.record.take().map(|record| record.with_clock_limit(limit_ppm));
            }
        }
        return Ok(found);
    }
    let parts = parts_by_arrival(&heard, &once, rate_hz)?;
    sweeps.divided(parts.iter().map(|(from, to)| (part(&heard, *from, *to), once.as_slice())).collect())
}

impl Sweeps<'_> {
    fn divided(&self, pairs: Vec<(&[f64], &[f64])>) -> Result<Vec<Found>, RecoveryError> {
        let rate_hz = self.microphone.rate_hz;
        let each =
            pairs.into_iter().map(|(heard, played)| deconvolve(heard, played, rate_hz, &self.settings));
        let responses = each.collect::<Result<Vec<_>, _>>()?;
        let found = |samples: Vec<f64>, record: CaptureRecord| Found {
            samples,
            rate_hz,
            remark: rests_on(&record),
            record: Some(record),
        };
        if self.in_order.is_empty() {
            let repeats = responses.len();
            let (mean, difference) = averaged(responses).ok_or(RecoveryError::NoResponse)?;
            let record = record_of_sweep(&mean, self.clock, self.microphone)
                .averaged(repeats, difference)
                .with_troubles(&self.clipped);
            return Ok(vec![found(mean.samples, record)]);
        }
        let named = responses.into_iter().map(|response| {
            let record = record_of_sweep(&response, self.clock, self.microphone).with_troubles(&self.clipped);
            found(response.samples, record)
        });
        Ok(named.collect())
    }
}

/// 20/ln 10: what a small relative change of magnitude is in decibels.
const DB_PER_NEPER: f64 = 8.686;

fn noise(
    args: &RespondArgs,
    (microphone, reference): (&Recording, &Recording),
    second: Option<&Taken>,
) -> Result<Found, RecoveryError> {
    let rate_hz = microphone.rate_hz;
    let settings = TwoChannel { segment_s: args.segment, ..TwoChannel::default() };
    let (played, heard) = (&reference.samples, &microphone.samples);
    if let Some(mut found) = periodic(played, heard, rate_hz, settings.before_s)? {
        if let Some(Taken { microphone: heard, reference: Some(played), .. }) = second {
            let other = periodic(&played.samples, &heard.samples, rate_hz, settings.before_s)?;
            let difference = other.as_ref().and_then(|other| seed_difference(&found, other));
            let (other, difference) = other.zip(difference).ok_or(RecoveryError::OtherPeriod)?;
            found = found.with_second_seed(&other, &difference);
        }
        let record = record_of_noise(&found, microphone);
        let spread = match (found.coherence(), found.magnitude_sd()) {
            (Some(coherence), Some(sd)) => {
                let bracket = record.bracket_db.unwrap_or(0.0);
                let sd_db = DB_PER_NEPER * sd;
                format!("; coherence {coherence:.3}, sd {sd_db:.2} dB, H2 {bracket:+.2} dB against H1")
            }
            _ => String::new(),
        };
        let (count, period) = (found.averages, found.period_s);
        let remark = format!("{count} periods of {period:.2} s{spread}; {}", rests_on(&record));
        return Ok(Found { samples: found.samples, rate_hz, record: Some(record), remark });
    }
    let found = two_channel(played, heard, rate_hz, &settings)?;
    let remark = format!(
        "no period found; coherence {:.3}, {:.0} averages, ±{:.2} dB (1 dB takes {:.0})",
        found.coherence,
        found.averages,
        DB_PER_NEPER * found.magnitude_sd,
        found.averages_for_1_db.ceil().max(1.0)
    );
    Ok(Found { samples: found.samples, rate_hz, record: None, remark })
}

/// Range, weakest octave, clock: what a response rests on, and whether to keep it.
fn rests_on(record: &CaptureRecord) -> String {
    let [low, high] = record.range_hz;
    let weakest = record.peak_to_noise.iter().filter_map(|octave| octave.db).reduce(f64::min);
    let noise = weakest.map_or(String::new(), |db| format!(", {db:.0} dB over noise"));
    let repeats = if record.repeats > 1 && record.signal == "sweep" {
        format!(", {} repeats", record.repeats)
    } else {
        String::new()
    };
    let clock = record.clock.map_or(String::new(), |c| format!(", clock {:+.0} ppm", c.ppm));
    let verdict = if record.again().is_some() { "again" } else { "keep" };
    format!("{low:.0}–{high:.0} Hz{noise}{repeats}{clock}: {verdict}")
}
