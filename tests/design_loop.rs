//! From what `design` says to what `compare` finds: a drawn room is measured, a unit is built as told (with the errors
//! of building), and the room is measured again. The truth on both sides is a closed form (coupled oscillators).

use serde_json::{Value, json};
use std::f64::consts::TAU;
use std::path::Path;
use stillroom::design::{Build, Edges, Measured, Plate, Treated, of_volume};
use stillroom::modes::LN_1000;
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::room::simulate::sound::{Background, Path as Way, Upper, add_modes};
use stillroom::room::simulate::{Chain, Gauss, Scene, Solved, Unit, seed_from};
use stillroom::room::{Enclosure, Face};

use crate::program::{Row, rows, run, value};

const RATE_HZ: f64 = 4_000.0;
const EMISSION_S: f64 = 0.05;
const SECONDS: f64 = 3.5;
/// What T60 may pass the target by and still reach it.
const REACHED: f64 = 0.15;

/// A room before anything is built, and the mode to treat.
struct Room {
    scene: Scene,
    axes: [u32; 3],
    source_m: [f64; 3],
    places_m: Vec<[f64; 3]>,
    g: Gauss,
}

fn between(g: &mut Gauss, low: f64, high: f64) -> f64 {
    low + (high - low) * g.uniform()
}

impl Room {
    fn drawn(number: usize) -> Self {
        let mut g = Gauss::new(seed_from(&["design loop", &number.to_string()]));
        let dims = [between(&mut g, 4.2, 6.8), between(&mut g, 3.1, 5.2), between(&mut g, 2.3, 3.0)];
        let mut walls = [[0.0; 2]; 3];
        walls.as_flattened_mut().iter_mut().for_each(|wall| *wall = between(&mut g, 0.006, 0.02));
        let axes = [[1, 0, 0], [0, 1, 0], [1, 1, 0]][(g.uniform() * 2.999) as usize];
        let scene = Scene {
            walls,
            chain: Chain::high_pass(between(&mut g, 18.0, 24.0), 2),
            gain: 0.3,
            ..Scene::empty(dims, 20.0, 0.01, 250.0)
        };
        let source_m = [between(&mut g, 0.2, 0.6), between(&mut g, 0.2, 0.6), between(&mut g, 0.2, 0.5)];
        let corners = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let mut place = |k: usize| {
            let far = corners[(k / 2) % 3];
            let seat =
                [between(&mut g, 0.15, 0.85), between(&mut g, 0.15, 0.85), between(&mut g, 0.35, 0.55)];
            let share = if k % 2 == 1 { far.map(|x: f64| 0.02 + 0.96 * x) } else { seat };
            [0, 1, 2].map(|i| share[i] * dims[i])
        };
        let places_m = (0..6).map(&mut place).collect();
        Self { scene, axes, source_m, places_m, g }
    }

    /// Frequency in hertz and T60 in seconds of the bare mode.
    fn mode(&self) -> (f64, f64) {
        let (omega, decay) = self.scene.bare_mode(self.axes).expect("a mode");
        (omega.hypot(decay) / TAU, LN_1000 / decay)
    }

    /// Writes a state: six responses over noise (up to 500 Hz) 55 dB under the modes' peak.
    fn write(&mut self, folder: &Path, units: Vec<Unit>) -> Solved {
        let solved = Scene { units, ..self.scene.clone() }.solve().expect("a sound scene");
        std::fs::create_dir_all(folder).expect("writable");
        for (k, place) in self.places_m.iter().enumerate() {
            let mut samples = vec![0.0; (SECONDS * RATE_HZ) as usize];
            add_modes(&mut samples, RATE_HZ, EMISSION_S, &solved.modes(self.source_m, *place));
            let peak = samples.iter().fold(0.0_f64, |p, x| p.max(x.abs()));
            let rms = peak * 10_f64.powf(-55.0 / 20.0);
            // What comes above the modes: direct sound and echoes, the same in both states.
            let upper = Upper {
                from_hz: 425.0,
                t60_s: vec![(500.0, 0.5), (1_000.0, 0.4)],
                gain: self.scene.gain,
                seed: 100 + k as u64,
            };
            let from = self.source_m;
            let way = Way {
                distance_m: (0..3).map(|i| (from[i] - place[i]).powi(2)).sum::<f64>().sqrt(),
                sound_speed_m_s: 343.2,
                volume_m3: self.scene.dimensions_m.iter().product(),
            };
            upper.add(&mut samples, RATE_HZ, EMISSION_S, way);
            let noise = Background { floor_per_hz: rms * rms / 500.0, knee_hz: 0.0 };
            noise.add(&mut samples, RATE_HZ, &mut self.g);
            let path = folder.join(format!("p{k}.wav"));
            write_wav(&path, &samples, RATE_HZ as u32, SampleForm::Float32, true).expect("writable");
        }
        solved
    }

