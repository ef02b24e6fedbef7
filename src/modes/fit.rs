//! From places to a [`ModeSet`].

use super::covariance::{Sensitivity, pole_covariance};
use super::kinds::judge;
use super::layout::Span;
use super::leftover::residual_over_noise;
use super::noise::Shape;
use super::pole::Pole;
use super::record::{Cut, Records};
use super::settings::{FitSettings, Place};
use super::settle::settle;
use super::single::{Answer, Choices, Task, answer, search};
use super::{Amplitude, Kind, Mode, ModeSet};
use crate::flag::{Flag, Flags};
use nalgebra::DMatrix;
use rayon::prelude::*;

/// Poles are fitted this far above the highest frequency reported, so that it has neighbours on both sides.
const BEYOND_HZ: f64 = 12.0;

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
    set.cancelled = settings.cancelled();
    set
}

pub(super) fn pole_of(mode: &Mode) -> Pole {
    Pole { omega_per_s: mode.omega_per_s, decay_per_s: mode.decay_per_s }
}

/// One way of fitting a state.
#[derive(Debug, Clone, Copy)]
struct Attempt {
    cut: Cut,
    choices: Choices,
    /// Whether the background at the record's end weights the bins.
    background: bool,
}

impl Attempt {
    /// The fit whose values are reported.
    const MAIN: Attempt = Attempt { cut: Cut::WHOLE, choices: Choices::USUAL, background: true };

    /// So many of the refits start from the poles of the main fit; the others search from nothing.
    const STARTED: usize = 5;

    /// Other choices that are as good: what they find otherwise, the data don't carry. The set is that
    /// of the trials on measured rooms in docs/accuracy.md; starts and the search matter most.
    const REFITS: [Attempt; 7] = {
        let again = Attempt { choices: Choices::REFIT, ..Self::MAIN };
        [
            Attempt { cut: Cut { later_s: 0.010, keep: 1.0 }, ..again },
            Attempt { cut: Cut { later_s: 0.020, keep: 1.0 }, ..again },
            Attempt { choices: Choices { degree: 4, ..Choices::REFIT }, ..again },
            Attempt { choices: Choices { own_hz: 45.0, at_once: 0, ..Choices::REFIT }, ..again },
            Attempt { cut: Cut { later_s: 0.0, keep: 0.65 }, ..again },
            Attempt {
                cut: Cut { later_s: 0.010, keep: 1.0 },
                choices: Choices { offset_hz: 9.0, ..Choices::REFIT },
                ..again
            },
            Attempt {
                cut: Cut { later_s: 0.005, keep: 1.0 },
                choices: Choices { search_hz: 14.0, ..Choices::REFIT },
                background: false,
                ..again
            },
        ]
    };
}

/// What all attempts share.
struct Job<'a> {
    places: &'a [Place<'a>],
    range_hz: (f64, f64),
    cancelled: &'a (dyn Fn() -> bool + Sync),
}

/// Where an attempt begins.
#[derive(Debug, Clone, Copy)]
enum Start<'a> {
    /// Poles are searched band by band.
    Nothing,
    /// At these poles; the windows follow from them.
    Poles(&'a [Pole]),
    /// At these poles, in given windows.
    Within(&'a [Pole], &'a [Span]),
}

/// What an attempt came to.
struct Fitting {
    set: ModeSet,
    /// Longest record, s.
    seconds: f64,
    /// The windows it was fitted in.
    spans: Vec<Span>,
    /// Its poles, those beyond the range reported among them.
    poles: Vec<Pole>,
    /// Misfit and price of its poles together; comparable between fits of the same records in the same windows.
    cost: f64,
}

/// At most so many other sets of poles are tried against those of the main fit in a round …
const CHALLENGERS: usize = 3;
/// … and in so many rounds: single draws of one position at 60 and 80 dB needed the second.
const ROUNDS: usize = 2;
/// Poles that stay within this share of δ (and of 1/T) would settle to the same place.
const SAME: f64 = 0.1;

