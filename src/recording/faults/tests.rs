//! Nulls (decays, modes, noise, quantised or not) on which nothing may fire; faults that must.
//!
//! Each case draws from a generator of its own seed, so that one more case changes no other.

use std::f64::consts::{PI, TAU};

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};

use super::*;

const RATE_HZ: f64 = 48_000.0;
const SAMPLES: usize = 120_000;
const ONSET: usize = 1_000;

/// Normally distributed numbers (Box and Muller 1958).
struct Noise(ChaCha8Rng);

impl Noise {
    fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    fn uniform(&mut self) -> f64 {
        (f64::from(self.0.next_u32()) + 0.5) / 4_294_967_296.0
    }

    fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// e^(-6.908 t / T60): 60 dB in T60.
fn decay(k: usize, t60_s: f64) -> f64 {
    (-(1000f64.ln()) * k as f64 / (RATE_HZ * t60_s)).exp()
}

/// A direct sound and noise that decays.
fn reverberation(noise: &mut Noise, t60_s: f64) -> Vec<f64> {
    let mut samples = vec![0.0; SAMPLES];
    for (k, v) in samples[ONSET..].iter_mut().enumerate() {
        *v = 0.2 * noise.next() * decay(k, t60_s);
    }
    samples[ONSET] = 1.0;
    samples
}

/// Six modes between 20 and 150 Hz.
fn modes(noise: &mut Noise, t60_s: f64) -> Vec<f64> {
    let mut samples = vec![0.0; SAMPLES];
    for _ in 0..6 {
        let (f_hz, t60_s) = (20.0 + 130.0 * noise.uniform(), t60_s * (0.5 + noise.uniform()));
        let (amplitude, phase) = (0.05 + 0.1 * noise.uniform(), TAU * noise.uniform());
        for (k, v) in samples[ONSET..].iter_mut().enumerate() {
            *v += amplitude * decay(k, t60_s) * (TAU * f_hz * k as f64 / RATE_HZ + phase).cos();
        }
    }
    samples
}

/// Adds a floor of standard deviation `level`: white, or of power 1/f² down to some 5 Hz.
fn with_floor(mut samples: Vec<f64>, noise: &mut Noise, level: f64, red: bool) -> Vec<f64> {
    let (mut slow, pole) = (0.0, (-TAU * 5.0 / RATE_HZ).exp());
    for v in &mut samples {
        slow = pole * slow + (1.0 - pole * pole).sqrt() * noise.next();
        *v += level * if red { slow } else { noise.next() };
    }
    samples
}

/// Rounded to `bits`.
fn quantised(samples: &[f64], bits: i32) -> Vec<f64> {
    let steps = 2f64.powi(bits - 1);
    samples.iter().map(|v| (v * steps).round() / steps).collect()
}

fn found(samples: &[f64]) -> Vec<Fault> {
    inspect(samples, RATE_HZ).found
}

/// What is no impulse response, made of one that is sound.
#[test]
fn shapes_that_no_response_has() {
    let mut noise = Noise::new(77);
    let clean: Vec<f64> =
        reverberation(&mut noise, 0.4).iter().zip(modes(&mut noise, 1.0)).map(|(a, b)| a + b).collect();
    let clean = with_floor(clean, &mut noise, 1e-5, false);
    assert!(found(&clean).is_empty(), "{:?}", found(&clean));
    let backwards: Vec<f64> = clean.iter().rev().copied().collect();
    assert_eq!(found(&backwards), [Fault::Reversed]);
    let later = 30_000;
    let twice: Vec<f64> = clean
        .iter()
        .enumerate()
        .map(|(k, v)| v + if k < later { 0.0 } else { 0.5 * clean[k - later] })
        .collect();
    assert!(
        matches!(found(&twice)[..], [Fault::SecondSound { at_s }] if (at_s - 31_000.0 / RATE_HZ).abs() < 0.01)
    );
    let mut pulse = with_floor(vec![0.0; SAMPLES], &mut noise, 1e-5, false);
    pulse[ONSET] += 0.7;
    assert_eq!(found(&pulse), [Fault::SignalItself { sweep: false }]);
    let length_s = SAMPLES as f64 / RATE_HZ;
    let turns = |t: f64| 20.0 * length_s / 1000f64.ln() * ((t / length_s * 1000f64.ln()).exp() - 1.0);
    let sweep: Vec<f64> = (0..SAMPLES).map(|k| 0.5 * (TAU * turns(k as f64 / RATE_HZ)).sin()).collect();
    assert_eq!(found(&sweep), [Fault::SignalItself { sweep: true }]);
    // 60 dB linear in decibels from the onset on: T60 = 0.4 s stays a straight line, only the noise tells.
    let faded: Vec<f64> = clean
        .iter()
        .enumerate()
        .map(|(k, v)| v * 10f64.powf(-3.0 * k.saturating_sub(ONSET) as f64 / (SAMPLES - ONSET) as f64))
        .collect();
    assert!(
        matches!(found(&faded)[..], [Fault::FadedDecay { below_db }] if (40.0..62.0).contains(&below_db))
    );
}

/// Six modes that beat come out of a null 12 dB and more above the 30 ms before it, no louder than they were; the same
/// once more half a second later is a second sound.
#[test]
fn a_beat_is_no_second_sound() {
    let noise = &mut Noise::new(114_111);
    let beating = with_floor(modes(noise, 1.0), noise, 2e-6, true);
    assert_eq!(found(&beating), []);
    let later = 25_000;
    let again = |k: usize| k.checked_sub(later).map_or(0.0, |before| 0.3 * beating[before]);
    let twice: Vec<f64> = beating.iter().enumerate().map(|(k, v)| v + again(k)).collect();
    assert!(matches!(found(&twice)[..], [Fault::SecondSound { at_s }] if (at_s - 0.54).abs() < 0.01));
}

/// A direct sound cut off at a quarter of its peak is too short for flat tops; the same extreme twice tells.
#[test]
fn single_samples_at_one_ceiling_are_clipped() {
    let mut noise = Noise::new(78);
    let mut samples = with_floor(reverberation(&mut noise, 0.3), &mut noise, 1e-5, false);
    (samples[ONSET + 2], samples[ONSET + 5]) = (-0.8, 0.6);
    let sound = quantised(&samples, 24);
    assert!(!found(&sound).iter().any(|f| matches!(f, Fault::Clipped { .. })));
    let cut: Vec<f64> = samples.iter().map(|v| v.clamp(-0.55, 0.55)).collect();
    assert!(found(&quantised(&cut, 24)).iter().any(|f| matches!(f, Fault::Clipped { .. })));
}

type Shape = fn(f64) -> f64;
const LINEAR: Shape = |left| left;
const HALF_COSINE: Shape = |left| 0.5 - 0.5 * (PI * left).cos();
const QUARTER_SINE: Shape = |left| (0.5 * PI * left).sin();

/// Fades the last `length_s` out.
fn faded(mut samples: Vec<f64>, length_s: f64, shape: Shape) -> Vec<f64> {
    let n = (length_s * RATE_HZ) as usize;
    let from = samples.len() - n;
    for (k, v) in samples[from..].iter_mut().enumerate() {
        *v *= shape((n - k) as f64 / n as f64);
    }
    samples
}

/// The cases in which a record is sound: (name, samples).
fn sound_records(seeds: std::ops::Range<u64>) -> impl Iterator<Item = (String, Vec<f64>)> {
    let cases = [0.3, 1.0, 4.0].into_iter().flat_map(|t60_s| {
        [1e-1, 1e-3, 1e-5].into_iter().flat_map(move |level| [false, true].map(|red| (t60_s, level, red)))
    });
    cases.enumerate().flat_map(move |(i, (t60_s, level, red))| {
        seeds.clone().flat_map(move |seed| {
            [false, true].map(|modal| {
                let noise = &mut Noise::new(1000 * seed + 10 * i as u64 + u64::from(modal));
                let room = if modal { modes(noise, t60_s) } else { reverberation(noise, t60_s) };
                let name = format!("modal {modal}, T {t60_s}, floor {level}, red {red}, seed {seed}");
                (name, with_floor(room, noise, 0.2 * level, red))
            })
        })
    })
}

#[test]
fn a_decay_with_a_floor_has_no_fault() {
    for (name, samples) in sound_records(0..2) {
        assert_eq!(found(&samples), [], "{name}");
        assert_eq!(found(&quantised(&samples, 24)), [], "24 bits, {name}");
    }
}

#[test]
#[ignore = "long: 720 records; run with --release"]
fn a_decay_with_a_floor_has_no_fault_in_many_draws() {
    for (name, samples) in sound_records(100..120) {
        assert_eq!(found(&samples), [], "{name}");
    }
}

#[test]
fn a_pure_decay_without_any_floor_is_no_fade() {
    for t60_s in [0.5, 1.0, 4.0] {
        for seed in 0..3 {
            assert_eq!(found(&reverberation(&mut Noise::new(seed), t60_s)), [], "noise, T {t60_s}");
            assert_eq!(found(&modes(&mut Noise::new(seed), t60_s)), [], "modes, T {t60_s}, seed {seed}");
        }
        let pure: Vec<f64> = (0..SAMPLES).map(|k| decay(k, t60_s)).collect();
        assert_eq!(found(&pure), [], "exponential, T {t60_s}");
    }
}

/// 16 bits without dither: the decay falls under the last bit, and then there is nothing.
#[test]
fn a_decay_that_sinks_below_the_last_bit_ends_in_silence_but_is_no_fade() {
    for t60_s in [0.3, 1.0] {
        let samples = quantised(&reverberation(&mut Noise::new(5), t60_s), 16);
        let faults = inspect(&samples, RATE_HZ);
        let [Fault::ZeroTail { from }] = faults.found[..] else { panic!("T {t60_s}: {:?}", faults.found) };
        // The noise's rms falls from 0.2 to half a step, 2^-16.
        let lost = ONSET as f64 + RATE_HZ * t60_s * (20.0 * (0.2f64 * 65_536.0).log10() / 60.0);
        assert!(
            (faults.usable_samples as f64 - lost).abs() < 0.03 * RATE_HZ * t60_s.max(0.5),
            "{faults:?} {lost}"
        );
        assert!(from > faults.usable_samples);
    }
}

#[test]
fn fades_are_found_and_where_they_start() {
    for (length_s, seed) in [(0.03, 1), (0.1, 2), (0.3, 3), (1.0, 4)] {
        for (shape, name) in
            [(LINEAR, "linear"), (HALF_COSINE, "half cosine"), (QUARTER_SINE, "quarter sine")]
        {
            for red in [false, true] {
                let noise = &mut Noise::new(seed);
                let room = reverberation(noise, 0.4);
                let samples = faded(with_floor(room, noise, 1e-3, red), length_s, shape);
                let faults = inspect(&samples, RATE_HZ);
                let [Fault::FadedTail { from }] = faults.found[..] else {
                    panic!("{name} {length_s} s, red {red}: {:?}", faults.found)
                };
                assert_eq!(faults.usable_samples, from);
                let length = (SAMPLES - from) as f64 / RATE_HZ / length_s;
                // A quarter sine hardly falls at first, so its start is less sure.
                let least = if name == "quarter sine" { 0.5 } else { 0.8 };
                assert!((least..1.5).contains(&length), "{name} {length_s} s, red {red}: {length} of it");
            }
        }
    }
}

#[test]
fn a_fade_of_a_decay_that_never_met_its_floor_is_found() {
    let samples = faded(reverberation(&mut Noise::new(7), 3.0), 0.2, HALF_COSINE);
    assert!(matches!(found(&samples)[..], [Fault::FadedTail { .. }]), "{:?}", found(&samples));
}

#[test]
fn a_fade_followed_by_padding_is_both() {
    let noise = &mut Noise::new(8);
    let mut samples = faded(with_floor(reverberation(noise, 0.4), noise, 1e-3, false), 0.2, LINEAR);
    samples.resize(SAMPLES + 9_600, 0.0);
    let faults = inspect(&samples, RATE_HZ);
    assert_eq!(faults.flags().to_string(), "zero-tail;faded-tail");
    let start = SAMPLES as f64 - 0.2 * RATE_HZ;
    assert!((faults.usable_samples as f64 - start).abs() < 0.04 * RATE_HZ, "{faults:?}");
}

#[test]
fn padding_is_found_to_the_sample() {
    let noise = &mut Noise::new(9);
    let sound = with_floor(reverberation(noise, 0.4), noise, 1e-3, false);
    for padding in [240, 9_600] {
        let mut samples = sound.clone();
        samples.resize(SAMPLES + padding, 0.0);
        let faults = inspect(&samples, RATE_HZ);
        assert_eq!(faults.found, [Fault::ZeroTail { from: SAMPLES }]);
        assert_eq!(faults.usable_samples, SAMPLES);
    }
    let mut samples = sound;
    samples.resize(SAMPLES + 10, 0.0);
    assert_eq!(found(&samples), []);
}

/// The fault that leaves nothing to analyse.
fn fatal(faults: &Faults) -> Option<&Fault> {
    faults.found.iter().find(|fault| fault.flag().is_none())
}

#[test]
fn silence_and_scraps_leave_nothing() {
    for (samples, words) in [
        (vec![], "nothing was recorded"),
        (vec![0.25], "nothing was recorded"),
        (vec![0.0; 48_000], "nothing was recorded"),
        (vec![-0.5; 48_000], "every sample is -0.5"),
        (vec![0.0, 1.0, 0.0], "0.0001 s long"),
        ([0.0, 1e-13].repeat(48_000), "nothing was recorded"),
    ] {
        let faults = inspect(&samples, RATE_HZ);
        let text = fatal(&faults).expect("fatal").to_string();
        assert!(text.contains(words), "{text}");
    }
    let long_enough: Vec<f64> = (0..4_800).map(|k| decay(k, 0.02)).collect();
    assert_eq!(fatal(&inspect(&long_enough, RATE_HZ)), None);
}

/// A sound response times `gain`, cut off at ±`ceiling`.
fn clipped(gain: f64, ceiling: f64, seed: u64) -> Vec<f64> {
    let noise = &mut Noise::new(seed);
    let room = modes(noise, 0.8);
    let samples = with_floor(room, noise, 1e-4, false);
    let peak = samples.iter().fold(0.0f64, |p, v| p.max(v.abs()));
    samples.iter().map(|v| (v / peak * gain).clamp(-ceiling, ceiling)).collect()
}

#[test]
fn flat_tops_are_found_at_full_scale_and_below() {
    for (ceiling, bits) in [(1.0, 16), (1.0, 24), (0.31, 16), (0.31, 24)] {
        for seed in 0..5 {
            let samples = quantised(&clipped(1.5 * ceiling, ceiling, seed), bits);
            let found = found(&samples);
            let [Fault::Clipped { ceiling: seen, tops, first, longest }] = found[..] else {
                panic!("{found:?}")
            };
            assert!((seen - ceiling).abs() < 1e-4 && tops >= 1 && longest >= 3, "{found:?}");
            assert!(samples[first].abs() > 0.999 * ceiling);
        }
    }
}

/// An analogue stage: the tops carry noise and are not quite flat.
#[test]
fn tops_that_are_nearly_flat_are_found() {
    let noise = &mut Noise::new(11);
    let samples: Vec<f64> = clipped(0.75, 0.5, 3).iter().map(|v| v + 2e-5 * noise.next()).collect();
    assert!(matches!(found(&quantised(&samples, 24))[..], [Fault::Clipped { .. }]));
}

#[test]
fn a_normalised_response_is_not_clipped() {
    for seed in 0..5 {
        let noise = &mut Noise::new(seed);
        let mut samples = with_floor(reverberation(noise, 0.5), noise, 1e-3, false);
        samples[ONSET + 1] = 0.999_97;
        assert_eq!(found(&samples), []);
        assert_eq!(found(&quantised(&samples, 16)), []);
    }
}

/// Crests of low notes hold their highest 16-bit value for several samples; that is no clipping.
#[test]
fn a_smooth_crest_at_full_scale_is_not_clipped() {
    for f_hz in [15.0, 20.0, 31.5, 63.0, 125.0] {
        for amplitude in [1.0, 0.1, 0.01] {
            let noise = &mut Noise::new(12);
            let note = (0..SAMPLES).map(|k| {
                amplitude * decay(k, 0.7) * (TAU * f_hz * k as f64 / RATE_HZ + 1.0).cos()
                    + 1e-4 * noise.next()
            });
            let samples = quantised(&note.collect::<Vec<_>>(), 16);
            assert_eq!(found(&samples), [], "{f_hz} Hz, {amplitude}");
        }
    }
}

#[test]
fn an_offset_is_found_when_it_matters() {
    let noise = &mut Noise::new(13);
    let sound = with_floor(reverberation(noise, 0.4), noise, 1e-3, false);
    let shifted = |by: f64| sound.iter().map(|v| v + by).collect::<Vec<_>>();
    let [Fault::Offset { value }] = found(&shifted(-0.002))[..] else {
        panic!("{:?}", found(&shifted(-0.002)))
    };
    assert!((value + 0.002).abs() < 3e-5, "{value}");
    assert_eq!(found(&shifted(2e-4)), [], "a fifth of the noise");
}

#[test]
fn every_fault_says_where() {
    let words = |fault: Fault| fault.to_string();
    assert_eq!(
        words(Fault::Clipped { ceiling: 1.0, tops: 3, first: 812, longest: 9 }),
        "clipped at 1.0000 of full scale: 3 flat tops, the longest of 9 samples, the first at sample 812"
    );
    assert_eq!(words(Fault::ZeroTail { from: 96_000 }), "digitally silent from sample 96000 to the end");
    assert_eq!(words(Fault::FadedTail { from: 96_000 }), "faded out from about sample 96000 to the end");
}

mod clipped;
