//! The seat where treatment did least, unless all fare alike.

use super::content::{Content, Pair, frequency, level_before, loudest_before};
use super::limits::index;
use super::rich::said;
use super::words::{self, NULL_DB, hertz};
use crate::change::{Ratio, Seat};
use crate::language::{Message, number, say, signed};
use crate::table::{ChangeRow, Interval};
use maud::{Markup, html};

/// The seat where treatment did least.
pub(super) fn worst_seat(content: &Content<'_>, pair: &Pair<'_>) -> Markup {
    let Some(seat) = &pair.changes.worst_seat else {
        let why = if changed(pair).next().is_some() { "worst-seat.none-common" } else { "worst-seat.none" };
        return html! { p.seat { b { (content.text("worst-seat.head")) ": " } (content.text(why)) } };
    };
    if let Some(text) = alike(pair, seat) {
        return html! { p.seat { b { (content.text("worst-seat.head")) ": " } (content.say(&text)) } };
    }
    let listening = content.session.positions.iter().any(|p| p.role == crate::session::Role::Listening);
    let key = if listening { "worst-seat.of-listening" } else { "worst-seat.of-all" };
    html! {
        p.seat {
            b { (content.text("worst-seat.head")) ": " (said(content.language(), &words::place(&seat.position, &seat.source))) ". " }
            @match one_by_one(pair, seat) {
                Some(each) => { (content.say(&say!(key, how = say!("worst-seat.weighted", modes = each)))) }
                None => { (content.say(&say!(key, how = louder(&seat.level)))) }
            }
        }
    }
}

fn louder(level: &Ratio) -> Message {
    let db = |ratio: f64| 20.0 * ratio.log10();
    let (low, high) = (signed(db(level.low), 1), signed(db(level.high), 1));
    let by = number(db(level.value).abs(), 1);
    if !level.excludes_one() {
        say!("worst-seat.no-change", low = low, high = high)
    } else if level.value > 1.0 {
        say!("worst-seat.louder", db = by, low = low, high = high)
    } else {
        say!("worst-seat.quieter", db = by, low = low, high = high)
    }
}

/// What each resonance that the seats were compared by did at one, in rising frequency.
fn one_by_one(pair: &Pair<'_>, seat: &Seat) -> Option<Message> {
    let here = pair.positions.iter().filter(|p| *p.position == *seat.position && *p.source == *seat.source);
    let told: Vec<Message> = here
        .filter_map(|p| {
            let hz = frequency(compared(pair, seat).find(|row| row.mode == Some(p.mode))?);
            Some(say!("at-seat.level", place = hertz(hz), db = signed(p.level_change.ok()?.value, 1)))
        })
        .collect();
    (told.len() > 1).then(|| Message::row(told, ", "))
}

fn changed<'p>(pair: &'p Pair<'_>) -> impl Iterator<Item = &'p ChangeRow> {
    let counts = |row: &&&ChangeRow| matches!(row.verdict, "shorter" | "longer");
    pair.rows.iter().filter(counts).copied()
}

/// Of these, what the seats were compared by.
fn compared<'p>(pair: &'p Pair<'_>, seat: &'p Seat) -> impl Iterator<Item = &'p ChangeRow> {
    changed(pair).filter(|row| index(row).is_some_and(|mode| seat.modes.contains(&mode)))
}

/// A single resonance whose change at the seats can't be told apart: then no seat is the worst.
fn alike(pair: &Pair<'_>, seat: &Seat) -> Option<Message> {
    let mut rows = compared(pair, seat);
    let (row, None) = (rows.next()?, rows.next()) else { return None };
    let of_mode = || pair.positions.iter().filter(|p| Some(p.mode) == row.mode);
    let loudest = loudest_before(of_mode().copied());
    let worst = of_mode().find(|p| *p.position == *seat.position && *p.source == *seat.source)?;
    let levels: Vec<Interval> = of_mode()
        .filter(|p| p.role == worst.role && level_before(p).is_some_and(|db| loudest - db <= NULL_DB))
        .filter_map(|p| p.level_change.ok())
        .collect();
    let by = |a: &&Interval, b: &&Interval| a.value.total_cmp(&b.value);
    let (least, most) = (levels.iter().min_by(by)?, levels.iter().max_by(by)?);
    let hz = hertz(frequency(row));
    (levels.len() > 1 && most.low <= least.high).then(|| {
        let (from, to) = (signed(least.value, 1), signed(most.value, 1));
        say!("worst-seat.alike", hz = hz, from = from, to = to, n = number(levels.len() as f64, 0))
    })
}
