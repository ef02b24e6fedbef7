//! `stillroom respond`: recordings of a test signal become impulse responses, each with its capture record.

mod channels;
mod given;
mod take;

use super::args::RespondArgs;
use super::{Exit, Failed, interrupt, screen, write};
use channels::Found;
pub use channels::read;
#[cfg(feature = "live")]
pub use channels::rests_on;
pub use channels::{Microphone, microphones};
use given::Given;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use stillroom::capture::{self, CaptureRecord};
use stillroom::excitation::Description;
use stillroom::output::OutputError;
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::output::file::{Existing, put};
use stillroom::recovery::PlayedSignal;
use stillroom::session::is_position_name;
use take::{Divisor, responses};

/// Runs the command.
pub fn run(args: &RespondArgs) -> Result<Exit, Failed> {
    let microphones = microphones(args.channel.as_ref(), args.reference.map(usize::from))?;
    let in_order = in_order(args)?;
    let names = file_names(args, &microphones, &in_order)?;
    keep_inputs(args, &names)?;
    let played = args.signal.clone().or_else(|| described(args));
    if played.is_none() && args.reference.is_none() {
        return Err(Failed::usage(
            "neither --signal nor --reference, and no single signal described beside the recordings\n  \
             allowed  the file that was played, or the channel that holds it\n  \
             do       name one of them, or keep the description that excite wrote beside the recordings",
        ));
    }
    let signal = played.as_ref().map(|path| read(path, 1)).transpose().map_err(Failed::usage)?;
    let signal = signal.as_ref().map(PlayedSignal::of);
    one_recording(args)?;
    let given = microphones.iter().map(|m| Given::read(args, m.channel)).collect::<Result<Vec<_>, _>>()?;
    let mut jobs = Vec::new();
    for (path, of_channels) in args.recordings.iter().zip(&names) {
        for ((microphone, given), names) in microphones.iter().zip(&given).zip(of_channels) {
            let known = Divisor { signal: signal.as_ref(), in_order: &in_order, given };
            jobs.push(Job { path, channel: microphone.channel, names, known });
        }
    }
    let (mut rows, mut bad, mut usage) = (Vec::new(), 0, true);
    for done in all_of(args, &jobs)? {
        let Some(done) = done else { return Ok(Exit::Interrupted) };
        match done {
            Ok(kept) => {
                kept.said.iter().for_each(|text| screen::warning(text));
                rows.extend(kept.rows);
                bad += kept.again;
            }
            Err(failed) => {
                screen::error(&failed.text);
                bad += 1;
                usage &= failed.exit == Exit::Usage;
            }
        }
    }
    if rows.is_empty() {
        return Ok(if usage { Exit::Usage } else { Exit::Nothing });
    }
    if !args.quiet {
        show(args, &rows);
    }
    Ok(if bad > 0 { Exit::Partial } else { Exit::Done })
}

/// One channel of one recording, and the names of its responses.
struct Job<'a> {
    path: &'a Path,
    channel: usize,
    names: &'a [String],
    known: Divisor<'a>,
}

/// What became of one.
#[derive(Default)]
struct Done {
    /// Lines of the summary.
    rows: Vec<Vec<String>>,
    /// How many are to be recorded again.
    again: usize,
    /// What the user should know, in sentences.
    said: Vec<String>,
}

/// Recordings worked on side by side: each takes some ten times its channels' memory.
const SIDE_BY_SIDE: usize = 4;

/// All of them, side by side, told in order; `None` for those that an interruption left.
fn all_of(args: &RespondArgs, jobs: &[Job<'_>]) -> Result<Vec<Option<Result<Done, Failed>>>, Failed> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(SIDE_BY_SIDE);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().map_err(Failed::nothing)?;
    let done = |job: &Job<'_>| {
        look(args, job)?;
        let found = responses(args, job.path, job.channel, &job.known);
        found.and_then(|found| keep(args, job.path, (job.names, found))).map_err(Failed::nothing)
    };
    let one = |job: &Job<'_>| (!interrupt::asked()).then(|| done(job));
    Ok(pool.install(|| jobs.par_iter().map(one).collect()))
}

