//! Single takes of a state, fitted from the poles found for the state: they show how well it repeats.

use super::collect::{empty, pole_of};
use super::pole::Pole;
use super::refits::widen_by_refits;
use super::residual::residual_over_noise;
use super::run::Job;
use super::settings::{FitSettings, Place};
use super::{Kind, Mode, ModeSet};

/// A take's pole this far from the state's is another one: in units of the state's decay constant and of 1/T.
const TAKE_SAME: f64 = 0.5;

/// Fits one take of some of a state's places, beginning at the state's poles instead of a search of its own, so that
/// takes differ by what is in them and not by what two searches came upon.
///
/// Intervals are widened by refits as the state's are, without those that search anew. A resonance near one of kind
/// [`Kind::Mode`] in the state is of that kind; the others are `Unsure`.
#[must_use]
pub fn fit_take(places: &[Place<'_>], settings: &FitSettings<'_>, state: &ModeSet) -> ModeSet {
    let cancelled = || settings.cancelled();
    let job = Job::new(places, settings.range_hz(), &cancelled);
    let poles: Vec<Pole> = state.modes.iter().map(pole_of).collect();
    let Some(run) = job.run_from(&poles) else { return empty(places) };
    let again = if settings.refits { job.all_again(&run) } else { Vec::new() };
    let seconds = run.seconds();
    let mut set = job.set_of(&run);
    set.residual_over_noise = residual_over_noise(places, &run.records, &run.windows);
    widen_by_refits(&mut set, &again, &[], &[]);
    for mode in &mut set.modes {
        mode.kind = if claimed_in(state, mode, seconds) { Kind::Mode } else { Kind::Unsure };
    }
    set.cancelled = settings.cancelled();
    set
}

/// Whether the state's nearest pole is a mode, and near enough to be this one.
fn claimed_in(state: &ModeSet, mode: &Mode, seconds: f64) -> bool {
    let own = pole_of(mode);
    let apart = |other: &&Mode| pole_of(other).distance_per_s(&own);
    let nearest = state.modes.iter().min_by(|a, b| apart(a).total_cmp(&apart(b)));
    nearest.is_some_and(|m| m.kind == Kind::Mode && apart(&m) < TAKE_SAME * (m.decay_per_s + 1.0 / seconds))
}
