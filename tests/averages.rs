//! Averages over positions hold what both states have and no fault spoils. Rooms of decaying noise, alike at no two positions.

use std::path::Path;

use crate::program::{Row, number, rows, run};
use crate::synthetic::Draws;

const RATE: u32 = 16_000;
const COMPARE: [&str; 7] = ["compare", "room", "--before", "before", "--no-modes", "--bands", "octave"];

/// Noise that falls by 60 dB in `t60_s`, 50 ms after the file's start, over a floor 90 dB under it.
fn write(folder: &Path, name: &str, t60_s: f64, (gain, seed): (f64, u64)) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    std::fs::create_dir_all(folder).expect("writable");
    let mut wav = hound::WavWriter::create(folder.join(name), spec).expect("writable");
    let mut draws = Draws::new(seed);
    for n in 0..RATE * 3 / 2 {
        let t = f64::from(n) / f64::from(RATE) - 0.05;
        let sounds = if t >= 0.0 { (-1000_f64.ln() * t / t60_s).exp() * draws.normal() } else { 0.0 };
        let sample = (gain * 0.1 * (sounds + 3e-5 * draws.normal())).clamp(-1.0, 1.0);
        wav.write_sample((sample * 8_388_607.0) as i32).expect("writable");
    }
    wav.finalize().expect("writable");
}

/// The rows of the average over all positions, of bands from 250 Hz to 4 kHz.
fn averages(file: &Path) -> Vec<Row> {
    let hz = |row: &Row| row["band_hz"].parse::<f64>().expect("a frequency");
    let own = |row: &Row| row["position"] == "*" && (240.0..4_100.0).contains(&hz(row));
    rows(file).into_iter().filter(own).collect()
}

/// Three positions stay as they are; a fourth, which rings longer, was measured before only, a fifth, shorter, after only.
#[test]
fn a_comparison_averages_over_the_positions_of_both_states() {
    let folder = tempfile::tempdir().expect("a folder");
    for (state, extra, t60_s) in [("before", "long.wav", 0.9), ("after", "short.wav", 0.25)] {
        let own = folder.path().join("room").join(state);
        for (seed, name) in (1..).zip(["a.wav", "b.wav", "c.wav"]) {
            write(&own, name, 0.5, (1.0, seed + if state == "after" { 10 } else { 0 }));
        }
        write(&own, extra, t60_s, (1.0, 7));
    }
    run(folder.path(), &COMPARE).succeeded();
    let compared = averages(&folder.path().join("room-results/band_changes.csv"));
    assert_eq!(compared.len(), 5);
    for row in &compared {
        let [before, after] = ["before_t20_s", "after_t20_s"].map(|column| number(row, column));
        assert!((before / 0.5).ln().abs() < 0.1 && (after / 0.5).ln().abs() < 0.1, "{row:?}");
    }
    // The tables of one state go on averaging all that was measured there.
    let own = averages(&folder.path().join("room-results/bands.csv"));
    assert!(
        own.iter().filter(|row| row["state"] == "before").all(|row| number(row, "t20_s") > 0.55),
        "{own:?}"
    );
}

/// One of four positions was recorded 20 dB hotter and clipped: its level, unknown, is in no average, and the row says that
/// not all positions have a value.
#[test]
fn the_level_of_a_clipped_take_is_in_no_average() {
    let folder = tempfile::tempdir().expect("a folder");
    for (state, gain) in [("clean", 1.0), ("hot", 30.0)] {
        for (seed, name) in (1..).zip(["a.wav", "b.wav", "c.wav", "d.wav"]) {
            let gain = if name == "d.wav" { gain } else { 1.0 };
            write(&folder.path().join("room").join(state), name, 0.5, (gain, seed));
        }
    }
    run(folder.path(), &["analyze", "room", "--no-modes", "--bands", "octave"]).succeeded();
    let bands = folder.path().join("room-results/bands.csv");
    let all = averages(&bands);
    let (clean, hot): (Vec<&Row>, Vec<&Row>) = all.iter().partition(|row| row["state"] == "clean");
    for (clean, hot) in clean.into_iter().zip(hot) {
        assert!((number(clean, "level_db") - number(hot, "level_db")).abs() < 1.0, "{clean:?} {hot:?}");
        assert!(
            hot["flags"].contains("some-positions") && !clean["flags"].contains("some-positions"),
            "{hot:?}"
        );
    }
    let clipped = rows(&bands).into_iter().filter(|row| row["state"] == "hot" && row["position"] == "d");
    assert!(clipped.into_iter().all(|row| row["level_db"].is_empty() && row["flags"].contains("clipped")));
}

/// Three takes of one seat under names of their own are one position: no verdict on bands, which takes three, and no average.
#[test]
fn takes_under_several_names_are_one_position() {
    let folder = tempfile::tempdir().expect("a folder");
    for (state, t60_s) in [("before", 0.6), ("after", 0.45)] {
        for name in ["sofa.wav", "sofa final.wav", "sofa FINAL2.wav"] {
            let own = folder.path().join("room").join(state);
            write(&own, name, t60_s, (1.0, 4));
            // Alike but for what a take adds of its own, 70 dB under the peak.
            add_noise(&own.join(name), name.len() as u64);
        }
    }
    run(folder.path(), &COMPARE).succeeded();
    let changes = rows(&folder.path().join("room-results/band_changes.csv"));
    assert!(changes.iter().any(|row| row["position"] == "sofa"), "{changes:?}");
    assert!(changes.iter().all(|row| row["position"] != "*" && row["verdict"].is_empty()), "{changes:?}");
    let bands = rows(&folder.path().join("room-results/bands.csv"));
    assert!(bands.iter().any(|row| row["flags"].contains("sounds-alike")));
    assert!(bands.iter().all(|row| row["position"] != "*"));
}

/// A state whose files are the baseline's, copied: no verdict that its bands are as before.
#[test]
fn copied_files_are_no_evidence_for_bands() {
    let folder = tempfile::tempdir().expect("a folder");
    for (seed, name) in (1..).zip(["a.wav", "b.wav", "c.wav", "d.wav"]) {
        let [before, after] = ["before", "after"].map(|state| folder.path().join("room").join(state));
        write(&before, name, 0.6, (1.0, seed));
        std::fs::create_dir_all(&after).expect("writable");
        std::fs::copy(before.join(name), after.join(name)).expect("copied");
    }
    run(folder.path(), &COMPARE).succeeded();
    let changes = averages(&folder.path().join("room-results/band_changes.csv"));
    assert_eq!(changes.len(), 5);
    for row in &changes {
        assert!(row["verdict"] == "unsure" && row["flags"].contains("few-places"), "{row:?}");
    }
}

fn add_noise(file: &Path, seed: u64) {
    let mut wav = hound::WavReader::open(file).expect("written");
    let (spec, mut draws) = (wav.spec(), Draws::new(100 + seed));
    let samples: Vec<i32> = wav.samples().map(|sample| sample.expect("whole")).collect();
    let mut wav = hound::WavWriter::create(file, spec).expect("writable");
    for sample in samples {
        wav.write_sample(sample + (draws.normal() * 250.0) as i32).expect("writable");
    }
    wav.finalize().expect("writable");
}
