//! Ctrl-C: the first asks the work to end and keep what is finished, the second ends at once.

use super::exit::INTERRUPTED;
use std::sync::atomic::{AtomicBool, Ordering};

static STOP: AtomicBool = AtomicBool::new(false);

/// Starts listening. Without a handler the run still works, it is only stopped the hard way.
pub fn listen() {
    let _ = ctrlc::set_handler(|| {
        if STOP.swap(true, Ordering::SeqCst) {
            std::process::exit(i32::from(INTERRUPTED));
        }
    });
}

/// Whether the user asked to stop.
pub fn asked() -> bool {
    STOP.load(Ordering::SeqCst)
}
