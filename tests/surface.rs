//! What scripts rely on beside the tables: last lines, exit statuses, what a command says of a missing argument, the
//! rows of `--format csv`, and what the commands say of files that are no responses.

use std::fs;
use stillroom::output::audio::{SampleForm, write_wav};

use crate::program::{Job, one_line, rows_of};

const RATE_HZ: u32 = 48_000;

impl Job {
    fn with_samples(self, name: &str, samples: &[f64]) -> Self {
        write_wav(&self.place(name), samples, RATE_HZ, SampleForm::Float32, false).expect("writable");
        self
    }
}

/// Uniform noise by a linear congruential generator (Numerical Recipes' constants), −1 to 1.
struct Noise(u32);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / f64::from(1 << 23) - 1.0
    }
}

/// Noise that decays at a T60 of 0.4 s from 50 ms on, over a floor; `seed` makes it a room of its own.
fn response(seed: u32) -> Vec<f64> {
    let (mut noise, mut floor) = (Noise(seed), Noise(seed ^ 0x5555));
    let decay = |n: i32| (-6.908 * f64::from(n - 2_400) / (0.4 * f64::from(RATE_HZ))).exp();
    (0..48_000)
        .map(|n| if n < 2_400 { 0.0 } else { 0.5 * noise.next() * decay(n) } + 1e-5 * floor.next())
        .collect()
}

/// 10 lg(fs·Σp²/B) of a unit sample is 10 lg 2 = 3.01 dB: of its energy of 1 the share 2B/fs lies in a band. Told for
/// a pulse among digital zeros as for one over a little noise; neither has a decay, nor takes part in a mode fit.
#[test]
fn a_unit_sample_has_a_level_and_no_decay() {
    let mut noise = Noise(7);
    let pulse = |floor: &mut dyn FnMut() -> f64| -> Vec<f64> {
        (0..96_000).map(|n| if n == 4_800 { 1.0 } else { floor() }).collect()
    };
    for (name, samples) in [("silence", pulse(&mut || 0.0)), ("noise", pulse(&mut || 1e-6 * noise.next()))] {
        let desk = Job::new().with_samples("room/loop.wav", &samples);
        let said = desk.run_line("analyze room --bands octave");
        assert_eq!(said.status, 0, "{name}: {}", said.err);
        let bands = desk.rows("room-results/bands.csv");
        assert!(bands.len() >= 10, "{name}");
        for row in &bands {
            let level: f64 = row["level_db"].parse().unwrap_or(f64::NAN);
            assert!((level - 3.01).abs() < 0.5, "{name}: {row:?}");
            assert!(row["flags"].contains("signal-itself"), "{name}: {row:?}");
            assert!(
                ["edt_s", "t20_s", "t30_s", "c80_db"].iter().all(|cell| row[*cell].is_empty()),
                "{row:?}"
            );
        }
        assert!(desk.rows("room-results/modes.csv").is_empty(), "{name}");
        let told = one_line(&format!("{} {}", said.out, said.err));
        assert!(told.contains("it holds the test signal or its loopback"), "{name}: {told}");
    }
}

/// Levels of a loopback say nothing of the room: the average over positions leaves them out.
#[test]
fn the_level_of_a_loopback_is_in_no_average() {
    let mut pulse = vec![0.0; 48_000];
    pulse[2_400] = 1.0;
    let desk = Job::new().with_samples("room/seat.wav", &response(1)).with_samples("room/loop.wav", &pulse);
    assert_eq!(desk.run_line("analyze room --no-modes --bands octave").status, 0);
    let rows = desk.rows("room-results/bands.csv");
    let level = |position: &str| {
        let row = rows.iter().find(|row| row["position"] == position && row["band_hz"] == "1000.00");
        row.expect("a row")["level_db"].clone()
    };
    assert_eq!(level("*"), level("seat"));
    assert_ne!(level("loop"), "");
}

