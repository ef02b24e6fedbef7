//! What the measurement did not show: as much a part of the answer as what it did.

use super::content::{Content, Pair, frequency};
use super::rich::said;
use super::words::hertz;
use crate::flag::Flag;
use crate::language::{Message, Value, number, say};
use crate::session::Role;
use crate::table::ChangeRow;
use maud::{Markup, html};

/// The list, on the first sheet.
pub(super) fn not_shown(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    let mut items: Vec<Message> = Vec::new();
    match pairs.last() {
        Some(pair) => items.extend(of_pair(pair)),
        None => items.push(say!("limits.not-compared")),
    }
    items.extend(of_measurement(content));
    html! {
        div.not-shown {
            h3 { (content.text("limits.head")) }
            ul { @for item in items { li { (said(content.language(), &item)) } } }
        }
    }
}

fn of_pair(pair: &Pair<'_>) -> Vec<Message> {
    let mut items = Vec::new();
    items.extend(undecided(pair));
    if let Some(limit) = above(pair) {
        items.push(say!("limits.above", hz = hertz(limit)));
    }
    let with = |flag: Flag| pair.rows.iter().any(|row| row.flags.has(flag));
    if with(Flag::ChainAsStated) {
        items.push(say!("limits.chain-as-stated"));
    }
    if pair.changes.chain.gain.is_none() {
        items.push(say!("limits.gain-unknown"));
    }
    if with(Flag::RepeatabilityUnknown) {
        items.push(say!("limits.no-repeats"));
    }
    if pair.changes.chain.moved_loudspeaker {
        items.push(say!("limits.moved-loudspeaker"));
    }
    let moved: Vec<String> = pair.changes.chain.moved_microphones.iter().map(|m| m.0.clone()).collect();
    if !moved.is_empty() {
        items.push(say!("limits.moved-microphone", places = moved));
    }
    let exchanged: Vec<String> = pair.changes.chain.exchanged_files.iter().map(|m| m.0.clone()).collect();
    if !exchanged.is_empty() {
        items.push(say!("limits.exchanged-files", places = exchanged));
    }
    items.push(say!("limits.cause"));
    items
}

/// Where the sentence on the modes stops counting, if resonances lie above.
fn above(pair: &Pair<'_>) -> Option<f64> {
    let limit = pair.changes.counted.as_ref()?.up_to_hz;
    pair.rows.iter().any(|row| row.mode.is_some() && frequency(row) > limit).then_some(limit)
}

/// Undecided modes of those that the sentence counts: up to where it does, and above what a unit stands at.
fn undecided(pair: &Pair<'_>) -> Vec<Message> {
    let of_before: Vec<&ChangeRow> = pair.rows.iter().filter(|row| row.mode.is_some()).copied().collect();
    let Some(counted) = &pair.changes.counted else {
        let unsure = of_before.iter().any(|row| row.verdict == "unsure");
        return unsure.then(|| say!("limits.undecided-all", n = of_before.len())).into_iter().collect();
    };
    let within = |row: &&ChangeRow| frequency(row) <= counted.up_to_hz;
    let open = |row: &&ChangeRow| index(row).is_some_and(|index| counted.undecided.contains(&index));
    let n = of_before.iter().filter(|row| within(row)).count();
    let (unsure, at_unit): (Vec<&ChangeRow>, Vec<&ChangeRow>) =
        of_before.into_iter().filter(open).partition(within);
    let mut items = Vec::new();
    if !unsure.is_empty() {
        let (count, to) = (number(unsure.len() as f64, 0), hertz(counted.up_to_hz));
        let list = first_to_treat(pair, unsure);
        items.push(say!("limits.undecided", unsure = count, n = n, to = to, list = list));
    }
    if !at_unit.is_empty() {
        items.push(say!("limits.undecided-at-unit", n = at_unit.len(), list = first_to_treat(pair, at_unit)));
    }
    items
}

/// Place of a row's mode in the before state's list of resonances.
pub(super) fn index(row: &ChangeRow) -> Option<usize> {
    usize::try_from(row.mode?).ok()?.checked_sub(1)
}