    fn enclosure(&self) -> Enclosure {
        let up_to_hz = (3.0 * self.mode().0).max(250.0);
        Enclosure::rectangular(self.scene.dimensions_m, 20.0, up_to_hz).expect("a room")
    }

    /// Units as the model of the room takes them: the coupling of each face to the target exact, that to every other
    /// mode by the pressure in the middle of the face; modes above the list load it as mass.
    fn units(&self, air: &Enclosure, faces: &[Face], plate: &Plate) -> Vec<Unit> {
        let target = air.modes.iter().position(|mode| mode.axes == Some(self.axes)).expect("the mode");
        faces
            .iter()
            .map(|face| {
                let mass = plate.mass_kg_m2 + air.load_kg_m2(face, self.mode().0);
                let spring = plate.stiffness_pa_m + air.meets_whole(face.area_m2());
                let stiffness = air.meets(target, face.area_m2()) * air.over(target, face).0.powi(2);
                let own = ((spring / mass).sqrt(), 0.5 * plate.resistance_pa_s_m / mass);
                self.scene.unit_for(self.axes, (stiffness / mass).sqrt(), face.middle_m(), own)
            })
            .collect()
    }

    /// T60 of the slowest pole that the target has a part in.
    fn true_t60_s(&self, solved: &Solved) -> f64 {
        let own = solved.room_poles().iter().filter(|p| p.axes == Some(self.axes) || p.unit_share > 0.2);
        own.map(stillroom::room::simulate::Pole::t60_s).fold(0.0, f64::max)
    }
}

fn point(value: &Value) -> [f64; 3] {
    [0, 1, 2].map(|k| value[k].as_f64().expect("a number"))
}

/// What became of one room.
#[derive(Debug)]
enum Ending {
    /// `design` found no mode to treat.
    NoMode,
    /// It said that no unit can.
    Cannot,
    /// A unit was built: target, truth, as measured afterwards with one sd (none where `compare` doesn't tell), verdict.
    Built { target_s: f64, true_s: f64, measured_s: Option<(f64, f64)>, verdict: String },
}

fn manifest(room: &Room) -> String {
    let [length, width, height] = room.scene.dimensions_m;
    let mut text = format!(
        "baseline = \"empty\"\nsame_chain = true\ntime_base = \"emission\"\n[room]\nlength = {length:.4}\nwidth = {width:.4}\nheight = {height:.4}\n"
    );
    for (k, at) in room.places_m.iter().enumerate() {
        text += &format!("[[positions]]\nname = \"p{k}\"\nat = [{:.4}, {:.4}, {:.4}]\n", at[0], at[1], at[2]);
    }
    text + "[[states]]\nname = \"empty\"\n[[states]]\nname = \"built\"\n[[states.units]]\nname = \"A\"\n"
}

/// One room from the first visit to the second.
fn visit(number: usize) -> Ending {
    let mut room = Room::drawn(number);
    let folder = tempfile::tempdir().expect("a folder");
    let job = folder.path().join("job");
    room.write(&job.join("empty"), Vec::new());
    std::fs::write(job.join("session.toml"), manifest(&room)).expect("writable");
    let (hertz, t60_s) = room.mode();
    let target_s = t60_s * between(&mut room.g, 0.4, 0.8);
    let (mode, target) = (format!("{hertz:.2}"), format!("{target_s:.3}"));
    let asked = ["design", "job", "--mode", &mode, "--target-t60", &target, "--format", "json"];
    let designed = run(folder.path(), &asked);
    if designed.status != 0 {
        let known = designed.err.contains("no mode within");
        return if known { Ending::NoMode } else { panic!("{number}: {}", designed.err) };
    }
    let answer: Value = serde_json::from_str(&designed.out).expect("JSON");
    let best = &answer["best"];
    if best["chance"].as_f64().is_none_or(|chance| chance < 0.85) {
        return Ending::Cannot;
    }
    let faces: Vec<Face> = best["faces"]
        .as_array()
        .expect("faces")
        .iter()
        .map(|face| Face::between(point(&face["from_m"]), point(&face["to_m"])).expect("a face"))
        .collect();
    let air = room.enclosure();
    let litres = best["litres"].as_f64().expect("a volume");
    let area_m2: f64 = faces.iter().map(Face::area_m2).sum();
    let stiffness = air.stiffness_pa() * area_m2 / (1e-3 * litres);
    let free = TAU * best["free_hz"].as_f64().expect("a frequency");
    let mass = stiffness / free.powi(2);
    let plate = Plate {
        mass_kg_m2: mass,
        stiffness_pa_m: stiffness,
        resistance_pa_s_m: 2.0 * mass * best["free_decay_per_s"].as_f64().expect("a decay"),
    };
    let built = plate.built(1.0 + between(&mut room.g, -0.01, 0.01), 1.0 + between(&mut room.g, -0.1, 0.1));
    let units = room.units(&air, &faces, &built);
    let solved = room.write(&job.join("built"), units);
    let compared = run(folder.path(), &["compare", "job", "--modes-to", "100", "--format", "csv", "--quiet"]);
    assert_eq!(compared.status, 0, "{number}: {}", compared.err);
    let (measured_s, verdict) = told(&folder.path().join("job-results/changes.csv"), hertz);
    Ending::Built { target_s, true_s: room.true_t60_s(&solved), measured_s, verdict }
}

