//! What the demo's room is like, what stood where, and how its files come about.

use crate::room::simulate::sound::{Background, Path, Upper, add_modes};
use crate::room::simulate::{Chain, Gauss, Scene, SceneError, Solved, seed_from};
use crate::room::sound_speed_m_s;
use std::fmt::Write as _;

/// A session to be made up.
pub(super) struct Job {
    pub rate_hz: u32,
    pub seconds: f64,
    /// When the loudspeaker's pulse starts, in every file, seconds.
    pub emission_s: f64,
    pub background: Background,
    pub upper_t60_s: Vec<(f64, f64)>,
    pub states: Vec<State>,
    pub sources: Vec<(&'static str, [f64; 3])>,
    pub positions: Vec<Position>,
    pub takes: Vec<Take>,
}

/// One state of the room.
pub(super) struct State {
    pub name: &'static str,
    pub scene: Scene,
}

/// One microphone place.
pub(super) struct Position {
    pub name: &'static str,
    pub at_m: [f64; 3],
    pub role: &'static str,
}

/// One file of every state.
pub(super) struct Take {
    /// Index into [`Job::positions`].
    pub position: usize,
    /// Index into [`Job::sources`].
    pub source: usize,
    /// The rest of the file's name, `#2` for a repeat.
    pub file_stem: String,
}

/// Length, width, height of the cellar, metres.
const CELLAR_M: [f64; 3] = [5.15, 3.86, 2.48];
/// Air of the cellar, °C.
const TEMPERATURE_C: f64 = 18.0;

/// The cellar: concrete and one plasterboard wall, a loudspeaker near a corner and another at the
/// player's place, microphones at the seats and in four corners that differ along one axis each.
pub(super) fn cellar() -> Job {
    let empty = Scene {
        dimensions_m: CELLAR_M,
        temperature_c: TEMPERATURE_C,
        walls: [[0.009, 0.013], [0.011, 0.012], [0.007, 0.016]],
        up_to_hz: 300.0,
        units: Vec::new(),
        // A vented loudspeaker: fourth order at 26 Hz.
        chain: Chain::high_pass(26.0, 2),
        gain: 0.3,
    };
    let positions = vec![
        seat("player", [3.35, 2.25, 1.10]),
        seat("teacher", [1.70, 1.30, 1.20]),
        seat("sofa", [2.58, 3.10, 0.95]),
        corner("door_low", [0.04, 0.05, 0.04]),
        corner("window_low", [5.11, 0.05, 0.04]),
        corner("shelf_low", [0.04, 3.81, 0.04]),
        corner("door_high", [0.04, 0.05, 2.44]),
    ];
    Job {
        rate_hz: 48_000,
        seconds: 3.0,
        emission_s: 0.02,
        background: Background { floor_per_hz: 6e-13, knee_hz: 70.0 },
        upper_t60_s: vec![
            (250.0, 0.85),
            (500.0, 0.62),
            (1_000.0, 0.48),
            (2_000.0, 0.42),
            (4_000.0, 0.38),
            (8_000.0, 0.32),
            (16_000.0, 0.25),
        ],
        states: vec![
            State { name: "empty", scene: empty.clone() },
            State { name: "absorber", scene: with_absorber(empty) },
        ],
        sources: vec![("corner", [4.72, 3.48, 0.33]), ("bass", [3.05, 1.55, 0.60])],
        takes: takes(&positions),
        positions,
    }
}

/// Where the absorber stands, metres: on the floor, in the corner by the door.
const ABSORBER_AT_M: [f64; 3] = [0.30, 0.35, 0.30];

/// The cellar with one absorber: coupling 9.5 1/s to the lowest mode, tuned a little beside its
/// best frequency and damped to six tenths of the best, as after a first try.
fn with_absorber(mut scene: Scene) -> Scene {
    const MODE: [u32; 3] = [1, 0, 0];
    const G_PER_S: f64 = 9.5;
    if let Ok((omega, decay)) = scene.bare_mode(MODE) {
        let own = (omega + 2.0 * std::f64::consts::PI * 0.5, decay + 0.6 * G_PER_S);
        scene.units = vec![scene.unit_for(MODE, G_PER_S, ABSORBER_AT_M, own)];
    }
    scene
}

fn seat(name: &'static str, at_m: [f64; 3]) -> Position {
    Position { name, at_m, role: "listening" }
}

fn corner(name: &'static str, at_m: [f64; 3]) -> Position {
    Position { name, at_m, role: "boundary" }
}

/// Every position from the first source, the seats from the second too, the first one twice.
fn takes(positions: &[Position]) -> Vec<Take> {
    let take = |position: usize, source: usize, which: &str| {
        let source_name = ["corner", "bass"][source];
        Take { position, source, file_stem: format!("{}@{source_name}{which}", positions[position].name) }
    };
    let mut takes: Vec<Take> =
        (0..positions.len()).map(|p| take(p, 0, if p == 0 { "#1" } else { "" })).collect();
    takes.push(take(0, 0, "#2"));
    takes.extend((0..3).map(|p| take(p, 1, "")));
    takes
}

impl Take {
    pub fn file_name(&self) -> String {
        format!("{}.wav", self.file_stem)
    }
}

impl Job {
    /// The samples of one file, in full scale.
    pub fn samples(&self, state: &State, solved: &Solved, take: &Take) -> Result<Vec<f64>, SceneError> {
        let (from, to) = (self.sources[take.source].1, self.positions[take.position].at_m);
        let rate_hz = f64::from(self.rate_hz);
        let mut samples = vec![0.0; (self.seconds * rate_hz) as usize];
        add_modes(&mut samples, rate_hz, self.emission_s, &solved.modes(from, to));
        let upper = Upper {
            from_hz: 340.0,
            t60_s: self.upper_t60_s.clone(),
            gain: state.scene.gain,
            // The same echoes in both states, other ones at every pair of places.
            seed: seed_from(&["echoes", self.positions[take.position].name, self.sources[take.source].0]),
        };
        let path = Path {
            distance_m: (0..3).map(|i| (from[i] - to[i]).powi(2)).sum::<f64>().sqrt(),
            sound_speed_m_s: sound_speed_m_s(state.scene.temperature_c)?,
            volume_m3: state.scene.dimensions_m.iter().product(),
        };
        upper.add(&mut samples, rate_hz, self.emission_s, path);
        let mut gauss = Gauss::new(seed_from(&["background", state.name, &take.file_stem]));
        self.background.add(&mut samples, rate_hz, &mut gauss);
        Ok(samples)
    }

