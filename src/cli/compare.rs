//! `stillroom compare`: what became of each mode, the largest change first.

use super::analyze::{check_range, exit, nothing_found, options, report_failures, settings};
use super::args::{CompareArgs, Format, MaskMean};
use super::progress::Bar;
use super::{Exit, Failed, analyze, interrupt, screen, tune_screen, write};
use stillroom::analysis::{
    Analysis, CompareSettings, Comparison, Control, Partners, Settings, TargetKind, analyze, compare_states,
    partners,
};
use stillroom::change::{Changes, DirectSound, ModeChange, TargetFinding, Verdict};
use stillroom::criterion::nominal_t_s;
use stillroom::flag::Flag;
use stillroom::report::{Content, words};
use stillroom::session::{self, Session};
use stillroom::table::gather::{Asked, results};
use stillroom::table::gather_changes::{absorber_rows, comparison};
use stillroom::table::{Rows, number};

/// Runs the command.
pub fn run(args: &CompareArgs) -> Result<Exit, Failed> {
    run_and_show(args, false)
}

/// Analyses the session and compares its states, with a bar on the way; what failed is told on stderr.
pub(super) fn both(
    session: &Session,
    settings: &Settings,
    asked: &CompareSettings,
    quiet: bool,
) -> (Analysis, Option<Comparison>) {
    let bar = Bar::new(quiet);
    let control = Control { cancelled: &interrupt::asked, progress: &|step| bar.show(step) };
    let mut found = analyze(session, settings, &control);
    let mut compared = compare_states(session, &found, settings, asked, &control);
    if interrupt::asked() {
        // What was compared by then rests on fits that were not finished.
        compared = None;
        found.mark_interrupted();
    }
    bar.clear();
    report_failures(&found, quiet);
    (found, compared)
}

/// Runs the command; `each_state`: the summary of each state stands before the comparison.
pub(super) fn run_and_show(args: &CompareArgs, each_state: bool) -> Result<Exit, Failed> {
    check_range(&args.job.computing)?;
    let options = options(&args.job.reading);
    let session = if args.paths.len() == 1 {
        session::open(&args.paths, &options)?
    } else {
        session::open_each(&args.paths, &options)?
    };
    let mut asked = sides(&session, args.before.as_ref(), &args.after)?;
    asked.target = target(&session, args)?;
    let folder = write::open(&session, &args.job.output)?;
    let settings = settings(&args.job.computing, args.job.run.jobs);
    let (found, compared) = both(&session, &settings, &asked, args.job.run.quiet);
    if !found.found_anything() {
        return nothing_found(&found);
    }
    let words = Asked {
        each: args.job.reading.each,
        before: Some(&asked.before),
        after: &asked.after,
        target: asked.target,
    };
    let mut tables = results(&session, &settings, &words, &found);
    let pairs = compared.as_ref().map(|c| comparison(&found, c)).unwrap_or_default();
    tables.comparison = (!found.interrupted).then_some(pairs);
    let absorbers = compared.as_ref().map(|c| c.absorbers.as_slice()).unwrap_or_default();
    tables.absorber = absorber_rows(&tables.session.states, absorbers);
    let content = Content { session: &session, found: &found, compared: compared.as_ref(), results: &tables };
    let placed = write::results(&folder, &content)?;
    write::figures(&args.job.output, &content)?;
    if args.job.output.format == Format::Table && !found.interrupted {
        if !args.job.run.quiet {
            if each_state {
                analyze::summary(&session, &found, &tables, settings.modes);
            }
            summary(&found, compared.as_ref(), &asked);
            screen::line("");
            write::say_where(&placed);
            if let Some(compared) = &compared {
                screen::paragraph(next(compared));
                chain_to_state(&session, compared).into_iter().for_each(screen::paragraph);
            }
        }
    } else if let Some(tables_of) = &tables.comparison {
        write::standard(&tables, Rows::of(&tables_of.changes), args.job.output.format);
    }
    Ok(match exit(&found) {
        // Nothing failed, and yet nothing came of what was asked for.
        Exit::Done if compared.is_none_or(|compared| compared.pairs.is_empty()) => Exit::Nothing,
        exit => exit,
    })
}

