//! The command-line program: one file a command. The only place for arguments, standard output, colour.

mod analyze;
mod args;
mod check;
mod compare;
mod demo;
mod design;
mod design_answer;
mod design_bands;
mod design_document;
mod design_proposals;
mod design_screen;
mod design_unit;
mod excite;
mod excite_length;
mod exit;
mod feed;
mod gather;
mod interrupt;
mod manual;
#[cfg(feature = "live")]
mod measure;
mod page;
mod predict;
mod predict_moves;
mod progress;
mod respond;
mod screen;
mod tune;
mod tune_screen;
mod watch;
mod write;

use args::{Cli, Command};
use clap::Parser;

pub use exit::Exit;
use stillroom::session::SessionError;

/// What `measure` says where it isn't built in.
const WITHOUT_SOUND: &str = "measure: this program was built without sound\n  allowed  a build with the feature `live`\n  \
    do       cargo install --path . --features live (on Debian first: apt install libasound2-dev pkg-config), \
    or record with another program and use respond";

/// Parses the arguments and runs the command.
pub fn run() -> Exit {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(said) if said.use_stderr() && unbuilt() => {
            screen::error(WITHOUT_SOUND);
            return Exit::Usage;
        }
        Err(said) => return help_or_usage(&said),
    };
    interrupt::listen();
    let ended = command(cli);
    let exit = ended.unwrap_or_else(|failed| {
        screen::error(&failed.text);
        failed.exit
    });
    match screen::lost() {
        Some(kind) if matches!(exit, Exit::Done | Exit::Partial) => {
            screen::error(&format!("standard output: can't be written\n  found    {kind}"));
            Exit::Nothing
        }
        _ => exit,
    }
}

/// Whether `measure` is asked for where it isn't built in: then that is what is wrong, whatever else it was told.
fn unbuilt() -> bool {
    cfg!(not(feature = "live")) && std::env::args_os().nth(1).is_some_and(|command| command == "measure")
}

/// Help and version go to standard output and are a normal end; wrong usage goes to stderr.
fn help_or_usage(said: &clap::Error) -> Exit {
    match said.print() {
        _ if said.use_stderr() => Exit::Usage,
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Exit::Nothing,
        _ => Exit::Done,
    }
}

fn command(cli: Cli) -> Result<Exit, Failed> {
    match cli.command {
        Command::Demo(args) => demo::run(&args),
        Command::Analyze(args) => analyze::run(&args),
        Command::Compare(args) => compare::run(&args),
        Command::Tune(args) => {
            tune::check(&args).and_then(|()| if args.watch { watch::run(&args) } else { tune::once(&args) })
        }
        Command::Check(args) => check::run(&args),
        Command::Predict(args) => predict::run(&args),
        Command::Design(args) => design::run(&args),
        Command::Excite(args) => excite::run(&args),
        Command::Respond(args) => respond::run(&args),
        #[cfg(feature = "live")]
        Command::Measure(args) => measure::run(&args),
        #[cfg(not(feature = "live"))]
        Command::Measure(_) => Err(Failed::usage(WITHOUT_SOUND)),
        Command::Gather(args) => gather::run(&args),
        Command::Completions(args) => Ok(manual::completions(&args)),
        Command::Manual(args) => manual::run(&args),
    }
}

/// A command that ended without results.
pub struct Failed {
    text: String,
    exit: Exit,
}

impl Failed {
    fn usage(text: impl ToString) -> Self {
        Self { text: text.to_string(), exit: Exit::Usage }
    }

    fn nothing(text: impl ToString) -> Self {
        Self { text: text.to_string(), exit: Exit::Nothing }
    }
}

impl From<SessionError> for Failed {
    fn from(error: SessionError) -> Self {
        if error.is_usage() { Self::usage(error) } else { Self::nothing(error) }
    }
}
