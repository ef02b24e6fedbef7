//! Questions to who stands beside the loudspeaker.

use super::super::{interrupt, screen};
use std::io::BufRead;
use std::sync::Mutex;
use std::sync::OnceLock;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

/// Lines of standard input, read by a thread of their own: Ctrl-C ends a question that waits.
static LINES: OnceLock<Mutex<Receiver<String>>> = OnceLock::new();

fn lines() -> &'static Mutex<Receiver<String>> {
    LINES.get_or_init(|| {
        let (to, from) = channel();
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if to.send(line).is_err() {
                    return;
                }
            }
        });
        Mutex::new(from)
    })
}

/// Asks; the answer without blanks around it. `None` where nobody answers any more, or Ctrl-C.
pub fn ask(question: &str) -> Option<String> {
    screen::print(format_args!("{question} "));
    // Flushes; a terminal that went away is noticed at the end.
    let _ = screen::lost();
    let lines = lines().lock().ok()?;
    loop {
        if interrupt::asked() {
            return None;
        }
        match lines.recv_timeout(Duration::from_millis(100)) {
            Ok(line) => return Some(line.trim().to_owned()),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return None,
        }
    }
}