/// What to do with what was found.
fn next(compared: &Comparison) -> &'static str {
    let any = |of: fn(&ModeChange) -> bool| compared.pairs.iter().any(|(_, c)| c.modes.iter().any(of));
    if !compared.absorbers.is_empty() {
        "Next: follow the absorber's line above, measure the same places as a new state, and compare again."
    } else if any(|m| !matches!(m.verdict, Verdict::Unsure)) {
        "Next: report.html tells it seat by seat; its first sheet is for the client."
    } else if !any(|_| true) {
        "Next: report.html shows the bands; band_changes.csv gives a reason for each."
    } else {
        "Next: read the bands (band_changes.csv); changes.csv says why no mode is decided."
    }
}

/// What decides modes that only a filter in the measuring chain keeps undecided, where the user hasn't said.
fn chain_to_state(session: &Session, compared: &Comparison) -> Option<&'static str> {
    let untold = |m: &ModeChange| m.verdict == Verdict::Unsure && m.flags.has(Flag::ChainUntold);
    let any = compared.pairs.iter().any(|(_, changes)| changes.modes.iter().any(untold));
    (any && session.same_chain.is_none()).then_some(
        "If nothing in the measuring chain was touched between the states, say same_chain = true in session.toml and \
         compare again: that decides what only a filter in the chain leaves undecided.",
    )
}

/// What decay times should be: the command's word, else that of session.toml.
fn target(session: &Session, args: &CompareArgs) -> Result<Option<TargetKind>, Failed> {
    let nominal = session.room.volume_m3.map(|volume| TargetKind::MaskRound(nominal_t_s(volume)));
    let visit = &session.visit;
    Ok(match (args.target_t60, args.target_mask) {
        (Some(limit_s), _) => Some(TargetKind::Longest(limit_s)),
        (None, Some(MaskMean::Own)) => Some(TargetKind::Mask),
        (None, Some(MaskMean::Nominal)) => Some(nominal.ok_or_else(|| {
            Failed::usage(
                "--target-mask=nominal needs the room's volume\n  allowed  length, width and height or \
                 volume_m3 under \
                 [room] in session.toml\n  do       add them, or leave out =nominal",
            )
        })?),
        (None, None) => match (visit.target_t60_s, visit.room_use) {
            (Some(limit_s), _) => Some(TargetKind::Longest(limit_s)),
            (None, Some(_)) => nominal,
            (None, None) => None,
        },
    })
}

/// Baseline and after states; a baseline is never guessed.
pub(super) fn sides(
    session: &Session,
    before: Option<&String>,
    after: &[String],
) -> Result<CompareSettings, Failed> {
    let states = || session.states.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ");
    let known = |name: &str| {
        session.state(name).map(|state| state.name.clone()).ok_or_else(|| {
            Failed::usage(format!(
                "no state is called {name}\n  allowed  {}\n  do       check the spelling",
                states()
            ))
        })
    };
    if let [only] = session.states.as_slice() {
        return Err(Failed::usage(format!(
            "one state, {}: nothing to compare it with\n  do       add a second state",
            only.name
        )));
    }
    let Some(before) = before.or(session.baseline.as_ref()) else {
        return Err(Failed::usage(format!(
            "no baseline given\n  found    the states {}\n  do       name the one to compare with: --before STATE",
            states()
        )));
    };
    let before = known(before)?;
    let after: Vec<String> = if after.is_empty() {
        session.states.iter().map(|s| s.name.clone()).filter(|name| *name != before).collect()
    } else {
        after.iter().map(|name| known(name)).collect::<Result<_, _>>()?
    };
    // Names are resolved by now, so case and Unicode form make no difference.
    if after.contains(&before) {
        return Err(with_itself(session, &before));
    }
    if after.is_empty() {
        return Err(Failed::usage(format!(
            "nothing to compare {before} with\n  do       add a second state"
        )));
    }
    Ok(CompareSettings::new(&before, after))
}

/// A comparison of a state with itself would find no change, whatever the room does.
fn with_itself(session: &Session, before: &str) -> Failed {
    let others: Vec<&str> =
        session.states.iter().map(|s| s.name.as_str()).filter(|name| *name != before).collect();
    Failed::usage(format!(
        "a state can't be compared with itself\n  found    {before} both as the baseline and with --after\n  \
         allowed  with --after: {}\n  do       name another state with --after, or another baseline with --before",
        others.join(", ")
    ))
}

