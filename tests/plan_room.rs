//! Rooms that are no box: an L-shaped room with its plan in the manifest, through `predict`, `check`, `analyze` and
//! `compare`. The truth comes from three-dimensional finite elements made independently of the project (`fem_l_room` in
//! the folder that `STILLROOM_IR` names).

use std::fs;
use std::path::Path;

use crate::measured::folder;
use crate::program::{Row, number, one_line, rows, run};

/// Plan and height as the room's description gives them.
const PLAN: &str =
    "plan = [[0, 0], [5.45, 0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0, 4.55]]\nheight = 2.58\n";

/// Frequencies in hertz and T60 in seconds of the room without its panel.
fn truth(room: &Path, up_to_hz: f64) -> Vec<(f64, f64)> {
    let text = fs::read_to_string(room.join("untreated.truth.json")).expect("the truth is there");
    let all: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let of = |pole: &serde_json::Value| {
        (pole["frequency_hz"].as_f64().expect("a frequency"), pole["t60_s"].as_f64().expect("a decay"))
    };
    let poles = all["poles"].as_array().expect("poles").iter().map(of);
    poles.filter(|pole| pole.0 <= up_to_hz).collect()
}

/// A copy of the session, its manifest with the plan in place of the volume.
fn session(room: &Path, plan: &str, audio: bool) -> tempfile::TempDir {
    let copy = tempfile::tempdir().expect("a folder");
    let manifest = fs::read_to_string(room.join("session.toml")).expect("a manifest");
    assert!(manifest.contains("volume_m3 = 57.06\n"), "the room has another manifest");
    let manifest = manifest.replace("volume_m3 = 57.06\n", plan);
    fs::write(copy.path().join("session.toml"), manifest).expect("writable");
    for state in ["untreated", "treated"] {
        let to = copy.path().join(state);
        fs::create_dir(&to).expect("writable");
        for file in fs::read_dir(room.join(state)).expect("a state").filter(|_| audio) {
            let file = file.expect("readable");
            fs::copy(file.path(), to.join(file.file_name())).expect("writable");
        }
    }
    copy
}

/// From the plan alone every mode to 80 Hz within 0.5 % of the true pole (damped: 0.1 % lower by itself), and where to
/// measure is said.
#[test]
fn predict_lists_the_modes_of_a_plan() {
    let Some(room) = folder("fem_l_room") else { return };
    let copy = session(&room, PLAN, false);
    let said = run(copy.path(), &["predict", ".", "--to", "81", "--format", "json"]).succeeded();
    let found: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    let found: Vec<f64> =
        found["modes"].as_array().expect("modes").iter().filter_map(|m| m["frequency_hz"].as_f64()).collect();
    let truth = truth(&room, 80.0);
    assert!(truth.len() >= 8 && found.len() >= truth.len(), "{found:?}");
    for (found, (hz, _)) in found.iter().zip(&truth) {
        assert!((found / hz - 1.0).abs() < 0.005, "{found} Hz for {hz} Hz");
    }
    let screen = run(copy.path(), &["predict", ".", "--to", "81"]).succeeded();
    for said in
        ["between the long walls", "between floor and ceiling", "left out", "Where to measure", "corner ("]
    {
        assert!(screen.contains(said), "{said}: {screen}");
    }
    // In an L not every corner drives every mode: how well the weakest is driven is said.
    let words = one_line(&screen);
    assert!(words.contains("% of the room's largest pressure"), "{screen}");
    let screen = run(copy.path(), &["predict", ".", "--mode", "40.2"]).succeeded();
    assert!(
        screen.contains("Where the mode at 40.2 Hz (horizontal mode 2) is weakest, within 0.50 m"),
        "{screen}"
    );
}

/// A plan that is none, or one with a ceiling that slopes, is told with what is left out; neither is refused.
#[test]
fn what_a_plan_leaves_out_is_said() {
    let Some(room) = folder("fem_l_room") else { return };
    let crossing = "plan = [[0, 0], [5.45, 4.55], [5.45, 0], [0, 4.55]]\nheight = 2.58\nvolume_m3 = 57.06\n";
    let copy = session(&room, crossing, true);
    fs::remove_dir_all(copy.path().join("treated")).expect("there");
    let manifest = fs::read_to_string(copy.path().join("session.toml")).expect("there");
    // Only the name of the room matters here: one state, and no place outside that odd plan.
    let (head, _) = manifest.split_once("[[sources]]").expect("sources");
    fs::write(copy.path().join("session.toml"), head).expect("writable");
    let out = ["analyze", ".", "--out", "out", "--modes-to", "45", "--bands", "octave"];
    run(copy.path(), &out).succeeded();
    let results = fs::read_to_string(copy.path().join("out/results.json")).expect("written");
    for said in ["walls cross", "Left out: the modes' names", "the ceiling slopes"] {
        assert!(results.contains(said), "{said}");
    }
    let modes = rows(&copy.path().join("out/modes.csv"));
    assert!(modes.iter().any(|row| row["kind"] == "mode"), "the modes themselves are there");
    assert!(modes.iter().all(|row| row["axes"].is_empty() && row["predicted_hz"].is_empty()));
}

