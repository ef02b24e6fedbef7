//! A tuned panel in a room that finite elements made (`fem_l_room`): what the program says
//! of it against the poles that its truth holds.

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use stillroom::absorber::{Pair, Resonator, best_t60_s, identify};
use stillroom::analysis::{CompareSettings, Control, Settings, analyze, compare_states, tune_states};
use stillroom::change::{ModeChange, Verdict};
use stillroom::session::{OpenOptions, open};

use crate::measured::folder;

/// Poles of a state's truth as (frequency, decay constant), lowest first.
fn truth(folder: &std::path::Path, state: &str) -> Vec<Resonator> {
    let text =
        std::fs::read_to_string(folder.join(format!("{state}.truth.json"))).expect("the truth is there");
    let truth: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let mut poles: Vec<Resonator> = truth["poles"]
        .as_array()
        .expect("poles")
        .iter()
        .map(|p| {
            let (hz, decay) = (p["frequency_hz"].as_f64().expect("f"), p["decay_per_s"].as_f64().expect("d"));
            Resonator { omega_per_s: (TAU * hz).hypot(decay), decay_per_s: decay }
        })
        .collect();
    poles.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
    poles
}

/// The panel is free at 32.0 Hz with a decay constant of 21 1/s; loaded by the other modes it must come out
/// lower. The truth's own pair of poles gives, by the closed form, what a perfect measurement would say;
/// the program's must agree within three of its own sd, or 0.2 Hz.
#[test]
#[ignore = "fits two states of eight places"]
fn the_panel_in_the_l_shaped_room_is_identified() {
    let Some(folder) = folder("fem_l_room") else { return };
    let (before, after) = (truth(&folder, "untreated"), truth(&folder, "treated"));
    let exact = identify(before[0], Pair::of_poles(after[0].pole(), after[1].pole()));
    let exact_best = best_t60_s(before[0], exact.coupling.sqrt());
    let session = open(&[folder], &OpenOptions::default()).expect("a session");
    let mut settings = Settings::default();
    let mut range = settings.modes.expect("modes");
    range.to_hz = 110.0;
    (settings.modes, settings.refits) = (Some(range), false);
    let control = Control::default();
    let found = analyze(&session, &settings, &control);
    let asked = CompareSettings::new("untreated", vec!["treated".to_owned()]);
    let compared = compare_states(&session, &found, &settings, &asked, &control).expect("two states");
    let tuning = compared.absorbers.first().expect("the split mode is found");
    let take = &tuning.takes[0];
    let values = take.values.expect("the panel is identified");
    let exact_hz = exact.unit.omega_per_s / TAU;
    println!(
        "loaded {:.3} Hz ± {:.3} (by the truth's poles {exact_hz:.3}, free 32.0, shift {:+.2}); damping {:.2} ({:.2}, free \
         21); g {:.2} ({:.2}); best T60 {:.3} s ({exact_best:.3}); check {:.1} sd; {}",
        values.loaded_hz.value,
        values.loaded_hz.sd.unwrap_or(f64::NAN),
        values.loaded_hz.value - 32.0,
        values.loaded_decay_per_s.value,
        exact.unit.decay_per_s,
        values.coupling_per_s.value,
        exact.coupling.sqrt(),
        values.best_t60_s.value,
        take.consistency.unwrap_or(f64::NAN),
        take.advice.clone().unwrap_or_default()
    );
    let reach = 0.2f64.max(3.0 * values.loaded_hz.sd.expect("an sd"));
    assert!((values.loaded_hz.value - exact_hz).abs() < reach);
    assert!((values.best_t60_s.value / exact_best - 1.0).abs() < 0.1);
    assert!(values.loaded_hz.value < 32.0);
    // Mode and panel stand 2.7 Hz apart: the state with the panel tells them by itself, while a model of one mode and one
    // unit alone makes the slower 12 % too slow here (0.816 s for 0.729).
    let slower = if after[0].decay_per_s < after[1].decay_per_s { after[0] } else { after[1] };
    let (exact_s, found_s) = (3.0 * 10f64.ln() / slower.decay_per_s, take.t60_s.expect("a decay time").value);
    println!("T60 {found_s:.3} s ({exact_s:.3})");
    assert!((found_s / exact_s - 1.0).abs() < 0.05);
}

/// The panel works on the mode at 30.5 Hz. Asked to tune it to another mode, the program said to move it by +90.4 Hz, or to
/// raise it by 7.8 Hz to the next one.
#[test]
#[ignore = "fits two states of eight places"]
fn the_panel_in_the_l_shaped_room_is_not_sent_to_another_mode() {
    let Some(folder) = folder("fem_l_room") else { return };
    let session = open(&[folder], &OpenOptions::default()).expect("a session");
    let mut settings = Settings::default();
    let mut range = settings.modes.expect("modes");
    range.to_hz = 140.0;
    (settings.modes, settings.refits) = (Some(range), false);
    let control = Control::default();
    let found = analyze(&session, &settings, &control);
    let asked = CompareSettings::new("untreated", vec!["treated".to_owned()]);
    let compared = compare_states(&session, &found, &settings, &asked, &control).expect("two states");
    let said = |hertz: f64| {
        let tuning = tune_states(&session, &found, &compared, &settings, hertz).expect("a mode");
        assert!(tuning.placements.is_empty(), "no other place for it either");
        (tuning.takes[0].advice.clone().expect("advice").to_string(), tuning.takes[0].next.clone())
    };
    let (far, next) = said(122.4);
    assert_eq!(far, "The unit stands at 32.0 Hz and is not meant for this mode.");
    assert_eq!((next.frequency_change_hz, next.damping_factor), (None, None));
    let (near, next) = said(40.2);
    assert_eq!(near, "The unit works on the mode at 30.5 Hz; retuning it to 40.2 Hz would give that up.");
    assert_eq!((next.frequency_change_hz, next.damping_factor), (None, None));
}