impl Job<'_> {
    /// Fits once; `None` where no place has a record for it.
    fn attempt(&self, attempt: &Attempt, start: Start<'_>) -> Option<Fitting> {
        let records = Records::new(self.places, attempt.cut);
        if records.records.is_empty() {
            return None;
        }
        let used: Vec<&Place<'_>> = records.records.iter().map(|r| &self.places[r.place]).collect();
        let shape = if attempt.background { Shape::of_background(&used) } else { Shape::default() };
        let (from, to) = self.range_hz;
        let task = Task {
            range_hz: (from, (to + BEYOND_HZ).min(records.top_hz())),
            shape: &shape,
            choices: attempt.choices,
            cancelled: self.cancelled,
        };
        let found = match start {
            Start::Nothing => search(&records, &task),
            Start::Poles(poles) | Start::Within(poles, _) => poles.to_vec(),
        };
        let spans = match start {
            Start::Within(_, spans) => spans.to_vec(),
            Start::Nothing | Start::Poles(_) => task.windows(&found),
        };
        let answers = answer(&records, &task, &spans, &found);
        let mut set = empty(self.places);
        collect(&mut set, self.places, &records, &answers, to);
        set.residual_over_noise = residual_over_noise(self.places, &records, &answers);
        let own =
            |a: &Answer| a.window.fit.poles.iter().filter(|p| a.span.owns(p)).copied().collect::<Vec<_>>();
        let poles = answers.iter().flat_map(own).collect();
        let cost = answers.iter().map(|a| a.window.cost()).sum();
        Some(Fitting { set, seconds: records.seconds(), spans, poles, cost })
    }

    /// Refits in other ways: those with a start at the main fit's poles, the rest from nothing.
    fn refits(&self, main: &Fitting, attempts: &[Attempt]) -> Vec<Option<Fitting>> {
        let start: Vec<Pole> = main.set.modes.iter().map(pole_of).collect();
        let from = |i: usize| if i < Attempt::STARTED { Start::Poles(&start) } else { Start::Nothing };
        attempts.par_iter().enumerate().map(|(i, attempt)| self.attempt(attempt, from(i))).collect()
    }

    /// Refits, and the main fit made from their poles where that costs less: a search that takes one pole
    /// after another can end beside the best set, and the refits know of others.
    ///
    /// A fit that lost counts as a refit from then on, and the refit whose poles won no longer: a choice
    /// is no witness for itself.
    fn best_of(&self, main: &mut Fitting) -> Vec<Fitting> {
        let mut refits = self.refits(main, &Attempt::REFITS);
        let mut tried = vec![main.poles.clone()];
        for _ in 0..ROUNDS {
            let Some((source, better)) = self.challenge(main, &refits, &mut tried) else { break };
            let before = std::mem::replace(main, better);
            // Those that search from nothing stand; the others start where this fit stands.
            let anew = self.refits(main, &Attempt::REFITS[..Attempt::STARTED]);
            refits[source] = None;
            refits.splice(..Attempt::STARTED, anew);
            refits.push(Some(before));
        }
        refits.into_iter().flatten().collect()
    }

    /// The cheapest fit from poles of a refit that weren't tried yet, and which refit that was; `None` if
    /// none is cheaper than the main fit.
    fn challenge(
        &self,
        main: &Fitting,
        refits: &[Option<Fitting>],
        tried: &mut Vec<Vec<Pole>>,
    ) -> Option<(usize, Fitting)> {
        let mut sets: Vec<(usize, Vec<Pole>)> = Vec::new();
        // Those that searched from nothing come last and know most.
        for (source, refit) in refits.iter().enumerate().rev() {
            let Some(refit) = refit else { continue };
            let mut poles: Vec<Pole> = refit.set.modes.iter().map(pole_of).collect();
            poles.extend(main.poles.iter().filter(|p| p.frequency_hz() > self.range_hz.1));
            if sets.len() < CHALLENGERS && !tried.iter().any(|set| alike(set, &poles, main.seconds)) {
                tried.push(poles.clone());
                sets.push((source, poles));
            }
        }
        let fits: Vec<Option<Fitting>> = sets
            .par_iter()
            .map(|(_, poles)| self.attempt(&Attempt::MAIN, Start::Within(poles, &main.spans)))
            .collect();
        let fits = sets.iter().zip(fits).filter_map(|((source, _), fit)| Some((*source, fit?)));
        fits.min_by(|a, b| a.1.cost.total_cmp(&b.1.cost)).filter(|(_, fit)| fit.cost < main.cost)
    }
}

