//! A bar on stderr while work takes long; nothing when stderr is no terminal.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::time::Duration;
use stillroom::analysis::Step;

/// The bar.
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar that appears with the first step.
    pub fn new(quiet: bool) -> Self {
        let target = if quiet { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        let bar = ProgressBar::with_draw_target(Some(0), target);
        if let Ok(style) = ProgressStyle::with_template("{msg:<22} {bar:30} {pos}/{len}  {elapsed}") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(200));
        Self(bar)
    }

    /// Shows where the work stands.
    pub fn show(&self, step: &Step) {
        self.0.set_message(step.what);
        self.0.set_length(step.of as u64);
        self.0.set_position(step.done as u64);
    }

    /// Takes the bar off the screen.
    pub fn clear(&self) {
        self.0.finish_and_clear();
    }
}
