//! `stillroom respond`: recordings of a test signal become impulse responses.

use super::args::RespondArgs;
use super::{Exit, Failed, interrupt, screen, write};
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::recording::{self, Fault, Recording, inspect};
use stillroom::recovery::{Deconvolution, TwoChannel, deconvolve, two_channel};

/// A response and what is to be said of it.
struct Found {
    samples: Vec<f64>,
    rate_hz: f64,
    remark: String,
    faults: Vec<Fault>,
}

/// Runs the command.
pub fn run(args: &RespondArgs) -> Result<Exit, Failed> {
    let names = file_names(&args.recordings)?;
    keep_inputs(args, &names)?;
    let channel = channel(args)?;
    let signal = args.signal.as_ref().map(|path| read(path, 1)).transpose().map_err(Failed::usage)?;
    let mut rows = Vec::new();
    for (path, name) in args.recordings.iter().zip(names) {
        if interrupt::asked() {
            return Ok(Exit::Interrupted);
        }
        match respond(args, path, channel, signal.as_ref()).and_then(|found| keep(args, &name, found)) {
            Ok(cells) => rows.push(cells),
            Err(text) => screen::error(&text),
        }
    }
    if rows.is_empty() {
        return Ok(Exit::Nothing);
    }
    if !args.quiet {
        show(args, &rows);
    }
    Ok(if rows.len() < args.recordings.len() { Exit::Partial } else { Exit::Done })
}

/// Name of each response; two of one name would replace each other.
fn file_names(recordings: &[PathBuf]) -> Result<Vec<OsString>, Failed> {
    let mut seen = BTreeSet::new();
    let mut names = Vec::new();
    for path in recordings {
        let name = path.with_extension("wav").file_name().map(OsString::from).unwrap_or_default();
        if !seen.insert(name.to_ascii_lowercase()) {
            return Err(Failed::usage(format!(
                "{}: a second recording of that name\n  allowed  one response a name\n  \
                 do       run one folder at a time, each with its own --out",
                write::shown(path)
            )));
        }
        names.push(name);
    }
    Ok(names)
}

/// A response never takes the place of a recording or of the signal, whatever is forced.
fn keep_inputs(args: &RespondArgs, names: &[OsString]) -> Result<(), Failed> {
    let inputs: Vec<PathBuf> =
        args.recordings.iter().chain(&args.signal).filter_map(|path| path.canonicalize().ok()).collect();
    for path in names.iter().map(|name| args.out.join(name)) {
        if path.canonicalize().is_ok_and(|place| inputs.contains(&place)) {
            return Err(Failed::usage(format!(
                "{}: the response would replace a recording\n  allowed  a folder that holds none of them\n  \
                 do       choose another folder with --out",
                write::shown(&path)
            )));
        }
    }
    Ok(())
}

fn channel(args: &RespondArgs) -> Result<usize, Failed> {
    let reference = args.reference.map(usize::from);
    match args.channel.map(usize::from) {
        Some(channel) if Some(channel) == reference => {
            Err(Failed::usage("--channel and --reference name the same channel"))
        }
        Some(channel) => Ok(channel),
        None => Ok(if reference == Some(1) { 2 } else { 1 }),
    }
}

fn read(path: &Path, channel: usize) -> Result<Recording, String> {
    recording::read_whole(path, &write::shown(path), channel).map_err(|error| error.to_string())
}

fn respond(
    args: &RespondArgs,
    path: &Path,
    channel: usize,
    signal: Option<&Recording>,
) -> Result<Found, String> {
    let shown = write::shown(path);
    let microphone = read(path, channel)?;
    let recorded;
    let reference = match (signal, args.reference) {
        (Some(signal), _) => signal,
        (None, Some(reference)) => {
            recorded = read(path, reference.get())?;
            &recorded
        }
        (None, None) => return Err(format!("{shown}: neither --signal nor --reference")),
    };
    let rate_hz = microphone.rate_hz;
    if (reference.rate_hz - rate_hz).abs() > 0.5 {
        return Err(format!(
            "{shown}: recorded at {rate_hz} Hz, the signal has {} Hz\n  allowed  one rate\n  \
             do       name the file that was played, at the rate it was recorded with",
            reference.rate_hz
        ));
    }
    let (samples, remark) = recover(args, &microphone.samples, &reference.samples, rate_hz)
        .map_err(|text| format!("{shown}: {text}"))?;
    let clipped = |fault: &Fault| matches!(fault, Fault::Clipped { .. } | Fault::Silent { .. });
    let faults = inspect(&microphone.samples, rate_hz).found.into_iter().filter(clipped).collect();
    Ok(Found { samples, rate_hz, remark, faults })
}

fn recover(
    args: &RespondArgs,
    microphone: &[f64],
    reference: &[f64],
    rate_hz: f64,
) -> Result<(Vec<f64>, String), String> {
    if args.noise {
        let settings = TwoChannel { segment_s: args.segment, ..TwoChannel::default() };
        let found = two_channel(reference, microphone, rate_hz, &settings).map_err(|e| e.to_string())?;
        let remark = format!(
            "coherence {:.3}, {:.0} averages, ±{:.2} dB (1 dB takes {:.0})",
            found.coherence,
            found.averages,
            DB_PER_NEPER * found.magnitude_sd,
            found.averages_for_1_db.ceil().max(1.0)
        );
        return Ok((found.samples, remark));
    }
    let settings = Deconvolution { after_s: args.length, ..Deconvolution::default() };
    let found = deconvolve(microphone, reference, rate_hz, &settings).map_err(|e| e.to_string())?;
    let (low, high) = found.range_hz;
    let before = if found.before_over_peak > 0.0 {
        format!("{:.0} dB", 20.0 * found.before_over_peak.log10())
    } else {
        "nothing".to_owned()
    };
    Ok((found.samples, format!("{low:.0}–{high:.0} Hz; before it {before}")))
}

/// 20/ln 10: what a small relative change of magnitude is in decibels.
const DB_PER_NEPER: f64 = 8.686;

/// Writes a response; the cells of its line.
fn keep(args: &RespondArgs, name: &OsString, found: Found) -> Result<Vec<String>, String> {
    let path = args.out.join(name);
    let rate_hz = found.rate_hz.round() as u32;
    write_wav(&path, &found.samples, rate_hz, SampleForm::Float32, args.force).map_err(|e| e.to_string())?;
    for fault in &found.faults {
        screen::warning(&format!("{}: the recording is {fault}", name.display()));
    }
    let seconds = found.samples.len() as f64 / found.rate_hz;
    Ok(vec![name.display().to_string(), format!("{seconds:.2} s"), found.remark])
}

fn show(args: &RespondArgs, rows: &[Vec<String>]) {
    screen::heading(&format!("Responses in {}", write::shown(&args.out)));
    screen::table(&["file", "length", "what it rests on"], rows);
    screen::line("");
    if args.reference.is_some() {
        screen::line(
            "The emission is at 0.1 s in every file: write time_base = \"emission\" into session.toml.",
        );
    } else {
        screen::line(
            "The instant of emission is only as good as player and recorder started together. Record the \
             signal on a second channel (--reference), or state the distances in session.toml.",
        );
    }
    if !args.noise {
        screen::line(
            "\"Before it\": what stands ahead of the response against its peak, noise and distortion of the \
             loudspeaker. Above -30 dB, turn the volume down or sweep longer.",
        );
    }
}