#[test]
fn a_given_unit_is_a_row_of_the_csv() {
    let desk = Job::new();
    let asked = "design --dims 5.6x4.25x2.75 --mode 30.6 --t60 1.9 --unit mass=14.8,hz=29.66,decay=30.16 \
                 --from 0,0,0 --to 0,1.2,1";
    let csv = rows_of(desk.run_line(&format!("{asked} --format csv")).out.as_bytes());
    let words: Vec<&str> = csv.iter().map(|row| row["build"].as_str()).collect();
    assert_eq!(words, ["given", "best"]);
    let json: serde_json::Value =
        serde_json::from_str(&desk.run_line(&format!("{asked} --format json")).out).expect("JSON");
    for (row, object) in [(&csv[0], &json), (&csv[1], &json["best"])] {
        for key in ["t60_s", "ring_s"] {
            let cell: f64 = row[key].parse().expect("a number");
            assert!((cell - object[key].as_f64().expect("a number")).abs() < 1e-4, "{row:?}");
        }
    }
    let given = &csv[0];
    assert_eq!((given["panel_kg_m2"].as_str(), given["free_hz"].as_str()), ("14.80000", "29.6600"));
    assert_eq!((given["units"].as_str(), given["area_m2"].as_str()), ("1", "1.20000"));
    let sealed = "design --dims 5.6x4.25x2.75 --mode 30.6 --t60 1.9 --unit mass=14.8,depth=0.2,decay=30,area=1 \
                  --format csv";
    let sealed = rows_of(desk.run_line(sealed).out.as_bytes());
    assert_eq!((sealed[0]["depth_m"].as_str(), sealed[0]["litres"].as_str()), ("0.20000", "200.0"));
}

#[test]
fn without_a_room_dims_are_named_and_a_mode_needs_a_session() {
    let desk = Job::new();
    for command in ["predict", "design --mode 30 --target-t60 0.5"] {
        let said = desk.run_line(command);
        assert_eq!(said.status, 2);
        assert!(said.err.contains("--dims LxWxH") && said.err.contains("folder"), "{}", said.err);
    }
    let said = desk.run_line("predict --dims 5.6x4.25x2.75 --mode 33.2");
    assert_eq!(said.status, 2, "{}", said.out);
    assert!(said.err.contains("--mode 33.2 needs a session folder"), "{}", said.err);
}

#[test]
fn a_move_s_cost_is_two_numbers() {
    let manifest = "[room]\nlength = 5.6\nwidth = 4.25\nheight = 2.75\n\
                    [[positions]]\nname = \"seat\"\nat = [2.4, 2.1, 1.2]\nrole = \"listening\"\n\
                    [[positions]]\nname = \"sofa\"\nat = [4.9, 1.1, 1.0]\nrole = \"listening\"\n";
    let desk = Job::new().with_bytes("job/session.toml", manifest);
    let said = desk.run_line("predict job --mode 30.7 --format csv");
    assert_eq!(said.status, 0, "{}", said.err);
    let moves = rows_of(said.out.as_bytes());
    assert_eq!(moves.len(), 2);
    let mut told = 0;
    for row in moves {
        for cell in ["rises_most_hz", "rises_db"].map(|column| &row[column]).iter().filter(|c| !c.is_empty())
        {
            assert!(cell.parse::<f64>().is_ok(), "{row:?}");
            told += 1;
        }
    }
    assert!(told >= 2, "{}", said.out);
}

/// Two states with a place whose takes disagree: each warning says in which.
#[test]
fn a_warning_names_the_state_of_its_place() {
    let mut desk = Job::new();
    for (state, seed) in [("empty", 1), ("treated", 11)] {
        for take in [1, 2] {
            desk = desk.with_samples(&format!("job/{state}/wall#{take}.wav"), &response(seed + take));
        }
    }
    let said = desk.run_line("analyze job --no-modes");
    for state in ["empty", "treated"] {
        let text = format!("wall in {state}: the takes disagree");
        assert_eq!(said.err.matches(&text).count(), 1, "{text}: {}", said.err);
    }
}

#[test]
fn a_file_of_two_microphones_fails_once() {
    let desk = Job::new()
        .with_bytes("job/session.toml", "channels = { 1 = \"seat\", 2 = \"corner\" }\n")
        .with_bytes("job/empty/good.txt", "")
        .with_bytes("job/empty/bad.wav", "no audio");
    let said = desk.run_line("analyze job --no-modes");
    assert_eq!(said.err.matches("bad.wav: not an audio file").count(), 1, "{}", said.err);
    let said = desk.run_line("check job");
    assert_eq!(
        said.err.matches("bad.wav: not an audio file").count(),
        0,
        "in its line already: {}",
        said.err
    );
}