/// Four positions and no word of a unit: the panel at 32 Hz shortens the mode of 30.5 Hz, and the joint fit of the next one,
/// 40.2 Hz, took the panel's pole for a unit of its own: 12.5 % shorter, where the truth is 8.4 and its own fit says 7.8.
#[test]
#[ignore = "fits two states"]
fn a_unit_at_one_mode_is_none_at_the_next() {
    let Some(folder) = folder("fem_l_room") else { return };
    let copy = tempfile::tempdir().expect("a folder");
    for state in ["untreated", "treated"] {
        std::fs::create_dir(copy.path().join(state)).expect("writable");
        for place in ["bench", "vice", "keyboard", "corner_far"] {
            let name = format!("{state}/{place}.wav");
            std::fs::copy(folder.join(&name), copy.path().join(&name)).expect("the responses are there");
        }
    }
    let near = |state: &str| {
        let poles = truth(&folder, state).into_iter();
        let off = |pole: &Resonator| (pole.omega_per_s / TAU - 40.3).abs();
        poles.min_by(|a, b| off(a).total_cmp(&off(b))).expect("poles").decay_per_s
    };
    let truly = near("untreated") / near("treated");
    let session = open(&[copy.path().to_owned()], &OpenOptions::default()).expect("a session");
    let (settings, control) = (Settings::default(), Control::default());
    let found = analyze(&session, &settings, &control);
    let asked = CompareSettings::new("untreated", vec!["treated".to_owned()]);
    let compared = compare_states(&session, &found, &settings, &asked, &control).expect("two states");
    let change = |hz: f64| {
        let own = |m: &&ModeChange| m.before_values.is_some_and(|v| (v.frequency_hz - hz).abs() < 0.2);
        compared.pairs[0].1.modes.iter().find(own).expect("the mode")
    };
    let ratio = change(40.22).ringing().expect("a change");
    println!("{ratio:?}, truly {truly:.3}; {}", change(40.22).reason);
    assert!((ratio.value - truly).abs() < 0.02, "{ratio:?} {truly}");
    assert_eq!(change(30.53).verdict, Verdict::Shorter);
}

/// Two files of the treated state exchanged: the other six keep their instant, so the two places are named, some as exchanged with
/// each other, and no loudspeaker is said to have moved. Of the 28 pairs 26 are named, 11 as exchanged, and once a
/// loudspeaker moves, too; with an instant for each file 5, 4 and 23.
#[test]
#[ignore = "fits two states of eight places, twice"]
fn exchanged_files_of_the_l_shaped_room_are_named() {
    let Some(folder) = folder("fem_l_room") else { return };
    for (one, other, exactly) in [("vice", "visitor", false), ("corner_far", "vice", true)] {
        let copy = tempfile::tempdir().expect("a folder");
        let to = copy.path();
        std::fs::copy(folder.join("session.toml"), to.join("session.toml")).expect("copied");
        for state in ["untreated", "treated"] {
            std::fs::create_dir(to.join(state)).expect("a folder");
            for file in
                std::fs::read_dir(folder.join(state)).expect("a state").map(|file| file.expect("a file"))
            {
                let name = file.file_name().into_string().expect("plain");
                let named = match name.strip_suffix(".wav") {
                    Some(stem) if state == "treated" && stem == one => format!("{other}.wav"),
                    Some(stem) if state == "treated" && stem == other => format!("{one}.wav"),
                    _ => name,
                };
                std::fs::copy(file.path(), to.join(state).join(named)).expect("copied");
            }
        }
        let session = open(&[to.to_owned()], &OpenOptions::default()).expect("a session");
        let (settings, control) = (Settings::default(), Control::default());
        let found = analyze(&session, &settings, &control);
        let asked = CompareSettings::new("untreated", vec!["treated".to_owned()]);
        let compared = compare_states(&session, &found, &settings, &asked, &control).expect("two states");
        let chain = &compared.pairs[0].1.chain;
        let of = |places: &[(String, String)]| places.iter().map(|(position, _)| position.clone()).collect();
        let (moved, exchanged): (BTreeSet<String>, BTreeSet<String>) =
            (of(&chain.moved_microphones), of(&chain.exchanged_files));
        let both = BTreeSet::from([one.to_owned(), other.to_owned()]);
        assert_eq!((&moved | &exchanged, chain.moved_loudspeaker), (both.clone(), false));
        assert!(!exactly || exchanged == both, "{exchanged:?}");
    }
}
