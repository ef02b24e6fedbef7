//! How a run ended, as the number that a script reads.

use std::process::ExitCode;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All done; warnings and flags change nothing.
    Done,
    /// Nothing could be done.
    Nothing,
    /// Wrong usage, or a manifest that can't be read as one.
    Usage,
    /// Done, but an input was refused or a listed state is missing.
    Partial,
    /// Stopped by the user; what was finished is kept.
    Interrupted,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Done => 0,
            Exit::Nothing => 1,
            Exit::Usage => 2,
            Exit::Partial => 3,
            Exit::Interrupted => INTERRUPTED,
        })
    }
}

/// 128 + SIGINT, as shells count it.
pub const INTERRUPTED: u8 = 130;