fn summary(found: &Analysis, compared: Option<&Comparison>, asked: &CompareSettings) {
    let Some(compared) = compared else {
        screen::heading(
            "Nothing could be compared: one of the states has no usable file (see the errors above).",
        );
        return;
    };
    for (state, changes) in &compared.pairs {
        screen::heading(&format!("{} → {}", asked.before, found.states[*state].name));
        if let Some(text) = alone(&partners(&found.states[compared.before], &found.states[*state])) {
            screen::paragraph(&text);
        }
        if changes.modes.is_empty() {
            bands(changes);
        } else {
            lines(changes);
            screen::paragraph(&format!("Modes: {}", changes.summary));
            bands(changes);
            screen::paragraph("Every mode and band with its reason: changes.csv, band_changes.csv.");
        }
        if let Some(text) = set_up(changes) {
            screen::paragraph(&text);
        }
        if let Some(text) = direct_sound(changes.chain.direct_sound()) {
            screen::paragraph(&text);
        }
    }
    compared.absorbers.iter().for_each(tune_screen::tuning);
    if !compared.targets.is_empty() {
        screen::heading("Target for decay times");
    }
    let limit = match asked.target {
        Some(TargetKind::Longest(limit_s)) => Some(format!(" {limit_s:.2} s")),
        _ => None,
    };
    for (state, findings) in &compared.targets {
        // As the report counts: where people listen if that is known, else over all places; what has no value isn't judged.
        let wanted = ["listening", "*"].into_iter().find(|p| findings.iter().any(|f| f.position == *p));
        let counted = |f: &&TargetFinding| f.mode.is_some() || wanted.is_none_or(|w| f.position == w);
        let judged: Vec<&TargetFinding> =
            findings.iter().filter(counted).filter(|f| f.value_s.is_ok()).collect();
        let count =
            |word: &str| judged.iter().filter(|f| f.met.is_some_and(|met| met.word() == word)).count();
        let what = if judged.iter().any(|f| f.mode.is_some()) { "bands and modes" } else { "bands" };
        screen::paragraph(&format!(
            "Target{}, {}: of {} {what} {} meet it, {} don't, {} can't tell (targets.csv).",
            limit.as_deref().unwrap_or_default(),
            found.states[*state].name,
            judged.len(),
            count("yes"),
            count("no"),
            count("unsure")
        ));
    }
}

/// Places that only one of the states has: levels and bands leave them out.
fn alone(partners: &Partners) -> Option<String> {
    let alone = words::places(&partners.alone);
    let (common, noun) = (partners.common, if partners.common == 1 { "position" } else { "positions" });
    (!alone.is_empty())
        .then(|| format!("Compared at {common} {noun}; only in one state: {}.", alone.join(", ")))
}

/// Places that are not the same in both states, as it seems.
fn set_up(changes: &Changes) -> Option<String> {
    let exchanged = words::places(&changes.chain.exchanged_files);
    let exchanged = (!exchanged.is_empty()).then(|| {
        format!(
            "The files of {} seem exchanged with each other in one of the states: held against each other's places, the \
             shapes of the well-known modes agree. Levels there are left out.",
            exchanged.join(", ")
        )
    });
    let places = words::places(&changes.chain.moved_microphones);
    let moved = (!places.is_empty()).then(|| {
        format!(
            "At {}, level or arrival changed differently from the other positions: a moved microphone, files of two \
             positions exchanged, or another gain. Levels there are left out.",
            places.join(", ")
        )
    });
    exchanged.into_iter().chain(moved).reduce(|all, next| format!("{all} {next}"))
}

/// Lines that the screen shows of each pair.
const LISTED: usize = 14;

