//! One channel of one recording becomes responses with their records.

use super::super::args::RespondArgs;
use super::super::write;
use std::path::Path;
use stillroom::capture::CaptureRecord;
use stillroom::recording::{self, Recording};
use stillroom::recovery::{
    ClockError, Deconvolution, RecoveryError, TwoChannel, averaged, clock_from_reference, clock_from_repeats,
    deconvolve, first_signal, on_the_players_clock, parts_by_arrival, parts_by_reference, periodic,
    record_of_noise, record_of_sweep, two_channel,
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
    let shown = write::shown(path);
    let microphone = read(path, channel)?;
    let recorded = args.reference.map(|channel| read(path, channel.get())).transpose()?;
    if let Some(signal) = known.signal {
        same_rate(&shown, signal, microphone.rate_hz)?;
    }
    let found = match (args.noise, &recorded, known.signal) {
        (true, Some(reference), _) => noise(args, &microphone, reference).map(|found| vec![found]),
        (false, Some(reference), signal) => together(args, &microphone, reference, (signal, known.in_order)),
        (false, None, Some(signal)) => apart(args, &microphone, signal, known.in_order),
        _ => return Err(format!("{shown}: neither --signal nor --reference")),
    };
    found.map_err(|error| format!("{shown}: {error}"))
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
    let sweeps = Sweeps { microphone, clock, settings, in_order };
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
    let sweeps = Sweeps { microphone, clock, settings, in_order };
    if !(repeats || args.average || !in_order.is_empty()) {
        return sweeps.divided(vec![(heard.as_slice(), once.as_slice())]);
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
            let record = record_of_sweep(&mean, self.clock, self.microphone).averaged(repeats, difference);
            return Ok(vec![found(mean.samples, record)]);
        }
        let named = responses.into_iter().map(|response| {
            let record = record_of_sweep(&response, self.clock, self.microphone);
            found(response.samples, record)
        });
        Ok(named.collect())
    }
}

/// 20/ln 10: what a small relative change of magnitude is in decibels.
const DB_PER_NEPER: f64 = 8.686;

fn noise(args: &RespondArgs, microphone: &Recording, reference: &Recording) -> Result<Found, RecoveryError> {
    let rate_hz = microphone.rate_hz;
    let settings = TwoChannel { segment_s: args.segment, ..TwoChannel::default() };
    let (played, heard) = (&reference.samples, &microphone.samples);
    if let Some(found) = periodic(played, heard, rate_hz, settings.before_s)? {
        let record = record_of_noise(&found, microphone);
        let spread = match (found.coherence(), found.magnitude_sd()) {
            (Some(coherence), Some(sd)) => {
                format!("; coherence {coherence:.3}, sd {:.2} dB", DB_PER_NEPER * sd)
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
