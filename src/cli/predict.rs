//! `stillroom predict`: the modes of a room, and where each is strong and where it vanishes.

use super::args::{Format, PredictArgs};
use super::screen::println;
use super::{Exit, Failed, predict_moves, screen};
use serde_json::json;
use stillroom::room::{
    AirMode, Enclosure, MeasurementPlan, OFF_M, PredictedMode, Prediction, candidates, plan,
};
use stillroom::session::{self, FloorPlan, parse_dimensions};

/// What `predict` and `design` say where nothing tells the room.
pub const NO_ROOM: &str = "which room?\n  allowed  --dims LxWxH, as --dims 5.6x4.25x2.75, or the folder of a session whose \
                           session.toml gives the lengths or a plan\n  do       give one of the two";

/// Runs the command.
pub fn run(args: &PredictArgs) -> Result<Exit, Failed> {
    if let (Some(hertz), None) = (args.mode, &args.path) {
        return Err(Failed::usage(format!(
            "--mode {hertz} needs a session folder: where seats and loudspeakers stand is read from its \
             session.toml\n  do       give the folder in place of --dims, or leave --mode out"
        )));
    }
    let (dimensions_m, temperature_c) = match (&args.dims, &args.path) {
        (Some(dims), _) => (parse_dimensions(dims).map_err(Failed::usage)?, 20.0),
        (None, Some(path)) => {
            let options = session::OpenOptions::default().with_or_without_audio();
            let session = session::open(std::slice::from_ref(path), &options)?;
            if let Some(hertz) = args.mode {
                return predict_moves::run(&session, hertz, args);
            }
            if let Some(plan) = &session.plan {
                return upright(plan, args, args.temperature.unwrap_or(session.room.temperature_c));
            }
            let unknown = || Failed::usage(predict_moves::no_lengths(&session, true));
            (session.room.dimensions_m.ok_or_else(unknown)?, session.room.temperature_c)
        }
        (None, None) => return Err(Failed::usage(NO_ROOM)),
    };
    let temperature_c = args.temperature.unwrap_or(temperature_c);
    let room = Prediction::new(dimensions_m, temperature_c, args.to).map_err(Failed::usage)?;
    match args.format {
        Format::Table => {
            show(&room, args);
            let air = Enclosure::rectangular(dimensions_m, temperature_c, args.to).map_err(Failed::usage)?;
            show_plan(&plan(&air, &candidates(&air, &[]), None));
        }
        Format::Csv => csv(&room),
        Format::Json => screen::print(format_args!("{}\n", document(&room, args.t60))),
    }
    Ok(Exit::Done)
}

