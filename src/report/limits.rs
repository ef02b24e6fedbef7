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
    items.push(say!("limits.cause"));
    items
}

/// Where the sentence on the modes stops counting, if resonances lie above.
fn above(pair: &Pair<'_>) -> Option<f64> {
    let limit = pair.changes.counted?.up_to_hz;
    pair.rows.iter().any(|row| row.mode.is_some() && frequency(row) > limit).then_some(limit)
}

/// Undecided modes of those that the sentence counts, those to treat first by name.
fn undecided(pair: &Pair<'_>) -> Option<Message> {
    let counted = pair.changes.counted;
    let counts = |row: &&&ChangeRow| {
        row.mode.is_some() && counted.is_none_or(|counted| frequency(row) <= counted.up_to_hz)
    };
    let mut unsure: Vec<_> = pair.rows.iter().filter(counts).filter(|r| r.verdict == "unsure").collect();
    unsure.sort_by_key(|row| pair.priority(row));
    if unsure.is_empty() {
        return None;
    }
    let named: Vec<Message> = unsure.iter().take(4).map(|row| hertz(frequency(row))).collect();
    let more = unsure.len() - named.len();
    let list = if more > 0 {
        say!("list.more", items = Message::row(named, ", "), more = number(more as f64, 0))
    } else {
        Message::plain(Value::from(named))
    };
    let n = pair.rows.iter().filter(counts).count();
    let Some(counted) = counted else { return Some(say!("limits.undecided-all", n = n)) };
    let (unsure, to) = (number(unsure.len() as f64, 0), hertz(counted.up_to_hz));
    Some(say!("limits.undecided", unsure = unsure, n = n, to = to, list = list))
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
