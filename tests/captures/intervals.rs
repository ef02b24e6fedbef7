//! Intervals of what comes out of recordings on two clocks, and of periods of noise: drawn rooms, from recording to
//! table.

use super::claims::Score;
use super::simulator::{Chain, room_of, sweep};
use super::site::Site;
use stillroom::excitation::Noise;

const RATE: f64 = 8_000.0;
const MODES: [&str; 4] = ["--modes-from", "26", "--modes-to", "90"];

fn chain(seed: u64) -> Chain {
    let mut chain = Chain { modes: room_of(seed), direct: 0.1, noise: 1e-5, seed, ..Chain::default() };
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    chain.tail.0 *= 0.3;
    chain
}

/// What is known beside the microphone.
#[derive(Debug, Clone, Copy)]
enum Known {
    /// The signal on a second channel, and as it was written.
    Reference,
    /// A signal that was played twice.
    Repeats,
    /// Nothing: one sweep.
    Nothing,
}

/// Three microphones, each with its own signs and sizes of the modes.
fn microphones(chain: &Chain) -> [Chain; 3] {
    [[1.0, 1.0, 1.0], [-0.8, 1.0, 0.6], [1.0, -0.7, -0.9]].map(|signs| {
        let mut other = chain.clone();
        let modes = other.modes.iter_mut().enumerate();
        modes.for_each(|(k, mode)| mode.amplitude *= signs[k % 3]);
        other.seed = chain.seed + (10.0 * (signs[0] + 3.0 * signs[1])) as u64;
        other
    })
}

/// Their recordings of a signal, with the signal itself if it was recorded.
fn write(site: &Site, chain: &Chain, played: &[f64], reference: bool) {
    let mut channels: Vec<Vec<f64>> =
        microphones(chain).iter().map(|chain| chain.noisy(chain.through(played))).collect();
    if reference {
        channels.push(played.to_vec());
    }
    let channels: Vec<&[f64]> = channels.iter().map(Vec::as_slice).collect();
    site.write("visit.wav", RATE, &channels);
}

const PLACES: [&str; 3] = ["visit.wav", "--channel", "1=seat,2=corner,3=door"];

fn score(ppm: f64, seed: u64, known: Known) -> Score {
    let chain = Chain { ppm, ..chain(seed) };
    let site = Site::new();
    let written = sweep().samples().expect("in range");
    let (_, once) = chain.record(&sweep());
    let signal: &[f64] = &[&written[..], &written[..]].concat();
    let more: &[&str] = match known {
        Known::Reference => {
            site.write("signal.wav", RATE, &[&written]);
            write(&site, &chain, &once, true);
            &["--reference", "4", "--signal", "signal.wav"]
        }
        Known::Nothing => {
            site.write("signal.wav", RATE, &[&written]);
            write(&site, &chain, &once, false);
            &["--signal", "signal.wav"]
        }
        Known::Repeats => {
            site.write("signal.wav", RATE, &[signal]);
            // The second starts where the player's clock says, to the nearest of the recorder's samples.
            let gap = (written.len() as f64 * (1.0 + 1e-6 * ppm)).round() as usize;
            let mut played = once.clone();
            played.resize(gap, 0.0);
            played.extend_from_slice(&once);
            write(&site, &chain, &played, false);
            &["--signal", "signal.wav"]
        }
    };
    Score::of(&site.modes(&[&PLACES[..], more].concat(), &MODES), &chain.modes)
}

/// Frequencies hold after the clocks' difference was taken out, and by being wide where nothing tells it exactly.
#[test]
#[ignore = "long: 27 visits from recording to modes; run with --release"]
fn frequencies_hold_on_two_clocks() {
    for known in [Known::Reference, Known::Repeats, Known::Nothing] {
        for ppm in [20.0, 100.0, 300.0] {
            let mut all = Score::default();
            (0..3).for_each(|draw| all.add(score(ppm, 100 + draw, known)));
            println!("{known:?}, {ppm} ppm: {all:?}, held {:?}", all.held());
            assert_eq!(all.false_modes, 0);
            assert!(all.claimed >= 10, "{}", all.claimed);
            assert!(all.held()[0] >= 0.92, "{known:?}, {ppm} ppm: {all:?}");
        }
    }
}

/// T60 of modes found in 8, 16 and 64 averaged periods of noise, with noise at the microphone.
#[test]
#[ignore = "long: 12 visits from recording to modes; run with --release"]
fn decays_hold_after_periods_of_noise() {
    for periods in [8, 16, 64] {
        let mut all = Score::default();
        for draw in 0..4 {
            let signal = Noise {
                period_s: 2.73,
                periods: periods + 1,
                to_hz: 3_600.0,
                rate_hz: RATE,
                ..Noise::default()
            };
            let signal = signal.samples().expect("in range");
            let played = [vec![0.0; 8_000], signal, vec![0.0; 8_000]].concat();
            let chain = Chain { noise: 2e-4, ..chain(200 + draw) };
            let site = Site::new();
            write(&site, &chain, &played, true);
            let found = site.modes(&[&PLACES[..], &["--reference", "4", "--noise"]].concat(), &MODES);
            all.add(Score::of(&found, &chain.modes));
        }
        println!("{periods} periods: {all:?}, held {:?}", all.held());
        assert_eq!(all.false_modes, 0);
        assert!(all.claimed >= 12, "{}", all.claimed);
        assert!(all.held()[1] >= 0.92, "{periods} periods: {all:?}");
    }
}
