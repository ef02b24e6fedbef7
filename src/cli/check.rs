//! `stillroom check`: the look before packing up.

mod background;
mod forecast;

use super::args::CheckArgs;
use super::progress::Bar;
use super::{Exit, Failed, analyze::options, interrupt, screen, write};
use stillroom::analysis::{Analysis, Control, Failure, Settings, analyze, state_facts};
use stillroom::filter::Fraction;
use stillroom::output::OutputError;
use stillroom::output::file::{Existing, put};
use stillroom::procedure::{
    FileFacts, FileLine, Finding, LookFacts, NoiseLine, ReadFacts, Readiness, Weight, look,
};
use stillroom::recording::Fault;
use stillroom::session::{self, MANIFEST_NAME, Session, Take};

/// Runs the command.
pub fn run(args: &CheckArgs) -> Result<Exit, Failed> {
    let session = session::open(&args.paths, &options(&args.reading))?;
    let mut settings = Settings::default();
    (settings.fraction, settings.modes, settings.jobs) = (Fraction::Octave, None, args.run.jobs);
    let bar = Bar::new(args.run.quiet);
    let control = Control { cancelled: &interrupt::asked, progress: &|step| bar.show(step) };
    let found = analyze(&session, &settings, &control);
    bar.clear();
    if found.interrupted {
        screen::warning("stopped before every file was read: no verdict");
        return Ok(Exit::Interrupted);
    }
    let mut looked_at = facts(&session, &found, args.modes_to);
    looked_at.between = forecast::between(&session, &found, &settings, &control);
    looked_at.modes =
        if args.no_modes { None } else { forecast::modes(&session, &found, &settings, &control) };
    bar.clear();
    if interrupt::asked() {
        screen::warning("stopped before the modes were fitted: no verdict");
        return Ok(Exit::Interrupted);
    }
    let judged = look(&looked_at);
    show(&judged, &found);
    session.warnings.iter().for_each(|text| screen::warning(text));
    let drafted = if args.write { draft(&session) } else { Ok(()) };
    // The last line, whatever came before it.
    screen::heading(&judged.verdict());
    drafted?;
    Ok(match (found.found_anything(), found.failures.is_empty()) {
        (false, _) => Exit::Nothing,
        (_, false) => Exit::Partial,
        _ => Exit::Done,
    })
}

fn facts<'a>(session: &'a Session, found: &'a Analysis, modes_to_hz: f64) -> LookFacts<'a> {
    let files = found.files.iter().map(|file| FileFacts {
        state: &file.state,
        take: &file.take,
        read: file.provenance.as_ref().ok_or_else(|| refusal(found, &file.take)).map(|read| {
            let clipped = file.faults.iter().find(|fault| matches!(fault, Fault::Clipped { .. }));
            let useless = |fault: &&Fault| no_response(fault);
            let failed = found.failures.iter().any(|failure| failure.is_of(&file.take));
            let channel = match read.channels {
                1 => String::new(),
                of => format!(", channel {} of {of}", session.channel_of(&file.take)),
            };
            let rest = |fault: &&Fault| !useless(fault) && !matches!(fault, Fault::Clipped { .. });
            let known = file.capture.iter().flat_map(|c| &c.findings).filter(|finding| !finding.again);
            let captured = known.map(|finding| finding.found.clone());
            ReadFacts {
                format: format!("{}{channel}", read.format),
                rate_hz: f64::from(read.rate_hz),
                length_s: read.frames as f64 / f64::from(read.rate_hz),
                sha256: read.sha256.clone(),
                copy_of: file.copy_of.clone(),
                counted_as: file.counted_as.clone(),
                sounds_like: file.sounds_like.clone(),
                clipped: clipped.map(ToString::to_string),
                useless: (file.capture.as_ref().and_then(|c| c.again()))
                    .or_else(|| file.faults.iter().find(useless).map(ToString::to_string))
                    .or_else(|| failed.then(|| refusal(found, &file.take))),
                remarks: captured
                    .chain(file.faults.iter().filter(rest).map(ToString::to_string))
                    .chain(read.repairs.iter().cloned())
                    .collect(),
            }
        }),
    });
    LookFacts {
        session,
        files: files.collect(),
        failed: found.failures.iter().filter(|f| f.file.is_none()).map(whole_place).collect(),
        states: found.states.iter().filter_map(|state| state_facts(session, state)).collect(),
        between: Vec::new(),
        modes: None,
        modes_to_hz,
    }
}

