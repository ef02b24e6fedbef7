//! Several sweeps in one recording, and one far into it: all are found, wherever they stand.

use super::simulator::{Chain, room_of};
use super::site::Site;
use super::sweeps::off;
use serde_json::Value;
use stillroom::excitation::Sweep;
use stillroom::recovery::{Deconvolution, deconvolve};

const RATE: f64 = 8_000.0;
/// From one sweep to the next, s.
const PERIOD_S: usize = 5;

/// 1 s of silence, 2 s of sweep, 1 s of silence.
fn short() -> Sweep {
    Sweep { from_hz: 15.0, to_hz: 3_600.0, seconds: 2.0, rate_hz: RATE, tail_s: 1.0, ..Sweep::default() }
}

/// Another room for each letter.
fn chain(letter: char) -> Chain {
    let mut chain = Chain {
        modes: room_of(letter as u64),
        direct: 0.1,
        noise: 1e-6,
        high_pass_hz: 15.0,
        ..Chain::default()
    };
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    chain.tail.0 *= 0.3;
    chain
}

/// One sweep a letter, after `ahead_s` of silence; microphone and what was played.
fn recording(letters: &str, ahead_s: usize) -> (Vec<f64>, Vec<f64>) {
    let second = RATE as usize;
    let length = second * (ahead_s + PERIOD_S * letters.len() + 1);
    let (mut heard, mut played) = (vec![0.0; length], vec![0.0; length]);
    for (k, letter) in letters.chars().enumerate() {
        let mut once = short().samples().expect("in range");
        once.resize(3 * second * PERIOD_S, 0.0);
        let at = second * (ahead_s + PERIOD_S * k);
        let sound = chain(letter).through(&once);
        heard[at..].iter_mut().zip(sound).for_each(|(y, x)| *y += x);
        played[at..].iter_mut().zip(once).for_each(|(y, x)| *y += x);
    }
    (chain('a').noisy(heard), played)
}

fn site(letters: &str, ahead_s: usize) -> Site {
    let site = Site::new();
    let (microphone, reference) = recording(letters, ahead_s);
    site.write("visit.wav", RATE, &[&microphone, &reference]);
    site.write("sweep.wav", RATE, &[&short().samples().expect("in range")]);
    site
}

fn response(site: &Site, name: &str) -> Vec<f64> {
    let mut wav = hound::WavReader::open(site.at(&format!("responses/{name}.wav"))).expect("a response");
    wav.samples::<f32>().map(|x| f64::from(x.expect("a sample"))).collect()
}

/// Each of three places has its own room's levels, with the reference and without, behind a long silence too.
#[test]
fn every_place_in_order_is_found() {
    for (letters, ahead_s) in [("aaa", 0), ("aab", 20), ("acb", 20), ("abc", 12), ("abcab", 3)] {
        let site = site(letters, ahead_s);
        let names = &["k", "l", "m", "n", "o"][..letters.len()];
        for known in [["--signal", "sweep.wav"], ["--reference", "2"]] {
            let arguments = ["respond", "visit.wav", "--force", "--in-order", &names.join(",")];
            let (status, said) = site.run(&[&arguments[..], &known].concat());
            assert_eq!(status, 0, "{letters} {known:?}: {said}");
            for (letter, name) in letters.chars().zip(names) {
                let found = response(&site, name);
                let truth = chain(letter).truth(0.1, found.len() as f64 / RATE);
                let (level, _) = off(&found, &truth, RATE, &[46.4, 61.7, 83.0, 120.0, 300.0, 1_000.0]);
                assert!(level < 0.5, "{letters} {known:?}, {name}: {level} dB");
            }
        }
    }
}

