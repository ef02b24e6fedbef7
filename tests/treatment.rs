//! Before and after on rooms that are not ours: a finite-element room with its truth, and a measured one.
//!
//! Both lie in the folder that `STILLROOM_IR` names; without them the tests say so and pass, on CI they fail.
//! `cargo test --release -- --ignored` runs them: each analyses two states.

use std::path::Path;

use crate::measured::folder;
use crate::program::{Row, rows, run, value};

/// Compares and returns `changes.csv` with what stood on the screen.
fn compare(arguments: &[&str]) -> (Vec<Row>, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let asked = [&["compare"][..], arguments, &["--out", "results"]].concat();
    let said = run(folder.path(), &asked).succeeded();
    (rows(&folder.path().join("results/changes.csv")), said)
}

/// One true pole: frequency in hertz, T60 in seconds, strength summed over the places.
struct Pole {
    hz: f64,
    t60_s: f64,
    power: f64,
}

fn truth(file: &Path) -> Vec<Pole> {
    let text = std::fs::read_to_string(file).expect("the truth is there");
    let all: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let of = |pole: &serde_json::Value| {
        let residues = pole["residues"].as_object().expect("residues by position").values();
        let square = |v: &serde_json::Value| v.as_f64().map_or(0.0, |x| x * x);
        let power = residues.map(|r| square(&r[0]) + square(&r[1])).sum::<f64>();
        let decay = pole["decay_per_s"].as_f64().expect("a decay");
        Pole {
            hz: pole["frequency_hz"].as_f64().expect("a frequency"),
            t60_s: 1000_f64.ln() / decay,
            power: power / decay / decay,
        }
    };
    all["poles"].as_array().expect("poles").iter().map(of).collect()
}

/// The pole that a row means: of those within 0.15 Hz the strongest.
fn meant(poles: &[Pole], hz: f64) -> Option<&Pole> {
    let near = poles.iter().filter(|pole| (pole.hz - hz).abs() < 0.15);
    near.max_by(|a, b| a.power.total_cmp(&b.power))
}

/// An L-shaped room by finite elements, without and with a panel tuned to 32 Hz: no closed form, no shape known
/// beforehand. Below 200 Hz every change of decay is in the truth files.
#[test]
#[ignore = "two states of eight positions with all refits"]
fn the_l_shaped_rooms_changes_are_those_of_its_truth() {
    let Some(folder) = folder("fem_l_room") else { return };
    let [before, after] = ["untreated", "treated"].map(|s| truth(&folder.join(format!("{s}.truth.json"))));
    let (rows, said) = compare(&[&folder.to_string_lossy(), "--before", "untreated"]);
    let (mut judged, mut held, mut wrong) = (0, 0, Vec::new());
    for row in rows.iter().filter(|row| row["verdict"] != "unsure") {
        let poles = value(row, "before_hz")
            .zip(value(row, "after_hz"))
            .and_then(|(b, a)| Some((meant(&before, b)?, meant(&after, a)?)));
        let Some((old, new)) = poles else { continue };
        let percent = 100.0 * (new.t60_s / old.t60_s - 1.0);
        let wrongly = match row["verdict"].as_str() {
            "shorter" => percent > -0.5,
            "longer" => percent < 0.5,
            "unchanged" | "level-only" => percent.abs() > 10.0,
            _ => true,
        };
        if wrongly {
            wrong.push(format!("{row:?}: truly {percent:.1} %"));
        }
        if let (Some(low), Some(high)) =
            (value(row, "t60_change_low_percent"), value(row, "t60_change_high_percent"))
        {
            judged += 1;
            held += usize::from((low..=high).contains(&percent));
        }
    }
    println!("{said}\nintervals that hold the truth: {held} of {judged}; wrong verdicts: {}", wrong.len());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(judged >= 20, "only {judged} modes were judged");
    assert!(held * 100 >= judged * 88, "{held} of {judged} intervals hold the truth");
    let panel = rows.iter().find(|r| value(r, "before_hz").is_some_and(|hz| (hz - 30.53).abs() < 0.1));
    let panel = panel.expect("the panel's mode");
    assert_eq!(panel["verdict"], "shorter", "{panel:?}");
    assert!(rows.iter().all(|row| !row["flags"].contains("moved-")), "nothing moved in that room");
}

/// Five sweeps each of two settings of a measured room at one place: takes of one setting against each other
/// show no change, whatever the setting.
#[test]
#[ignore = "four states with all refits"]
fn repeats_of_a_measured_room_show_no_change() {
    let Some(folder) = folder("arni_two_states") else { return };
    for setting in ["numClosed_2_numComb_200", "numClosed_50_numComb_5000"] {
        let session = tempfile::tempdir().expect("a folder");
        for take in 1..=5 {
            let state = session.path().join(if take % 2 == 1 { "odd" } else { "even" });
            std::fs::create_dir_all(&state).expect("writable");
            let file = folder.join(format!("IR_{setting}_mic_1_sweep_{take}.wav"));
            std::fs::copy(file, state.join(format!("mic#{take}.wav"))).expect("readable");
        }
        let (rows, said) = compare(&[&session.path().to_string_lossy(), "--before", "odd"]);
        println!("{setting}\n{said}");
        let changed = ["shorter", "longer", "gone", "new", "level-only", "chain"];
        let found: Vec<&Row> = rows.iter().filter(|r| changed.contains(&r["verdict"].as_str())).collect();
        assert!(found.is_empty(), "{found:?}");
    }
}

/// The two settings against each other: far more absorption, but one position, and nobody states that the measuring
/// chain stayed. Then nothing may be decided, no resonance is new, and no absorber is made out of two poles.
#[test]
#[ignore = "two states with all refits"]
fn one_position_alone_decides_nothing() {
    let Some(folder) = folder("arni_two_states") else { return };
    let names = ["--names", "IR_{state}_mic_{position}_sweep_{take}", "--before", "numClosed_2_numComb_200"];
    let (rows, said) = compare(&[&[&*folder.to_string_lossy()][..], &names].concat());
    println!("{said}");
    let decided: Vec<&Row> = rows.iter().filter(|row| row["verdict"] != "unsure").collect();
    assert!(decided.is_empty(), "{decided:?}");
    assert!(!said.contains("without the unit"), "{said}");
}
