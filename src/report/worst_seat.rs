//! The seat where treatment did least, and how it stands beside the others.

use super::content::{Content, Pair, frequency};
use super::words::{self, hertz, seconds, shown, signed};
use crate::change::{Ratio, Seat};
use crate::table::PositionChangeRow;
use maud::{Markup, html};

/// The seat where treatment did least.
pub(super) fn worst_seat(content: &Content<'_>, pair: &Pair<'_>) -> Markup {
    let Some(seat) = &pair.changes.worst_seat else {
        return html! { p.seat { b { "Worst seat: " }
        "not named, since no resonance changed in the room, or levels can’t be compared." } };
    };
    let listening = content.session.positions.iter().any(|p| p.role == crate::session::Role::Listening);
    html! {
        p.seat {
            b { "Worst seat: " bdi { (shown(&words::place(&seat.position, &seat.source))) } ". " }
            (if listening { "Of all listening places, " } else { "Of all measured places (none is marked as a listening place), " })
            "treatment did least for the loudness of the resonances that changed here: on average " (louder(&seat.level)) "."
            @if let Some(text) = beside_the_others(pair, seat) { " " (text) }
        }
    }
}

fn louder(level: &Ratio) -> String {
    let db = |ratio: f64| 20.0 * ratio.log10();
    let word = if level.value > 1.0 { "louder" } else { "quieter" };
    let interval = format!("{} to {} dB", signed(db(level.low), 1), signed(db(level.high), 1));
    if level.low < 1.0 && level.high > 1.0 {
        format!("no clear change ({interval})")
    } else {
        format!("{:.1} dB {word} ({interval})", db(level.value).abs())
    }
}

/// How the longest of the resonances that changed stands at a seat beside the place where it is loudest.
fn beside_the_others(pair: &Pair<'_>, seat: &Seat) -> Option<String> {
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
        format!("The longest of them, {hz}, now rings {time} here.")
    } else {
        let other = words::place(&top.position, &top.source);
        format!(
            "The longest of them, {hz}, now rings {time} here, and stays {below:.0} dB weaker than at {}.",
            shown(&other)
        )
    })
}
