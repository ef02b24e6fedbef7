//! `stillroom demo`: the invented session, and the main job on it.

use super::args::{
    Bands, CompareArgs, ComputingArgs, DemoArgs, Format, JobArgs, OutputArgs, ReadingArgs, TableFiles,
};
use super::{Exit, Failed, compare, screen, write};
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
    let args = CompareArgs {
        paths: vec![args.folder.clone()],
        before: None,
        after: Vec::new(),
        target_t60: None,
        target_mask: None,
        job: JobArgs {
            reading: ReadingArgs::default(),
            computing: ComputingArgs {
                bands: Bands::Third,
                modes_from: 15.0,
                modes_to: 200.0,
                no_modes: false,
            },
            output: OutputArgs {
                out: None,
                force: false,
                tables: TableFiles::Csv,
                figures: args.figures.clone(),
                format: Format::Table,
            },
            run: args.run.clone(),
        },
    };
    compare::run_and_show(&args, true)
}
