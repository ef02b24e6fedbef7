//! `stillroom analyze`: every state of a session into tables, and the summary on the screen.

use super::args::{AnalyzeArgs, Bands, ComputingArgs, Format, ReadingArgs};
use super::progress::Bar;
use super::{Exit, Failed, interrupt, screen, write};
use stillroom::analysis::{Analysis, Control, ModeRange, Settings, analyze, none_fitted};
use stillroom::decay::middle_t20_s;
use stillroom::filter::Fraction;
use stillroom::language::count;
use stillroom::procedure;
use stillroom::report::Content;
use stillroom::report::words::plus_minus;
use stillroom::session::{self, OpenOptions, Session};
use stillroom::state::StateResult;
use stillroom::table::gather::{Asked, results};
use stillroom::table::{BandRow, ModeRow, Results, Rows, Treatment, treatments};

/// Treatments that a state's screen lists; the tables hold all modes.
const LISTED: usize = 8;

/// Runs the command.
pub fn run(args: &AnalyzeArgs) -> Result<Exit, Failed> {
    check_range(&args.job.computing)?;
    let session = session::open(&args.paths, &options(&args.job.reading))?;
    let folder = write::open(&session, &args.job.output)?;
    write::check_responses(args.responses.as_deref(), &session, &args.job.output)?;
    let settings = settings(&args.job.computing, args.job.run.jobs);
    let bar = Bar::new(args.job.run.quiet);
    let control = Control { cancelled: &interrupt::asked, progress: &|step| bar.show(step) };
    let found = analyze(&session, &settings, &control);
    bar.clear();
    report_failures(&found, args.job.run.quiet);
    if !found.found_anything() {
        return nothing_found(&found);
    }
    let asked = Asked { each: args.job.reading.each, ..Asked::default() };
    let results = results(&session, &settings, &asked, &found);
    let content = Content { session: &session, found: &found, compared: None, results: &results };
    let placed = write::results(&folder, &content)?;
    write::figures(&args.job.output, &content)?;
    #[cfg(feature = "sofa")]
    if let Some(folder) = &args.responses {
        write::responses(folder, &session, &found, &args.job.output)?;
    }
    if args.job.output.format == Format::Table {
        if !args.job.run.quiet {
            summary(&session, &found, &results, settings.modes);
            screen::line("");
            write::say_where(&placed);
            if !found.interrupted {
                screen::paragraph(next(&session, &results));
            }
        }
    } else {
        let main = if settings.modes.is_some() { Rows::of(&results.modes) } else { Rows::of(&results.bands) };
        write::standard(&results, main, args.job.output.format);
    }
    Ok(exit(&found))
}

/// What to do with what was found.
fn next(session: &Session, results: &Results) -> &'static str {
    let known = session.room.dimensions_m.is_some() || session.plan.is_some();
    if results.modes.iter().any(|row| row.kind == "mode") {
        if known {
            "Next: report.html shows where each mode lives; stillroom design PATH --mode HZ --target-t60 S, what to build \
             for one."
        } else {
            "Next: report.html shows how each mode rings at each position; with the room's lengths or its plan in \
             session.toml (stillroom check PATH --write drafts one) where it lives, too, and what to build for it."
        }
    } else if results.modes.is_empty() {
        "Next: report.html shows the bands."
    } else {
        "Next: report.html shows the bands; modes.csv says of each resonance why it isn't established (few places, short \
         records, noise, or modes that overlap)."
    }
}

/// A range of modes that can hold one.
pub(super) fn check_range(computing: &ComputingArgs) -> Result<(), Failed> {
    if computing.modes_from >= computing.modes_to {
        return Err(Failed::usage("--modes-from must lie below --modes-to"));
    }
    Ok(())
}

/// How a run ends of which there is nothing to write.
pub(super) fn nothing_found(found: &Analysis) -> Result<Exit, Failed> {
    if found.interrupted {
        screen::warning("stopped before anything was finished; nothing was written");
        return Ok(Exit::Interrupted);
    }
    Err(Failed::nothing("no file could be used"))
}

pub(super) fn exit(found: &Analysis) -> Exit {
    match (found.interrupted, found.failures.is_empty()) {
        (true, _) => Exit::Interrupted,
        (false, true) => Exit::Done,
        (false, false) => Exit::Partial,
    }
}

pub(super) fn options(reading: &ReadingArgs) -> OpenOptions {
    let mut options = OpenOptions::default().with_each(reading.each);
    if let Some(names) = &reading.names {
        options = options.with_names(names);
    }
    if let Some(channels) = &reading.channel {
        options = options.with_channels(channels);
    }
    if let Some(rate_hz) = reading.rate {
        options = options.with_rate_hz(rate_hz);
    }
    options
}

