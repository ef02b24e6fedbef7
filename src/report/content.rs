//! What a report is made from, and the rows of a before/after pair picked out of it.

use super::rich::{name, rich};
use super::words::{half_waves, shown};
use crate::analysis::{Analysis, Comparison};
use crate::change::Changes;
use crate::language::{Language, Message, say};
use crate::room::Enclosure;
use crate::session::Session;
use crate::state::StateResult;
use crate::table::{BandRow, ChangeRow, ModeRow, PositionChangeRow, Results};
use maud::Markup;

/// Everything that a report shows.
#[derive(Debug, Clone, Copy)]
pub struct Content<'a> {
    /// The session.
    pub session: &'a Session,
    /// What its states showed.
    pub found: &'a Analysis,
    /// What became of the modes, where states were compared.
    pub compared: Option<&'a Comparison>,
    /// All that was found and compared, as the tables' rows.
    pub results: &'a Results,
}

/// A baseline and one state compared with it.
#[derive(Clone)]
pub(super) struct Pair<'a> {
    /// The baseline.
    pub before: &'a StateResult,
    /// The state after.
    pub after: &'a StateResult,
    /// What changed.
    pub changes: &'a Changes,
    /// Rows of `changes.csv`.
    pub rows: Vec<&'a ChangeRow>,
    /// Rows of `position_changes.csv`.
    pub positions: Vec<&'a PositionChangeRow>,
    /// Rows of `modes.csv` before.
    pub modes_before: Vec<&'a ModeRow>,
    /// Rows of `modes.csv` after.
    pub modes_after: Vec<&'a ModeRow>,
}

impl<'a> Content<'a> {
    /// The page's language.
    pub(super) fn language(&self) -> &'a Language {
        &self.session.language
    }

    /// The range of maps over frequency, Hz.
    pub(super) fn mapped_hz(&self) -> (f64, f64) {
        let settings = &self.results.settings;
        (settings.modes_from_hz.max(20.0).min(0.9 * settings.modes_to_hz), settings.modes_to_hz)
    }

    /// A sentence without values.
    pub(super) fn text(&self, key: &'static str) -> String {
        self.language().text(key)
    }

    /// A message as a sentence, with what may stand in a page.
    pub(super) fn say(&self, message: &Message) -> String {
        shown(&self.language().say(message)).into_owned()
    }

    /// A sentence with markup in it.
    pub(super) fn rich(&self, key: &str, values: &[(&str, Markup)]) -> Markup {
        rich(self.language(), key, None, values)
    }

    /// Title of the job: the manifest's, or else the folder's name.
    pub(super) fn title(&self) -> &'a str {
        self.session.title.as_deref().unwrap_or(&self.session.name)
    }

    /// The pairs of the comparison, in order.
    pub(super) fn pairs(&self) -> Vec<Pair<'a>> {
        let (Some(compared), Some(tables)) = (self.compared, &self.results.comparison) else {
            return Vec::new();
        };
        let states = &self.found.states;
        let Some(before) = states.get(compared.before) else { return Vec::new() };
        let pair = |(index, changes): &'a (usize, Changes)| {
            let after = states.get(*index)?;
            let mine = |state: &str| state == after.name;
            Some(Pair {
                before,
                after,
                changes,
                rows: tables.changes.iter().filter(|r| mine(&r.after_state)).collect(),
                positions: tables.position_changes.iter().filter(|r| mine(&r.after_state)).collect(),
                modes_before: self.modes_of(&before.name),
                modes_after: self.modes_of(&after.name),
            })
        };
        compared.pairs.iter().filter_map(pair).collect()
    }

    /// Rows of `modes.csv` of a state.
    pub(super) fn modes_of(&self, state: &str) -> Vec<&'a ModeRow> {
        self.results.modes.iter().filter(|row| &*row.state == state).collect()
    }

    /// Rows of `bands.csv` of a state's average: over listening places where there is one, else over
    /// all, else of the only place.
    pub(super) fn average_of(&self, state: &str) -> Vec<&'a BandRow> {
        let at = |position: Option<&str>| -> Vec<&'a BandRow> {
            let rows = self.results.bands.iter().filter(|row| &*row.state == state);
            rows.filter(|row| position.is_none_or(|p| &*row.position == p)).collect()
        };
        let average = at(Some("*"));
        if average.is_empty() { at(None) } else { average }
    }

    /// The room's mode that a row of `modes.csv` is taken for: the room and the mode's place in its list.
    pub(super) fn listed(&self, row: &ModeRow) -> Option<(&'a Enclosure, usize)> {
        let state = self.found.states.iter().find(|state| *state.name == *row.state)?;
        let names = &state.resonances.as_ref()?.names;
        let index = usize::try_from(row.mode).ok()?.checked_sub(1)?;
        Some((names.air.as_ref()?, names.modes.get(index)?.listed?))
    }

    /// "2 × length, 1 × height", or in a room that is no box "between the long walls"; `None` without a name.
    pub(super) fn stands(&self, row: &ModeRow) -> Option<Message> {
        let of_plan = self.listed(row).and_then(|(air, index)| Some(air.modes[index].standing?.message()));
        of_plan.or_else(|| half_waves(&row.axes))
    }

    /// States that have places.
    pub(super) fn states(&self) -> impl Iterator<Item = &'a StateResult> {
        self.found.states.iter().filter(|state| !state.places.is_empty())
    }
}

