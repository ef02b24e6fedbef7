//! What a test report has to state (ISO 3382-2:2008, 9.2), as far as `session.toml` holds it.

use super::check::ISO_3382_2;
use super::{Check, Met, StateFacts, Topic};
use crate::session::Room;

/// One row for each statement; a blank is `unknown`, never `no`: it may stand in another document.
pub(super) fn checks(state: &StateFacts<'_>) -> Vec<Check> {
    let visit = &state.session.visit;
    let mut rows = vec![row("4.1", "room unoccupied, or its occupation stated", occupation(visit.occupied))];
    let entries = [
        ("date of the measurement", visit.date.clone()),
        ("who measured", visit.by.clone()),
        ("apparatus: loudspeaker and microphone", visit.apparatus.clone()),
        ("test signal", visit.signal.clone()),
        ("volume of the room", state.session.room.volume_m3.map(|v| format!("{v:.1} m³"))),
        ("air temperature", temperature(state)),
        ("place of every source and microphone", places(state)),
    ];
    rows.extend(
        entries.into_iter().map(|(what, found)| row("9.2", &format!("report states: {what}"), found)),
    );
    rows
}

fn row(clause: &'static str, requirement: &str, found: Option<String>) -> Check {
    Check {
        standard: ISO_3382_2,
        clause,
        requirement: requirement.to_owned(),
        met: if found.is_some() { Met::Yes } else { Met::Unknown },
        found: found.unwrap_or_default(),
        limit: "stated".into(),
        affects: "whether somebody else can repeat the measurement; no number changes".into(),
        grade: None,
        topic: Topic::ReportData,
        misses: 0,
    }
}

fn occupation(occupied: Option<bool>) -> Option<String> {
    occupied.map(|occupied| if occupied { "occupied" } else { "unoccupied" }.to_owned())
}

/// The state's own temperature, or the room's if it isn't the default that nobody may have stated.
fn temperature(state: &StateFacts<'_>) -> Option<String> {
    let room = state.session.room.temperature_c;
    let stated = room.total_cmp(&Room::default().temperature_c).is_ne().then_some(room);
    state.state.temperature_c.or(stated).map(|t| format!("{t:.1} °C"))
}

fn places(state: &StateFacts<'_>) -> Option<String> {
    let (positions, sources) = (state.positions(), state.sources());
    let known = positions.iter().all(|p| state.session.position(p).is_some_and(|p| p.at_m.is_some()))
        && sources.iter().all(|s| state.session.source(s).is_some_and(|s| s.at_m.is_some()));
    (known && !positions.is_empty()).then(|| {
        format!(
            "{} and {}",
            super::wording::count(positions.len(), "position"),
            super::wording::count(sources.len(), "source")
        )
    })
}
