//! One fit of a state from start to end, and the other ways in which it may be made.

use super::ModeSet;
use super::collect::{collect, empty};
use super::layout::Span;
use super::leftover::residual_over_noise;
use super::noise::Shape;
use super::pole::Pole;
use super::record::{Cut, Records};
use super::settings::Place;
use super::single::{Answer, Choices, Task, answer, search};

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

    /// So many of the refits start from the poles of the main fit; the others search from nothing.
    pub const STARTED: usize = 5;

    /// Other choices that are as good: what they find otherwise, the data don't carry. The set is that
    /// of the trials on measured rooms in docs/accuracy.md; starts and the search matter most.
    pub const REFITS: [Attempt; 7] = {
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
                choices: Choices { search_hz: 14.0, weighs_first: true, ..Choices::REFIT },
                background: false,
            },
        ]
    };
}

/// What all attempts share.
pub(super) struct Job<'a> {
    pub places: &'a [Place<'a>],
    pub range_hz: (f64, f64),
    pub cancelled: &'a (dyn Fn() -> bool + Sync),
}

/// Where an attempt begins.
#[derive(Debug, Clone, Copy)]
pub(super) enum Start<'a> {
    /// Poles are searched band by band.
    Nothing,
    /// At these poles; the windows follow from them.
    Poles(&'a [Pole]),
    /// At these poles, in given windows.
    Within(&'a [Pole], &'a [Span]),
}

/// What an attempt came to.
pub(super) struct Fitting {
    /// The resonances.
    pub set: ModeSet,
    /// Longest record, s.
    pub seconds: f64,
    /// The windows it was fitted in.
    pub spans: Vec<Span>,
    /// Its poles, those beyond the range reported among them.
    pub poles: Vec<Pole>,
    /// Misfit and price of its poles together; comparable between fits of the same records in the same windows.
    pub cost: f64,
}

impl Job<'_> {
    /// Fits once; `None` where no place has a record for it.
    pub fn attempt(&self, attempt: &Attempt, start: Start<'_>) -> Option<Fitting> {
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
}
