//! What `stillroom design` proposes to build, on the terminal.

use super::design_answer::{Answer, surest};
use super::screen;
use stillroom::design::{Build, DesignError, MOST_OF_ROOM, Proposal, Treated, kelvins_for};
use stillroom::room::Face;

/// What to build, what it does, and where it goes.
pub fn show(answer: &Answer) {
    if nothing_reaches(answer) {
        let Some(goal) = answer.goal else { return };
        screen::heading(&format!("No unit brings T60 to {:.2} s", goal.t60_s));
        screen::paragraph(&format!(
            "Units are limited to {:.0} % of the room's volume and to what its corners hold. Next to another mode, a \
             single unit may not be enough at all.",
            100.0 * MOST_OF_ROOM
        ));
        return;
    }
    goal(answer);
    proposal_table(answer);
    failures(answer);
    if let Some(Ok(least)) = &answer.least {
        screen::paragraph(&format!(
            "The smallest unit, built and tuned exactly: {} litres of air at full pressure, {:.2} s; with \
             the tolerances above, {:.0} % of such units reach the goal. A panel held at its edges needs more \
             (--edges); with soft filling the space may be up to 29 % smaller.",
            whole_or_two(1e3 * least.whole_volume_m3()),
            least.outcome.t60_s,
            100.0 * least.chance.unwrap_or(0.0)
        ));
    }
    if let Some(surest) = surest(&answer.proposals) {
        places(surest, which(answer, surest), &answer.room);
    }
    answer.proposals.iter().flatten().for_each(|p| opening(p, &answer.room));
}

/// Whether every way of building stays short of the goal, and for no other reason than the limits on its size.
fn nothing_reaches(answer: &Answer) -> bool {
    answer.proposals.iter().all(|p| matches!(p, Err(DesignError::TooMuch { .. })))
}

/// What the units are to reach, as a heading.
fn goal(answer: &Answer) {
    if let Some(goal) = answer.goal {
        let most_s = goal.t60_s * (1.0 + goal.tolerance);
        screen::heading(&if answer.limited {
            format!(
                "What units of that much air make of T60; on target: the share of builds under {most_s:.2} s"
            )
        } else {
            format!(
                "Units that bring T60 to {:.2} s, {most_s:.2} s at most, in about nine of ten builds",
                goal.t60_s
            )
        });
    }
}

/// A row a proposal, once for what to build and once for what it does: together they are wider than a terminal.
fn proposal_table(answer: &Answer) {
    let proposals: Vec<&Proposal> = answer.proposals.iter().flatten().collect();
    if proposals.is_empty() {
        return;
    }
    let rows: Vec<Vec<String>> = proposals.iter().map(|p| built(p)).collect();
    screen::table(&["", "units", "m² each", "kg/m²", "litres", "free, Hz", "decay, 1/s"], &rows);
    screen::paragraph(
        "litres: air of all units together. kg/m²: moving mass of the panel. free: frequency of the unit by itself, without \
         the air before it. decay: of the unit by itself.",
    );
    screen::line("");
    let rows: Vec<Vec<String>> = proposals.iter().map(|p| reached(p, &answer.room)).collect();
    screen::table(&["", "in room, Hz", "T60, s", "rings, s", "on target, %", "air may change, K"], &rows);
    screen::paragraph(
        "in room: the unit's frequency installed here, the room mode's influence removed. T60: of the slower of mode and \
         unit. rings: until both together are 60 dB down, so it may be longer or shorter than T60. on target: share of \
         builds that reach it with loss within ±10 % and frequency within ±1 %. air may change: the change of its \
         temperature that makes T60 a tenth longer.",
    );
}

/// Ways of building that reach nothing, those with the same reason together.
fn failures(answer: &Answer) {
    let errors =
        answer.builds.iter().zip(&answer.proposals).filter_map(|(b, p)| Some((b, p.as_ref().err()?)));
    let (unbuildable, others): (Vec<_>, Vec<_>) =
        errors.partition(|(_, error)| matches!(error, DesignError::NoNeck));
    // Only vented ones have a neck.
    if !unbuildable.is_empty() {
        screen::paragraph(if answer.limited {
            "Vented: not buildable at this size (no neck is short enough). Use a smaller box, or several."
        } else {
            "Vented: not buildable at the size that this target takes (no neck is short enough), nor as several boxes."
        });
    }
    let failed: Vec<(&Build, String)> = others.into_iter().map(|(b, error)| (b, error.to_string())).collect();
    for alike in failed.chunk_by(|a, b| a.1 == b.1) {
        let kinds: Vec<String> = alike.iter().map(|(build, _)| kind(build)).collect();
        screen::paragraph(&format!("No {}: {}.", kinds.join(", no "), alike[0].1));
    }
}