/// A room with upright walls on a polygon.
fn upright(floor: &FloorPlan, args: &PredictArgs, temperature_c: f64) -> Result<Exit, Failed> {
    let air = Enclosure::upright(&floor.corners_m, floor.height_m, temperature_c, args.to)
        .map_err(Failed::usage)?;
    let corners = air.corners_m();
    // Where to put a loudspeaker or an absorber, and where neither works.
    let ends = |mode: usize| {
        let pressure = |at: &[f64; 3]| air.shape(mode, *at).abs();
        let strongest = corners.iter().copied().max_by(|a, b| pressure(a).total_cmp(&pressure(b)));
        let weakest = corners.iter().copied().min_by(|a, b| pressure(a).total_cmp(&pressure(b)));
        [strongest, weakest].map(|at| at.map(|at| (at, pressure(&at))))
    };
    let words = |end: Option<([f64; 3], f64)>| {
        end.map_or(String::new(), |([x, y, z], p)| format!("{x:.2} {y:.2} {z:.2} ({:.0} %)", 100.0 * p))
    };
    match args.format {
        Format::Table => {
            screen::heading(&format!(
                "{:.1} m³, {:.1} °C: speed of sound {:.1} m/s",
                air.volume_m3, air.temperature_c, air.sound_speed_m_s
            ));
            let row = |(i, mode): (usize, &AirMode)| {
                let [strong, weak] = ends(i);
                vec![mode.name.clone(), format!("{:.2}", mode.frequency_hz), words(strong), words(weak)]
            };
            let rows: Vec<Vec<String>> = air.modes.iter().enumerate().map(row).collect();
            screen::table(&["mode", "Hz", "strongest corner (m)", "weakest corner (m)"], &rows);
            screen::line("");
            screen::paragraph(
                "Upright walls, level floor and ceiling; slopes, recesses and furniture are left out.",
            );
            show_plan(&plan(&air, &candidates(&air, &[]), None));
        }
        Format::Csv => {
            println!("name,frequency_hz,strongest_corner_m,weakest_corner_m");
            for (i, mode) in air.modes.iter().enumerate() {
                let [strong, weak] = ends(i).map(words);
                println!("\"{}\",{:.5},{strong},{weak}", mode.name, mode.frequency_hz);
            }
        }
        Format::Json => {
            let modes: Vec<serde_json::Value> = air
                .modes
                .iter()
                .enumerate()
                .map(|(i, mode)| {
                    let [strong, weak] = ends(i).map(|end| end.map(|(at, _)| at));
                    json!({"name": mode.name, "frequency_hz": mode.frequency_hz, "strongest_corner_m": strong, "weakest_corner_m": weak})
                })
                .collect();
            println!(
                "{}",
                json!({"volume_m3": air.volume_m3, "speed_of_sound_m_per_s": air.sound_speed_m_s, "modes": modes})
            );
        }
    }
    Ok(Exit::Done)
}

/// Distances from the origin's wall, one axis after the other.
fn places(mode: &PredictedMode, dimensions_m: [f64; 3], full: bool) -> String {
    let names = ["length", "width", "height"];
    let metres = |all: &[f64]| all.iter().map(|m| format!("{m:.2}")).collect::<Vec<_>>().join(" ");
    mode.planes(dimensions_m)
        .iter()
        .map(|planes| {
            let distances = if full { &planes.full_m } else { &planes.none_m };
            format!("{} {}", names[planes.axis], metres(distances))
        })
        .collect::<Vec<_>>()
        .join(if full { " and " } else { " or " })
}

fn show(room: &Prediction, args: &PredictArgs) {
    let [length, width, height] = room.dimensions_m;
    screen::heading(&format!(
        "{length:.2} × {width:.2} × {height:.2} m, {:.1} m³, {:.1} °C: speed of sound {:.1} m/s",
        room.volume_m3(),
        room.temperature_c,
        room.sound_speed_m_s
    ));
    screen::paragraph(&dominate(room.schroeder_hz(args.t60), args.t60, args.to));
    screen::paragraph(&format!(
        "At {:.0} Hz there are {:.1} modes per 10 Hz.",
        args.to,
        10.0 * room.density_per_hz(args.to)
    ));
    let rows: Vec<Vec<String>> = room
        .modes
        .iter()
        .map(|mode| {
            vec![
                mode.to_string(),
                format!("{:.2}", mode.frequency_hz),
                mode.form().word().to_owned(),
                places(mode, room.dimensions_m, false),
            ]
        })
        .collect();
    screen::line("");
    screen::table(&["mode", "Hz", "kind", "null planes at (m)"], &rows);
    screen::line("");
    screen::paragraph(
        "Mode: indices along length, width, height. Every mode is at full pressure in every corner: put an absorber that works by pressure there, or at another place of \
         full pressure (--format csv lists them).",
    );
}

/// Up to where single modes dominate, by which decay time, and where the list ends.
fn dominate(schroeder_hz: f64, t60_s: f64, to_hz: f64) -> String {
    format!(
        "Schroeder frequency {schroeder_hz:.0} Hz, below which single modes dominate, assuming T60 {t60_s:.2} s (--t60). \
         Modes listed up to {to_hz} Hz (--to)."
    )
}

