//! Where to sit and where to put the loudspeaker: the spot within reach where each resonance to treat is weakest.

use super::alone::to_treat;
use super::content::Content;
use super::listing::{self, number, text};
use super::words::{self, hertz};
use crate::language::{Message, number as value, say, signed};
use crate::room::Enclosure;
use crate::room::seat::{quietest, under_full_db};
use crate::session::Role;
use crate::table::ModeRow;
use maud::{Markup, html};

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
    let heads = [
        text("head.place"),
        number("head.resonance"),
        number("head.under-full"),
        text("head.move-to"),
        number("head.level-change"),
        text("head.rises-most"),
    ];
    let reach = value(REACH_M, 1);
    html! {
        section #moves {
            h2 { (content.text("moves.head")) }
            p { (content.say(&say!("moves.about", m = reach.clone()))) }
            (listing::table(content.language(), &content.say(&say!("moves.table", m = reach)), &heads, &rows))
        }
    }
}

/// The last state of a comparison, or the first of all.
fn rows(content: &Content<'_>) -> Vec<Vec<String>> {
    let state = content.pairs().pop().map(|pair| pair.after).or_else(|| content.states().next());
    let Some(found) = state.and_then(|s| s.resonances.as_ref()) else { return Vec::new() };
    let Some(air) = found.names.fitted() else { return Vec::new() };
    let modes = content.modes_of(state.map_or("", |s| s.name.as_str()));
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
) -> Vec<String> {
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
        content.say(&say!("moves.rises", hz = hz, db = signed(rise, 1)))
    });
    vec![
        content.say(place),
        content.say(&hertz(called_hz[mode])),
        here.map(|db| listing::plain(db, 1)).unwrap_or_default(),
        to,
        found.map(|m| listing::plain(m.change_db, 1)).unwrap_or_default(),
        cost.unwrap_or_default(),
    ]
}
