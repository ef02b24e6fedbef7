//! `stillroom design`: what to build for a mode, or what a given unit does to it.

use super::analyze::options;
use super::args::{DesignArgs, Format};
use super::design_answer::{Answer, GivenAnswer, surest};
use super::design_unit::{GivenUnit, parse};
use super::predict::NO_ROOM;
use super::predict_moves::no_lengths;
use super::screen::println;
use super::{Exit, Failed, design_document, design_screen, screen};
use stillroom::analysis::{Control, ModeRange, Settings, analyze};
use stillroom::design::{
    Build, DesignError, Edges, Errors, Given, Goal, Layer, Measured, Proposal, Size, Treated, as_built_s,
    effects, meeting, of_volume, share_within, smallest, tuning_for_a_tenth,
};
use stillroom::modes::{Kind, LN_1000, Mode};
use stillroom::room::{AirMode, Enclosure, Face};
use stillroom::session::{self, Session, State, parse_dimensions};
use stillroom::state::StateResult;

/// Runs the command.
pub fn run(args: &DesignArgs) -> Result<Exit, Failed> {
    if args.unit.is_none() && args.target_t60.is_none() && args.areas.is_none() {
        return Err(Failed::usage(
            "give --target-t60 S for what to build, or --unit for what a given unit does",
        ));
    }
    if !(0.0..=15.0).contains(&args.tolerance) {
        return Err(Failed::usage(format!("--tolerance {}: allowed are 0 to 15 per cent", args.tolerance)));
    }
    let answer = answer(args)?;
    if args.format != Format::Table {
        answer.occupied.iter().for_each(|text| screen::warning(text));
    }
    match args.format {
        Format::Json => println!("{}", design_document::document(&answer)),
        Format::Csv => design_screen::csv(&answer),
        Format::Table => design_screen::show(&answer),
    }
    Ok(Exit::Done)
}

fn answer(args: &DesignArgs) -> Result<Answer, Failed> {
    let (room, occupied) = treated(args)?;
    let sd = room.measured.t60_sd_s / room.measured.t60_s;
    let errors = Errors { room: sd, seed: args.seed, ..Errors::default() };
    let goal =
        args.target_t60.map(|t60_s| Goal { t60_s, tolerance: 0.01 * args.tolerance, sure: 0.9, errors });
    let given = args.unit.as_ref().map(|text| given(args, &room, goal.as_ref(), text)).transpose()?;
    let wanted = goal.filter(|_| given.is_none());
    let reachable = wanted.filter(|goal| goal.t60_s < room.measured.t60_s);
    let builds = builds(args.edges.into());
    let proposals: Vec<_> =
        reachable.iter().flat_map(|goal| builds.iter().map(|b| propose(args, &room, *b, goal))).collect();
    let least = reachable.map(|goal| smallest(&room, builds[2], &goal, Size::Least));
    let effects = match (&given, surest(&proposals)) {
        (Some(given), _) => effects(&room, &[given.face], &given.unit.plate),
        (None, Some(surest)) => effects(&room, &surest.faces, &surest.plate),
        _ => Vec::new(),
    };
    let porous = goal.map(|goal| porous(&room, goal.t60_s)).unwrap_or_default();
    let bands = args.areas.as_ref().map(|file| super::design_bands::read(file, &room)).transpose()?;
    let (limited, bands) = (args.litres.is_some(), bands.unwrap_or_default());
    let as_given = args.t60.map(|t60_s| (args.mode, t60_s));
    Ok(Answer {
        room,
        occupied,
        goal,
        given,
        builds,
        proposals,
        limited,
        least,
        porous,
        effects,
        as_given,
        bands,
    })
}

/// Depths of sealed spaces that are looked at, and one vented box.
fn builds(edges: Edges) -> Vec<Build> {
    let sealed = [0.10, 0.15, 0.20, 0.30].map(|depth_m| Build::Sealed { depth_m, edges });
    sealed.into_iter().chain([Build::Vented { neck_m: 0.05 }]).collect()
}

