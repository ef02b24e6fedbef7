//! Where to sit and where to put the loudspeaker: the spot within reach where each resonance to treat is weakest.

use super::alone::to_treat;
use super::content::Content;
use super::listing::{self, Row, number, text};
use super::words::{self, hertz};
use crate::language::{Message, number as value, say, signed};
use crate::modes::ModeSet;
use crate::room::seat::{quietest, under_full_db};
use crate::room::{AirMode, Enclosure};
use crate::session::Role;
use crate::table::ModeRow;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// How far a seat or a loudspeaker may move, m: an arm's length and a chair's.
const REACH_M: f64 = 0.5;
/// Resonances that are looked at.
const MODES: usize = 6;
/// A change under this isn't worth moving for, dB: our own bound.
const LEAST_DB: f64 = 1.0;

/// The section; nothing where the room isn't known, no resonance has a name, or nothing is placed.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows = rows(content);
    if rows.is_empty() {
        return html! {};
    }
    let reach = value(REACH_M, 1);
    html! {
        section #moves {
            h2 { (content.text("moves.head")) }
            p { (content.say(&say!("moves.about", m = reach.clone()))) }
            (listing::table(content.language(), &content.say(&say!("moves.table", m = reach)), &rows))
        }
    }
}

/// The last state of a comparison, or the first of all.
fn rows(content: &Content<'_>) -> Vec<Row> {
    let state = content.pairs().pop().map(|pair| pair.after).or_else(|| content.states().next());
    let Some(found) = state.and_then(|s| s.resonances.as_ref()) else { return Vec::new() };
    let Some(mut air) = found.names.fitted() else { return Vec::new() };
    let modes = content.modes_of(state.map_or("", |s| s.name.as_str()));
    // Above what the report tells of single resonances none is named as the price.
    if let Some(limit_hz) = limit_hz(content, &found.set) {
        let measured_hz = |row: &&ModeRow| {
            let (stated, index) = content.listed(row)?;
            Some((stated.modes[index].to_string(), row.frequency.ok()?.value))
        };
        let known: BTreeMap<String, f64> = modes.iter().filter_map(measured_hz).collect();
        let hz = |mode: &AirMode| known.get(&mode.to_string()).copied().unwrap_or(mode.frequency_hz);
        air.modes.retain(|mode| hz(mode) <= limit_hz);
    }
    let named = |row: &ModeRow| {
        let (stated, index) = content.listed(row)?;
        let name = stated.modes[index].to_string();
        let own = air.modes.iter().position(|mode| mode.to_string() == name)?;
        Some((row.frequency.ok()?.value, own))
    };
    // A mode is called by its measured frequency, as everywhere in the report; by the fitted room's where it was not seen.
    let mut called_hz: Vec<f64> = air.modes.iter().map(|mode| mode.frequency_hz).collect();
    modes.iter().filter_map(|row| named(row)).for_each(|(hz, own)| called_hz[own] = hz);
    let wanted: Vec<usize> = to_treat(&modes, MODES).into_iter().filter_map(|r| Some(named(r)?.1)).collect();
    let mut rows = Vec::new();
    for (place, at_m) in placed(content) {
        rows.extend(wanted.iter().map(|mode| line(content, &air, &called_hz, (&place, at_m), *mode)));
    }
    rows
}

/// Up to where the report tells of single resonances.
fn limit_hz(content: &Content<'_>, set: &ModeSet) -> Option<f64> {
    let compared = content.pairs().pop().and_then(|pair| pair.changes.counted.as_ref().map(|c| c.up_to_hz));
    compared.or(set.single_modes_to_hz)
}

/// Listening positions and loudspeakers that the manifest places.
fn placed(content: &Content<'_>) -> Vec<(Message, [f64; 3])> {
    let seats = content.session.positions.iter().filter(|p| p.role == Role::Listening);
    let seats = seats.filter_map(|p| Some((words::place(&p.name, ""), p.at_m?)));
    let sources = content.session.sources.iter();
    let sources = sources.filter_map(|s| Some((say!("moves.loudspeaker", name = s.name.as_str()), s.at_m?)));
    seats.chain(sources).collect()
}

fn line(
    content: &Content<'_>,
    air: &Enclosure,
    called_hz: &[f64],
    (place, at_m): (&Message, [f64; 3]),
    mode: usize,
) -> Row {
    let here = under_full_db(air, mode, at_m);
    let found = quietest(air, mode, at_m, REACH_M).filter(|m| m.change_db <= -LEAST_DB);
    let to = match (&found, here) {
        (Some(found), _) => {
            content.say(&Message::row(found.to_m.map(|m| Message::plain(value(m, 2))).to_vec(), " "))
        }
        (None, Some(_)) => content.text("moves.stay"),
        (None, None) => content.text("moves.weak"),
    };
    let cost = found.as_ref().and_then(|m| m.cost).map(|(other, rise)| {
        let hz = hertz(called_hz[other]);
        content.say(&say!("moves.rises", hz = hz, db = signed(rise, 0)))
    });
    vec![
        (text("head.place"), content.say(place)),
        (number("head.resonance"), content.say(&hertz(called_hz[mode]))),
        (number("head.under-full"), here.map(|db| listing::plain(db, 0)).unwrap_or_default()),
        (text("head.move-to"), to),
        (number("head.level-change"), found.map(|m| listing::plain(m.change_db, 0)).unwrap_or_default()),
        (text("head.rises-most"), cost.unwrap_or_default()),
    ]
}