/// One line a mode that changed: what rings otherwise first, the largest change before smaller ones, then the others,
/// each by frequency.
fn lines(changes: &Changes) {
    let mut told: Vec<&ModeChange> =
        changes.modes.iter().filter(|c| !matches!(c.verdict, Verdict::Unchanged | Verdict::Unsure)).collect();
    let ring = |change: &ModeChange| match (change.after_ring_s, change.before_ring_s) {
        (Some(Ok(s)), _) | (None, Some(Ok(s))) => s,
        _ => 0.0,
    };
    let size = |change: &ModeChange| match change.verdict {
        Verdict::Gone => f64::INFINITY,
        Verdict::Shorter | Verdict::Longer => change.ringing().map_or(0.0, |r| r.value.ln().abs()),
        Verdict::New => 0.0,
        _ => -1.0,
    };
    told.sort_by(|a, b| size(b).total_cmp(&size(a)));
    told.truncate(LISTED);
    let longest_s = told.iter().filter_map(|c| c.before_ring_s?.ok()).chain(told.iter().map(|c| ring(c)));
    let longest_s = longest_s.fold(0.0, f64::max);
    let mut heads = vec!["Hz", "rings before, s", "after, s", "change, %", "what became of it"];
    let mut rows: Vec<Vec<String>> = told.iter().map(|change| line(change)).collect();
    if screen::is_watched() {
        heads.insert(4, "now █, before ░");
        let known = |ring: Option<Result<f64, _>>| ring.and_then(Result::ok);
        for (row, change) in rows.iter_mut().zip(&told) {
            row.insert(4, drawn(known(change.after_ring_s), known(change.before_ring_s), longest_s));
        }
    }
    if !rows.is_empty() {
        screen::table(&heads, &rows);
    }
}

/// What became of the bands.
fn bands(changes: &Changes) {
    screen::paragraph(&match changes.band_summary.to_string().as_str() {
        "" => "Bands (T20): no verdict, which takes three places or more in both states.".to_owned(),
        told => format!("Bands (T20): {told}"),
    });
}

/// Width of a bar.
const BAR: usize = 20;

/// A bar of fixed width, so that all start at one column.
fn drawn(after_s: Option<f64>, before_s: Option<f64>, longest_s: f64) -> String {
    format!("{:<BAR$}", screen::bar(after_s, before_s, longest_s, BAR))
}

/// A change with half its interval, no finer than a tenth of a per cent: what else differs between two visits is more.
fn change_percent(value: f64, half: f64) -> Option<String> {
    const FINEST: f64 = 0.1;
    let text =
        if half < FINEST { format!("{value:.1} ± {FINEST:.1}") } else { number::plus_minus(value, half)? };
    Some(text.replace('-', "−"))
}

fn line(change: &ModeChange) -> Vec<String> {
    let values = change.before_values.or(change.after_values);
    let seconds = |ring: Option<Result<f64, _>>| match ring {
        Some(Ok(s)) => format!("{s:.2}"),
        _ => "–".to_owned(),
    };
    let percent = match change.ring_ratio.or(change.t60_ratio) {
        Some(Ok(ratio)) => change_percent(100.0 * (ratio.value - 1.0), 50.0 * (ratio.high - ratio.low)),
        _ => None,
    };
    vec![
        values.map(|v| format!("{:.1}", v.frequency_hz)).unwrap_or_default(),
        seconds(change.before_ring_s),
        seconds(change.after_ring_s),
        percent.unwrap_or_else(|| "–".to_owned()),
        words::verdict(change.verdict.word()).1.to_string(),
    ]
}

/// What a difference of the direct sound was taken for, if there is one to speak of.
fn direct_sound(found: DirectSound) -> Option<String> {
    let signed = |db: f64| format!("{db:+.1}").replace('-', "−");
    match found {
        DirectSound::Gain(db) => Some(format!(
            "The direct sound above the modes differs by {} dB. This is taken for a change of gain and removed from \
             all level changes.",
            signed(db)
        )),
        DirectSound::AsStated(db) => Some(format!(
            "The direct sound above the modes differs by {} dB though session.toml says that nothing in the chain was \
             changed, and so few positions can’t tell why: nothing is removed. Check the input gain; a treatment \
             close to the microphone does this too.",
            signed(db)
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::change_percent;

    #[test]
    fn a_change_is_printed_no_finer_than_it_can_mean() {
        assert_eq!(change_percent(-40.001, 0.036).as_deref(), Some("−40.0 ± 0.1"));
        assert_eq!(change_percent(-71.04, 1.62).as_deref(), Some("−71.0 ± 1.6"));
    }
}
