//! From places to a [`ModeSet`].

use super::ModeSet;
use super::attempt::{Attempt, Fitting, Job, Start};
use super::collect::empty;
use super::kinds::judge;
use super::overlap::widen_overlapping;
use super::settings::{FitSettings, Place};
use super::settle::settle;

/// Fits the resonances that all places share.
///
/// Every place takes part whose record is finite and at least 0.12 s long from its onset; the others
/// have no amplitudes. Without places, or without poles that stand out of the noise, the set is empty.
/// The same input gives the same set on any number of threads. Never panics.
#[must_use]
pub fn fit(places: &[Place<'_>], settings: &FitSettings<'_>) -> ModeSet {
    let cancelled = || settings.cancelled();
    let job = Job { places, range_hz: settings.range_hz(), cancelled: &cancelled };
    let Some(mut main) = job.attempt(&Attempt::MAIN, Start::Nothing) else { return empty(places) };
    if settings.refits {
        let refits = job.best_of(&mut main);
        settle(&mut main.set, &refits.into_iter().map(|fit| fit.set).collect::<Vec<_>>());
    }
    let Fitting { mut set, seconds, .. } = main;
    for mode in &mut set.modes {
        judge(mode, seconds);
    }
    if settings.refits {
        // What is claimed was judged by what the fits say; where modes run together even they say too much.
        widen_overlapping(&mut set, seconds);
    }
    set.cancelled = settings.cancelled();
    set
}
