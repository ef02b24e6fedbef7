//! The answer of `stillroom design` on the terminal.

use super::design::{Answer, GivenAnswer};
use super::screen;
use super::screen::println;
use stillroom::design::{Build, Layer, Outcome, Plate, Proposal, Treated, kelvins_for};
use stillroom::room::Face;

/// A summary to read.
pub fn show(answer: &Answer) {
    let (room, listed) = (&answer.room, &answer.room.air.modes[answer.room.target]);
    let sd = room.measured.t60_sd_s;
    let doubt = if sd > 0.0 { format!(" ± {:.2}", 1.96 * sd) } else { String::new() };
    screen::heading(&format!(
        "The mode at {:.2} Hz ({listed}, predicted at {:.2} Hz) rings for {:.2}{doubt} s",
        room.measured.frequency_hz, listed.frequency_hz, room.measured.t60_s
    ));
    if let Some(given) = &answer.given {
        unit(answer, given);
    }
    if answer.goal.is_some_and(|goal| goal.t60_s >= room.measured.t60_s) {
        screen::paragraph("T60 is below the target already: nothing to build.");
    }
    if !answer.proposals.is_empty() {
        proposals(answer);
    }
    neighbours(answer);
    if !answer.porous.is_empty() {
        porous(&answer.porous, room);
    }
    bands(answer);
    if answer.given.is_some() || !answer.proposals.is_empty() {
        cautions();
    }
}

fn outcome(outcome: &Outcome) -> String {
    let poles: Vec<String> =
        outcome.roots.iter().map(|r| format!("{:.2} Hz {:.2} s", r.frequency_hz(), r.t60_s())).collect();
    format!("{}; it rings for {:.2} s in all", poles.join(", "), outcome.ring_s)
}

fn unit(answer: &Answer, given: &GivenAnswer) {
    let plate = &given.unit.plate;
    screen::line(&format!("  With the unit: {}", outcome(&given.outcome)));
    if let Some((installed, splitting)) = given.system.installed(plate) {
        screen::line(&format!(
            "  The unit: {:.2} Hz free, {:.2} Hz in this room (the air adds {:.2} kg/m²), decay {:.1} 1/s, \
             coupling {:.1} 1/s",
            plate.frequency_hz(),
            installed.omega_per_s / std::f64::consts::TAU,
            given.system.loading_kg_m2(),
            installed.decay_per_s,
            splitting
        ));
    }
    if let Some((best, reached)) = &given.best {
        screen::line(&format!(
            "  Best setting there: {:.2} Hz free, decay {:.1} 1/s: {:.2} s (rings for {:.2} s)",
            best.frequency_hz(),
            best.decay_per_s(),
            reached.t60_s,
            reached.ring_s
        ));
    }
    if let (Some(chance), Some(goal)) = (given.chance, answer.goal) {
        screen::line(&format!(
            "  Chance of {:.2} s or up to {:.0} % more, built to ±10 % of loss and ±1 % of frequency: {:.0} %",
            goal.t60_s,
            100.0 * goal.tolerance,
            100.0 * chance
        ));
    }
    exactness(given.exactness, given.unit.vented, answer.room.air.temperature_c);
}

fn exactness(exactness: Option<f64>, vented: bool, temperature_c: f64) {
    let Some(detuned) = exactness else { return };
    let air = if vented {
        "; its air follows the room's temperature".to_owned()
    } else {
        format!(", or the air {:.1} K warmer or colder", kelvins_for(detuned, temperature_c))
    };
    screen::line(&format!(
        "  T60 a tenth longer: with the unit {:.1} % off its frequency{air}",
        100.0 * detuned
    ));
}

fn proposals(answer: &Answer) {
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
    if let Some(first) = answer.proposals.iter().flatten().next() {
        places(first, &answer.room);
    }
    answer.proposals.iter().flatten().for_each(|p| opening(p, &answer.room));
}

/// What the units are to reach, as a heading.
fn goal(answer: &Answer) {
    if let Some(goal) = answer.goal {
        let most_s = goal.t60_s * (1.0 + goal.tolerance);
        screen::heading(&if answer.limited {
            format!("What units of that much air make of T60; right: the share of builds under {most_s:.2} s")
        } else {
            format!(
                "Units that bring T60 to {:.2} s, {most_s:.2} s at most, in nine of ten builds",
                goal.t60_s
            )
        });
    }
}

