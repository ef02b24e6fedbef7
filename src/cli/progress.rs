//! A line on stderr while work takes long; nothing when stderr is no terminal.

use anstream::eprint;
use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};
use stillroom::analysis::Step;

/// Time between two changes of the line.
const BETWEEN: Duration = Duration::from_millis(100);

/// Columns that the line may take up, and that are wiped after it.
const CLEAR: usize = 79;

/// Characters of the bar.
const WIDTH: usize = 24;

/// The line; it appears with the first step that comes late enough to be worth one.
pub struct Bar {
    shown: bool,
    start: Instant,
    /// When the line was last written.
    last: Mutex<Instant>,
}

impl Bar {
    /// Starts the clock.
    pub fn new(quiet: bool) -> Self {
        let start = Instant::now();
        Self { shown: !quiet && std::io::stderr().is_terminal(), start, last: Mutex::new(start) }
    }

    /// Shows where the work stands.
    pub fn show(&self, step: &Step) {
        if !self.shown {
            return;
        }
        // A thread that panicked while it held the lock left a whole instant behind.
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        if last.elapsed() >= BETWEEN {
            *last = Instant::now();
            eprint!("\r{:<CLEAR$}", line(step, self.start.elapsed()));
        }
    }

    /// Takes the line off the screen.
    pub fn clear(&self) {
        if self.shown {
            eprint!("\r{:CLEAR$}\r", "");
        }
    }
}

/// `reading files          ########................  12/36  4 s`
fn line(step: &Step, elapsed: Duration) -> String {
    let full = (WIDTH * step.done).checked_div(step.of).unwrap_or(0).min(WIDTH);
    let bar = "#".repeat(full) + &".".repeat(WIDTH - full);
    format!("{:<22} {bar} {:>4}/{}  {} s", step.what, step.done, step.of, elapsed.as_secs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_fills_and_fits_a_terminal() {
        let line = |done, of| line(&Step { what: "reading files", done, of }, Duration::from_secs(4));
        assert!(line(0, 36).contains(&".".repeat(WIDTH)));
        assert!(line(18, 36).contains("#............"));
        assert!(line(36, 36).contains(&"#".repeat(WIDTH)));
        assert!(line(0, 0).contains(&".".repeat(WIDTH)));
        assert!(line(99_999, 99_999).len() < 80);
    }
}
