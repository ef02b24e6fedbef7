//! From places to a [`ModeSet`].

use super::covariance::{Sensitivity, pole_covariance};
use super::kinds::judge;
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
    let Some((mut set, seconds)) = job.attempt(&Attempt::MAIN, &[]) else { return empty(places) };
    if settings.refits {
        let start: Vec<Pole> = set.modes.iter().map(pole_of).collect();
        let refits: Vec<Option<ModeSet>> = Attempt::REFITS
            .par_iter()
            .map(|attempt| job.attempt(attempt, &start).map(|(set, _)| set))
            .collect();
        settle(&mut set, &refits.into_iter().flatten().collect::<Vec<_>>());
    }
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
    /// Whether poles are searched from nothing rather than from those of the main fit.
    from_nothing: bool,
    /// Whether the background at the record's end weights the bins.
    background: bool,
}

impl Attempt {
    /// The fit whose values are reported.
    const MAIN: Attempt =
        Attempt { cut: Cut::WHOLE, choices: Choices::USUAL, from_nothing: true, background: true };

    /// Other choices that are as good: what they find otherwise, the data don't carry. The set is that
    /// of the trials on measured rooms in docs/accuracy.md; starts and the search matter most.
    const REFITS: [Attempt; 7] = {
        let again = Attempt { from_nothing: false, ..Self::MAIN };
        [
            Attempt { cut: Cut { later_s: 0.010, keep: 1.0 }, ..again },
            Attempt { cut: Cut { later_s: 0.020, keep: 1.0 }, ..again },
            Attempt { choices: Choices { degree: 4, ..Choices::USUAL }, ..again },
            Attempt { choices: Choices { own_hz: 45.0, at_once: 0, ..Choices::USUAL }, ..again },
            Attempt { cut: Cut { later_s: 0.0, keep: 0.65 }, ..again },
            Attempt {
                cut: Cut { later_s: 0.010, keep: 1.0 },
                choices: Choices { offset_hz: 9.0, ..Choices::USUAL },
                ..Self::MAIN
            },
            Attempt {
                cut: Cut { later_s: 0.005, keep: 1.0 },
                choices: Choices { search_hz: 14.0, ..Choices::USUAL },
                background: false,
                ..Self::MAIN
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

impl Job<'_> {
    /// Fits once, with the length of the record in seconds; `None` where no place has a record for it.
    fn attempt(&self, attempt: &Attempt, start: &[Pole]) -> Option<(ModeSet, f64)> {
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
        let found = if attempt.from_nothing { search(&records, &task) } else { start.to_vec() };
        let answers = answer(&records, &task, &found);
        let mut set = empty(self.places);
        collect(&mut set, self.places, &records, &answers, to);
        set.residual_over_noise = residual_over_noise(self.places, &records, &answers);
        Some((set, records.seconds()))
    }
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
