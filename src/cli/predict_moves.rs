//! `stillroom predict PATH --mode HZ`: where a seat hears and a loudspeaker drives one mode least.

use super::args::{Format, PredictArgs};
use super::screen::println;
use super::{Exit, Failed, screen};
use serde_json::{Value, json};
use stillroom::room::Enclosure;
use stillroom::room::seat::{Move, quietest};
use stillroom::session::{Role, Session};

/// What is said where a session doesn't tell its room; `dims`: --dims would do instead.
pub fn no_lengths(session: &Session, dims: bool) -> String {
    let instead = |text| if dims { text } else { "" };
    if session.has_manifest {
        let dims = instead(", or use --dims");
        format!(
            "session.toml gives neither the room's three lengths nor its plan\n  do       add length, width and height \
             under [room], or plan{dims}"
        )
    } else {
        let dims = instead("give --dims, or ");
        format!(
            "there is no session.toml to give the room's lengths\n  do       {dims}let `stillroom check --write` draft \
             one and add length, width and height under [room]"
        )
    }
}

/// Runs it.
pub fn run(session: &Session, hertz: f64, args: &PredictArgs) -> Result<Exit, Failed> {
    let temperature_c = args.temperature.unwrap_or(session.room.temperature_c);
    let up_to_hz = (2.0 * hertz).max(args.to);
    let air = Enclosure::of_session(session, temperature_c, up_to_hz)
        .ok_or_else(|| Failed::usage(no_lengths(session, false)))?;
    let air = air.map_err(Failed::usage)?;
    let off = |i: &usize| (air.modes[*i].frequency_hz - hertz).abs();
    let mode =
        (0..air.modes.len()).min_by(|a, b| off(a).total_cmp(&off(b))).filter(|i| off(i) <= 0.06 * hertz);
    let mode =
        mode.ok_or_else(|| Failed::nothing(format!("the room has no mode within 6 % of {hertz} Hz")))?;
    // Nobody sits where a microphone looks for modes.
    let seats = session.positions.iter().filter(|p| p.role != Role::Boundary);
    let seats = seats.map(|p| ("seat", &p.name, p.at_m));
    let sources = session.sources.iter().map(|s| ("loudspeaker", &s.name, s.at_m));
    let placed: Vec<(&str, &String, [f64; 3])> =
        seats.chain(sources).filter_map(|(kind, name, at)| Some((kind, name, at?))).collect();
    if placed.is_empty() {
        return Err(Failed::usage("session.toml places no seat and no loudspeaker (at = [x, y, z])"));
    }
    let moves: Vec<Option<Move>> =
        placed.iter().map(|(_, _, at)| quietest(&air, mode, *at, args.reach)).collect();
    match args.format {
        Format::Table => show(&air, mode, &placed, &moves, args.reach),
        Format::Json => println!("{}", document(&air, mode, &placed, &moves)),
        Format::Csv => csv(&air, &placed, &moves),
    }
    Ok(Exit::Done)
}

/// Where to, by how much the mode falls, and which one rises most by how much.
fn cells(air: &Enclosure, found: Option<&Move>) -> [String; 4] {
    let Some(found) = found else { return std::array::from_fn(|_| String::new()) };
    let [x, y, z] = found.to_m;
    let (hertz, rise) = found.cost.map_or_else(Default::default, |(other, rise)| {
        (format!("{:.1}", air.modes[other].frequency_hz), format!("{rise:+.1}"))
    });
    [format!("{x:.2} {y:.2} {z:.2}"), format!("{:+.1}", found.change_db), hertz, rise]
}

fn show(
    air: &Enclosure,
    mode: usize,
    placed: &[(&str, &String, [f64; 3])],
    moves: &[Option<Move>],
    reach: f64,
) {
    let listed = &air.modes[mode];
    screen::heading(&format!(
        "Where the mode at {:.1} Hz ({listed}) is weakest, within {reach:.2} m",
        listed.frequency_hz
    ));
    let rows: Vec<Vec<String>> = placed
        .iter()
        .zip(moves)
        .map(|((kind, name, _), found)| {
            let [to, change, hertz, rise] = cells(air, found.as_ref()).map(|cell| cell.replace('-', "−"));
            let cost = if hertz.is_empty() { hertz } else { format!("{hertz} Hz {rise} dB") };
            let to = if found.is_none() { "weak already".to_owned() } else { to };
            vec![(*name).clone(), (*kind).to_owned(), to, change, cost]
        })
        .collect();
    screen::table(&["place", "what", "move to (m)", "change, dB", "rises most"], &rows);
    screen::line("");
    screen::paragraph(
        "The level follows the mode's pressure; more than 20 dB below full pressure no figure is given. Moving \
         changes the level at that place, not how long the mode rings.",
    );
}

fn csv(air: &Enclosure, placed: &[(&str, &String, [f64; 3])], moves: &[Option<Move>]) {
    println!("name,kind,to_m,change_db,rises_most_hz,rises_db");
    for ((kind, name, _), found) in placed.iter().zip(moves) {
        let [to, change, hertz, rise] = cells(air, found.as_ref());
        println!("\"{}\",{kind},{to},{change},{hertz},{rise}", name.replace('"', "\"\""));
    }
}

fn document(
    air: &Enclosure,
    mode: usize,
    placed: &[(&str, &String, [f64; 3])],
    moves: &[Option<Move>],
) -> Value {
    let rows: Vec<Value> = placed
        .iter()
        .zip(moves)
        .map(|((kind, name, at), found)| {
            let cost = found.as_ref().and_then(|m| m.cost);
            json!({"name": name, "kind": kind, "from_m": at, "to_m": found.as_ref().map(|m| m.to_m),
                "change_db": found.as_ref().map(|m| m.change_db),
                "rises_most_hz": cost.map(|c| air.modes[c.0].frequency_hz), "rises_db": cost.map(|c| c.1)})
        })
        .collect();
    json!({"mode": air.modes[mode].name, "frequency_hz": air.modes[mode].frequency_hz, "moves": rows})
}
