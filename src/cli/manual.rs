//! `stillroom completions` and `stillroom manual`: what a package or a user installs beside the program.

use super::args::{Cli, CompletionsArgs, ManualArgs};
use super::{Exit, Failed, screen, write};
use clap::CommandFactory;
use std::io::Write;
use std::path::Path;

/// Prints the completions of a shell.
pub fn completions(args: &CompletionsArgs) -> Exit {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "stillroom", &mut text);
    screen::kept(std::io::stdout().lock().write_all(&text));
    Exit::Done
}

/// Writes a manual page for the program and for each command.
pub fn run(args: &ManualArgs) -> Result<Exit, Failed> {
    let failed = |error: std::io::Error| {
        Failed::nothing(format!(
            "{}: can't be written\n  found    {}",
            write::shown(&args.folder),
            error.kind()
        ))
    };
    std::fs::create_dir_all(&args.folder).map_err(failed)?;
    let program = Cli::command();
    page(&args.folder, &program, "stillroom").map_err(failed)?;
    for command in program.get_subcommands().filter(|c| !c.is_hide_set()) {
        let name = format!("stillroom-{}", command.get_name());
        // clap asks for a name that lives as long as the program; a handful of them may.
        let named = command.clone().name(&*name.clone().leak());
        page(&args.folder, &named, &name).map_err(failed)?;
    }
    screen::line(&format!("Manual pages: {}", write::shown(&args.folder)));
    Ok(Exit::Done)
}

fn page(folder: &Path, command: &clap::Command, name: &str) -> std::io::Result<()> {
    let mut text = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut text)?;
    std::fs::write(folder.join(format!("{name}.1")), text)
}