/// The surest small unit; with a limit on its air, the largest that keeps to it.
fn propose(args: &DesignArgs, room: &Treated, build: Build, goal: &Goal) -> Result<Proposal, DesignError> {
    let found = smallest(room, build, goal, Size::Sure);
    let Some(most_m3) = args.litres.map(|l| 1e-3 * l) else { return found };
    match found {
        Ok(found) if found.whole_volume_m3() <= most_m3 => Ok(found),
        Ok(found) => of_volume(room, build, most_m3, found.faces.len(), Some(goal)),
        Err(_) => of_volume(room, build, most_m3, 1, Some(goal)),
    }
}

fn given(args: &DesignArgs, room: &Treated, goal: Option<&Goal>, text: &str) -> Result<GivenAnswer, Failed> {
    let unit = parse(text, args.edges.into(), &room.air)?;
    let face = face(args, room, &unit)?;
    let system = room.system(&[face]).map_err(Failed::nothing)?;
    let unsolved = || {
        Failed::nothing(
            "the poles of mode and unit can't be computed: the unit is too strong or too heavily \
            damped",
        )
    };
    let outcome = system.outcome(&unit.plate).ok_or_else(unsolved)?;
    let kept = if unit.air_spring {
        Given::Stiffness(unit.plate.stiffness_pa_m)
    } else {
        Given::Mass(unit.plate.mass_kg_m2)
    };
    let best = meeting(&system, kept).and_then(|plate| Some((plate, system.outcome(&plate)?)));
    let chance = goal.map(|goal| {
        share_within(
            &as_built_s(&system, &unit.plate, &goal.errors, 400),
            goal.t60_s * (1.0 + goal.tolerance),
        )
    });
    let exactness = tuning_for_a_tenth(&system, &unit.plate);
    Ok(GivenAnswer { unit, face, system, outcome, best, chance, exactness })
}

fn face(args: &DesignArgs, room: &Treated, unit: &GivenUnit) -> Result<Face, Failed> {
    if let (Some(from), Some(to)) = (args.from, args.to) {
        let outside =
            |at: [f64; 3]| Failed::usage(format!("{}, {}, {} m lies outside the room", at[0], at[1], at[2]));
        for corner in [from, to] {
            if !room.air.holds(corner) {
                return Err(outside(corner));
            }
        }
        let face = Face::between(from, to).map_err(Failed::usage)?;
        return match unit.area_m2 {
            Some(area) if !unit.vented && (area / face.area_m2() - 1.0).abs() > 0.02 => {
                Err(Failed::usage(format!(
                    "--unit area={area} but --from and --to span {:.4} m²: leave one out",
                    face.area_m2()
                )))
            }
            _ => Ok(face),
        };
    }
    let area = unit.area_m2.ok_or_else(|| {
        Failed::usage("where is the unit? give --from and --to, two corners of its face, or area= in --unit")
    })?;
    let faces = room.air.corner_faces(area);
    let pressure = |face: &Face| room.air.over(room.target, face).0.abs();
    let best = faces.iter().max_by(|a, b| pressure(&a.1).total_cmp(&pressure(&b.1)));
    best.map(|(_, face)| *face).ok_or_else(|| {
        Failed::usage(format!("a face of {area} m² doesn't fit against any wall of this room"))
    })
}

/// Area of porous layer that would bring the target to its T60, at full pressure.
fn porous(room: &Treated, t60_s: f64) -> Vec<(Layer, f64, f64)> {
    let (hertz, c) = (room.measured.frequency_hz, room.air.sound_speed_m_s);
    let wanted = LN_1000 / t60_s - LN_1000 / room.measured.t60_s;
    if wanted <= 0.0 {
        return Vec::new();
    }
    let scale = room.air.volume_m3 * room.air.modes[room.target].mean_square;
    [0.1, 0.2, 0.4, 0.8]
        .map(|thickness_m| {
            let layer = Layer::best(thickness_m, hertz, c);
            let area = 2.0 * wanted * scale / (c * layer.admittance(hertz, c).re);
            (layer, layer.absorption(hertz, c), area)
        })
        .to_vec()
}

