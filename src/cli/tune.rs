//! `stillroom tune`: the takes of a tuned absorber, ranked, with what to change next.

use super::analyze::{exit, options, settings};
use super::args::{Format, TuneArgs};
use super::compare::{both, sides};
use super::{Exit, Failed, screen, tune_screen, write};
use std::io::Write;
use stillroom::absorber::Tuning;
use stillroom::analysis::{TargetKind, tune_states};
use stillroom::report::Content;
use stillroom::session;
use stillroom::table::gather::{Asked, results};
use stillroom::table::gather_changes::{absorber_rows, comparison};
use stillroom::table::{AbsorberRow, Rows, csv_text, json};

/// Refuses settings that leave no modes to tune by.
///
/// # Errors
/// Wrong usage.
pub fn check(args: &TuneArgs) -> Result<(), Failed> {
    if args.job.computing.no_modes || args.job.computing.modes_from >= args.job.computing.modes_to {
        return Err(Failed::usage(
            "tune needs the modes round --mode: leave out --no-modes, and --modes-from below --modes-to",
        ));
    }
    Ok(())
}

/// Runs the command once, on the takes that are there.
pub fn once(args: &TuneArgs) -> Result<Exit, Failed> {
    let session = session::open(std::slice::from_ref(&args.path), &options(&args.job.reading))?;
    let asked = sides(&session, args.before.as_ref(), &[])?;
    let folder = write::open(&session, &args.job.output)?;
    let settings = settings(&args.job.computing, args.job.run.jobs);
    let (found, compared) = both(&session, &settings, &asked, args.job.run.quiet);
    if found.interrupted {
        screen::warning("stopped before the end; nothing was written");
        return Ok(Exit::Interrupted);
    }
    let Some(compared) = compared else {
        return Err(Failed::nothing(format!("the baseline {} shows no modes", asked.before)));
    };
    let tuning = tune_states(&session, &found, &compared, &settings, args.mode).map_err(Failed::nothing)?;
    let words = Asked {
        each: args.job.reading.each,
        before: Some(&asked.before),
        after: &asked.after,
        target: args.target_t60.map(TargetKind::Longest),
    };
    let mut tables = results(&session, &settings, &words, &found);
    tables.comparison = Some(comparison(&found, &compared));
    tables.absorber = absorber_rows(&tables.session.states, std::slice::from_ref(&tuning));
    let content = Content { session: &session, found: &found, compared: Some(&compared), results: &tables };
    let placed = write::results(&folder, &content)?;
    write::figures(&args.job.output, &content)?;
    show(args, &tuning, &tables.absorber);
    if args.job.output.format == Format::Table && !args.job.run.quiet {
        screen::line("");
        write::say_where(&placed);
    }
    Ok(exit(&found))
}

/// The tuning on standard output, in the form asked for.
pub(super) fn show(args: &TuneArgs, tuning: &Tuning, rows: &[AbsorberRow]) {
    let out = std::io::stdout().lock();
    screen::kept(match args.job.output.format {
        Format::Json => json::write_absorber(rows, out),
        Format::Csv => csv_text::write(Rows::of(rows), out),
        Format::Table => {
            drop(out);
            if !args.job.run.quiet {
                tune_screen::tuning(tuning);
                tune_screen::elsewhere(tuning, args.target_t60);
            }
            Ok(())
        }
    });
    screen::kept(std::io::stdout().flush());
}