#[test]
fn check_names_the_position_without_coordinates() {
    let manifest = "[room]\nlength = 5.6\nwidth = 4.25\nheight = 2.75\n\
                    [[positions]]\nname = \"seat\"\nat = [2.4, 2.1, 1.2]\n";
    let desk = Job::new()
        .with_bytes("job/session.toml", manifest)
        .with_samples("job/empty/seat.wav", &response(1))
        .with_samples("job/empty/corner.wav", &response(2));
    let said = desk.run_line("check job");
    assert!(said.out.contains("does not say where the microphone stood at corner, so"), "{}", said.out);
}

#[test]
fn a_folder_of_others_is_wrong_usage_for_the_demo_too() {
    let desk = Job::new().with_bytes("mine/letter.txt", "Dear neighbour");
    let said = desk.run_line("demo mine");
    assert_eq!(said.status, 2, "{}", said.err);
    assert_eq!(fs::read_dir(desk.path("mine")).expect("a folder").count(), 1);
}

/// The response of a position once more, with other noise 100 dB under its peak.
fn again(seed: u32, take: u32) -> Vec<f64> {
    let mut noise = Noise(seed * 97 + take);
    response(seed).iter().map(|x| x + 5e-6 * noise.next()).collect()
}

/// Takes of one position under names of their own met `6 combinations` and *enough*; one of them is four, and *enough for
/// bands*. Where session.toml says that they stood apart they are what they are called.
#[test]
fn takes_that_sound_alike_count_as_one_position_until_somebody_says() {
    let mut desk = Job::new();
    for (name, seed) in [("Ecke_1", 11), ("Ecke_2", 12), ("Klavier", 13), ("Sofa", 14)] {
        desk = desk.with_samples(&format!("job/leer/{name}.wav"), &again(seed, 0));
    }
    let desk = desk
        .with_samples("job/leer/Sofa final.wav", &again(14, 1))
        .with_samples("job/leer/Sofa FINAL2.wav", &again(14, 2));
    let combinations = |out: &str| {
        let rows = desk.rows(&format!("{out}/checks.csv"));
        let row = rows.iter().find(|row| {
            row["requirement"].contains("combinations, engineering") && row["clause"] == "table 1"
        });
        row.map(|row| (row["found"].clone(), row["met"].clone()))
    };
    let said = desk.run_line("analyze job --no-modes --out one");
    let told = one_line(&said.err);
    for words in ["Sofa FINAL2", "sound alike to −", "Name them Sofa, Sofa#2, Sofa#3"] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert_eq!(combinations("one"), Some(("4".into(), "no".into())));
    let checked = one_line(&desk.run_line("check job --no-modes").out);
    assert!(checked.contains("takes of one position?"), "{checked}");
    assert!(checked.trim_end().ends_with("enough for bands"), "{checked}");
    let place = |name: &str, x: f64| format!("[[positions]]\nname = \"{name}\"\nat = [{x}, 1.0, 1.2]\n");
    let apart = [("Sofa", 1.0), ("Sofa final", 1.5), ("Sofa FINAL2", 2.0)].map(|(n, x)| place(n, x)).concat();
    let manifest =
        format!("[room]\nlength = 5.0\nwidth = 4.0\nheight = 2.5\n{apart}[[states]]\nname = \"leer\"\n");
    let desk = desk.with_bytes("job/session.toml", &manifest);
    let said = desk.run_line("analyze job --no-modes --out two");
    assert!(!said.err.contains("sound alike"), "{}", said.err);
    let rows = desk.rows("two/checks.csv");
    assert!(rows.iter().any(|r| r["requirement"].contains("combinations, engineering") && r["found"] == "6"));
}

/// Half a copied file is to be copied again; that it ends early is no second fault, and no reason to record anew.
#[test]
fn a_half_copied_file_is_told_once() {
    let whole = response(5);
    let desk = Job::new()
        .with_samples("job/empty/seat.wav", &response(4))
        .with_samples("job/empty/door.wav", &whole);
    let path = desk.path("job/empty/door.wav");
    let bytes = fs::read(&path).expect("written");
    fs::write(&path, &bytes[..bytes.len() / 2]).expect("writable");
    let checked = one_line(&desk.run_line("check job --no-modes").out);
    assert!(checked.contains("opy or export the file again"), "{checked}");
    assert!(!checked.contains("longer response"), "{checked}");
}

