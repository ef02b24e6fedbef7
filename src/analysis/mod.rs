//! A session and settings become an [`Analysis`]: everything, in parallel.
//!
//! The only place in the library that makes a pool of threads. Work is split over places (a position with a source), then
//! over states; results are collected in order, so the same input gives the same bytes whatever the
//! number of threads. Samples live only while their place is worked on: what stays of a file is its
//! rows and, with modes, its low-frequency record.

mod absorbers;
mod alike;
mod averaged;
mod captured;
mod comparison;
mod copies;
mod crosscheck;
mod faulty_places;
mod files;
mod follow;
mod places;
mod polarity;
mod rates;
mod residual;
mod resonances;
mod second;

use crate::absorber::Tuning;
use crate::change::{Changes, TargetFinding};
use crate::filter::Fraction;
use crate::procedure::{ProcedurePlace, ProcedureState, checks};
use crate::session::Session;
use crate::state::StateResult;
use files::FileRecord;
use rayon::prelude::*;
use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicUsize, Ordering};

pub use absorbers::{setting_facts, tune_states};
pub use averaged::{Averaged, averaged};
pub use comparison::{CompareSettings, TargetKind, compare_states, foretell};
pub use faulty_places::none_fitted;
pub use files::{Failure, FileRecord as File};
pub use follow::{FileStamps, Follower};

/// What to compute.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Settings {
    /// Width of the bands; default one-third octaves.
    pub fraction: Fraction,
    /// Range of the mode tables; `None` leaves modes out. Default 15 to 200 Hz.
    pub modes: Option<ModeRange>,
    /// Whether the fit of modes is tested: refits, hold-out test, overlap; default true. Without, a resonance is called
    /// a mode untested and intervals are those of one fit, in a fraction of the time, as while a folder is followed.
    pub refits: bool,
    /// Threads; default (`None`) one a core. No result depends on it.
    pub jobs: Option<NonZeroUsize>,
}

impl Default for Settings {
    fn default() -> Self {
        Self { fraction: Fraction::Third, modes: Some(ModeRange::default()), refits: true, jobs: None }
    }
}

/// Frequencies between which modes are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModeRange {
    /// Lowest, Hz; at least 5.
    pub from_hz: f64,
    /// Highest, Hz; at most 300, where the low-frequency record that the fit works on stops being flat.
    pub to_hz: f64,
}

impl Default for ModeRange {
    fn default() -> Self {
        Self { from_hz: 15.0, to_hz: 200.0 }
    }
}

/// How the caller takes part while work goes on.
#[derive(Clone, Copy)]
pub struct Control<'a> {
    /// Looked at between steps; once it says true, what is finished is kept and the rest left.
    pub cancelled: &'a (dyn Fn() -> bool + Sync),
    /// Told of each step.
    pub progress: &'a (dyn Fn(&Step) + Sync),
}

impl std::fmt::Debug for Control<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Control").finish_non_exhaustive()
    }
}

impl Default for Control<'_> {
    fn default() -> Self {
        Self { cancelled: &|| false, progress: &|_| {} }
    }
}

/// Where the work stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// What is being done, in a few words.
    pub what: &'static str,
    /// How many are done.
    pub done: usize,
    /// Of how many.
    pub of: usize,
}

/// What a session showed.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Analysis {
    /// The states, in the session's order; one whose files all failed has no places.
    pub states: Vec<StateResult>,
    /// Every audio file, in the session's order.
    pub files: Vec<FileRecord>,
    /// What could not be done.
    pub failures: Vec<Failure>,
    /// What the user should know, in sentences.
    pub warnings: Vec<String>,
    /// The caller asked to stop; what is here was finished before.
    pub interrupted: bool,
}

impl Analysis {
    /// Notes that the run was stopped before its end.
    pub fn mark_interrupted(&mut self) {
        if !self.interrupted {
            self.interrupted = true;
            self.warnings.push(
                "the run was stopped before its end: files not read by then and modes not fitted are missing"
                    .to_owned(),
            );
        }
    }

    /// Whether any place could be read.
    #[must_use]
    pub fn found_anything(&self) -> bool {
        self.states.iter().any(|state| !state.places.is_empty())
    }
}

/// Analyses every state of a session.
///
/// Never fails as a whole: a file that can't be used is a [`Failure`] and the others go on.
#[must_use]
pub fn analyze(session: &Session, settings: &Settings, control: &Control<'_>) -> Analysis {
    in_pool(settings, || run(session, settings, control))
}

/// Does work on as many threads as the settings grant.
fn in_pool<T: Send>(settings: &Settings, work: impl FnOnce() -> T + Send) -> T {
    match rayon::ThreadPoolBuilder::new().num_threads(settings.jobs.map_or(0, NonZeroUsize::get)).build() {
        Ok(pool) => pool.install(work),
        // The system grants no threads: the caller's own does the work, to the same result.
        Err(_) => work(),
    }
}

