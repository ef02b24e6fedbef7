//! Responses in other containers give equal tables.

use std::f64::consts::TAU;
use std::fs;

use crate::program::Job;

const RATE: u32 = 8_000;
const FRAMES: usize = 12_000;

/// A click, a damped tone of 50 Hz and a little noise; `which` makes the place. Exact in single precision.
fn response(which: usize) -> Vec<f32> {
    let mut word = 77 + which as u32;
    let sample = |n: usize| {
        // A linear congruential generator (Numerical Recipes' constants) is noise enough here.
        word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = f64::from(word >> 16) / 32_768.0 - 1.0;
        let t = (n as f64 - 400.0) / f64::from(RATE);
        let tone = if t < 0.0 { 0.0 } else { (-6.9 * t / 0.6).exp() * (TAU * 50.0 * t + which as f64).cos() };
        (0.3 * tone + if n == 400 { 0.6 } else { 0.0 } + 1e-4 * noise) as f32
    };
    (0..FRAMES).map(sample).collect()
}

fn wav(path: &std::path::Path, channels: &[Vec<f32>]) {
    fs::create_dir_all(path.parent().expect("inside")).expect("writable");
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).expect("writable");
    for k in 0..FRAMES {
        channels.iter().for_each(|channel| wav.write_sample(channel[k]).expect("writable"));
    }
    wav.finalize().expect("writable");
}

/// The tables without the column that names the files.
fn tables(home: &Job, folder: &str) -> String {
    let mut all = String::new();
    for table in ["bands.csv", "modes.csv", "mode_levels.csv", "checks.csv"] {
        let text = fs::read_to_string(home.path(folder).join(table)).expect("written");
        let mut rows = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
        let mut file = None;
        for row in rows.records().map(|row| row.expect("CSV")) {
            file = file.or_else(|| row.iter().position(|name| name == "file"));
            let kept = row.iter().enumerate().filter(|(at, _)| Some(*at) != file).map(|(_, cell)| cell);
            all += &(kept.collect::<Vec<_>>().join("|") + "\n");
        }
    }
    assert!(all.lines().count() > 60, "{all}");
    all
}

const ARGUMENTS: &str = "--bands octave --modes-from 30 --modes-to 80 --quiet";

fn analyzed(home: &Job, paths: &str, out: &str) -> String {
    let ran = home.run_line(&format!("analyze {paths} --out {out} {ARGUMENTS}"));
    assert_eq!((ran.status, ran.err.as_str()), (0, ""), "{paths}");
    tables(home, out)
}

#[test]
fn channels_columns_and_arrays_give_the_tables_of_single_files() {
    let home = Job::new();
    let places = ["seat", "corner", "door"];
    let responses: Vec<Vec<f32>> = (0..3).map(response).collect();
    for (place, samples) in places.iter().zip(&responses) {
        wav(&home.path(&format!("single/empty/{place}.wav")), std::slice::from_ref(samples));
    }
    let wanted = analyzed(&home, "single", "r0");

    wav(&home.path("many/empty/run.wav"), &responses);
    let several = "--channel 1=seat,2=corner,3=door";
    // Every take of such a file is named by the file, which single files are not.
    let of_many = analyzed(&home, &format!("many {several}"), "r1");
    assert_eq!(of_many, wanted);
    fs::write(home.path("many/session.toml"), "channels = { 1 = \"seat\", 2 = \"corner\", 3 = \"door\" }\n")
        .expect("writable");
    assert_eq!(analyzed(&home, "many", "r2"), wanted);

    let mut text = "time_s,seat,corner,door\n".to_owned();
    let rows = responses[0].iter().zip(&responses[1]).zip(&responses[2]);
    for (k, ((seat, corner), door)) in rows.enumerate() {
        let time = k as f64 / f64::from(RATE);
        text += &format!("{time},{seat},{corner},{door}\n");
    }
    fs::create_dir_all(home.path("text/empty")).expect("writable");
    fs::write(home.path("text/empty/all.csv"), &text).expect("writable");
    fs::write(home.path("text/empty/notes.txt"), "the door squeaks\n").expect("writable");
    assert_eq!(analyzed(&home, "text", "r3"), wanted);
    let alone = analyzed(&home, "text/empty/all.csv", "r4");
    assert_eq!(alone.replace("files|", "empty|"), wanted);

    fs::create_dir_all(home.path("array/empty")).expect("writable");
    let mut bytes =
        b"\x93NUMPY\x01\x00\x76\x00{'descr': '<f4', 'fortran_order': False, 'shape': (3, 12000), }".to_vec();
    bytes.resize(127, b' ');
    bytes.push(b'\n');
    bytes.extend(responses.iter().flatten().flat_map(|sample| sample.to_le_bytes()));
    fs::write(home.path("array/empty/all.npy"), &bytes).expect("writable");
    assert_eq!(analyzed(&home, &format!("array {several} --rate 8000"), "r5"), wanted);
    let ran = home.run_line("analyze array --out r6");
    assert!(ran.status == 1 && ran.err.contains("the sample rate isn't known"), "{}", ran.err);
}

#[test]
fn check_names_each_channel_and_the_one_that_is_missing() {
    let home = Job::new();
    wav(&home.path("job/empty/run.wav"), &[response(0), response(1)]);
    let ran = home.run_line("check job --channel 1=seat,2=corner");
    assert!(ran.out.contains("seat") && ran.out.contains("corner"), "{}", ran.out);
    assert!(!ran.out.contains("the same bytes"), "channels of a file are no copies: {}", ran.out);
    let ran = home.run_line("check job --channel 1=seat,2=corner,3=door");
    assert_eq!(ran.status, 3, "{}", ran.out);
    assert!(ran.out.contains("there is no channel 3"), "{}", ran.out);
    // The two that are there keep their lines.
    assert_eq!(ran.out.matches("unreadable").count(), 1, "{}", ran.out);
    assert_eq!(home.run_line("check job --channel 1=seat,1=corner").status, 2);
    // The draft says it again.
    assert_eq!(home.run_line("check job --channel 1=seat,2=corner --write").status, 0);
    let draft = fs::read_to_string(home.path("job/session.toml")).expect("drafted");
    assert!(draft.contains("channels = { 1 = \"seat\", 2 = \"corner\" }"), "{draft}");
    assert_eq!(home.run_line("check job").out.matches("unreadable").count(), 0);
}

#[test]
fn two_files_of_one_state_are_two_takes_of_each_place() {
    let home = Job::new();
    for (run, shift) in [("one", 0), ("two", 5)] {
        wav(&home.path(&format!("job/empty/{run}.wav")), &[response(shift), response(shift + 1)]);
    }
    let ran = home.run_line(&format!("analyze job --channel 1=seat,2=corner --out r {ARGUMENTS}"));
    assert_eq!(ran.status, 0, "{}", ran.err);
    let json = home.json("r/results.json");
    let files: Vec<String> = json["files"]
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| format!("{} {} {}", row["position"], row["take"], row["channel"]))
        .collect();
    assert_eq!(
        files,
        ["\"corner\" \"one\" 2", "\"corner\" \"two\" 2", "\"seat\" \"one\" 1", "\"seat\" \"two\" 1"]
    );
    assert_eq!(json["settings"]["channels"], "1=seat,2=corner");
}