/// Those to treat first by name, the others counted.
fn first_to_treat(pair: &Pair<'_>, mut rows: Vec<&ChangeRow>) -> Message {
    rows.sort_by_key(|row| pair.priority(row));
    let named: Vec<Message> = rows.iter().take(4).map(|row| hertz(frequency(row))).collect();
    let more = rows.len() - named.len();
    if more > 0 {
        say!("list.more", items = Message::row(named, ", "), more = number(more as f64, 0))
    } else {
        Message::plain(Value::from(named))
    }
}

fn of_measurement(content: &Content<'_>) -> Vec<Message> {
    let mut items = Vec::new();
    let seats = content.session.positions.iter().filter(|p| p.role == Role::Listening).count();
    items.push(match seats {
        0 => say!("limits.no-seats"),
        n => say!("limits.other-places", n = n),
    });
    if content.results.settings.with_modes {
        items.push(say!("limits.below-100"));
    } else {
        items.push(say!("limits.bands-only"));
    }
    if !content.found.failures.is_empty() {
        items.push(say!("limits.failures", n = content.found.failures.len()));
    }
    items
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::change::{ChainFindings, Changes, Counted};
    use crate::flag::Flags;
    use crate::state::StateResult;

    pub(in crate::report) fn row(mode: u32, hz: f64, verdict: &'static str) -> ChangeRow {
        ChangeRow {
            before_state: "empty".into(),
            after_state: "treated".into(),
            mode: Some(mode),
            after_mode: None,
            before_hz: Some(hz),
            after_hz: None,
            before_t60: None,
            after_t60: None,
            t60_change: None,
            before_ring_s: None,
            after_ring_s: None,
            ring_change: None,
            level_change: None,
            shape_match: None,
            verdict,
            reason: Message::default(),
            flags: Flags::default(),
        }
    }

    fn items(rows: &[ChangeRow], counted: Option<Counted>) -> Vec<String> {
        let changes = Changes {
            modes: Vec::new(),
            positions: Vec::new(),
            bands: Vec::new(),
            chain: ChainFindings::default(),
            frequency_factor: None,
            worst_seat: None,
            summary: Message::default(),
            counted,
            band_summary: Message::default(),
        };
        let state = StateResult::new("empty", None);
        let pair = Pair {
            before: &state,
            after: &state,
            changes: &changes,
            rows: rows.iter().collect(),
            positions: Vec::new(),
            modes_before: Vec::new(),
            modes_after: Vec::new(),
        };
        undecided(&pair).iter().map(ToString::to_string).collect()
    }

    /// Those that the tally holds stand in the list and no others: of two without a verdict above what is told only the
    /// one that a unit stands at.
    #[test]
    fn the_undecided_modes_of_the_tally_are_listed() {
        let rows = [
            row(1, 33.0, "shorter"),
            row(2, 44.0, "unsure"),
            row(4, 55.0, "unchanged"),
            row(5, 97.0, "unsure"),
            row(6, 99.0, "unsure"),
        ];
        let counted = |undecided: &[usize]| {
            let undecided = undecided.to_vec();
            Some(Counted { shorter: 1, longer: 0, as_before: 1, undecided, others: 0, up_to_hz: 55.0 })
        };
        let within = "What became of 1 of 3 resonances up to 55.0 Hz (44.0 Hz): this measurement can’t say; the table tells \
                      why for each.";
        let at_unit =
            "What became of 97.0 Hz, where the unit stands: this measurement can’t say; the table tells why.";
        assert_eq!(items(&rows, counted(&[1])), [within]);
        assert_eq!(items(&rows, counted(&[1, 4])), [within, at_unit]);
        assert_eq!(items(&rows, counted(&[4])), [at_unit]);
        assert!(items(&rows, counted(&[])).is_empty());
        let all = "What became of any of the 5 resonances found: this measurement can’t say; the table tells why for each.";
        assert_eq!(items(&rows, None), [all]);
    }
}