fn run(session: &Session, settings: &Settings, control: &Control<'_>) -> Analysis {
    let counter = Counter::new("reading files", session.states.iter().map(|s| s.takes.len()).sum(), control);
    let mut read = places::read_all(session, settings, &counter);
    let counter = Counter::new("fitting modes", session.states.len(), control);
    let states: Vec<StateResult> = std::mem::take(&mut read.states)
        .into_par_iter()
        .map(|state| {
            let mut finished = resonances::add(session, state, settings, control);
            finished.checks = state_facts(session, &finished).map(|f| checks(&f)).unwrap_or_default();
            counter.count(1);
            finished
        })
        .collect();
    let mut warnings = session.warnings.clone();
    warnings.extend(states.iter().flat_map(averaging));
    warnings.extend(states.iter().flat_map(|state| state.warnings()));
    warnings.extend(states.iter().flat_map(residual::remarks));
    let mut unknown: Vec<String> =
        states.iter().filter_map(|state| resonances::unknown_room(session, state)).collect();
    unknown.dedup();
    warnings.extend(unknown);
    let mut failures = files::of_session(session);
    failures.extend(files::of_whole_files(read.failures, &read.files));
    let mut found = Analysis { states, files: read.files, failures, warnings, interrupted: false };
    let remarks = faulty_places::remarks(session, &found);
    found.warnings.extend(remarks);
    if (control.cancelled)() {
        found.mark_interrupted();
    }
    found
}

/// What averaging repeats gained, measured, in one sentence a place.
fn averaging(state: &StateResult) -> Vec<String> {
    let gained = state.places.iter().filter_map(|place| Some((place, place.response.averaging_gain?)));
    gained
        .map(|(place, gain)| {
            let (takes, name) = (place.response.files().count(), &place.response.place);
            let decibels = 10.0 * gain.log10();
            format!(
                "{name} in {}: averaging {takes} takes changed the peak-to-noise by {decibels:+.1} dB",
                state.name
            )
        })
        .collect()
}

/// What the procedure checks look at; `None` for a state without places.
#[must_use]
pub fn state_facts<'a>(session: &'a Session, found: &'a StateResult) -> Option<ProcedureState<'a>> {
    let state = session.state(&found.name).filter(|_| !found.places.is_empty())?;
    let places = found.places.iter().map(|place| ProcedurePlace {
        position: &place.response.place.position,
        source: &place.response.place.source,
        takes: place.response.files().count(),
        bands: &place.bands,
        range_hz: place.response.known.map_or((0.0, f64::INFINITY), |known| known.range_hz),
        record_s: place.response.length as f64 / place.response.rate_hz,
        onset_s: place.response.onset_s(),
        flags: Some(&place.response.flags),
        arrival_off_s: place.response.arrival_off_s,
    });
    Some(ProcedureState { session, state, places: places.collect(), expected_t_s: found.middle_t60_s() })
}

/// The places at which two states can be compared, and those that only one of them has.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Partners {
    /// How many both have.
    pub common: usize,
    /// Position and source of each that only one has, that of the state before first.
    pub alone: Vec<(String, String)>,
}

/// Holds the places of two states against each other.
#[must_use]
pub fn partners(before: &StateResult, after: &StateResult) -> Partners {
    let only = |state: &StateResult, other: &StateResult| -> Vec<(String, String)> {
        let alone = state.places.iter().map(|p| &p.response.place).filter(|place| !other.has(place));
        alone.map(|place| (place.position.clone(), place.source.clone())).collect()
    };
    let (only_before, only_after) = (only(before, after), only(after, before));
    let common = before.places.len() - only_before.len();
    Partners { common, alone: [only_before, only_after].concat() }
}

/// Counts finished pieces of work from any thread.
struct Counter<'a> {
    what: &'static str,
    of: usize,
    done: AtomicUsize,
    control: &'a Control<'a>,
}

impl<'a> Counter<'a> {
    fn new(what: &'static str, of: usize, control: &'a Control<'a>) -> Self {
        Self { what, of, done: AtomicUsize::new(0), control }
    }

    fn count(&self, pieces: usize) {
        let done = self.done.fetch_add(pieces, Ordering::Relaxed) + pieces;
        (self.control.progress)(&Step { what: self.what, done, of: self.of });
    }

    fn cancelled(&self) -> bool {
        (self.control.cancelled)()
    }
}

/// All pairs of a comparison.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Comparison {
    /// Index of the baseline in the analysis's states.
    pub before: usize,
    /// Index of each after state, with what changed.
    pub pairs: Vec<(usize, Changes)>,
    /// Index of each state that was compared with the target, with the findings.
    pub targets: Vec<(usize, Vec<TargetFinding>)>,
    /// Tuned absorbers: one entry for each mode that became two poles, or that a unit's label names.
    pub absorbers: Vec<Tuning>,
}