/// A row a proposal, and what the columns mean.
fn proposal_table(answer: &Answer) {
    let header = [
        "",
        "units",
        "m² each",
        "kg/m²",
        "free Hz",
        "in room",
        "decay 1/s",
        "T60 s",
        "rings",
        "right, %",
        "drift, K",
        "litres",
    ];
    let rows: Vec<Vec<String>> = answer.proposals.iter().flatten().map(|p| row(p, &answer.room)).collect();
    if !rows.is_empty() {
        screen::table(&header, &rows);
        screen::paragraph(
            "kg/m²: moving mass of the panel. free: frequency of the unit by itself, without the air before it; in room: \
             installed here, \
             the room mode's influence removed. decay: of the unit by itself. right: share of builds that \
             succeed with loss within ±10 % and frequency within ±1 %. drift: change of the air's temperature that \
             makes T60 a tenth longer.",
        );
    }
}

/// Ways of building that reach nothing, those with the same reason together.
fn failures(answer: &Answer) {
    let failed: Vec<(&Build, String)> = answer
        .builds
        .iter()
        .zip(&answer.proposals)
        .filter_map(|(b, p)| Some((b, p.as_ref().err()?.to_string())))
        .collect();
    for alike in failed.chunk_by(|a, b| a.1 == b.1) {
        let kinds: Vec<String> = alike.iter().map(|(build, _)| kind(build)).collect();
        screen::paragraph(&format!("No {}: {}.", kinds.join(", no "), alike[0].1));
    }
}

/// The opening of a vented unit, without which it can't be built, and where it belongs.
fn opening(p: &Proposal, room: &Treated) {
    let density = room.air.density_kg_m3;
    let (Build::Vented { .. }, Some(face)) = (p.build, p.faces.first()) else { return };
    let (Some((radius, neck)), Some(alone)) =
        (p.neck_m(density), p.bench_hz(room.air.sound_speed_m_s, density))
    else {
        screen::line(
            "  Vented: the air in so wide an opening is too heavy without any neck: a smaller box, or more of them.",
        );
        return;
    };
    let (across, long) = (2e3 * radius, 1e3 * neck);
    let [x, y, z] = face.corner_m;
    screen::line(&format!(
        "  Vented: opening {across:.0} mm across, neck {long:.0} mm, the opening in the corner {x:.2}, {y:.2}, {z:.2} m. \
         {}",
        tunes_to(p.installed_hz, alone, p.plate.frequency_hz())
    ));
}

/// Which of a vented box's three frequencies is found where: in its corner, elsewhere, and the table's *free*.
fn tunes_to(corner_hz: f64, elsewhere_hz: f64, free_hz: f64) -> String {
    format!(
        "In that corner, whose surfaces slow the air before the opening, it resonates at {corner_hz:.1} Hz (in room); away \
         from them the same box does at about {elsewhere_hz:.1} Hz, and does little; {free_hz:.1} Hz (free) leaves out the \
         air before the opening, so nobody can measure it."
    )
}

fn kind(build: &Build) -> String {
    match build {
        Build::Sealed { depth_m, .. } => format!("sealed {:.0} cm", 100.0 * depth_m),
        Build::Vented { .. } => "vented".to_owned(),
    }
}

fn row(p: &Proposal, room: &Treated) -> Vec<String> {
    let kelvins = match (p.build, p.exactness) {
        (Build::Vented { .. }, _) => "–".to_owned(),
        (_, Some(x)) => format!("{:.0}", kelvins_for(x, room.air.temperature_c)),
        (_, None) => ">50".to_owned(),
    };
    vec![
        kind(&p.build),
        p.faces.len().to_string(),
        format!("{:.3}", p.faces.first().map_or(0.0, Face::area_m2)),
        p.panel_kg_m2().map_or("–".to_owned(), |m| format!("{m:.1}")),
        format!("{:.2}", p.plate.frequency_hz()),
        format!("{:.2}", p.installed_hz),
        format!("{:.1}", p.plate.decay_per_s()),
        format!("{:.2}", p.outcome.t60_s),
        format!("{:.2}", p.outcome.ring_s),
        format!("{:.0}", 100.0 * p.chance.unwrap_or(0.0)),
        kelvins,
        whole_or_two(1e3 * p.whole_volume_m3()),
    ]
}