/// Faults that leave no response of a room in the file.
fn no_response(fault: &Fault) -> bool {
    matches!(
        fault,
        Fault::Silent { .. }
            | Fault::TooShort { .. }
            | Fault::Reversed
            | Fault::SecondSound { .. }
            | Fault::SignalItself { .. }
            | Fault::FadedDecay { .. }
    )
}

/// State and reason of a failure that is no single file's.
fn whole_place(failure: &Failure) -> (String, String) {
    (failure.state.clone().unwrap_or_default(), failure.reason.clone())
}

fn refusal(found: &Analysis, take: &Take) -> String {
    let file = &take.file;
    let of_file = found.failures.iter().find(|failure| failure.is_of(take));
    let reason = |failure: &Failure| {
        // The line names the file already.
        failure.reason.strip_prefix(&format!("{file}: ")).unwrap_or(&failure.reason).to_owned()
    };
    of_file.map_or_else(|| "not used".to_owned(), reason)
}

fn show(judged: &Readiness, found: &Analysis) {
    screen::heading("How the files were read");
    show_files(&judged.files);
    screen::heading("Peak-to-noise by octave (Hz), dB");
    show_noise(&judged.noise);
    background::show(&found.files);
    for (weight, title) in [(Weight::Again, "Measure again"), (Weight::Note, "Good to know")] {
        let of_weight = grouped(judged.findings.iter().filter(|f| f.weight == weight));
        if !of_weight.is_empty() {
            screen::heading(title);
            of_weight.iter().for_each(|text| screen::item(text));
        }
    }
    // Failures of a file that was to be read stand in its line above.
    let of_file =
        |failure: &&Failure| judged.files.iter().any(|line| failure.file.as_ref() == Some(&line.file));
    for failure in found.failures.iter().filter(|failure| !of_file(failure)) {
        screen::error(&failure.to_string());
    }
    if !judged.purposes.is_empty() {
        screen::heading("Enough for");
        judged.purposes.iter().for_each(|text| screen::paragraph(text));
    }
}

/// What holds of many places alike is said once, with the places' number.
fn grouped<'a>(findings: impl Iterator<Item = &'a Finding>) -> Vec<String> {
    let mut groups: Vec<(&Finding, usize)> = Vec::new();
    for finding in findings {
        let alike = |(first, _): &&mut (&Finding, usize)| {
            (&first.reason, &first.advice) == (&finding.reason, &finding.advice)
        };
        match groups.iter_mut().find(alike) {
            Some((_, count)) => *count += 1,
            None => groups.push((finding, 1)),
        }
    }
    let line = |(first, count): (&Finding, usize)| match count {
        1 => first.to_string(),
        _ => first.to_string().replacen(&first.place, &format!("{} and {} more", first.place, count - 1), 1),
    };
    groups.into_iter().map(line).collect()
}

/// Widest file name and place on the screen.
const FILE_WIDTH: usize = 28;
const PLACE_WIDTH: usize = 18;

/// Columns that say nothing in any line are left out; a common format is said once, another one stands under its file, with
/// what is odd about it.
fn show_files(files: &[FileLine]) {
    const NAMES: usize = 5;
    let common = common_format(files);
    let shown: Vec<usize> = (0..NAMES)
        .filter(|&column| column == 0 || files.iter().any(|line| !line.cells()[column].is_empty()))
        .collect();
    let head: Vec<&str> = shown.iter().map(|&column| FileLine::HEAD[column]).collect();
    let columns: Vec<Vec<String>> = shown
        .iter()
        .map(|&column| {
            let cells: Vec<&str> = files.iter().map(|line| line.cells()[column]).collect();
            screen::told_apart(&cells, if column == 0 { FILE_WIDTH } else { PLACE_WIDTH })
        })
        .collect();
    let rows = (0..files.len()).map(|k| columns.iter().map(|column| column[k].clone()).collect());
    let under = |line: &FileLine| {
        let own = Some(&line.audio).filter(|audio| common != Some(audio.as_str()));
        let said = own.into_iter().chain([&line.remark]).filter(|text| !text.is_empty());
        said.cloned().collect::<Vec<_>>().join("; ")
    };
    screen::table_with(
        &head,
        &rows.collect::<Vec<Vec<String>>>(),
        &files.iter().map(under).collect::<Vec<_>>(),
    );
    if let Some(audio) = common {
        let alike = files.iter().filter(|line| line.audio == audio).count();
        let which = if alike == files.len() { "All" } else { "The other" };
        screen::line(&format!("  {which} {alike}: {audio}."));
    }
}