fn show_plan(plan: &MeasurementPlan) {
    screen::heading("Where to measure, so that every mode is seen and close ones can be told apart");
    for position in &plan.positions {
        screen::item(&format!("{} m: {}", position.candidate.name, position.reason));
    }
    let listed = |modes: &[AirMode]| modes.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    if !plan.unseen.is_empty() {
        screen::paragraph(&format!("No place sees {}.", listed(&plan.unseen)));
    }
    for (a, b) in &plan.alike {
        screen::paragraph(&format!("Nothing tells {a} from {b}."));
    }
    let off_cm = 100.0 * OFF_M;
    screen::paragraph(&format!(
        "Microphones there, {off_cm:.0} cm off each surface, and at your seats: six places or more."
    ));
    screen::paragraph(&loudspeaker(plan));
}

/// Under this share of the room's largest pressure the mode that the loudspeaker drives least is named. Our own choice.
const WELL_DRIVEN: f64 = 0.3;

/// Where the loudspeaker goes, and what it drives from there.
fn loudspeaker(plan: &MeasurementPlan) -> String {
    let Some([x, y, z]) = plan.loudspeaker_m else {
        return "Loudspeaker in a floor corner: each holds a microphone here, so leave one out.".to_owned();
    };
    let drives = match &plan.driven_least {
        Some((mode, share)) if *share < WELL_DRIVEN => format!(
            "of the modes listed it drives the one at {:.1} Hz ({mode}) least, at {:.0} % of the room's largest pressure",
            mode.frequency_hz,
            100.0 * share
        ),
        Some((_, share)) if *share < 0.995 => {
            format!(
                "it drives every mode there at {:.0} % of the room's largest pressure or more",
                100.0 * share
            )
        }
        _ => "it drives every mode fully".to_owned(),
    };
    format!(
        "Loudspeaker in the corner ({x:.2}, {y:.2}, {z:.2}) m, as near to both walls as it goes: {drives}. Put no \
         microphone there."
    )
}

fn csv(room: &Prediction) {
    screen::print(format_args!("axes,frequency_hz,kind,full_pressure_m,no_pressure_m\n"));
    for mode in &room.modes {
        let (full, none) = (places(mode, room.dimensions_m, true), places(mode, room.dimensions_m, false));
        let (hz, form) = (mode.frequency_hz, mode.form().word());
        screen::print(format_args!("{mode},{hz:.5},{form},{full},{none}\n"));
    }
}

fn document(room: &Prediction, t60_s: f64) -> serde_json::Value {
    let modes: Vec<serde_json::Value> = room
        .modes
        .iter()
        .map(|mode| {
            let planes = mode.planes(room.dimensions_m);
            let axes = ["length", "width", "height"];
            let planes: Vec<_> = planes
                .iter()
                .map(|p| json!({"axis": axes[p.axis], "full_m": p.full_m, "none_m": p.none_m}))
                .collect();
            json!({"axes": mode.to_string(), "frequency_hz": mode.frequency_hz, "kind": mode.form().word(), "planes": planes})
        })
        .collect();
    json!({
        "dimensions_m": room.dimensions_m,
        "temperature_c": room.temperature_c,
        "speed_of_sound_m_per_s": room.sound_speed_m_s,
        "volume_m3": room.volume_m3(),
        "schroeder_hz": room.schroeder_hz(t60_s),
        "modes": modes,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sentence names the list's end and the T60 assumed.
    #[test]
    fn the_list_says_where_it_ends_and_what_is_assumed() {
        let said = dominate(175.3, 0.5, 120.0);
        assert!(
            said.starts_with("Schroeder frequency 175 Hz") && said.contains("assuming T60 0.50 s (--t60)"),
            "{said}"
        );
        assert!(said.ends_with("Modes listed up to 120 Hz (--to)."), "{said}");
    }
}