/// T60 afterwards and verdict of the mode.
fn told(table: &Path, hertz: f64) -> (Option<(f64, f64)>, String) {
    let rows = rows(table);
    let off = |row: &&Row| value(row, "before_hz").map_or(99.0, |hz| (hz - hertz).abs());
    let Some(row) = rows.iter().min_by(|a, b| off(a).total_cmp(&off(b))).filter(|row| off(row) < 0.5) else {
        return (None, "no row".to_owned());
    };
    if row["verdict"] == "chain" {
        println!("{}: {} {}", row["before_hz"], row["reason"], row["flags"]);
    }
    (value(row, "after_t60_s").zip(value(row, "after_t60_sd_s")), row["verdict"].clone())
}

/// In nine of ten rooms the unit that was designed brings the mode to its target within 15 %, and what `compare`
/// measures afterwards says nothing else: its 95 % interval doesn't lie above.
#[test]
#[ignore = "long: 40 rooms, each designed for, built and compared; run with --release"]
fn what_is_designed_reaches_its_target() {
    let mut endings = Vec::new();
    for number in 0..40 {
        let ending = visit(number);
        println!("{number}: {ending:?}");
        endings.push(ending);
    }
    let (mut built, mut truly, mut told, mut reached, mut point) = (0, 0, 0, 0, 0);
    for ending in &endings {
        let Ending::Built { target_s, true_s, measured_s, verdict } = ending else { continue };
        assert!(!["longer", "gone", "new", "chain"].contains(&verdict.as_str()), "{ending:?}");
        built += 1;
        truly += usize::from(*true_s <= target_s * (1.0 + REACHED));
        if let Some((measured_s, sd_s)) = measured_s {
            told += 1;
            point += usize::from(*measured_s <= target_s * (1.0 + REACHED));
            reached += usize::from(measured_s - 1.96 * sd_s <= target_s * (1.0 + REACHED));
        }
    }
    println!(
        "{built} built, {truly} reach the target; {told} told by compare, {reached} of them may have reached it, \
         {point} by the value alone"
    );
    assert!(built >= 30, "{built}");
    assert!(10 * truly >= 9 * built, "{truly} of {built}");
    assert!(10 * reached >= 9 * told && 10 * told >= 7 * built, "{reached} of {told} of {built}");
}

/// Where the answer is that no unit can, the best setting of the largest one does not.
#[test]
#[ignore = "long: a search over settings in eight rooms; run with --release"]
fn what_cannot_be_reached_is_not_reached() {
    let mut refused = 0;
    for number in 100..108 {
        let room = Room::drawn(number);
        let (hertz, t60_s) = room.mode();
        let dims = room.scene.dimensions_m.map(|side| side.to_string()).join("x");
        let (mode, t60, target) = (hertz.to_string(), t60_s.to_string(), (0.06 * t60_s).to_string());
        let asked = ["design", "--dims", &dims, "--mode", &mode, "--t60", &t60, "--target-t60", &target];
        let said = run(Path::new("."), &[&asked[..], &["--format", "json"]].concat()).succeeded();
        let answer: Value = serde_json::from_str(&said).expect("JSON");
        if answer["proposals"].as_array().expect("a list").iter().any(|p| p["reason"] == json!(null)) {
            continue;
        }
        refused += 1;
        let air = room.enclosure();
        let most_m3 = 0.15 * air.volume_m3;
        let measured = Measured { frequency_hz: hertz, t60_s, t60_sd_s: 0.0 };
        let treated = Treated::new(air.clone(), measured, &[]).expect("the mode");
        for count in 1..=4 {
            let build = Build::Sealed { depth_m: 0.3, edges: Edges::Piston };
            let Ok(found) = of_volume(&treated, build, most_m3, count, None) else { continue };
            for (tuning, loss) in (-6..=6).flat_map(|k| [0.3, 0.6, 1.0, 1.7, 3.0].map(|loss| (k, loss))) {
                let plate = found.plate.built(1.0 + 0.02 * f64::from(tuning), loss);
                let units = room.units(&air, &found.faces, &plate);
                let Ok(solved) = (Scene { units, ..room.scene.clone() }).solve() else { continue };
                let reached = room.true_t60_s(&solved);
                assert!(reached > 0.06 * t60_s, "{number}: {count} units reach {reached}");
            }
        }
    }
    println!("{refused} of 8 rooms were refused");
    assert!(refused >= 4, "{refused}");
}