pub(super) fn settings(computing: &ComputingArgs, jobs: Option<std::num::NonZeroUsize>) -> Settings {
    let mut settings = Settings::default();
    settings.fraction = match computing.bands {
        Bands::Octave => Fraction::Octave,
        Bands::Third => Fraction::Third,
    };
    let range = ModeRange { from_hz: computing.modes_from, to_hz: computing.modes_to };
    settings.modes = (!computing.no_modes).then_some(range);
    settings.jobs = jobs;
    settings
}

pub(super) fn report_failures(found: &Analysis, quiet: bool) {
    for failure in &found.failures {
        screen::error(&failure.to_string());
    }
    if !quiet {
        found.warnings.iter().for_each(|text| screen::warning(text));
    }
}

pub(super) fn summary(session: &Session, found: &Analysis, results: &Results, sought: Option<ModeRange>) {
    for state in found.states.iter().filter(|state| !state.places.is_empty()) {
        let title = session.title.as_ref().map(|title| format!("{title}: ")).unwrap_or_default();
        screen::heading(&format!("{title}{}", state.name));
        screen::paragraph(&format!("{}.", counted(state)));
        let bands: Vec<&BandRow> = results.bands.iter().filter(|row| *row.state == *state.name).collect();
        screen::line(&middle(&bands));
        screen::paragraph(&format!("Procedure: {}.", procedure::summary(&state.checks)));
        let modes: Vec<&ModeRow> = results.modes.iter().filter(|row| *row.state == *state.name).collect();
        match (&state.resonances, sought) {
            (Some(_), Some(range)) if modes.is_empty() => {
                let left_out = none_fitted(state).map(|reasons| all_left_out(&reasons));
                screen::paragraph(&left_out.unwrap_or_else(|| none_found(range)));
            }
            (Some(_), _) => {
                modes_table(&modes);
                screen::paragraph(&usable_range(state));
            }
            (None, _) => {}
        }
    }
}

