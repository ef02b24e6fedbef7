//! Which poles the main fit keeps in each window: its own or those of another search, whichever has the lower criterion.

use super::joint_fit::WindowFit;
use super::pole::Pole;
use super::run::{FitRun, Job, Variant};
use super::windows::Span;

/// Least decrease of the criterion (`Window::cost`, in units of χ²) for which another set of poles is adopted; a smaller
/// one means the same minimum or an equivalent one.
const WORTH: f64 = 1.0;
/// Poles that stay within this share of δ (and of 1/T) would be refined to the same place.
const RIVAL_SAME: f64 = 0.3;

impl Job<'_> {
    /// The fit with the poles, in each window, of the search whose criterion is lowest there; `None` if the fit's own are
    /// everywhere. A search that adds one pole after another can miss the best set.
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
                best = Some(FitRun::new(now.records.clone(), windows));
            }
        }
        best
    }
}

/// For each window the fit with the lower criterion; `None` if that is the first one everywhere.
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
    let near = |(p, q): (&Pole, &Pole)| p.distance_per_s(q) < RIVAL_SAME * (p.decay_per_s + 1.0 / seconds);
    let count = |set: &[Pole]| set.iter().filter(own).count();
    count(a) == count(b) && a.iter().filter(own).zip(b.iter().filter(own)).all(near)
}