/// The opening of a vented unit, without which it can't be built, and where it belongs.
fn opening(p: &Proposal, room: &Treated) {
    let density = room.air.density_kg_m3;
    let Build::Vented { .. } = p.build else { return };
    let (Some((radius, neck)), Some(alone)) =
        (p.neck_m(density), p.bench_hz(room.air.sound_speed_m_s, density))
    else {
        return;
    };
    let (across, long) = (2e3 * radius, 1e3 * neck);
    let corner = |face: &Face| face.corner_m.map(|m| format!("{m:.2}")).join(", ");
    let corners: Vec<String> = p.faces.iter().map(corner).collect();
    let openings =
        if corners.len() > 1 { "one opening in each of the corners" } else { "the opening in the corner" };
    screen::paragraph(&format!(
        "Vented: opening {across:.0} mm across, neck {long:.0} mm, {openings} {} m. {}",
        corners.join(" and "),
        tunes_to(p.installed_hz, alone, p.plate.frequency_hz())
    ));
}

/// Which of a vented box's three frequencies is found where: in its corner, elsewhere, and the table's *free*.
fn tunes_to(corner_hz: f64, elsewhere_hz: f64, free_hz: f64) -> String {
    format!(
        "In that corner, whose surfaces slow the air before the opening, it resonates at {corner_hz:.1} Hz (in room); away \
         from them the same box does at about {elsewhere_hz:.1} Hz, and does little; {free_hz:.1} Hz (free) leaves out the \
         air before the opening: a calculated value only."
    )
}

fn kind(build: &Build) -> String {
    match build {
        Build::Sealed { depth_m, .. } => format!("sealed {:.0} cm", 100.0 * depth_m),
        Build::Vented { .. } => "vented".to_owned(),
    }
}

fn built(p: &Proposal) -> Vec<String> {
    vec![
        kind(&p.build),
        p.faces.len().to_string(),
        format!("{:.3}", p.faces.first().map_or(0.0, Face::area_m2)),
        p.panel_kg_m2().map_or("–".to_owned(), |m| format!("{m:.1}")),
        whole_or_two(1e3 * p.whole_volume_m3()),
        format!("{:.2}", p.plate.frequency_hz()),
        format!("{:.1}", p.plate.decay_per_s()),
    ]
}

fn reached(p: &Proposal, room: &Treated) -> Vec<String> {
    let kelvins = match (p.build, p.exactness) {
        (Build::Vented { .. }, _) => "–".to_owned(),
        (_, Some(x)) => format!("{:.0}", kelvins_for(x, room.air.temperature_c)),
        (_, None) => ">50".to_owned(),
    };
    vec![
        kind(&p.build),
        format!("{:.2}", p.installed_hz),
        format!("{:.2}", p.outcome.t60_s),
        format!("{:.2}", p.outcome.ring_s),
        format!("{:.0}", 100.0 * p.chance.unwrap_or(0.0)),
        kelvins,
    ]
}

/// A whole number, with a second digit behind the point where it has but one.
fn whole_or_two(value: f64) -> String {
    if value < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") }
}

/// The row that is said more of.
pub fn which(answer: &Answer, surest: &Proposal) -> &'static str {
    let first = answer.proposals.iter().flatten().next() == Some(surest);
    if first { "the first row" } else { "the surest row" }
}

fn places(p: &Proposal, which: &str, room: &Treated) {
    screen::line("");
    screen::paragraph(&format!("Where {which} goes ({}), its face from corner to corner:", kind(&p.build)));
    for (k, face) in p.faces.iter().enumerate() {
        let (from, to) = (face.corner_m, face.point_m(1.0, 1.0));
        let unit = if p.faces.len() > 1 { format!("unit {}: ", k + 1) } else { String::new() };
        screen::line(&format!(
            "    {unit}{:.2}, {:.2}, {:.2} to {:.2}, {:.2}, {:.2} m, {:.0} % of full pressure",
            from[0],
            from[1],
            from[2],
            to[0],
            to[1],
            to[2],
            100.0 * room.air.over(room.target, face).0.abs()
        ));
    }
    let masses = p.panel_kg_m2().map(|m| m * p.faces.iter().map(Face::area_m2).sum::<f64>());
    let share = 100.0 * p.whole_volume_m3() / room.air.volume_m3;
    let weight = masses.map_or(String::new(), |kg| format!("; panels of {} kg in all", whole_or_two(kg)));
    screen::line(&format!("  They take {share:.1} % of the room{weight}."));
    if let Some(speed) = p.neck_speed_m_s(LOUD_PA) {
        let caution = if speed > FAST_M_S { ": it will be heard, and damps more than intended" } else { "" };
        screen::paragraph(&format!(
            "At 100 dB of a steady tone there the air in it moves at {speed:.1} m/s{caution}."
        ));
    }
}

/// 100 dB re 20 µPa, rms.
const LOUD_PA: f64 = 2.0;
/// Air in a neck faster than this makes noise of its own and loses more; common practice, no source.
const FAST_M_S: f64 = 10.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// Each of the three frequencies is told with where it is found.
    #[test]
    fn a_vented_box_says_which_frequency_is_where() {
        let said = tunes_to(30.6, 35.1, 43.49);
        for part in
            ["In that corner", "30.6 Hz (in room)", "away from them", "about 35.1 Hz", "43.5 Hz (free)"]
        {
            assert!(said.contains(part), "{said}");
        }
    }
}