/// A whole number, with a second digit behind the point where it has but one.
fn whole_or_two(value: f64) -> String {
    if value < 9.95 { format!("{value:.1}") } else { format!("{value:.0}") }
}

fn places(p: &Proposal, room: &Treated) {
    for face in &p.faces {
        let (from, to) = (face.corner_m, face.point_m(1.0, 1.0));
        screen::line(&format!(
            "  The first row's place: face from {:.2}, {:.2}, {:.2} to {:.2}, {:.2}, {:.2} m, {:.0} % of full pressure",
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
        screen::line(&format!(
            "  At 100 dB of a steady tone there the air in it moves at {speed:.1} m/s{caution}."
        ));
    }
}

/// 100 dB re 20 µPa, rms.
const LOUD_PA: f64 = 2.0;
/// Air in a neck faster than this makes noise of its own and loses more; common practice, no source.
const FAST_M_S: f64 = 10.0;

fn neighbours(answer: &Answer) {
    let changed: Vec<Vec<String>> = answer
        .effects
        .iter()
        .filter(|e| (e.after_s / e.before_s - 1.0).abs() > 0.01)
        .map(|e| {
            vec![
                answer.room.air.modes[e.mode].name.clone(),
                format!("{:.1}", e.frequency_hz),
                format!("{:.2}", e.before_s),
                format!("{:.2}", e.after_s),
                format!("{:+.0} %", 100.0 * (e.after_s / e.before_s - 1.0)),
            ]
        })
        .collect();
    if !changed.is_empty() {
        screen::heading("Other modes, where they change by more than 1 %");
        screen::table(&["mode", "Hz", "before s", "after s", "change"], &changed);
    }
}

fn porous(layers: &[(Layer, f64, f64)], room: &Treated) {
    screen::heading("The same with a porous layer on a wall at full pressure (Miki 1990)");
    let rows: Vec<Vec<String>> = layers
        .iter()
        .map(|(layer, absorption, area)| {
            vec![
                format!("{:.0}", 100.0 * layer.thickness_m),
                format!("{:.0}", layer.resistivity_pa_s_m2),
                format!("{absorption:.3}"),
                format!("{area:.1}"),
            ]
        })
        .collect();
    screen::table(&["cm", "Pa s/m²", "α at 0°", "needs m²"], &rows);
    screen::paragraph(
        "α at 0°: share of the sound energy that the layer absorbs where it comes straight at it.",
    );
    if let Some(caution) = outside_fit(layers.iter().map(|l| l.0), room.measured.frequency_hz) {
        screen::paragraph(&caution);
    }
}

/// Which of the layers the formula wasn't fitted to at this frequency; `None` where it was to all.
fn outside_fit(layers: impl Iterator<Item = Layer> + Clone, hertz: f64) -> Option<String> {
    let (all, out) = (layers.clone().count(), layers.filter(|layer| !layer.fitted(hertz)));
    let out: Vec<String> = out.map(|layer| format!("{:.0}", 100.0 * layer.thickness_m)).collect();
    let which = match out.len() {
        0 => return None,
        n if n == all => "all of these layers".to_owned(),
        _ => format!("{} cm", out.join(", ")),
    };
    Some(format!(
        "Of {which} the formula is used outside the range it was fitted to (frequency over flow resistivity under \
         {} m³/kg): take the area as a rough guide.",
        Layer::FITTED.0
    ))
}

fn bands(answer: &Answer) {
    if answer.bands.is_empty() {
        return;
    }
    screen::heading("Bands with the areas added");
    let rows: Vec<Vec<String>> = answer
        .bands
        .iter()
        .map(|b| [b.hertz, b.before_s, b.sabine_s, b.eyring_s].map(|x| format!("{x:.2}")).to_vec())
        .collect();
    screen::table(&["Hz", "before s", "Sabine s", "Eyring s"], &rows);
}

fn cautions() {
    screen::line("");
    screen::paragraph(
        "Real losses vary: leave the damping adjustable, install, measure, then tune (stillroom tune). Heavy \
         panels can fall: fixing, anything overhead, fire rating of linings and fillings, and mains belong to \
         licensed practice and local codes.",
    );
}

/// One row a proposal; of a given unit one row, and one for its best setting there.
pub fn csv(answer: &Answer) {
    println!(
        "build,depth_m,units,area_m2,panel_kg_m2,opening_radius_m,neck_m,litres,free_hz,installed_hz,decay_per_s,t60_s,ring_s,chance"
    );
    if let Some(given) = &answer.given {
        csv_given("given", given, (&given.unit.plate, &given.outcome), given.chance);
        if let Some((plate, outcome)) = &given.best {
            csv_given("best", given, (plate, outcome), None);
        }
    }
    for p in answer.proposals.iter().flatten() {
        let neck = p.neck_m(answer.room.air.density_kg_m3);
        let (kind, depth) = match p.build {
            Build::Sealed { depth_m, .. } => ("sealed", Some(depth_m)),
            Build::Vented { .. } => ("vented", None),
        };
        println!(
            "{kind},{},{},{:.5},{},{},{},{:.1},{:.4},{:.4},{:.3},{:.4},{:.4},{}",
            cell(depth),
            p.faces.len(),
            p.faces.first().map_or(0.0, Face::area_m2),
            cell(p.panel_kg_m2()),
            cell(neck.map(|n| n.0)),
            cell(neck.map(|n| n.1)),
            1e3 * p.whole_volume_m3(),
            p.plate.frequency_hz(),
            p.installed_hz,
            p.plate.decay_per_s(),
            p.outcome.t60_s,
            p.outcome.ring_s,
            cell(p.chance)
        );
    }
}

fn cell(value: Option<f64>) -> String {
    value.map_or(String::new(), |value| format!("{value:.5}"))
}

/// A given unit, as it is or at its best; what doesn't follow from what was typed stays empty.
fn csv_given(word: &str, given: &GivenAnswer, (plate, outcome): (&Plate, &Outcome), chance: Option<f64>) {
    let area_m2 = given.face.area_m2();
    let installed = given.system.installed(plate).map(|(unit, _)| unit.omega_per_s / std::f64::consts::TAU);
    // At another setting neither neck nor opening is as typed.
    let neck = given.unit.neck_m.filter(|_| word == "given");
    println!(
        "{word},{},1,{area_m2:.5},{},{},{},{},{:.4},{},{:.3},{:.4},{:.4},{}",
        cell(given.unit.depth_m),
        cell(given.unit.panel_kg_m2(plate)),
        cell(neck.map(|n| n.0)),
        cell(neck.map(|n| n.1)),
        given.unit.litres(area_m2).map_or(String::new(), |litres| format!("{litres:.1}")),
        plate.frequency_hz(),
        installed.map_or(String::new(), |hz| format!("{hz:.4}")),
        plate.decay_per_s(),
        outcome.t60_s,
        outcome.ring_s,
        cell(chance)
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "free 43.49" stood over "away from them the same box resonates at about 35.1 Hz" without a word on which is where.
    #[test]
    fn a_vented_box_says_which_frequency_is_where() {
        let said = tunes_to(30.6, 35.1, 43.49);
        for part in
            ["In that corner", "30.6 Hz (in room)", "away from them", "about 35.1 Hz", "43.5 Hz (free)"]
        {
            assert!(said.contains(part), "{said}");
        }
    }

    /// Miki's fit begins at f/σ = 0.01: at 132.9 Hz that leaves out 20 000 Pa s/m² and no thinner wool, at 30 Hz all but
    /// the thinnest. (The first layer spoke for all of them.)
    #[test]
    fn only_the_layers_outside_the_fit_are_named() {
        let layer = |(thickness_m, resistivity_pa_s_m2)| Layer { thickness_m, resistivity_pa_s_m2 };
        let layers = [(0.1, 20_000.0), (0.2, 10_000.0), (0.4, 5_000.0), (0.8, 2_000.0)].map(layer);
        let said = |hertz: f64| outside_fit(layers.into_iter(), hertz);
        assert!(said(132.9).is_some_and(|s| s.starts_with("Of 10 cm the formula")), "{:?}", said(132.9));
        assert!(said(30.0).is_some_and(|s| s.starts_with("Of 10, 20, 40 cm the formula")));
        assert!(said(15.0).is_some_and(|s| s.starts_with("Of all of these layers the formula")));
        assert_eq!(said(250.0), None);
    }
}
