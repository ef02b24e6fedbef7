//! A subwoofer with the default sweep in a rectangular room: the modes of its range, and none made of the noise above.

use super::claims::{Score, claims};
use super::simulator::{Chain, Pole};
use super::site::Site;
use stillroom::excitation::Sweep;

/// Length, width, height of the room, m, and the subwoofer's place.
const SIDES_M: [f64; 3] = [5.6, 4.25, 2.75];
const SOURCE_M: [f64; 3] = [0.3, 0.25, 0.2];
const SEATS_M: [[f64; 3]; 6] =
    [[0.2, 0.3, 2.5], [5.4, 4.0, 0.2], [5.3, 0.2, 1.1], [1.7, 3.1, 1.2], [3.4, 0.9, 1.6], [0.4, 4.1, 0.7]];
/// Modes of the room in the subwoofer's range.
const MODES: usize = 37;

/// The room's lowest modes (Kuttruff, *Room Acoustics*, ch. 3) as one seat hears them, ringing for about so long.
fn heard_at(seat_m: [f64; 3], about_s: f64) -> Vec<Pole> {
    let axes = (0..1_000_u32).map(|k| [k / 100, k / 10 % 10, k % 10]);
    let shape = |n: [u32; 3], at: [f64; 3]| -> f64 {
        (0..3).map(|i| (std::f64::consts::PI * f64::from(n[i]) * at[i] / SIDES_M[i]).cos()).product()
    };
    let mut poles: Vec<Pole> = axes
        .skip(1)
        .map(|n| {
            let hz = 171.6 * (0..3).map(|i| (f64::from(n[i]) / SIDES_M[i]).powi(2)).sum::<f64>().sqrt();
            // Decays that differ from mode to mode, as they do.
            let t60_s = about_s * (1.0 + 0.28 * f64::from(n[0] + 2 * n[1] + 3 * n[2]).sin());
            Pole { hz, t60_s, amplitude: 0.0008 * shape(n, SOURCE_M) * shape(n, seat_m) }
        })
        .collect();
    poles.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    poles.truncate(MODES);
    poles
}

/// What `analyze` makes of sweeps at all seats.
struct Outcome {
    score: Score,
    /// How many modes lie under the limit of single ones that the program states.
    below: usize,
    limit_hz: f64,
    /// Modes under the limit, and of all, that aren't claimed, Hz.
    missed: [Vec<f64>; 2],
}

fn outcome(about_s: f64, sweep: &Sweep) -> Outcome {
    let site = Site::new();
    let names: Vec<String> = (1..=SEATS_M.len()).map(|k| format!("p{k}.wav")).collect();
    for (seat, name) in SEATS_M.iter().zip(&names) {
        let chain = Chain {
            rate_hz: 48_000.0,
            modes: heard_at(*seat, about_s),
            direct: 0.05,
            tail: (0.0, 0.3),
            high_pass_hz: 24.0,
            low_pass_hz: Some(130.0),
            noise: 1e-4,
            seed: seat[0].to_bits(),
            ..Chain::default()
        };
        let (microphone, reference) = chain.record(sweep);
        site.write(name, 48_000.0, &[&microphone, &reference]);
    }
    let recordings: Vec<&str> = names.iter().map(String::as_str).collect();
    let (status, said) =
        site.run(&[&["respond", "--reference", "2", "--out", "room/now"], &recordings[..]].concat());
    assert_eq!(status, 0, "{said}");
    let (status, report) = site.run(&["analyze", "room"]);
    assert_eq!(status, 0, "{report}");
    let found = claims(&site.at("room-results/modes.csv"));
    let truth = heard_at(SEATS_M[0], about_s);
    let score = Score::of(&found, &truth);
    let results = std::fs::read_to_string(site.at("room-results/results.json")).expect("results");
    let results: serde_json::Value = serde_json::from_str(&results).expect("JSON");
    let limit_hz = results["fits"][0]["single_modes_to_hz"].as_f64().unwrap_or(0.0);
    let seen = |pole: &&Pole| found.iter().any(|claim| (claim.hz.0 - pole.hz).abs() < 0.5);
    let missed = |to_hz: f64| -> Vec<f64> {
        truth.iter().filter(|pole| pole.hz < to_hz && !seen(pole)).map(|pole| pole.hz).collect()
    };
    let below = truth.iter().filter(|pole| pole.hz < limit_hz).count();
    let outcome = Outcome { score, below, limit_hz, missed: [missed(limit_hz), missed(f64::INFINITY)] };
    println!(
        "T60 about {about_s} s: {below} of {MODES} modes below {limit_hz:.0} Hz; not claimed {:?}; {score:?}, held {:?}",
        outcome.missed,
        score.held()
    );
    assert_eq!(score.false_modes, 0, "{found:?}");
    outcome
}

/// Every mode up to the limit that the program states is claimed (all 37 up to 200 Hz), and none that isn't there.
#[test]
#[ignore = "long: six sweeps at 48 kHz; run with --release"]
fn the_modes_of_a_subwoofer_and_no_other() {
    let found = outcome(0.9, &Sweep::default());
    assert!(found.score.claimed >= 30, "{} to {}", found.score.claimed, found.limit_hz);
    assert!(found.missed[0].len() <= 1, "{:?}", found.missed);
}

/// In a hard room modes stand apart up to the end of the subwoofer's range: every one of them is claimed.
#[test]
#[ignore = "long: six sweeps at 48 kHz; run with --release"]
fn all_modes_of_a_subwoofer_in_a_hard_room() {
    // Resonances that ring longer get louder: turned down by as much.
    let found = outcome(2.2, &Sweep { tail_s: 8.0, peak: 0.09, ..Sweep::default() });
    assert_eq!(found.missed[1], Vec::<f64>::new(), "{} below the limit of {}", found.below, found.limit_hz);
}
