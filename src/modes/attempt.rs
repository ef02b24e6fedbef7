//! One fit of a state from start to end, and the other ways in which it is made.

use super::ModeSet;
use super::collect::{collect, empty};
use super::layout::Span;
use super::leftover::residual_over_noise;
use super::noise::Shape;
use super::pole::Pole;
use super::record::{Cut, Records};
use super::settings::Place;
use super::single::{Answer, Choices, Task, answer, answer_or_keep, revisit, search};

/// Poles are fitted this far above the highest frequency reported, so that it has neighbours on both sides.
const BEYOND_HZ: f64 = 12.0;

/// One way of fitting a state.
#[derive(Debug, Clone, Copy)]
pub(super) struct Attempt {
    pub cut: Cut,
    pub choices: Choices,
    /// Whether the background at the record's end weights the bins.
    pub background: bool,
}

impl Attempt {
    /// The fit whose values are reported.
    pub const MAIN: Attempt = Attempt { cut: Cut::WHOLE, choices: Choices::USUAL, background: true };

    /// The fit as it would be from a later start, with a higher polynomial, narrower windows, a shorter record: choices
    /// that are as good, begun at the poles of the main fit. How far they move a value tells what the data carry
    /// beside the noise. The set is that of the trials on measured rooms in docs/accuracy.md.
    pub const AGAIN: [Attempt; 5] = {
        let again = Attempt { choices: Choices::REFIT, ..Self::MAIN };
        [
            Attempt { cut: Cut { later_s: 0.010, ..Cut::WHOLE }, ..again },
            Attempt { cut: Cut { later_s: 0.020, ..Cut::WHOLE }, ..again },
            Attempt { choices: Choices { degree: 4, ..Choices::REFIT }, ..again },
            Attempt { choices: Choices { own_hz: 45.0, at_once: 0, ..Choices::REFIT }, ..again },
            Attempt { cut: Cut { keep: 0.65, ..Cut::WHOLE }, ..again },
        ]
    };

    /// A fit that searches for its poles anew, from a later start in other bands.
    pub const ANEW: Attempt = Attempt {
        cut: Cut { later_s: 0.010, ..Cut::WHOLE },
        choices: Choices { offset_hz: 9.0, ..Choices::REFIT },
        background: true,
    };

    /// The same in records that end at `until_s` after the onset, the noise's spectrum taken from the residual alone.
    pub const fn early(until_s: f64) -> Attempt {
        Attempt {
            cut: Cut { later_s: 0.005, keep: 1.0, until_s },
            choices: Choices { search_hz: 14.0, weighs_first: true, ..Choices::REFIT },
            background: false,
        }
    }
}

/// What all attempts share.
pub(super) struct Job<'a> {
    pub places: &'a [Place<'a>],
    pub range_hz: (f64, f64),
    pub cancelled: &'a (dyn Fn() -> bool + Sync),
}

/// What an attempt came to.
#[derive(Debug, Clone)]
pub(super) struct Fitting {
    /// The resonances.
    pub set: ModeSet,
    /// The records it was made from.
    pub records: Records,
    /// The windows it was fitted in, with what was found there.
    pub answers: Vec<Answer>,
    /// Its poles, those beyond the range reported among them, in rising frequency.
    pub poles: Vec<Pole>,
}

impl Fitting {
    /// Longest record, s.
    pub fn seconds(&self) -> f64 {
        self.records.seconds()
    }
}

impl Job<'_> {
    /// Fits once, searching for the poles from nothing; `None` where no place has a record for it.
    pub fn attempt(&self, attempt: &Attempt) -> Option<Fitting> {
        self.attempt_beside(attempt, &[])
    }

    /// The same beside the residual terms of an earlier fit.
    pub fn attempt_beside(&self, attempt: &Attempt, earlier: &[Answer]) -> Option<Fitting> {
        self.with_records(attempt, |records, task| {
            let found = search(records, task);
            answer(records, task, &task.windows(&found), &found, earlier)
        })
    }

    /// A fit from other poles in the windows it has; windows in which `differs` says no are kept as they are.
    pub fn instead(
        &self,
        attempt: &Attempt,
        main: &Fitting,
        poles: &[Pole],
        differs: impl Fn(&Span) -> bool + Sync,
    ) -> Option<Fitting> {
        self.with_records(attempt, |records, task| {
            answer_or_keep(records, task, &main.answers, poles, differs)
        })
    }

    /// The main fit made again in another way from where it ended: its poles and residual terms, a few steps.
    pub fn again(&self, attempt: &Attempt, main: &Fitting) -> Option<Fitting> {
        self.with_records(attempt, |records, task| revisit(records, task, &main.answers, &main.poles))
    }

    fn with_records(
        &self,
        attempt: &Attempt,
        fit: impl FnOnce(&Records, &Task<'_>) -> Vec<Answer>,
    ) -> Option<Fitting> {
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
        let answers = fit(&records, &task);
        Some(self.gathered(records, answers))
    }

    /// One set of resonances from what the windows found.
    pub fn gathered(&self, records: Records, answers: Vec<Answer>) -> Fitting {
        let mut set = empty(self.places);
        collect(&mut set, self.places, &records, &answers, self.range_hz.1);
        set.unfitted_hz.extend(gaps(&answers, self.range_hz));
        set.unfitted_hz.sort_by(|a, b| a.0.total_cmp(&b.0));
        set.residual_over_noise = residual_over_noise(self.places, &records, &answers);
        let mut poles: Vec<Pole> = answers.iter().flat_map(Answer::own_poles).collect();
        poles.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
        Fitting { set, records, answers, poles }
    }
}

/// Parts of the range for which no window answers, Hz.
fn gaps(answers: &[Answer], (from_hz, to_hz): (f64, f64)) -> Vec<(f64, f64)> {
    let mut missing = Vec::new();
    let mut reached = from_hz;
    for span in answers.iter().map(|answer| answer.span) {
        if span.owns_from_hz > reached {
            missing.push((reached, span.owns_from_hz.min(to_hz)));
        }
        reached = reached.max(span.owns_to_hz);
    }
    if reached < to_hz {
        missing.push((reached, to_hz));
    }
    missing
}