/// Whether two sets of poles, in rising frequency, are the same within what a fit moves them.
fn alike(a: &[Pole], b: &[Pole], seconds: f64) -> bool {
    let near = |(p, q): (&Pole, &Pole)| p.distance_per_s(q) < SAME * (p.decay_per_s + 1.0 / seconds);
    a.len() == b.len() && a.iter().zip(b).all(near)
}

fn empty(places: &[Place<'_>]) -> ModeSet {
    ModeSet {
        places: places.iter().map(|p| (p.position.clone(), p.source.clone())).collect(),
        file_rates_hz: places.iter().map(|p| p.file_rate_hz).collect(),
        ..ModeSet::default()
    }
}

/// Takes each window's own poles with their joint covariance into the set, in rising frequency.
fn collect(set: &mut ModeSet, places: &[Place<'_>], records: &Records, answers: &[Answer], to_hz: f64) {
    let mut blocks: Vec<DMatrix<f64>> = Vec::new();
    for answer in answers {
        let window = &answer.window;
        let poles = &window.fit.poles;
        let Some(covariance) = pole_covariance(window) else { continue };
        let mut own: Vec<usize> = (0..poles.len())
            .filter(|j| answer.span.owns(&poles[*j]) && poles[*j].frequency_hz() <= to_hz)
            .collect();
        own.sort_by(|a, b| poles[*a].omega_per_s.total_cmp(&poles[*b].omega_per_s));
        let amplitudes = amplitudes(places, records, answer, &covariance, &own);
        for (j, amplitudes) in own.iter().zip(amplitudes) {
            set.modes.push(mode(places, &poles[*j], &covariance, *j, amplitudes));
        }
        blocks.push(DMatrix::from_fn(2 * own.len(), 2 * own.len(), |r, c| {
            covariance[(2 * own[r / 2] + r % 2, 2 * own[c / 2] + c % 2)]
        }));
    }
    set.covariance = block_diagonal(&blocks);
}

fn mode(
    places: &[Place<'_>],
    pole: &Pole,
    covariance: &DMatrix<f64>,
    j: usize,
    amplitudes: Vec<Option<Amplitude>>,
) -> Mode {
    let mut flags = Flags::default();
    if places.iter().any(|p| p.emission_s.is_none()) {
        flags.add(Flag::NoTimeBase);
    }
    Mode {
        kind: Kind::Unsure,
        omega_per_s: pole.omega_per_s,
        decay_per_s: pole.decay_per_s,
        omega_sd_per_s: covariance[(2 * j, 2 * j)].sqrt(),
        decay_sd_per_s: covariance[(2 * j + 1, 2 * j + 1)].sqrt(),
        amplitudes,
        flags,
    }
}

/// Amplitudes of a window's own poles at all places, brought to the emission (or, without one, the own onset).
fn amplitudes(
    places: &[Place<'_>],
    records: &Records,
    answer: &Answer,
    covariance: &DMatrix<f64>,
    own: &[usize],
) -> Vec<Vec<Option<Amplitude>>> {
    let window = &answer.window;
    let poles = &window.fit.poles;
    let mut all = vec![vec![None; places.len()]; own.len()];
    for (group, fit) in window.problem.groups.iter().zip(&window.fit.projection.groups) {
        let Some(sensitivity) = Sensitivity::new(group, fit, poles) else { continue };
        for (m, index) in group.places.iter().enumerate() {
            let record = &records.records[*index];
            let place = &places[record.place];
            let origin_s = place.emission_s.unwrap_or(place.onset_s);
            for (row, j) in all.iter_mut().zip(own) {
                let variance = window.variances[*index];
                let earlier_s = record.start_s - origin_s;
                let value = sensitivity.amplitude(fit, poles, covariance, (*j, m), variance, earlier_s);
                row[record.place] = Some(value);
            }
        }
    }
    all
}

fn block_diagonal(blocks: &[DMatrix<f64>]) -> Vec<f64> {
    let size: usize = blocks.iter().map(DMatrix::nrows).sum();
    let mut whole = DMatrix::zeros(size, size);
    let mut at = 0;
    for block in blocks {
        whole.view_mut((at, at), block.shape()).copy_from(block);
        at += block.nrows();
    }
    whole.as_slice().to_vec()
}
