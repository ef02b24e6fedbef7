//! Clean sessions whose truth is a closed form: rectangular rooms before and after a tuned absorber.

use std::collections::BTreeMap;
use stillroom::room::simulate::sound::{Background, Path, Upper, add_modes};
use stillroom::room::simulate::{Chain, Gauss, Scene, Solved, seed_from};

/// Sample rate of every file, Hz: half of 48 kHz, and its neighbour half of 44.1 kHz.
pub const RATE_HZ: u32 = 24_000;
const EMISSION_S: f64 = 0.06;
const SECONDS: f64 = 1.9;

/// One room with its places.
pub struct Room {
    pub name: &'static str,
    pub dimensions_m: [f64; 3],
    pub source_m: [f64; 3],
    pub places: &'static [(&'static str, [f64; 3])],
    /// Coupling of the absorber to the lowest mode, 1/s.
    pub coupling_per_s: f64,
    pub floor_per_hz: f64,
    /// Whether session.toml says where things stood.
    pub with_places: bool,
}

pub const ROOMS: [Room; 3] = [
    Room {
        name: "cellar",
        dimensions_m: [5.15, 3.86, 2.48],
        source_m: [4.72, 3.48, 0.33],
        places: &[
            ("seat", [3.35, 2.25, 1.10]),
            ("sofa", [2.58, 3.10, 0.95]),
            ("door", [0.04, 0.05, 0.04]),
            ("window", [5.11, 0.05, 0.04]),
            ("shelf", [0.04, 3.81, 0.04]),
            ("high", [0.04, 0.05, 2.44]),
        ],
        coupling_per_s: 9.5,
        floor_per_hz: 6e-13,
        with_places: true,
    },
    Room {
        name: "booth",
        dimensions_m: [4.10, 3.20, 2.60],
        source_m: [0.35, 0.30, 0.40],
        places: &[
            ("chair", [2.20, 1.45, 1.20]),
            ("a", [4.05, 0.05, 0.05]),
            ("b", [0.05, 3.15, 0.05]),
            ("c", [4.05, 3.15, 2.50]),
            ("d", [2.60, 2.60, 1.60]),
        ],
        coupling_per_s: 12.0,
        floor_per_hz: 3e-12,
        with_places: true,
    },
    Room {
        name: "studio",
        dimensions_m: [5.80, 4.40, 2.90],
        source_m: [5.35, 0.50, 0.50],
        places: &[
            ("mix", [2.20, 2.20, 1.20]),
            ("back", [0.10, 2.20, 1.20]),
            ("left", [0.05, 0.05, 0.05]),
            ("right", [0.05, 4.35, 0.05]),
            ("front", [5.75, 4.35, 0.05]),
        ],
        coupling_per_s: 8.0,
        floor_per_hz: 6e-13,
        with_places: false,
    },
];

/// The files of both states, and what is true of them.
pub struct Clean {
    pub files: BTreeMap<(&'static str, &'static str), Vec<f64>>,
    pub after: Solved,
    /// Frequency of the mode that the absorber is for, Hz.
    pub treated_hz: f64,
}

impl Room {
    fn scene(&self, treated: bool) -> Scene {
        let mut scene = Scene {
            dimensions_m: self.dimensions_m,
            temperature_c: 20.0,
            walls: [[0.009, 0.013], [0.011, 0.012], [0.007, 0.016]],
            up_to_hz: 300.0,
            units: Vec::new(),
            chain: Chain::high_pass(24.0, 2),
            gain: 0.3,
        };
        if treated {
            let (omega, decay) = scene.bare_mode([1, 0, 0]).expect("a room");
            let own = (omega + 3.0, decay + 0.7 * self.coupling_per_s);
            scene.units = vec![scene.unit_for([1, 0, 0], self.coupling_per_s, [0.3, 0.35, 0.3], own)];
        }
        scene
    }

    pub fn clean(&self) -> Clean {
        let (before, after) =
            (self.scene(false).solve().expect("solved"), self.scene(true).solve().expect("solved"));
        let mut files = BTreeMap::new();
        for (state, solved) in [("empty", &before), ("treated", &after)] {
            for (place, at_m) in self.places {
                files.insert((state, *place), self.samples(solved, state, place, *at_m));
            }
        }
        let treated_hz = self.scene(false).bare_mode([1, 0, 0]).expect("a room").0 / std::f64::consts::TAU;
        Clean { files, after, treated_hz }
    }

    fn samples(&self, solved: &Solved, state: &str, place: &str, at_m: [f64; 3]) -> Vec<f64> {
        let rate_hz = f64::from(RATE_HZ);
        let mut samples = vec![0.0; (SECONDS * rate_hz) as usize];
        add_modes(&mut samples, rate_hz, EMISSION_S, &solved.modes(self.source_m, at_m));
        let upper = Upper {
            from_hz: 340.0,
            t60_s: vec![(500.0, 0.5), (1_000.0, 0.4), (2_000.0, 0.35), (4_000.0, 0.3), (8_000.0, 0.25)],
            gain: 0.3,
            seed: seed_from(&["echoes", self.name, place]),
        };
        let path = Path {
            distance_m: (0..3).map(|i| (self.source_m[i] - at_m[i]).powi(2)).sum::<f64>().sqrt(),
            sound_speed_m_s: solved.room.sound_speed_m_s,
            volume_m3: self.dimensions_m.iter().product(),
        };
        upper.add(&mut samples, rate_hz, EMISSION_S, path);
        let mut gauss = Gauss::new(seed_from(&["background", self.name, state, place]));
        let background = Background { floor_per_hz: self.floor_per_hz, knee_hz: 70.0 };
        background.add(&mut samples, rate_hz, &mut gauss);
        samples
    }

    pub fn manifest(&self) -> String {
        let mut text = "baseline = \"empty\"\nsame_chain = true\n".to_owned();
        if self.with_places {
            let [length, width, height] = self.dimensions_m;
            text += &format!("[room]\nlength = {length}\nwidth = {width}\nheight = {height}\n");
            text += &format!("[[sources]]\nname = \"woofer\"\nat = {:?}\n", self.source_m);
            for (name, at_m) in self.places {
                text += &format!("[[positions]]\nname = \"{name}\"\nat = {at_m:?}\n");
            }
        }
        text
    }
}
