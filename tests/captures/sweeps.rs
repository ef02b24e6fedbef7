//! Responses from sweeps against the closed form.

use super::simulator::{Chain, sweep};
use stillroom::excitation::Sweep;
use stillroom::recovery::{Deconvolution, Recovered, RecoveryError, deconvolve};

fn words(found: &Recovered) -> Vec<&'static str> {
    found.troubles.iter().filter(|t| t.again).map(|t| t.word).collect()
}

fn alone() -> Deconvolution {
    Deconvolution { together: false, ..Deconvolution::default() }
}

/// Largest difference of magnitude (dB) and phase (degrees) between two responses at some frequencies.
pub fn off(found: &[f64], truth: &[f64], rate_hz: f64, hertz: &[f64]) -> (f64, f64) {
    let at = |samples: &[f64], hz: f64| {
        let turn = std::f64::consts::TAU * hz / rate_hz;
        samples.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, x)| {
            let phase = turn * n as f64;
            (re + x * phase.cos(), im - x * phase.sin())
        })
    };
    hertz.iter().fold((0.0, 0.0), |(level, phase), &hz| {
        let ((a, b), (c, d)) = (at(found, hz), at(truth, hz));
        let ratio = (10.0 * ((a * a + b * b) / (c * c + d * d)).log10()).abs();
        let turn = (b * c - a * d).atan2(a * c + b * d).to_degrees().abs();
        (f64::max(level, ratio), f64::max(phase, turn))
    })
}

/// With the reference beside it the response is the room's, in level, phase and time.
#[test]
fn a_clean_take_is_the_room() {
    let chain = Chain { noise: 1e-7, ..Chain::default() };
    let (microphone, reference) = chain.record(&sweep());
    let found = deconvolve(&microphone, &reference, 8_000.0, &Deconvolution::default()).expect("a response");
    assert_eq!(words(&found), Vec::<&str>::new(), "{:?}", found.troubles);
    assert_eq!(found.emission_s, Some(0.1));
    assert!((found.arrival_s - 0.106).abs() < 0.002, "{}", found.arrival_s);
    let truth = chain.truth(0.1, found.samples.len() as f64 / 8_000.0);
    let (level, phase) =
        off(&found.samples, &truth, 8_000.0, &[31.2, 38.9, 50.0, 68.3, 83.0, 120.0, 300.0, 1_000.0]);
    assert!(level < 0.05 && phase < 0.3, "{level} dB, {phase}°");
    assert!(found.range_hz.0 < 20.0 && found.range_hz.1 > 3_300.0, "{:?}", found.range_hz);
}

/// A recorder that runs ahead, 1 % distortion and the written signal: the products don't stand in the file.
#[test]
fn a_recorder_that_started_first_leaves_no_products_in_the_file() {
    let chain = Chain { distortion: (0.08, 0.6), noise: 1e-5, ..Chain::default() };
    let (microphone, reference) = chain.record(&sweep());
    let early = [vec![0.0; 6_480], microphone].concat();
    let early = Chain { seed: 5, ..chain }.noisy(early);
    let found = deconvolve(&early, &reference, 8_000.0, &alone()).expect("a response");
    assert!((found.start_offset_s - 0.816).abs() < 0.002, "{}", found.start_offset_s);
    assert!((found.arrival_s - 0.1).abs() < 0.002, "{}", found.arrival_s);
    assert_eq!(found.emission_s, None);
    let largest = |part: &[f64]| part.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    assert!(
        largest(&found.samples[..700]) < 0.02 * largest(&found.samples),
        "{}",
        largest(&found.samples[..700])
    );
    assert!(found.harmonics.iter().any(|h| h.order == 2), "{:?}", found.harmonics);
    assert_eq!(words(&found), Vec::<&str>::new(), "{:?}", found.troubles);
}