    /// The text of `session.toml`.
    pub fn manifest(&self) -> String {
        let [length, width, height] = CELLAR_M;
        let mut text = format!(
            "title = \"Double bass room in a cellar (invented)\"\nbaseline = \"{}\"\nsame_chain = true\n\
             time_base = \"emission\"\n\n[room]\nlength = {length}\nwidth = {width}\nheight = {height}\n\
             temperature_c = {TEMPERATURE_C:.1}\n\n[visit]\nsignal = \"simulated pulse\"\noccupied = false\n\
             notes = \"Invented: made by the program from known poles, see {}\"\n",
            self.states[0].name,
            super::TRUTH
        );
        for (name, at) in &self.sources {
            // Writing into a String can't fail.
            let _ = write!(text, "\n[[sources]]\nname = \"{name}\"\nat = {at:?}\n");
        }
        for state in &self.states {
            let _ = write!(text, "\n[[states]]\nname = \"{}\"\n", state.name);
            for unit in &state.scene.units {
                let _ = write!(
                    text,
                    "[[states.units]]\nname = \"A\"\nat = {:?}\ndials = {{ frequency = 4, damping = 6 }}\n",
                    unit.at_m
                );
            }
        }
        for position in &self.positions {
            let Position { name, at_m, role } = position;
            let _ = write!(text, "\n[[positions]]\nname = \"{name}\"\nat = {at_m:?}\nrole = \"{role}\"\n");
        }
        text
    }
}