/// The modes of a plan, which have to be solved for, are listed no further than this or 1.6 times the mode: their number
/// grows with the frequency's third power, and what lies above loads a unit as a mass, as it does in a box beyond three
/// times the mode. Our own choice.
const SOLVED_TO_HZ: f64 = 300.0;

/// The room and the mode: from the command line, or from a session with its measured decay; and what is to be said of the
/// state where a unit stands in it.
fn treated(args: &DesignArgs) -> Result<(Treated, Option<String>), Failed> {
    let up_to_hz = (3.0 * args.mode).max(250.0);
    let Some(path) = &args.path else {
        let dims = args.dims.as_deref().ok_or_else(|| Failed::usage(NO_ROOM))?;
        let lengths = parse_dimensions(dims).map_err(Failed::usage)?;
        let temperature_c = args.temperature.unwrap_or(20.0);
        let air = Enclosure::rectangular(lengths, temperature_c, up_to_hz).map_err(Failed::usage)?;
        let t60_s = args.t60.ok_or_else(|| {
            Failed::usage(
                "give --t60, how long the mode rings now, or a session folder in which it was measured",
            )
        })?;
        return as_stated(args, air, t60_s);
    };
    // With --t60 nothing is fitted, so the manifest alone will do.
    let reading = options(&args.reading);
    let reading = if args.t60.is_some() { reading.with_or_without_audio() } else { reading };
    let mut session = session::open(std::slice::from_ref(path), &reading)?;
    let state = if args.t60.is_some() && session.states.is_empty() {
        None
    } else {
        Some(baseline(&session, args.before.as_deref())?)
    };
    let known_c = || state.as_ref().map_or(session.room.temperature_c, |state| session.temperature_c(state));
    let temperature_c = args.temperature.unwrap_or_else(known_c);
    let air = match (&args.dims, &session.plan) {
        (None, Some(plan)) => {
            let up_to_hz = up_to_hz.min((1.6 * args.mode).max(SOLVED_TO_HZ));
            Enclosure::upright(&plan.corners_m, plan.height_m, temperature_c, up_to_hz)
        }
        _ => Enclosure::rectangular(lengths(args, &session)?, temperature_c, up_to_hz),
    };
    let air = air.map_err(Failed::usage)?;
    if let Some(t60_s) = args.t60 {
        return as_stated(args, air, t60_s);
    }
    let occupied = state.as_ref().and_then(|state| occupied(&session, state));
    session.states = state.into_iter().collect();
    Ok((measured(args, &session, air)?, occupied))
}

/// The room with the T60 that the user says the mode has without units.
fn as_stated(args: &DesignArgs, air: Enclosure, t60_s: f64) -> Result<(Treated, Option<String>), Failed> {
    let measured = Measured { frequency_hz: args.mode, t60_s, t60_sd_s: 0.0 };
    Ok((Treated::new(air, measured, &[]).map_err(Failed::nothing)?, None))
}

/// A unit parts its mode into two poles, and the fit has no way to tell either from a mode of the room.
fn occupied(session: &Session, state: &State) -> Option<String> {
    let units: Vec<&str> = state.units.iter().map(|unit| unit.name.as_str()).collect();
    let (noun, verb, them) = match units.len() {
        0 => return None,
        1 => ("unit", "stands", "it"),
        _ => ("units", "stand", "them"),
    };
    let free = session.states.iter().filter(|state| state.units.is_empty() && !state.takes.is_empty());
    let free: Vec<&str> = free.map(|state| state.name.as_str()).collect();
    let advice = if free.is_empty() {
        format!("measure the room without {them}")
    } else {
        format!("take a state measured without {them} (--before {})", free.join(", --before "))
    };
    Some(format!(
        "By session.toml the {noun} {} {verb} in {}. A unit parts its mode in two, also where it is switched off: the T60 that \
         this answer starts from may be of one of them and not the room's own. To design for the room, {advice}, or give \
         --t60.",
        units.join(", "),
        state.name
    ))
}

