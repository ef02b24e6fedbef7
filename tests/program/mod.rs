//! The program run as its users run it: how it ends, what it says, and the tables that it leaves.

mod job;
mod rows;

use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

pub use job::{Job, contents, response};
pub use rows::{Row, number, rows, rows_of, value};

/// How a run ended and what it said.
pub struct Run {
    /// −1 where a signal ended it.
    pub status: i32,
    pub out: String,
    pub err: String,
}

impl Run {
    /// What went to standard output of a run that has to succeed.
    #[track_caller]
    pub fn succeeded(self) -> String {
        assert_eq!(self.status, 0, "{}{}", self.out, self.err);
        self.out
    }
}

/// The program in a folder, without colours; it is given nothing to read, and what it says is kept.
pub fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stillroom"));
    command.current_dir(folder).env("NO_COLOR", "1").args(arguments);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

pub fn run(folder: &Path, arguments: &[&str]) -> Run {
    ended(&program(folder, arguments).output().expect("the program runs"))
}

/// A run that is killed after so many seconds: one that hangs fails its test and keeps no other waiting.
pub fn run_within(seconds: u64, folder: &Path, arguments: &[&str]) -> Run {
    let mut command = assert_cmd::Command::from_std(program(folder, arguments));
    ended(&command.timeout(Duration::from_secs(seconds)).output().expect("the program runs"))
}

pub fn ended(output: &Output) -> Run {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Run { status: output.status.code().unwrap_or(-1), out: text(&output.stdout), err: text(&output.stderr) }
}

/// Words in one line: they are looked for across the breaks that a screen makes for the eye.
pub fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