#[test]
fn five_sweeps_of_one_place_are_averaged() {
    let site = site("aaaaa", 0);
    let (status, said) = site.run(&["respond", "visit.wav", "--signal", "sweep.wav", "--average"]);
    assert_eq!(status, 0, "{said}");
    let text = std::fs::read_to_string(site.at("responses/visit.capture.json")).expect("a record");
    let record: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(record["repeats"], 5, "{record}");
    // Nothing said what the five are: each way to say it is an option of this command.
    let (status, said) = site.run(&["respond", "visit.wav", "--signal", "sweep.wav", "--force"]);
    assert!(status == 3 && said.contains("4 more times, the nearest 5.0 s"), "{status} {said}");
    assert!(
        said.contains("--average") && said.contains("--in-order") && !said.contains("--repeats"),
        "{said}"
    );
}

/// Fifteen seconds of silence, 4 s of signal: the response is as long as the recording goes on after the sweep, and
/// nothing is wrong with its start.
#[test]
fn a_sweep_far_into_a_recording_is_found() {
    let (microphone, _) = recording("a", 15);
    let signal = short().samples().expect("in range");
    let settings = Deconvolution { together: false, ..Deconvolution::default() };
    for end_s in [19, 21] {
        let heard = &microphone[..end_s * RATE as usize];
        let found = deconvolve(heard, &signal, RATE, &settings).expect("a response");
        assert!((found.start_offset_s - 15.006).abs() < 2e-3, "{}", found.start_offset_s);
        let length_s = found.samples.len() as f64 / RATE;
        assert!((length_s - (end_s as f64 - 18.0 + 0.1)).abs() < 0.05, "{length_s}");
        assert!(found.troubles.iter().all(|trouble| trouble.word != "late-start"), "{:?}", found.troubles);
    }
}

/// A recorder that starts 3 s into a file whose sweep begins at 1 s and takes 8 s from 15 to 3,600 Hz: by then it has
/// passed 15·240^(2/8) = 59 Hz.
#[test]
fn a_late_start_names_the_frequency_that_had_passed() {
    let sweep = Sweep { seconds: 8.0, tail_s: 3.0, ..short() };
    let (microphone, reference) = chain('a').record(&sweep);
    let settings = Deconvolution { together: false, ..Deconvolution::default() };
    let found = deconvolve(&microphone[24_000..], &reference, RATE, &settings).expect("a response");
    let late = found.troubles.iter().find(|trouble| trouble.word == "late-start").expect("told");
    assert!(
        late.found.contains("nothing below 59 Hz") || late.found.contains("nothing below 58 Hz"),
        "{late:?}"
    );
}

/// What asks for something that can't be ends with status 2, as with every other command.
#[test]
fn what_is_not_there_or_there_already_is_wrong_usage() {
    let site = site("a", 0);
    let respond = |more: &[&str]| site.run(&[&["respond", "--signal", "sweep.wav"], more].concat());
    let (status, said) = respond(&["nowhere.wav"]);
    assert!(status == 2 && said.contains("nowhere.wav: no such file"), "{status} {said}");
    let (status, said) = respond(&["visit.wav", "--quieter", "nowhere.wav"]);
    assert!(status == 2 && said.contains("nowhere.wav: no such file"), "{status} {said}");
    assert_eq!(respond(&["visit.wav"]).0, 0);
    let before = std::fs::read(site.at("responses/visit.wav")).expect("there");
    let (status, said) = respond(&["visit.wav"]);
    assert!(status == 2 && said.contains("already exists") && said.contains("--force"), "{status} {said}");
    // A record alone is not replaced either, and nothing new lies beside it.
    std::fs::remove_file(site.at("responses/visit.wav")).expect("there");
    assert_eq!(respond(&["visit.wav"]).0, 2);
    assert!(!site.at("responses/visit.wav").exists());
    assert_eq!(respond(&["visit.wav", "--force"]).0, 0);
    assert!(std::fs::read(site.at("responses/visit.wav")).expect("there") == before);
    // Beside others a missing one is an input that failed.
    let (status, said) = respond(&["visit.wav", "nowhere.wav", "--out", "both"]);
    assert!(status == 3 && said.contains("nowhere.wav"), "{status} {said}");
}