/// Refuses, before any work is done, a recording that isn't there and responses that would replace files.
fn look(args: &RespondArgs, job: &Job<'_>) -> Result<(), Failed> {
    there(job.path)?;
    let of_name = |name: &String| {
        let path = args.out.join(format!("{name}.wav"));
        [path.clone(), capture::path_beside(&path)]
    };
    match job.names.iter().flat_map(of_name).find(|path| !args.force && path.exists()) {
        Some(path) => Err(Failed::usage(OutputError::Exists { path })),
        None => Ok(()),
    }
}

fn there(path: &Path) -> Result<(), Failed> {
    if path.is_dir() {
        return Err(Failed::usage(format!(
            "{0}: a folder\n  allowed  recordings\n  do       name its files: {0}/*.wav",
            write::shown(path).trim_end_matches('/')
        )));
    }
    if path.exists() {
        return Ok(());
    }
    Err(Failed::usage(format!(
        "{}: no such file or folder\n  do       check the spelling",
        write::shown(path)
    )))
}

/// By how much a second run may be said to be lower, dB: by less nothing can be told, by more nothing is left.
const QUIETER_DB: std::ops::RangeInclusive<f64> = 3.0..=60.0;

/// A second run belongs to one recording.
fn one_recording(args: &RespondArgs) -> Result<(), Failed> {
    let second = args.quieter.as_deref().or(args.second_seed.as_deref());
    if second.is_some() && (args.recordings.len() > 1 || args.in_order.is_some()) {
        return Err(Failed::usage("--quieter and --second-seed go with one recording of one place"));
    }
    if args.quieter_by.is_some_and(|db| !QUIETER_DB.contains(&db)) {
        return Err(Failed::usage("--quieter-by: 3 to 60 dB"));
    }
    second.map_or(Ok(()), there)
}

/// The signal that `excite` described in the folder of the recordings, or else in this one. Noise needs its
/// reference recorded, and then nothing else.
fn described(args: &RespondArgs) -> Option<PathBuf> {
    let beside = args.recordings.first()?.parent()?.to_owned();
    let here = PathBuf::from(".");
    let folders = [if beside.as_os_str().is_empty() { here.clone() } else { beside }, here];
    let (path, found) = folders.iter().find_map(|folder| Description::only_in(folder))?;
    (found.signal == "sweep" && path.is_file() && !args.noise).then_some(path)
}

/// Positions of several signals in one recording.
fn in_order(args: &RespondArgs) -> Result<Vec<String>, Failed> {
    let names: Vec<String> =
        args.in_order.iter().flat_map(|text| text.split(',')).map(|name| name.trim().to_owned()).collect();
    let distinct: BTreeSet<String> = names.iter().map(|name| name.to_lowercase()).collect();
    if distinct.len() < names.len() || names.iter().any(|name| !is_position_name(name)) {
        return Err(Failed::usage("--in-order: positions, each once, e.g. --in-order seat,corner,door"));
    }
    Ok(names)
}

/// Stems of the responses, by recording and channel; two of one name would replace each other. The position
/// that the user gave comes first; of several recordings, each is a take of it.
fn file_names(
    args: &RespondArgs,
    microphones: &[Microphone],
    in_order: &[String],
) -> Result<Vec<Vec<Vec<String>>>, Failed> {
    let mut seen = BTreeSet::new();
    let mut names = Vec::new();
    for path in &args.recordings {
        let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let take = if args.recordings.len() > 1 {
            format!("#{}", stem.replace(['@', '#'], "-"))
        } else {
            String::new()
        };
        let of_channel = |microphone: &Microphone| match (&microphone.position, in_order) {
            (Some(position), []) => vec![format!("{position}{take}")],
            (None, []) => vec![stem.clone()],
            (_, positions) => positions.iter().map(|position| format!("{position}{take}")).collect(),
        };
        let of_recording: Vec<Vec<String>> = microphones.iter().map(of_channel).collect();
        for name in of_recording.iter().flatten() {
            if !seen.insert(name.to_lowercase()) {
                return Err(Failed::usage(format!(
                    "{}: a second recording of that name\n  allowed  one response a name\n  \
                     do       run one folder at a time, each with its own --out",
                    write::shown(path)
                )));
            }
        }
        names.push(of_recording);
    }
    Ok(names)
}

