//! `stillroom demo`: the invented session, and the main job on it.

use super::args::{CompareArgs, DemoArgs};
use super::compare::run_and_show;
use super::{Exit, Failed, screen, write};
use clap::{Args, Command, FromArgMatches};
use stillroom::demo::DemoError;

/// Writes the session, analyses it and compares its states.
pub fn run(args: &DemoArgs) -> Result<Exit, Failed> {
    let demo = stillroom::demo::write(&args.folder).map_err(|error| match error {
        DemoError::NotEmpty { .. } | DemoError::ManifestChanged { .. } => Failed::usage(error),
        _ => Failed::nothing(error),
    })?;
    if !args.run.quiet {
        let folder = write::shown(&args.folder);
        screen::paragraph(&format!(
            "An invented session is in {folder}; truth.json beside the audio holds its true values."
        ));
        let modes: usize = demo.states.first().map_or(0, |state| state.poles.len());
        screen::paragraph(&format!(
            "Its empty room has {modes} resonances whose frequency and decay are known exactly."
        ));
    }
    let mut compare = {
        // What `compare FOLDER` asks for.
        let asked = ["compare".as_ref(), "--".as_ref(), args.folder.as_os_str()];
        let matches = CompareArgs::augment_args(Command::new("compare")).try_get_matches_from(asked);
        matches.and_then(|matches| CompareArgs::from_arg_matches(&matches)).map_err(Failed::nothing)?
    };
    compare.job.output.figures.clone_from(&args.figures);
    compare.job.run = args.run.clone();
    run_and_show(&compare, true)
}
