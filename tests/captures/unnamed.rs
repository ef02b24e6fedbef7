//! Good recordings in difficult rooms: neither gain nor speed is said to be wrong with them.

use super::simulator::{Chain, sweep};
use super::site::Site;
use serde_json::Value;
use stillroom::excitation::Sweep;

const RATE: f64 = 8_000.0;

/// The words of what was found; `None` where no response came of it.
pub(super) fn words(microphone: &[f64], reference: &[f64], arguments: &[&str]) -> Option<Vec<String>> {
    let site = Site::new();
    site.write("seat.wav", RATE, &[microphone, reference]);
    site.write("signal.wav", RATE, &[reference]);
    let (status, _) = site.run(&[&["respond", "seat.wav", "--out", "room/now"], arguments].concat());
    if status == 1 {
        return None;
    }
    let text = std::fs::read_to_string(site.at("room/now/seat.capture.json")).expect("a record beside it");
    let record: Value = serde_json::from_str(&text).expect("JSON");
    let findings = record["findings"].as_array().cloned().unwrap_or_default();
    Some(findings.iter().filter_map(|finding| finding["word"].as_str().map(str::to_owned)).collect())
}

pub(super) fn within_scale(samples: Vec<f64>) -> Vec<f64> {
    let most = samples.iter().fold(1.0_f64, |most, x| most.max(1.2 * x.abs()));
    samples.iter().map(|x| x / most).collect()
}

/// Reverberation that drowns the direct sound scatters the bands' lags by some milliseconds, a subwoofer gives the upper
/// ones nothing but harmonics, and a short range has few.
#[test]
fn no_speed_is_read_off_scattered_bands() {
    let mut judged = 0;
    for seed in 0..4 {
        for to_hz in [900.0, 1_500.0, 3_600.0] {
            for low_pass_hz in [None, Some(130.0)] {
                let (tail, distortion) = ((0.1, 1.2), (0.02, 0.01));
                let chain = Chain { seed, direct: 0.02, tail, distortion, low_pass_hz, ..Chain::default() };
                let signal = Sweep { to_hz, seconds: if seed % 2 == 0 { 3.0 } else { 8.0 }, ..sweep() };
                let (microphone, reference) = chain.record(&signal);
                let microphone = within_scale(microphone);
                let Some(found) = words(&microphone, &reference, &["--signal", "signal.wav"]) else {
                    continue;
                };
                judged += 1;
                let said = found.iter().any(|word| word == "other-speed" || word == "automatic-gain");
                assert!(!said, "seed {seed}, to {to_hz} Hz, {low_pass_hz:?}: {found:?}");
            }
        }
    }
    assert!(judged >= 18, "{judged} of 24 gave a response");
}

/// Before and after each of three sweeps the room still rings from the last one's top; while the sweep is low, no more.
#[test]
fn a_decay_is_no_gain_that_comes_back() {
    let signal = Sweep { tail_s: 1.0, ..sweep() };
    let once = signal.samples().expect("in range");
    for t60_s in [0.7, 1.5, 3.0] {
        let chain = Chain { tail: (0.05, t60_s), noise: 1e-6, direct: 0.1, ..Chain::default() };
        let played = once.repeat(3);
        let microphone = within_scale(chain.noisy(chain.through(&played)));
        for arguments in [&["--reference", "2"][..], &["--signal", "signal.wav", "--channel", "1"]] {
            let found = words(&microphone, &played, arguments).expect("a response");
            assert!(found.iter().all(|word| word != "automatic-gain"), "{t60_s} s: {found:?}");
        }
    }
}
