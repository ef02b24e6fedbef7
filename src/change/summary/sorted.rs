//! The modes of a comparison, sorted once: the sentence names and counts them by group, and so does the report's tally.

use super::super::outcome::{Counted, ModeChange, Ratio, Verdict};
use super::super::verdict::T60_MARGIN;
use crate::flag::Flag;

/// A mode's change counts as told for the range of the sentence if half its interval is at most this. No source.
const TOLD: f64 = 0.25;

/// What the sentence does with each mode of before; each group in the order of all modes, none in two of them.
#[derive(Debug, Default)]
pub(super) struct Sorted<'a> {
    all: &'a [ModeChange],
    /// Named: it rings shorter.
    pub shorter: Vec<&'a ModeChange>,
    /// Named: nothing is left of it.
    pub gone: Vec<&'a ModeChange>,
    /// Named: it rings longer.
    pub longer: Vec<&'a ModeChange>,
    /// Named without a verdict: its decay changed beyond doubt, but not whether the room did it.
    pub unless_chain: Vec<&'a ModeChange>,
    /// Named without a verdict: a unit stands at it.
    pub at_unit: Vec<&'a ModeChange>,
    /// The others, up to `limit_hz`.
    pub within: Vec<&'a ModeChange>,
    /// The others above it; all of them where there is none.
    pub above: Vec<&'a ModeChange>,
    /// The highest mode of which something is told: a verdict, or how far its decay can have changed.
    pub limit_hz: Option<f64>,
}

impl<'a> Sorted<'a> {
    /// Sorts; `at_units`: modes before that a unit stands at.
    pub fn new(all: &'a [ModeChange], at_units: &[usize]) -> Self {
        let told = |m: &&ModeChange| {
            m.verdict != Verdict::Unsure || moved_untold(m) || (m.before.is_some() && is_told(m))
        };
        let limit_hz = all.iter().filter(told).map(hz).reduce(f64::max);
        let mut sorted = Self { all, limit_hz, ..Self::default() };
        for mode in all {
            let group = match (mode.verdict, mode.before) {
                (Verdict::Shorter, _) => &mut sorted.shorter,
                (Verdict::Gone, _) => &mut sorted.gone,
                (Verdict::Longer, _) => &mut sorted.longer,
                (_, None) => continue,
                _ if moved_untold(mode) => &mut sorted.unless_chain,
                (Verdict::Unsure, Some(own)) if at_units.contains(&own) => &mut sorted.at_unit,
                _ if limit_hz.is_some_and(|limit_hz| hz(mode) <= limit_hz) => &mut sorted.within,
                _ => &mut sorted.above,
            };
            group.push(mode);
        }
        sorted
    }

    /// Whether any is named, so that the rest are "the others".
    pub fn names_some(&self) -> bool {
        [&self.shorter, &self.gone, &self.longer, &self.unless_chain, &self.at_unit]
            .into_iter()
            .any(|group| !group.is_empty())
    }

    /// All with a verdict, those that only the after state has among them.
    pub fn of(&self, verdict: Verdict) -> impl Iterator<Item = &'a ModeChange> {
        self.all.iter().filter(move |mode| mode.verdict == verdict)
    }

    /// What the sentence counts; `None` where it tells of no single mode.
    pub fn counted(&self) -> Option<Counted> {
        let unsure = self.within.iter().filter(|mode| mode.verdict == Verdict::Unsure);
        let undecided = self.unless_chain.iter().chain(&self.at_unit).chain(unsure);
        let mut undecided: Vec<usize> = undecided.filter_map(|mode| mode.before).collect();
        undecided.sort_unstable();
        Some(Counted {
            shorter: self.shorter.len() + self.gone.len(),
            longer: self.longer.len(),
            as_before: self.within.iter().filter(|mode| as_before(mode)).count(),
            undecided,
            others: self.of(Verdict::Chain).filter(|mode| !is_level_by_chain(mode)).count()
                + self.of(Verdict::New).count(),
            up_to_hz: self.limit_hz?,
        })
    }
}

/// Whether it is single and its decay known well enough.
pub(super) fn is_told(mode: &ModeChange) -> bool {
    let single = !mode.flags.has(Flag::Overlapping);
    single && known(mode).is_some_and(|r| r.high - r.low <= 2.0 * TOLD)
}

/// Whether its decay changed beyond doubt, but not whether the room did it.
fn moved_untold(mode: &ModeChange) -> bool {
    let untold = mode.verdict == Verdict::Unsure && mode.flags.has(Flag::ChainUntold);
    untold && mode.before.is_some() && mode.ringing().is_some_and(Ratio::excludes_one)
}

/// Whether it is shown to ring as before.
pub(super) fn as_before(mode: &ModeChange) -> bool {
    matches!(mode.verdict, Verdict::Unchanged | Verdict::LevelOnly) || is_level_by_chain(mode)
}

/// Whether the measuring chain changed its level, and its decay is shown to be as before.
pub(super) fn is_level_by_chain(mode: &ModeChange) -> bool {
    let within = |r: Ratio| !r.excludes_one() && r.low >= 1.0 - T60_MARGIN && r.high <= 1.0 + T60_MARGIN;
    mode.verdict == Verdict::Chain && known(mode).is_some_and(within)
}

/// The change of its T60, where that is known.
pub(super) fn known(mode: &ModeChange) -> Option<Ratio> {
    mode.t60_ratio?.ok()
}

/// Its frequency before, of one that only the after state has after.
pub(super) fn hz(mode: &ModeChange) -> f64 {
    mode.before_values.or(mode.after_values).map_or(0.0, |v| v.frequency_hz)
}
