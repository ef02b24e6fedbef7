//! The search for poles in narrow bands.

use super::gain::Candidates;
use super::joint_fit::Task;
use super::pole::Pole;
use super::record::Records;
use super::window::Window;
use super::windows::{Span, spans};
use rayon::prelude::*;

/// Finds poles from nothing, band by band.
pub(crate) fn search(records: &Records, task: &Task<'_>) -> Vec<Pole> {
    let own = task.choices.search_hz;
    let bands = spans(task.range_hz, own, 0.5 * own, task.choices.offset_hz);
    let found: Vec<Vec<Pole>> = bands.par_iter().map(|band| search_band(records, task, band)).collect();
    let mut poles = found.concat();
    poles.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
    without_twins(poles, records.seconds())
}

fn search_band(records: &Records, task: &Task<'_>, band: &Span) -> Vec<Pole> {
    let limits = (band.fits_from_hz, band.fits_to_hz.min(records.top_hz()));
    let Some(problem) = records.problem(limits, task.choices.terms(), task.noise) else {
        return Vec::new();
    };
    let candidates = Candidates::new(&problem, limits.0, limits.1);
    let Some(mut window) = Window::new(problem, &[]) else { return Vec::new() };
    window.grow(&candidates, 2, task.cancelled);
    window.prune(task.cancelled);
    window.fit.poles.iter().filter(|p| band.owns(p)).copied().collect()
}

/// Leaves out the second of two poles that neighbouring bands found on either side of their seam.
fn without_twins(poles: Vec<Pole>, seconds: f64) -> Vec<Pole> {
    let mut kept: Vec<Pole> = Vec::with_capacity(poles.len());
    for pole in poles {
        let twin = kept.last().is_some_and(|last| {
            let near = 0.3 * last.decay_per_s.min(pole.decay_per_s) + 0.3 / seconds;
            last.distance_per_s(&pole) < near
        });
        if !twin {
            kept.push(pole);
        }
    }
    kept
}
