//! Decay of a small room's low-frequency resonances, from impulse responses to a before/after verdict.
//!
//! Session → Recording → Response → BandDecay, ModeSet → StateResult → Changes → tables, report
//!
//! 1. [`session`] reads a folder: states of the room, positions, takes. No audio yet.
//! 2. [`recording`] reads one channel of a file, or one of the responses that [`layout`] finds in it: finite samples,
//!    what was mended, what looks wrong.
//! 3. [`response`] averages the takes of one position and source (a source–receiver path; the code says *place*) into one
//!    response, with its onset and time base, and keeps its low-frequency record (below 300 Hz, decimated to about 2 kHz)
//!    for the mode fit.
//! 4. [`decay`] runs the class 1 filters of [`filter`] backwards and integrates (ISO 3382): T20, T30, EDT,
//!    clarity, each an [`estimate::Reading`].
//! 5. [`modes`] fits poles −δ ± iω that all paths of a state share, with a residue (complex amplitude) at each path.
//!    - *The fit*: at given poles residues are solved for (variable projection), then the poles are moved.
//!    - *How many poles*: they are added as long as each raises the likelihood by more than noise alone would.
//!    - *The interval*: T60 = 3 ln 10/δ. Its standard deviation comes from the Fisher information, widened by the scatter
//!      of refits with other choices, again where modes overlap, and last, where a capture record states it, by the
//!      uncertainty of playback over recording clock (`analysis::captured`).
//!    - *The kind*: a resonance is a *mode*, that is, attributed to the room, only if the refits find it again and poles
//!      fitted to the first part of the decay predict the next part there. The others are *unsure*, *hum* or *loudspeaker*.
//!      Where [`Settings::refits`] is false, as while a folder is followed, neither is tested.
//!
//!    `analysis::resonances` calls the fit, `table::gather` makes a row of `modes.csv` of each resonance; the module's
//!    page has the model and the steps.
//! 6. [`room`] names modes by those of the room as stated, [`criterion`] compares them with audibility thresholds,
//!    [`procedure`] compares the measurement with its standards, and judges a visit while it lasts (`check`): how small a
//!    change will show comes from [`change`] for modes, from [`decay`] for bands.
//! 7. [`change`] pairs the modes of two states and gives each a verdict. Where a tuned unit works on a mode, [`absorber`]
//!    fits mode and unit jointly to both states, and the comparison is run again with that result (T60 after may
//!    then be the joint fit's and differ from `modes.csv`); `absorber` also says what to change about the unit.
//! 8. [`analysis`] runs all of this in parallel, in its own pool of threads: the one stage that knows the others. It
//!    collects one [`state::StateResult`] for each state: responses, bands, modes with names and priorities, checks.
//! 9. [`table`] and [`output`] write it down; [`report`] makes the page, with what [`curves`] draws from the records.
//!    No result is rounded before that, and none is in decibels but for sentences, settings and fields named `_db`:
//!    those of [`capture`], [`recovery`] and [`excitation`], of the faults of a [`recording`], and of `room::seat`.
//!
//! Before something is built, [`design`] says from the room's and a unit's own numbers what it will do.
//! Around it: [`excitation`] makes test signals, [`recovery`] turns their recordings into responses,
//! [`capture`] keeps what was learnt of the take beside each, [`measure`] does all three live, a take at a time,
//! [`demo`] writes an invented session whose truth is known,
//! [`archive`] puts the results of many sessions into one set of tables.
//!
//! Reasons and verdicts are [`language::Message`]s, which the report puts into its reader's language; warnings are
//! English.
//!
//! A reading is a value with its standard deviation, or the [`flag::Flag`] that says why the data carry
//! none: no stage returns a number that it cannot stand behind. Inside: seconds, hertz (poles: rad/s and 1/s), linear
//! pressure.
//! Equal input gives equal bytes on one machine for any number of threads.
//!
//! ```
//! use stillroom::analysis::ModeRange;
//! use stillroom::{CompareSettings, Control, OpenOptions, Settings, analyze, compare_states, demo, open};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let job = tempfile::tempdir()?;
//! demo::write(job.path())?; // a cellar room, before and after a tuned absorber came in
//! let session = open(&[job.path().to_owned()], &OpenOptions::default())?;
//!
//! let mut settings = Settings::default();
//! settings.modes = Some(ModeRange { from_hz: 28.0, to_hz: 70.0 });
//! let found = analyze(&session, &settings, &Control::default());
//! let mode = found.states[0].resonances.iter().flat_map(|r| &r.set.modes).next().ok_or("no mode")?;
//! let (frequency, t60) = (mode.frequency(), mode.t60());
//! assert!((frequency.value - 33.2).abs() < 0.1 && (t60.value - 1.70).abs() < 0.03, "{t60:?}");
//!
//! let asked = CompareSettings::new("empty", vec!["absorber".to_owned()]);
//! let compared = compare_states(&session, &found, &settings, &asked, &Control::default()).ok_or("nothing to compare")?;
//! let (_, changes) = &compared.pairs[0];
//! // 33.2 Hz rings 37 % shorter; of the other 2 … (over the default range, with more neighbours fitted, 36 %)
//! println!("{}", changes.summary);
//! assert_eq!(changes.modes[0].verdict.word(), "shorter");
//! # Ok(()) }
//! ```
//!
//! The stable surface is what stands at this page's root below, the tables' columns and the schema of
//! `results.json`; the modules are public to be read and tested, and may change with any version.

// Tests may say that they were skipped.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod absorber;
pub mod analysis;
pub mod archive;
pub mod capture;
pub mod change;
pub mod criterion;
pub mod curves;
pub mod decay;
pub mod demo;
pub mod design;
#[cfg(test)]
mod draws;
pub mod estimate;
pub mod excitation;
pub mod filter;
pub mod flag;
pub mod language;
pub mod layout;
mod matching;
mod mean;
pub mod measure;
pub mod modes;
mod oscillation;
pub mod output;
pub mod procedure;
pub mod recording;
pub mod recovery;
pub mod report;
pub mod response;
pub mod room;
pub mod session;
mod spectrum;
pub mod state;
pub mod table;

pub use analysis::{Analysis, CompareSettings, Comparison, Control, Settings, analyze, compare_states};
pub use session::{OpenOptions, Session, open};
