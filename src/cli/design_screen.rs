//! The answer of `stillroom design` on the terminal.

use super::design_answer::{Answer, GivenAnswer, surest};
use super::screen;
use super::screen::println;
use stillroom::absorber::Resonator;
use stillroom::design::{Build, Effect, Layer, Outcome, Plate, Treated, kelvins_for};
use stillroom::room::Face;

/// A summary to read.
pub fn show(answer: &Answer) {
    let (room, listed) = (&answer.room, &answer.room.air.modes[answer.room.target]);
    let sd = room.measured.t60_sd_s;
    let doubt = if sd > 0.0 { format!(" ± {:.2}", 1.96 * sd) } else { String::new() };
    let hertz = answer.as_given.map_or_else(|| damped_hz(&room.own[room.target]), |given| given.0);
    screen::heading(&format!(
        "The mode at {hertz:.2} Hz ({listed}, predicted at {:.2} Hz) rings for {:.2}{doubt} s",
        listed.frequency_hz, room.measured.t60_s
    ));
    answer.occupied.iter().for_each(|text| screen::paragraph(text));
    if let Some(given) = &answer.given {
        unit(answer, given);
    }
    if answer.goal.is_some_and(|goal| goal.t60_s >= room.measured.t60_s) {
        screen::paragraph("T60 is below the target already: nothing to build.");
    }
    if !answer.proposals.is_empty() {
        super::design_proposals::show(answer);
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

/// The frequency at which it rings, which the tables give; the model's is the undamped one (61.33 Hz for 61.24 at 0.34 s).
fn damped_hz(own: &Resonator) -> f64 {
    own.pole().im / std::f64::consts::TAU
}

fn outcome(outcome: &Outcome) -> String {
    let poles: Vec<String> =
        outcome.roots.iter().map(|r| format!("{:.2} Hz {:.2} s", r.frequency_hz(), r.t60_s())).collect();
    format!("{}; it rings for {:.2} s in all", poles.join(", "), outcome.ring_s)
}

fn unit(answer: &Answer, given: &GivenAnswer) {
    let plate = &given.unit.plate;
    screen::paragraph(&format!("With the unit: {}", outcome(&given.outcome)));
    if let Some((installed, splitting)) = given.system.installed(plate) {
        screen::paragraph(&format!(
            "The unit: free {:.2} Hz, {:.1} 1/s; installed here {:.2} Hz, {:.1} 1/s (the air adds {:.2} kg/m²; \
             coupling {:.1} 1/s).",
            plate.frequency_hz(),
            plate.decay_per_s(),
            installed.omega_per_s / std::f64::consts::TAU,
            installed.decay_per_s,
            given.system.loading_kg_m2(),
            splitting
        ));
    }
    if let Some((best, reached)) = &given.best {
        screen::paragraph(&format!(
            "Best setting, free: {:.2} Hz, {:.1} 1/s: T60 {:.2} s (rings for {:.2} s).",
            best.frequency_hz(),
            best.decay_per_s(),
            reached.t60_s,
            reached.ring_s
        ));
    }
    if let (Some(chance), Some(goal)) = (given.chance, answer.goal) {
        screen::paragraph(&format!(
            "Chance of {:.2} s or up to {:.0} % more, built to ±10 % of loss and ±1 % of frequency: {:.0} %",
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
        format!(", or the air {:.0} K warmer or colder", kelvins_for(detuned, temperature_c))
    };
    screen::paragraph(&format!(
        "T60 a tenth longer: with the unit {:.1} % off its frequency{air}",
        100.0 * detuned
    ));
}

/// Under this share a change of another mode isn't listed.
const LISTED: f64 = 0.01;

fn neighbours(answer: &Answer) {
    let changes = |e: &&Effect| (e.after_s / e.before_s - 1.0).abs() > LISTED;
    let changed: Vec<&Effect> = answer.effects.iter().filter(changes).collect();
    let row = |e: &&Effect| {
        let about = if e.measured { "" } else { "~" };
        vec![
            answer.room.air.modes[e.mode].name.clone(),
            format!("{:.1}", damped_hz(&answer.room.own[e.mode])),
            format!("{about}{:.2}", e.before_s),
            format!("{about}{:.2}", e.after_s),
            format!("{} %", minus(&format!("{:+.0}", 100.0 * (e.after_s / e.before_s - 1.0)))),
        ]
    };
    if changed.is_empty() {
        return;
    }
    let surest = surest(&answer.proposals).filter(|_| answer.given.is_none());
    let with = surest.map_or("the unit", |surest| super::design_proposals::which(answer, surest));
    screen::heading(&format!("Other modes with {with} that change by more than {:.0} %", 100.0 * LISTED));
    let rows: Vec<Vec<String>> = changed.iter().map(row).collect();
    screen::table(&["mode", "Hz", "before, s", "after, s", "change"], &rows);
    if changed.iter().any(|e| !e.measured) {
        let of = match answer.as_given {
            Some((hertz, t60_s)) => format!("{t60_s} s (--t60) of the mode at {hertz} Hz"),
            None => format!(
                "{:.2} s of the mode at {:.2} Hz",
                answer.room.measured.t60_s,
                damped_hz(&answer.room.own[answer.room.target])
            ),
        };
        screen::paragraph(&format!(
            "~: not measured, but computed from the {of}, as if all surfaces absorbed alike."
        ));
    }
}

/// A true minus sign.
fn minus(text: &str) -> String {
    text.replace('-', "−")
}

fn porous(layers: &[(Layer, f64, f64)], room: &Treated) {
    screen::heading("The same with a porous layer on a wall at full pressure (Miki 1990)");
    let surfaces_m2 = room.air.surface_m2();
    let too_much = |area: f64| area > surfaces_m2;
    let rows: Vec<Vec<String>> = layers
        .iter()
        .map(|(layer, absorption, area)| {
            vec![
                format!("{:.0}", 100.0 * layer.thickness_m),
                format!("{:.0}", layer.resistivity_pa_s_m2),
                format!("{absorption:.3}"),
                if too_much(*area) { "–".to_owned() } else { format!("{area:.1}") },
            ]
        })
        .collect();
    screen::table(&["cm", "Pa s/m²", "α at 0°", "needs, m²"], &rows);
    let dash = if layers.iter().any(|layer| too_much(layer.2)) {
        format!(" –: more than the room's surfaces ({surfaces_m2:.0} m²).")
    } else {
        String::new()
    };
    screen::paragraph(&format!(
        "α at 0°: share of the sound energy that the layer absorbs where it comes straight at it.{dash}"
    ));
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

    /// Miki's fit begins at f/σ = 0.01: at 132.9 Hz that leaves out 20 000 Pa s/m² and no thinner wool, at 30 Hz all but
    /// the thinnest.
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