/// The three lengths of a rectangular room.
fn lengths(args: &DesignArgs, session: &Session) -> Result<[f64; 3], Failed> {
    match &args.dims {
        Some(dims) => parse_dimensions(dims).map_err(Failed::usage),
        None => session.room.dimensions_m.ok_or_else(|| Failed::usage(no_lengths(session, true))),
    }
}

/// The state without units.
fn baseline(session: &Session, asked: Option<&str>) -> Result<State, Failed> {
    let named = asked.or(session.baseline.as_deref());
    let found = match named {
        Some(name) => session.state(name),
        None => session.states.first().filter(|_| session.states.len() == 1),
    };
    found.cloned().ok_or_else(|| {
        let names: Vec<&str> = session.states.iter().map(|s| s.name.as_str()).collect();
        Failed::usage(format!("which state is without units? --before one of: {}", names.join(", ")))
    })
}

/// How far the fit reaches beyond the mode at least, hertz: its neighbours have to be part of it.
const AROUND_HZ: f64 = 15.0;

/// The range that `analyze` looks at, so that both give one number for one mode, and wider where the mode asks for it.
fn looked_at(mode_hz: f64) -> ModeRange {
    let usual = ModeRange::default();
    ModeRange {
        from_hz: usual.from_hz.min((mode_hz - AROUND_HZ).max(5.0)),
        to_hz: usual.to_hz.max((mode_hz + AROUND_HZ).min(300.0)),
    }
}

fn measured(args: &DesignArgs, session: &Session, air: Enclosure) -> Result<Treated, Failed> {
    let mut settings = Settings::default();
    settings.modes = Some(looked_at(args.mode));
    settings.jobs = args.run.jobs;
    let cancelled = super::interrupt::asked;
    let found = analyze(session, &settings, &Control { cancelled: &cancelled, progress: &|_| {} });
    let state = found.states.first().ok_or_else(|| Failed::nothing("nothing could be read"))?;
    let known = known(state, &air);
    let near = |m: &&(Measured, Option<usize>, Kind)| (m.0.frequency_hz - args.mode).abs();
    let best = |kind: Kind| {
        known.iter().filter(|m| m.2 == kind && near(m) <= 3.0).min_by(|a, b| near(a).total_cmp(&near(b)))
    };
    let target = best(Kind::Mode).or(best(Kind::Unsure)).ok_or_else(|| {
        Failed::nothing(format!(
            "{} shows no mode within 3 Hz of {} Hz: give --t60 to go on without",
            state.name, args.mode
        ))
    })?;
    let others: Vec<(usize, Measured)> =
        known.iter().filter(|m| m.2 == Kind::Mode).filter_map(|m| Some((m.1?, m.0))).collect();
    match target.1 {
        Some(index) => Ok(Treated::with_target(air, index, target.0, &others)),
        None => Treated::new(air, target.0, &others).map_err(Failed::nothing),
    }
}

/// The measured modes with their places in the room's list, where they have a name.
fn known(state: &StateResult, air: &Enclosure) -> Vec<(Measured, Option<usize>, Kind)> {
    let Some(resonances) = &state.resonances else { return Vec::new() };
    let value = |mode: &Mode| Measured {
        frequency_hz: mode.omega_per_s.hypot(mode.decay_per_s) / std::f64::consts::TAU,
        t60_s: LN_1000 / mode.decay_per_s,
        t60_sd_s: LN_1000 / mode.decay_per_s * mode.decay_sd_per_s / mode.decay_per_s,
    };
    resonances
        .set
        .modes
        .iter()
        .enumerate()
        .filter(|(_, mode)| mode.decay_per_s > 0.0)
        .map(|(m, mode)| {
            (value(mode), resonances.names.of(m).and_then(|named| in_list(air, named)), mode.kind)
        })
        .collect()
}

/// A named mode in another list of the same room: with its name, and near its frequency, since the finite elements of
/// the two lists may order modes of nearly one frequency differently.
fn in_list(air: &Enclosure, named: &AirMode) -> Option<usize> {
    let near = |m: &AirMode| (m.frequency_hz / named.frequency_hz - 1.0).abs() < 0.02;
    air.modes.iter().position(|m| m.to_string() == named.to_string() && near(m))
}
