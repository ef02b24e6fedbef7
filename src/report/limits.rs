//! What the measurement did not show: as much a part of the answer as what it did.

use super::content::{Content, Pair, frequency};
use super::words::{counted, hertz, joined, shown};
use crate::change::Verdict;
use crate::flag::Flag;
use crate::session::Role;
use maud::{Markup, html};

/// The list, on the first sheet.
pub(super) fn not_shown(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    let mut items: Vec<String> = Vec::new();
    match pairs.last() {
        Some(pair) => items.extend(of_pair(pair)),
        None => items.push(
            "Whether any treatment helps: only one state of the room was looked at, or none was compared."
                .into(),
        ),
    }
    items.extend(of_measurement(content));
    html! {
        div.not-shown {
            h3 { "What this does not show" }
            ul { @for item in items { li { bdi { (shown(&item)) } } } }
        }
    }
}

fn of_pair(pair: &Pair<'_>) -> Vec<String> {
    let mut items = Vec::new();
    items.extend(undecided(pair));
    let with = |flag: Flag| pair.rows.iter().any(|row| row.flags.has(flag));
    if with(Flag::ChainAsStated) {
        items.push("Whether the measuring chain stayed the same could not be seen in the data for every resonance; there the report leans on what was stated.".into());
    }
    if pair.changes.chain.gain.is_none() {
        items.push("Loudness before and after can’t be compared: the gain of the measuring chain between the states is not known.".into());
    }
    if with(Flag::RepeatabilityUnknown) {
        items.push("What opening a door or replacing a microphone alone does: not every place was measured twice in a state.".into());
    }
    if pair.changes.chain.moved_loudspeaker {
        items.push("What the room did to loudness: the loudspeaker seems to have moved.".into());
    }
    let moved: Vec<String> = pair.changes.chain.moved_microphones.iter().map(|m| m.0.clone()).collect();
    if !moved.is_empty() {
        items.push(format!("Loudness at {}: the microphone seems to have moved.", joined(&moved)));
    }
    items.push("What caused a change: everything that differed between the states counts, furniture, doors and people too.".into());
    items
}

/// Undecided modes, those to treat first by name.
fn undecided(pair: &Pair<'_>) -> Option<String> {
    let mut unsure: Vec<_> = pair.rows.iter().filter(|r| r.verdict == "unsure").collect();
    unsure.sort_by_key(|row| pair.priority(row));
    if unsure.is_empty() {
        return None;
    }
    let named: Vec<String> = unsure.iter().take(4).map(|row| hertz(frequency(row))).collect();
    let more = unsure.len() - named.len();
    let list = if more > 0 { format!("{} and {more} more", named.join(", ")) } else { joined(&named) };
    Some(format!(
        "What became of {} of {} resonances ({list}): the table says for each what would settle it.",
        pair.count(Verdict::Unsure),
        pair.rows.iter().filter(|r| r.mode.is_some()).count()
    ))
}

fn of_measurement(content: &Content<'_>) -> Vec<String> {
    let mut items = Vec::new();
    let seats = content.session.positions.iter().filter(|p| p.role == Role::Listening).count();
    items.push(match seats {
        0 => "Which places are seats: none is marked as one, so all places count alike.".into(),
        n => format!("Any place but those measured ({} among them).", counted(n, "listening place")),
    });
    if content.results.settings.with_modes {
        items.push("Below 100 Hz no standard says how to measure a decay; those numbers rest on this program’s own method.".into());
    } else {
        items.push("The resonances: this run looked at bands only.".into());
    }
    if !content.found.failures.is_empty() {
        items.push(format!(
            "{} could not be used; see the end of this report.",
            counted(content.found.failures.len(), "input")
        ));
    }
    items
}
