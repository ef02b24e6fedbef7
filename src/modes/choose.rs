//! Which poles the main fit takes in each window: its own or those that another search came to.

use super::layout::Span;
use super::pole::Pole;
use super::run::{FitRun, Job, Variant};
use super::single::WindowFit;

/// What another set must save, in units of χ²: less is the same minimum, or as good a one.
const WORTH: f64 = 1.0;
/// Poles that stay within this share of δ (and of 1/T) would be refined to the same place.
const SAME: f64 = 0.3;

impl Job<'_> {
    /// A fit with each window made from the poles of that search which costs least there; `None` where the
    /// fit's own do everywhere. A search that takes one pole after another can end beside the best set.
    pub fn best_of(&self, variant: &Variant, main: &FitRun, searches: &[&FitRun]) -> Option<FitRun> {
        let mut best: Option<FitRun> = None;
        for search in searches {
            let now = best.as_ref().unwrap_or(main);
            let differs = |span: &Span| !alike(span, &now.poles, &search.poles, now.seconds());
            if !now.windows.iter().any(|fitted| differs(&fitted.span)) {
                continue;
            }
            let Some(other) = self.instead(variant, now, &search.poles, differs) else { continue };
            if let Some(windows) = cheaper_windows(&now.windows, &other.windows) {
                best = Some(self.gathered(now.records.clone(), windows));
            }
        }
        best
    }
}

/// The cheaper fit of each window; `None` if the first one is everywhere.
fn cheaper_windows(now: &[WindowFit], other: &[WindowFit]) -> Option<Vec<WindowFit>> {
    let cheaper = |now: &WindowFit| {
        let rival = other.iter().find(|fitted| fitted.span == now.span)?;
        (rival.window.cost() < now.window.cost() - WORTH).then(|| rival.clone())
    };
    let rivals: Vec<Option<WindowFit>> = now.iter().map(cheaper).collect();
    let any = rivals.iter().any(Option::is_some);
    any.then(|| {
        rivals.into_iter().zip(now).map(|(rival, now)| rival.unwrap_or_else(|| now.clone())).collect()
    })
}

/// Whether two sets of poles, in rising frequency, are the same in a window within what a fit moves them.
fn alike(span: &Span, a: &[Pole], b: &[Pole], seconds: f64) -> bool {
    let own = |p: &&Pole| span.owns(p);
    let near = |(p, q): (&Pole, &Pole)| p.distance_per_s(q) < SAME * (p.decay_per_s + 1.0 / seconds);
    let count = |set: &[Pole]| set.iter().filter(own).count();
    count(a) == count(b) && a.iter().filter(own).zip(b.iter().filter(own)).all(near)
}
