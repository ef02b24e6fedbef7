//! What a test report has to state (ISO 3382-2:2008, 9.2), as far as `session.toml` holds it.

use super::check::ISO_3382_2;
use super::{Check, Met, ProcedureState, Topic};
use crate::language::{Message, Value, number, say};
use crate::session::Room;

/// One row for each statement; a blank is `unknown`, never `no`: it may stand in another document.
pub(super) fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
    let visit = &state.session.visit;
    let mut rows = vec![row("4.1", say!("procedure.occupation"), occupation(visit.occupied))];
    let volume = state.session.room.volume_m3;
    let entries = [
        ("procedure.states-date", said(visit.date.as_deref())),
        ("procedure.states-by", said(visit.by.as_deref())),
        ("procedure.states-apparatus", said(visit.apparatus.as_deref())),
        ("procedure.states-signal", said(visit.signal.as_deref())),
        ("procedure.states-volume", volume.map(|v| say!("unit.cubic-metres", m3 = number(v, 1)))),
        ("procedure.states-temperature", temperature(state)),
        ("procedure.states-places", places(state)),
    ];
    rows.extend(entries.into_iter().map(|(key, found)| row("9.2", say!(key), found)));
    rows
}

/// What the manifest says, in its own words.
fn said(text: Option<&str>) -> Option<Message> {
    text.map(Message::plain)
}

fn row(clause: &'static str, requirement: Message, found: Option<Message>) -> Check {
    Check {
        standard: ISO_3382_2,
        clause,
        requirement,
        met: if found.is_some() { Met::Yes } else { Met::Unknown },
        found: found.unwrap_or_default(),
        limit: say!("procedure.stated"),
        affects: say!("procedure.affects-repetition"),
        grade: None,
        topic: Topic::ReportData,
        misses: 0,
    }
}

fn occupation(occupied: Option<bool>) -> Option<Message> {
    occupied.map(|yes| if yes { say!("procedure.occupied") } else { say!("procedure.unoccupied") })
}

/// The state's own temperature, or the room's if it isn't the default that nobody may have stated.
fn temperature(state: &ProcedureState<'_>) -> Option<Message> {
    let room = state.session.room.temperature_c;
    let stated = room.total_cmp(&Room::default().temperature_c).is_ne().then_some(room);
    state.state.temperature_c.or(stated).map(|t| say!("unit.celsius", c = number(t, 1)))
}

fn places(state: &ProcedureState<'_>) -> Option<Message> {
    let (positions, sources) = (state.positions(), state.sources());
    let known = positions.iter().all(|p| state.session.position(p).is_some_and(|p| p.at_m.is_some()))
        && sources.iter().all(|s| state.session.source(s).is_some_and(|s| s.at_m.is_some()));
    (known && !positions.is_empty()).then(|| {
        let positions = say!("procedure.positions", n = positions.len());
        Message::plain(Value::from(vec![positions, say!("procedure.sources", n = sources.len())]))
    })
}