/// A subwoofer: the range ends where it does, and nothing above it is lifted out of the noise.
#[test]
fn a_subwoofer_ends_its_own_range() {
    let chain = Chain { low_pass_hz: Some(110.0), tail: (0.0, 0.3), noise: 3e-5, ..Chain::default() };
    let (microphone, reference) = chain.record(&sweep());
    let found = deconvolve(&microphone, &reference, 8_000.0, &Deconvolution::default()).expect("a response");
    assert!((200.0..1_500.0).contains(&found.range_hz.1), "{:?}", found.range_hz);
    let largest = |part: &[f64]| part.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    assert!(
        largest(&found.samples[..600]) < 0.03 * largest(&found.samples),
        "{}",
        largest(&found.samples[..600])
    );
    assert_eq!(words(&found), Vec::<&str>::new(), "{:?}", found.troubles);
}

/// What goes wrong on site, and the word that names it.
#[test]
fn faults_of_a_take_are_named() {
    let chain = Chain::default();
    let (microphone, reference) = chain.record(&sweep());
    let together = Deconvolution::default();
    let named = |microphone: &[f64], reference: &[f64], settings: &Deconvolution| {
        deconvolve(microphone, reference, 8_000.0, settings).map(|found| words(&found))
    };
    let loud =
        |samples: &[f64], gain: f64| samples.iter().map(|x| (gain * x).clamp(-1.0, 1.0)).collect::<Vec<_>>();
    let peak = microphone.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    assert_eq!(named(&loud(&microphone, 1.6 / peak), &reference, &together), Ok(vec!["clipped"]));
    assert_eq!(named(&microphone, &loud(&reference, 5.0), &together), Ok(vec!["clipped"]));
    let first = |words: Result<Vec<&'static str>, RecoveryError>| words.map(|w| w.first().copied());
    assert_eq!(first(named(&microphone[24_000..], &reference[24_000..], &together)), Ok(Some("late-start")));
    assert_eq!(first(named(&microphone[24_000..], &reference, &alone())), Ok(Some("late-start")));
    let end = 8_000 * 9 + 1_600;
    assert_eq!(named(&microphone[..end], &reference[..end], &together), Ok(vec!["early-stop"]));
    assert_eq!(named(&reference, &microphone, &together).map(|w| w.contains(&"swapped-channels")), Ok(true));
    let mut click = reference.clone();
    click[40_000] = 1.0;
    assert_eq!(named(&microphone, &click, &together), Ok(vec!["click"]));
    let hum: Vec<f64> =
        reference.iter().enumerate().map(|(n, x)| x + 0.006 * (n as f64 * 0.039_27).sin()).collect();
    assert_eq!(named(&microphone, &hum, &together), Ok(vec!["reference-noise"]));
    let twice = [microphone.clone(), microphone.clone()].concat();
    assert_eq!(named(&twice, &reference, &alone()), Ok(vec!["several-signals"]));
}

#[test]
fn what_holds_no_response_is_refused_with_its_reason() {
    let chain = Chain::default();
    let (microphone, reference) = chain.record(&sweep());
    let together = Deconvolution::default();
    let noise = chain.noisy(vec![0.0; microphone.len()]);
    let refused =
        |microphone: &[f64], reference: &[f64]| deconvolve(microphone, reference, 8_000.0, &together).err();
    assert_eq!(refused(&noise, &reference), Some(RecoveryError::NoResponse));
    assert_eq!(refused(&vec![0.0; 90_000], &reference), Some(RecoveryError::SilentRecording));
    assert_eq!(refused(&microphone, &[0.0; 100]), Some(RecoveryError::SilentReference));
    let (_, other) = chain.record(&Sweep { seconds: 5.0, ..sweep() });
    assert!(matches!(refused(&microphone, &other), Some(RecoveryError::OtherSignal { .. })));
    assert!(matches!(refused(&microphone[..60_000], &reference), Some(RecoveryError::TooShort { .. })));
    let twice = [reference.clone(), reference.clone()].concat();
    assert!(matches!(refused(&microphone, &twice), Some(RecoveryError::SeveralSignals { found: 2 })));
}
