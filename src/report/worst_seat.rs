//! The seat where treatment did least, and how it stands beside the others.

use super::content::{Content, Pair, frequency};
use super::rich::said;
use super::words::{self, hertz, seconds, shown};
use crate::change::{Ratio, Seat};
use crate::language::{Message, number, say, signed};
use crate::table::PositionChangeRow;
use maud::{Markup, html};

/// The seat where treatment did least.
pub(super) fn worst_seat(content: &Content<'_>, pair: &Pair<'_>) -> Markup {
    let Some(seat) = &pair.changes.worst_seat else {
        return html! { p.seat { b { (content.text("worst-seat.head")) ": " } (content.text("worst-seat.none")) } };
    };
    let listening = content.session.positions.iter().any(|p| p.role == crate::session::Role::Listening);
    let key = if listening { "worst-seat.of-listening" } else { "worst-seat.of-all" };
    html! {
        p.seat {
            b { (content.text("worst-seat.head")) ": " (said(content.language(), &words::place(&seat.position, &seat.source))) ". " }
            (content.say(&say!(key, louder = louder(&seat.level))))
            @if let Some(text) = beside_the_others(pair, seat) { " " (shown(&content.say(&text))) }
        }
    }
}

fn louder(level: &Ratio) -> Message {
    let db = |ratio: f64| 20.0 * ratio.log10();
    let (low, high) = (signed(db(level.low), 1), signed(db(level.high), 1));
    let by = number(db(level.value).abs(), 1);
    if level.low < 1.0 && level.high > 1.0 {
        say!("worst-seat.no-change", low = low, high = high)
    } else if level.value > 1.0 {
        say!("worst-seat.louder", db = by, low = low, high = high)
    } else {
        say!("worst-seat.quieter", db = by, low = low, high = high)
    }
}

/// How the longest of the resonances that changed stands at a seat beside the place where it is loudest.
fn beside_the_others(pair: &Pair<'_>, seat: &Seat) -> Option<Message> {
    let changed = |mode: u32| {
        pair.rows.iter().find(|r| r.mode == Some(mode) && matches!(r.verdict, "shorter" | "longer"))
    };
    let here = pair.positions.iter().filter(|p| *p.position == *seat.position && *p.source == *seat.source);
    let (row, place, ring_s) = here
        .filter_map(|p| Some((changed(p.mode)?, *p, p.after_ring_s?.ok()?)))
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let level = |p: &PositionChangeRow| p.after_level_db.and_then(Result::ok);
    let same = |p: &&&PositionChangeRow| p.mode == place.mode && p.role == place.role;
    let loudest = pair.positions.iter().filter(same).filter_map(|p| Some((p, level(p)?)));
    let (top, most) = loudest.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let below = most - level(place)?;
    let (hz, time) = (hertz(frequency(row)), seconds(ring_s));
    Some(if below < 0.5 {
        say!("worst-seat.longest", hz = hz, time = time)
    } else {
        let other = words::place(&top.position, &top.source);
        say!("worst-seat.longest-weaker", hz = hz, time = time, db = number(below, 0), other = other)
    })
}