/// A place outside the plan is a slip of the tape measure, as in a box.
#[test]
fn a_place_outside_the_plan_is_refused() {
    let copy = tempfile::tempdir().expect("a folder");
    let seat = "[[positions]]\nname = \"seat\"\nat = [4.5, 4.0, 1.2]\n";
    fs::write(copy.path().join("session.toml"), format!("[room]\n{PLAN}{seat}")).expect("writable");
    let run = run(copy.path(), &["predict", "."]);
    assert_eq!(run.status, 2, "{}", run.err);
    assert!(run.err.contains("0.90 m outside the room") && run.err.contains("within `plan`"), "{}", run.err);
}

/// Through `compare` with the plan: each claimed mode to 80 Hz is named, its frequency predicted within 0.5 % of the
/// true pole, its shape matched to 0.97 over the eight positions; the report draws the L, and each seat's maps.
#[test]
#[ignore = "two states of eight positions with all refits"]
fn an_l_shaped_room_is_named_mapped_and_advised() {
    let Some(room) = folder("fem_l_room") else { return };
    let copy = session(&room, PLAN, true);
    run(copy.path(), &["compare", ".", "--before", "untreated", "--out", "out"]).succeeded();
    let modes = rows(&copy.path().join("out/modes.csv"));
    let named: Vec<&Row> = modes
        .iter()
        .filter(|row| {
            row["state"] == "untreated" && row["kind"] == "mode" && number(row, "frequency_hz") <= 80.0
        })
        .collect();
    let truth = truth(&room, 80.0);
    assert_eq!(named.len(), truth.len(), "{named:?}");
    for (row, (hz, _)) in named.iter().zip(&truth) {
        assert!((number(row, "predicted_hz") / hz - 1.0).abs() < 0.005, "{row:?}");
        assert!(number(row, "shape_match") >= 0.97, "{row:?}");
        let named = ["horizontal mode ", "height "].iter().any(|name| row["evidence"].starts_with(name));
        assert!(named, "{row:?}");
        println!("{} Hz, {}: {}", row["frequency_hz"], row["shape_match"], row["evidence"]);
    }
    let report = fs::read_to_string(copy.path().join("out/report.html")).expect("written");
    let seats: Vec<&str> =
        report.split("<svg").filter(|part| part.contains("aria-labelledby=\"seat-")).collect();
    assert_eq!(seats.len(), 2, "two listening positions");
    for seat in seats {
        let bytes = seat.find("</svg>").expect("closed");
        println!("a seat's figure: {bytes} bytes");
        assert!(bytes < 60_000, "{bytes} bytes");
    }
    let results = fs::read_to_string(copy.path().join("out/results.json")).expect("written");
    assert!(!results.contains("not-this-box"), "the room is the one on the plan");
    for part in ["id=\"room\"", "id=\"moves\"", "id=\"listening\"", "between the corners"] {
        assert!(report.contains(part), "{part}");
    }
}

/// `predict` and `design` on a polygon within 2 s, on the release build.
#[test]
#[ignore = "times the release build"]
fn a_plan_takes_under_two_seconds() {
    let Some(room) = folder("fem_l_room") else { return };
    let copy = session(&room, PLAN, true);
    let seconds = |arguments: &[&str]| {
        let started = std::time::Instant::now();
        run(copy.path(), arguments).succeeded();
        let taken = started.elapsed().as_secs_f64();
        println!("{arguments:?}: {taken:.2} s");
        taken
    };
    assert!(seconds(&["predict", "."]) < 2.0);
    assert!(seconds(&["predict", ".", "--mode", "40.2"]) < 2.0);
    assert!(seconds(&["design", ".", "--mode", "40.2", "--t60", "2.13", "--target-t60", "1.0"]) < 2.0);
    // Modes were solved for up to three times this one, with a full matrix: 20 s.
    assert!(seconds(&["design", ".", "--mode", "159.8", "--t60", "1.2", "--target-t60", "0.8"]) < 3.0);
}