/// The format of most files; none of a single one.
fn common_format(files: &[FileLine]) -> Option<&str> {
    let count = |audio: &str| files.iter().filter(|line| line.audio == audio).count();
    let known = files.iter().map(|line| line.audio.as_str()).filter(|audio| !audio.is_empty());
    let most = known.max_by_key(|audio| count(audio))?;
    (count(most) > 1 && 2 * count(most) > files.len()).then_some(most)
}

/// One line a place under its state; octaves above every file's rate are left out.
fn show_noise(noise: &[NoiseLine]) {
    let Some(first) = noise.first() else { return };
    let heard =
        |octave: &usize| noise.iter().any(|line| line.octaves.get(*octave).is_some_and(|o| !o.1.is_empty()));
    let octaves: Vec<usize> = (0..first.octaves.len()).filter(heard).collect();
    let mut head = vec!["place"];
    head.extend(octaves.iter().map(|&octave| first.octaves[octave].0.as_str()));
    head.push("");
    let wide = noise_width(noise, &octaves) > screen::WIDTH;
    let cell = |text: &str| if wide { whole(text) } else { text.to_owned() };
    for of_state in noise.chunk_by(|a, b| a.state == b.state) {
        screen::line(&format!("  {}", of_state[0].state));
        let places: Vec<&str> = of_state.iter().map(|line| line.place.as_str()).collect();
        let rows = of_state.iter().zip(screen::told_apart(&places, PLACE_WIDTH)).map(|(line, place)| {
            let mut cells = vec![place];
            let of_octave = |&octave: &usize| line.octaves.get(octave).map_or("", |o| o.1.as_str());
            cells.extend(octaves.iter().map(of_octave).map(cell));
            cells.push(line.record.clone());
            cells
        });
        screen::table(&head, &rows.collect::<Vec<_>>());
    }
    let bound = noise.iter().flat_map(|line| &line.octaves).any(|octave| octave.1.starts_with('≥'));
    if bound {
        screen::paragraph("≥: lower bound, the record ends before the noise.");
    }
}

/// How wide the widest of the tables would be with a tenth of a decibel in each octave.
fn noise_width(noise: &[NoiseLine], octaves: &[usize]) -> usize {
    const BETWEEN: usize = 2;
    let chars = |text: &str| text.chars().count();
    let of_octave = |octave: usize| {
        let cells = noise.iter().filter_map(|line| line.octaves.get(octave));
        BETWEEN + cells.map(|o| chars(&o.1).max(chars(&o.0))).max().unwrap_or(0)
    };
    let place = noise.iter().map(|line| chars(&line.place).min(PLACE_WIDTH)).max().unwrap_or(0);
    let record = noise.iter().map(|line| chars(&line.record)).max().unwrap_or(0);
    let record = if record == 0 { 0 } else { BETWEEN + record };
    BETWEEN + place + octaves.iter().map(|octave| of_octave(*octave)).sum::<usize>() + record
}

/// A level without its decimals, never rounded up: 34.9 dB doesn't reach 35.
fn whole(text: &str) -> String {
    text.split('.').next().unwrap_or_default().to_owned()
}

/// Writes a manifest to fill in; one that is there already is never touched.
fn draft(session: &Session) -> Result<(), Failed> {
    let Some(root) = &session.root else {
        return Err(Failed::usage("--write needs a session's folder; single files have none"));
    };
    let path = root.join(MANIFEST_NAME);
    put(&path, session::draft(session).as_bytes(), Existing::Keep).map_err(|error| match error {
        OutputError::Exists { .. } => Failed::usage(format!(
            "{}: already exists\n  allowed  a folder without one: a manifest is never replaced\n  \
             do       rename it, and run again",
            write::shown(&path)
        )),
        error => Failed::nothing(error),
    })?;
    screen::heading(&format!("Drafted {}: look at the lines marked as guesses.", write::shown(&path)));
    Ok(())
}