/// A name spelled otherwise is asked about; places left out are named.
#[test]
fn a_position_spelled_otherwise_is_asked_about_and_a_comparison_names_what_it_leaves_out() {
    let mut desk = Job::new();
    for (state, seed) in [("vor", 20), ("nach", 30)] {
        for (k, name) in ["bench", "keyboard", "vice"].into_iter().enumerate() {
            desk = desk.with_samples(&format!("job/{state}/{name}.wav"), &response(seed + k as u32));
        }
    }
    let desk = desk
        .with_samples("job/vor/Ecke hinten.wav", &response(28))
        .with_samples("job/nach/ecke_hinten.wav", &response(38));
    let checked = one_line(&desk.run_line("check job --no-modes").out);
    let asked = "state vor: it has Ecke hinten, another state ecke_hinten: the same position? Rename one.";
    assert!(checked.contains(asked), "{checked}");
    assert!(!checked.contains("nothing at"), "{checked}");
    let compared = one_line(&desk.run_line("compare job --before vor --no-modes").out);
    let told = "Compared at 3 positions; only in one state: Ecke hinten, ecke_hinten.";
    assert!(compared.contains(told), "{compared}");
    let page = fs::read_to_string(desk.path("job-results/report.html")).expect("written");
    assert!(page.contains("Compared at 3 places; only in one of the states"), "the report says it too");
}

/// `invalid float literal` was all that a decimal comma was told.
#[test]
fn a_decimal_comma_is_answered_alike_everywhere() {
    let desk = Job::new();
    for (arguments, unit) in [
        ("excite --seconds 8,5", "seconds"),
        ("excite --to 2k", "hertz"),
        ("excite --below 3,5", "decibels"),
        ("predict --dims 5x4x3 --temperature 18,5", "degrees Celsius"),
        ("predict --dims 5x4x3 --to 80Hz", "hertz"),
        ("respond a.wav --length 1,5", "seconds"),
        ("design --dims 5x4x3 --mode 40 --t60 1 --tolerance 5%", "per cent"),
    ] {
        let said = desk.run_line(arguments);
        assert_eq!(said.status, 2, "{arguments}");
        let told = format!("a number in {unit}, with a point for decimals");
        assert!(said.err.contains(&told), "{arguments}: {}", said.err);
    }
    let rate = desk.run_line("excite --rate 48k");
    assert!(rate.err.contains("a whole number in hertz, without its unit"), "{}", rate.err);
    let help = desk.run_line("excite --seconds 0,5 --help");
    assert!(!help.err.contains("float literal"), "{}", help.err);
}

/// Without a session.toml none is blamed.
#[test]
fn a_manifest_that_is_not_there_is_not_blamed() {
    let desk = Job::new().with_samples("job/empty/seat.wav", &response(1));
    let checked = one_line(&desk.run_line("check job --no-modes").out);
    assert!(checked.contains("there is no session.toml to say the room's lengths"), "{checked}");
    for arguments in ["design job --mode 40 --t60 1 --target-t60 0.5", "predict job"] {
        let said = desk.run_line(arguments);
        assert_eq!(said.status, 2, "{arguments}");
        let told = one_line(&said.err);
        assert!(told.contains("there is no session.toml") && told.contains("give --dims"), "{told}");
    }
    let desk = desk.with_bytes("job/session.toml", "title = \"Room\"\n");
    let told = one_line(&desk.run_line("predict job").err);
    assert!(told.contains("session.toml gives neither"), "{told}");
}

/// One file of another format made the table of files 182 columns wide.
#[test]
fn check_keeps_to_80_columns() {
    let desk = Job::new();
    for (name, seed) in [("Ecke hinten links", 1), ("Sofa am Fenster", 2), ("Flügel Sitz", 3)] {
        for state in ["leer", "mit Absorber"] {
            let path = desk.place(&format!("job/{state}/{name}.wav"));
            let form = if seed == 3 { SampleForm::Integer24 } else { SampleForm::Float32 };
            write_wav(&path, &response(seed + 10 * state.len() as u32), RATE_HZ, form, false)
                .expect("writable");
        }
    }
    let desk = desk.with_samples("job/leer/Tür.wav", &response(9)[..20_000]);
    let out = desk.run_line("check job --no-modes").out;
    let wide: Vec<&str> = out.lines().filter(|line| line.chars().count() > 80).collect();
    assert!(wide.is_empty(), "{wide:#?}");
    assert!(out.contains("24-bit"), "{out}");
}
