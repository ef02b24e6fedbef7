//! Rooms of damped modes at several places, with a second sound at one instant and without.

use super::*;
use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};

const RATE_HZ: f64 = 2_000.0;
const ONSET: usize = 60;

struct Draw(ChaCha8Rng);

impl Draw {
    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * (f64::from(self.0.next_u32()) + 0.5) / 4_294_967_296.0
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.between(0.0, 1.0).ln()).sqrt() * (TAU * self.between(0.0, 1.0)).cos()
    }
}

/// What is added after the direct sound.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Second {
    Nothing,
    /// A tone that decays, of its own phase at each place.
    Thump,
    /// The response once more.
    Shot,
}

/// Frequency and T60.
type Mode = (f64, f64);

/// Records of `places` in which these modes ring, over noise 60 dB below, and so many decibels lower a second sound.
fn records(
    draw: &mut Draw,
    modes: &[Mode],
    places: usize,
    (second, below_db, gap_s): (Second, f64, f64),
) -> Vec<LowRecord> {
    let samples = 4_000;
    let (hz, t60_s) = (draw.between(35.0, 75.0), draw.between(0.2, 0.5));
    let ring = |(hz, t60_s): Mode, k: usize, phase: f64| {
        let t = k as f64 / RATE_HZ;
        (-1000f64.ln() / t60_s * t).exp() * (TAU * hz * t + phase).sin()
    };
    let one = |_: usize| {
        let mut wave = vec![0.0; samples];
        for mode in modes {
            let (size, phase) = (draw.between(-1.0, 1.0), draw.between(0.0, 0.5));
            (ONSET..samples).for_each(|k| wave[k] += size * ring(*mode, k - ONSET, phase));
        }
        let loudest = wave.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
        let size = loudest * 10f64.powf(-below_db / 20.0);
        let (gap, phase) = ((gap_s * RATE_HZ) as usize, draw.between(0.0, TAU));
        let first = wave.clone();
        for k in ONSET + gap..samples {
            wave[k] += match second {
                Second::Nothing => 0.0,
                Second::Thump => size * ring((hz, t60_s), k - ONSET - gap, phase),
                Second::Shot => size / loudest * first[k - gap],
            };
        }
        let noise = 1e-3 * loudest;
        let samples = wave.iter().map(|v| (v + noise * draw.normal()) as f32).collect();
        LowRecord {
            samples,
            rate_hz: RATE_HZ,
            file_rate_hz: 48_000.0,
            onset_s: ONSET as f64 / RATE_HZ,
            emission_s: None,
        }
    };
    (0..places).map(one).collect()
}

/// Modes as dense as in a room of 30 m³, up to 150 Hz.
fn room(draw: &mut Draw) -> Vec<Mode> {
    (0..24)
        .map(|k| (150.0 * ((f64::from(k) + draw.between(0.1, 0.9)) / 24.0).cbrt(), draw.between(0.4, 1.0)))
        .collect()
}

/// Two modes 1 to 6 Hz apart that ring for 1 to 4 s, and up to eleven others.
fn beating(draw: &mut Draw) -> Vec<Mode> {
    let (hz, t60_s, apart_hz) = (draw.between(25.0, 90.0), draw.between(1.0, 4.0), draw.between(1.0, 6.0));
    let others = draw.between(0.0, 12.0) as usize;
    let mut modes = vec![(hz, t60_s), (hz + apart_hz, t60_s * draw.between(0.8, 1.2))];
    modes.extend((0..others).map(|_| (draw.between(20.0, 150.0), draw.between(0.4, 2.0))));
    modes
}

fn found(lows: &[LowRecord]) -> Option<f64> {
    onset_s(&lows.iter().collect::<Vec<_>>())
}

/// How many of so many draws are named, and in which all at the right time.
fn named(
    seeds: std::ops::Range<u64>,
    places: usize,
    second: (Second, f64, f64),
    modes: fn(&mut Draw) -> Vec<Mode>,
) -> usize {
    let at = |seed: u64| {
        let draw = &mut Draw(ChaCha8Rng::seed_from_u64(seed));
        let modes = modes(draw);
        let found = found(&records(draw, &modes, places, second))?;
        let right = second.0 == Second::Nothing || (found - second.2).abs() < 0.05;
        right.then_some(())
    };
    seeds.filter_map(at).count()
}

/// A thump of 15 and 25 dB less than the response, 0.2 s later, at all places is named; a response alone isn't.
#[test]
fn a_thump_at_all_places_is_a_second_sound() {
    for places in [4, 6, 13] {
        assert_eq!(named(0..6, places, (Second::Nothing, 0.0, 0.2), room), 0, "{places} places");
        for below_db in [15.0, 25.0] {
            let count = named(0..6, places, (Second::Thump, below_db, 0.2), room);
            assert!(count >= 5, "{places} places, {below_db} dB: {count} of 6");
        }
    }
    let shots = named(0..6, 6, (Second::Shot, 10.0, 0.2), room);
    assert!(shots >= 5, "two shots: {shots} of 6");
}

/// Modes that beat jump out of their nulls, at places that share them at the same time; that is no second sound.
#[test]
fn beats_at_all_places_are_no_second_sound() {
    for places in [3, 6, 10] {
        assert_eq!(named(0..8, places, (Second::Nothing, 0.0, 0.2), beating), 0, "{places} places");
    }
}

#[test]
#[ignore = "long: 3600 sets; run with --release"]
fn no_response_in_many_draws_is_a_second_sound() {
    for (places, many) in [(3, 400), (4, 400), (6, 400), (8, 200), (10, 200), (16, 200)] {
        let rooms = named(1000..1000 + many, places, (Second::Nothing, 0.0, 0.2), room);
        let beats = named(1000..1000 + many, places, (Second::Nothing, 0.0, 0.2), beating);
        println!("{places} places: {rooms} rooms and {beats} sets of beats of {many} named");
        for second in [(Second::Thump, 15.0, 0.15), (Second::Thump, 25.0, 0.25), (Second::Shot, 15.0, 0.2)] {
            println!("  {second:?}: {} of 50", named(0..50, places, second, room));
        }
        assert_eq!((rooms, beats), (0, 0), "{places} places");
    }
}