/// Level of a resonance at a place before, dB, where it was seen.
pub(super) fn level_before(at: &PositionChangeRow) -> Option<f64> {
    at.before_level_db.ok()
}

/// The largest of them; below all numbers for none.
pub(super) fn loudest_before<'r>(places: impl Iterator<Item = &'r PositionChangeRow>) -> f64 {
    places.filter_map(level_before).fold(f64::NEG_INFINITY, f64::max)
}

impl<'a> Pair<'a> {
    /// By how many decibels the chain's gain rose; 0 where that isn't known.
    pub(super) fn gain_db(&self) -> f64 {
        self.changes.chain.gain.map_or(0.0, |gain| 20.0 * gain.value.log10())
    }

    /// Names of both states, for sentences with markup.
    pub(super) fn names(&self) -> [(&'static str, Markup); 2] {
        [("before", name(&self.before.name)), ("after", name(&self.after.name))]
    }

    /// A sentence with the names of both states.
    pub(super) fn say(&self, key: &'static str) -> Message {
        say!(key, before = self.before.name.as_str(), after = self.after.name.as_str())
    }

    /// The row of `modes.csv` before that a change is about.
    pub(super) fn mode_before(&self, row: &ChangeRow) -> Option<&'a ModeRow> {
        self.modes_before.iter().find(|mode| Some(mode.mode) == row.mode).copied()
    }

    /// The row of `modes.csv` after that a change is about.
    pub(super) fn mode_after(&self, row: &ChangeRow) -> Option<&'a ModeRow> {
        self.modes_after.iter().find(|mode| Some(mode.mode) == row.after_mode).copied()
    }

    /// Rank of treatment of a change's mode: the baseline's, or for a new one the after state's.
    pub(super) fn priority(&self, row: &ChangeRow) -> u32 {
        let mode = self.mode_before(row).or_else(|| self.mode_after(row));
        mode.and_then(|mode| mode.priority).unwrap_or(u32::MAX)
    }

    /// The rows that matter, at most `most`, in rising frequency: what rings otherwise, the largest change first, then what
    /// else changed, two to treat first of those that the data can't decide, and those to treat first of the rest.
    pub(super) fn that_matter(&self, most: usize) -> Vec<&'a ChangeRow> {
        let of = |wanted: fn(&str) -> bool| -> Vec<&'a ChangeRow> {
            let mut rows: Vec<&ChangeRow> = self.rows.iter().copied().filter(|r| wanted(r.verdict)).collect();
            rows.sort_by_key(|row| self.priority(row));
            rows
        };
        let ranked = |row: &&ChangeRow| self.priority(row) != u32::MAX;
        let mut unsure = of(|v| v == "unsure").into_iter().filter(ranked);
        let mut rows = of(|v| !matches!(v, "unchanged" | "unsure"));
        rows.sort_by(|a, b| rings_otherwise(b).total_cmp(&rings_otherwise(a)));
        rows.truncate(most.saturating_sub(2));
        rows.extend(unsure.by_ref().take(2));
        rows.extend(of(|v| v == "unchanged").into_iter().filter(ranked).chain(unsure));
        rows.truncate(most);
        rows.sort_by(|a, b| frequency(a).total_cmp(&frequency(b)));
        rows
    }
}

/// By how much a mode rings otherwise, in nepers of its T60; 0 for one that changed in level only.
fn rings_otherwise(row: &ChangeRow) -> f64 {
    match row.verdict {
        "gone" => f64::INFINITY,
        "shorter" | "longer" => {
            let change = [row.ring_change, row.t60_change].into_iter().flatten().find_map(Result::ok);
            change.map_or(0.0, |percent| (1.0 + percent.value / 100.0).ln().abs())
        }
        _ => 0.0,
    }
}

/// Frequency of a change: before, or for a new mode after.
pub(super) fn frequency(row: &ChangeRow) -> f64 {
    row.before_hz.or(row.after_hz).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::limits::tests::row;
    use crate::table::Interval;

    /// What was treated for comes first, though no threshold ranks it: the largest change of ringing.
    #[test]
    fn the_largest_change_of_ringing_comes_first() {
        let changed = |mode, verdict, percent: f64| ChangeRow {
            ring_change: Some(Ok(Interval { value: percent, low: percent - 1.0, high: percent + 1.0 })),
            ..row(mode, 30.0, verdict)
        };
        let sizes =
            [("shorter", -72.0), ("longer", 30.0), ("shorter", -5.0), ("level-only", -80.0), ("gone", 0.0)];
        let mut rows: Vec<ChangeRow> =
            (1..).zip(sizes).map(|(k, (v, percent))| changed(k, v, percent)).collect();
        rows.sort_by(|a, b| rings_otherwise(b).total_cmp(&rings_otherwise(a)));
        assert_eq!(rows.iter().map(|row| row.mode.unwrap()).collect::<Vec<_>>(), [5, 1, 2, 3, 4]);
    }
}