/// A response never takes the place of a recording or of the signal, whatever is forced.
fn keep_inputs(args: &RespondArgs, names: &[Vec<Vec<String>>]) -> Result<(), Failed> {
    let inputs: Vec<PathBuf> =
        args.recordings.iter().chain(&args.signal).filter_map(|path| path.canonicalize().ok()).collect();
    for path in names.iter().flatten().flatten().map(|name| args.out.join(format!("{name}.wav"))) {
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

/// Writes the responses of a channel with their records.
fn keep(
    args: &RespondArgs,
    recording: &Path,
    (names, found): (&[String], Vec<Found>),
) -> Result<Done, String> {
    if found.len() != names.len() {
        return Err(format!(
            "{}: {} signals found, {} positions named\n  allowed  as many signals as positions\n  \
             do       name them all in the order of recording (--in-order)",
            write::shown(recording),
            found.len(),
            names.len()
        ));
    }
    let mut done = Done::default();
    for (name, found) in names.iter().zip(found) {
        let path = args.out.join(format!("{name}.wav"));
        let again = write_one(args, recording, (&path, &found), &mut done.said)?;
        done.again += usize::from(again);
        let seconds = found.samples.len() as f64 / found.rate_hz;
        done.rows.push(vec![format!("{name}.wav"), format!("{seconds:.2} s"), found.rests_on()]);
    }
    Ok(done)
}

/// Writes one response and its record; whether it is to be recorded again.
fn write_one(
    args: &RespondArgs,
    recording: &Path,
    (path, found): (&PathBuf, &Found),
    said: &mut Vec<String>,
) -> Result<bool, String> {
    if args.force {
        // A record of the file that was there before says nothing of the new one.
        let _ = std::fs::remove_file(capture::path_beside(path));
    }
    write_wav(path, &found.samples, found.rate_hz.round() as u32, SampleForm::Float32, args.force)
        .map_err(|error| error.to_string())?;
    let Some(record) = &found.record else { return Ok(false) };
    let mut record = record.clone();
    (record.temperature_c, record.note) = (args.temperature, args.note.clone());
    let record = record_beside(path, recording, record, args.force)?;
    for finding in &record.findings {
        let kind = if finding.again { "again, because " } else { "" };
        said.push(format!("{}: {kind}{}; {}", write::shown(path), finding.found, finding.advice));
    }
    Ok(record.again().is_some())
}

/// Writes the record of a response that lies there; the record as written.
pub fn record_beside(
    path: &Path,
    recording: &Path,
    mut record: CaptureRecord,
    replace: bool,
) -> Result<CaptureRecord, String> {
    record.response_sha256 = read(path, 1)?.provenance.sha256;
    record.recording = recording.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let text = capture::text(&record).map_err(|error| error.to_string())?;
    put(&capture::path_beside(path), text.as_bytes(), Existing::replaced_if(replace))
        .map_err(|error| error.to_string())?;
    Ok(record)
}

fn show(args: &RespondArgs, rows: &[Vec<String>]) {
    screen::heading(&format!("Responses in {}", write::shown(&args.out)));
    screen::table(&["file", "length", "range, noise, verdict"], rows);
    screen::line("");
    if args.reference.is_some() {
        screen::paragraph(
            "Each file's capture record holds the instant of emission; check and analyze read it.",
        );
    } else {
        screen::paragraph(
            "Player and recorder started each by itself, so the instant of emission isn't known. Record the \
             signal on a second channel (--reference), or state the distances in session.toml.",
        );
    }
}