/// Nothing was looked at: every place is left out.
fn all_left_out(reasons: &[(&'static str, usize)]) -> String {
    let counted = |(why, n): &(&str, usize)| format!("{n} {}: {why}", if *n == 1 { "file" } else { "files" });
    let told: Vec<String> = match reasons {
        [(why, _)] => vec![(*why).to_owned()],
        _ => reasons.iter().map(counted).collect(),
    };
    let all = if reasons.iter().map(|(_, n)| n).sum::<usize>() == 1 { "the one file" } else { "every file" };
    format!("No resonance was looked for: {all} is left out ({}).", told.join("; "))
}

/// Nothing was found in the range: what can be asked instead.
fn none_found(range: ModeRange) -> String {
    let usual = ModeRange::default();
    let narrow = range.from_hz > usual.from_hz || range.to_hz < usual.to_hz;
    let advice = if narrow { "Widen --modes-from and --modes-to." } else { "Read the bands." };
    format!("No resonance found between {} and {} Hz. {advice}", range.from_hz, range.to_hz)
}

/// Up to where single modes can be told.
fn usable_range(state: &StateResult) -> String {
    let set = state.resonances.as_ref().map(|found| &found.set);
    match set.and_then(|set| set.single_modes_to_hz) {
        Some(hz) if set.and_then(|set| set.sought_to_hz).is_some_and(|end| hz >= end) => {
            format!("Single modes up to {hz:.0} Hz, as far as the range asked for can tell (--modes-to).")
        }
        Some(hz) => format!(
            "Single modes up to {hz:.0} Hz; above, they overlap or are too close to the noise: read the bands."
        ),
        None => {
            "Single modes can't be told apart: what is found in the first part of the decay doesn't predict the next part. \
             Read the bands; more positions, less noise and longer records help."
                .to_owned()
        }
    }
}

fn counted(state: &StateResult) -> String {
    let files: usize = state.places.iter().map(|place| place.response.files().count()).sum();
    let mut positions: Vec<&str> = state.places.iter().map(|p| &*p.response.place.position).collect();
    positions.sort_unstable();
    positions.dedup();
    let (positions, combinations) = (positions.len(), state.places.len());
    let pairs = if combinations == positions {
        String::new()
    } else {
        format!("{}, ", count(combinations, "loudspeaker-microphone combination"))
    };
    format!("{}, {pairs}{}", count(positions, "position"), count(files, "file"))
}

/// Mean T20 of 500 Hz and 1 kHz over all places (ISO 3382-1:2009, table A.1: the single number).
fn middle(bands: &[&BandRow]) -> String {
    let average = bands.iter().any(|row| &*row.position == "*");
    let wanted = |row: &&&BandRow| !average || &*row.position == "*";
    let read = bands.iter().filter(wanted).map(|row| (row.band_hz, row.t20.ok().map(|t| t.value)));
    match middle_t20_s(read) {
        Some(t20_s) => format!("  T20 of the middle bands (500 Hz and 1 kHz): {t20_s:.2} s"),
        None => "  T20 of the middle bands: not all of them have one (bands.csv)".to_owned(),
    }
}

fn modes_table(modes: &[&ModeRow]) {
    let ranked = treatments(modes);
    let listed = ranked.iter().take(LISTED);
    let rows: Vec<Vec<String>> = listed.clone().map(treatment_line).collect();
    if rows.is_empty() {
        screen::line(if modes.iter().any(|row| row.kind == "mode") {
            "  No mode to treat: none is heard longer than the published audibility threshold."
        } else {
            "  No single mode is established here, so none is ranked: read the bands."
        });
    } else {
        screen::table(&["priority", "frequency, Hz", "rings, s", "threshold, s", "level, dB", "mode"], &rows);
        screen::paragraph(
            "Priority: what is heard longest over its audibility threshold, at the worst listening position, comes first. \
             Modes closer than their bandwidth share one line, the times of two in the order of their frequencies. Four or \
             more lines within a third octave are shown as one, marked broadband. Mode: indices along length, width, \
             height.",
        );
    }
    let count = |kind: &str| modes.iter().filter(|row| row.kind == kind).count();
    let more = count("mode").saturating_sub(listed.map(|treatment| treatment.modes.len()).sum());
    let mut rest = Vec::new();
    if more > 0 {
        rest.push(if more == 1 { "1 more mode".to_owned() } else { format!("{more} more modes") });
    }
    for (kind, one, many) in [
        ("unsure", "uncertain resonance", "uncertain resonances"),
        ("loudspeaker", "resonance of the measuring chain", "resonances of the measuring chain"),
        ("hum", "steady tone", "steady tones"),
    ] {
        match count(kind) {
            0 => {}
            1 => rest.push(format!("1 {one}")),
            n => rest.push(format!("{n} {many}")),
        }
    }
    if !rest.is_empty() {
        screen::paragraph(&format!("Also found: {} (modes.csv).", rest.join(", ")));
    }
}

/// One line a treatment: its modes' T60, its loudest one's level.
fn treatment_line(treatment: &Treatment<'_>) -> Vec<String> {
    let slowest = treatment.modes[0];
    let rising = treatment.rising();
    let (frequency, rings, axes) = match treatment.broadband_hz {
        Some((low, high)) => (format!("{low:.0}–{high:.0}"), times(&rising), "broadband".to_owned()),
        None => {
            let named = rising.iter().filter(|row| !row.axes.is_empty());
            let named = named.map(|row| format!("({})", row.axes.to_string().replace(' ', ",")));
            (frequencies(&rising), times(&rising), named.take(2).collect::<String>())
        }
    };
    let loudest = rising.iter().filter_map(|row| row.level_db.ok()).reduce(f64::max);
    vec![
        treatment.rank.to_string(),
        frequency,
        rings,
        slowest.threshold_t60_s.map(|t| format!("{t:.2}")).unwrap_or_else(|_| "–".to_owned()),
        loudest.map(|db| format!("{db:.1}").replace('-', "−")).unwrap_or_default(),
        axes,
    ]
}

/// A value with half its interval.
fn spread(reading: &stillroom::estimate::Reading) -> String {
    reading.map(plus_minus).unwrap_or_default()
}

/// T60 of the modes of one line: of two each in the order of their frequencies, so that it shows which rings longer; of more
/// the shortest and the longest.
fn times(rising: &[&ModeRow]) -> String {
    let seconds = |row: &&ModeRow| Some(row.t60.ok()?.value);
    match rising {
        [one] => spread(&one.t60),
        [_, _] => {
            let each = |row| seconds(row).map_or_else(|| "–".to_owned(), |t| format!("{t:.2}"));
            rising.iter().map(each).collect::<Vec<_>>().join(", ")
        }
        _ => {
            let (least, most) = rising
                .iter()
                .filter_map(seconds)
                .fold((f64::INFINITY, 0.0), |(a, b), t| (f64::min(a, t), f64::max(b, t)));
            format!("{least:.2}–{most:.2}")
        }
    }
}

/// Frequencies of the modes of one line: of several without their intervals, which modes.csv has.
fn frequencies(rising: &[&ModeRow]) -> String {
    let hz = |row: &&ModeRow| row.frequency.ok().map_or_else(String::new, |f| format!("{:.2}", f.value));
    match rising {
        [one] => spread(&one.frequency),
        [one, other] => format!("{}, {}", hz(one), hz(other)),
        [first, .., last] => format!("{}–{}", hz(first), hz(last)),
        [] => String::new(),
    }
}
