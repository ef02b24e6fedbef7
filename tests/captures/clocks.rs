//! Two clocks: told by the reference or by repeats, and taken out.

use super::simulator::{Chain, sweep};
use stillroom::recovery::{
    Deconvolution, clock_from_reference, clock_from_repeats, deconvolve, on_the_players_clock,
};

/// Estimate within 5 ppm, and in truth far nearer.
#[test]
fn the_reference_tells_the_clock() {
    for (ppm, noise) in [(0.0, 0.0), (20.0, 1e-4), (100.0, 1e-4), (300.0, 1e-4)] {
        let chain = Chain { ppm, noise, seed: 7, ..Chain::default() };
        let written = sweep().samples().expect("in range");
        let (_, recorded) = chain.record(&sweep());
        let found = clock_from_reference(&chain.noisy(recorded), &written, 8_000.0).expect("a sweep");
        assert!((found.ppm - ppm).abs() < 2.0, "{ppm}: {found:?}");
        assert!((found.ppm - ppm).abs() < 4.0 * found.sd_ppm + 0.2, "{ppm}: {found:?}");
    }
}

#[test]
fn repeats_tell_the_clock_through_the_room() {
    let written = sweep().samples().expect("in range");
    let twice = [written.clone(), written.clone()].concat();
    for ppm in [20.0, 100.0, 300.0] {
        let chain = Chain { ppm, noise: 1e-4, ..Chain::default() };
        let (_, once) = chain.record(&sweep());
        // The second one starts where the player's clock says, between two of the recorder's samples: at
        // these ppm after 12 s within 0.03 samples of a whole one, rounded.
        let gap = (written.len() as f64 * (1.0 + 1e-6 * ppm)).round() as usize;
        let mut signal = once.clone();
        signal.resize(gap, 0.0);
        signal.truncate(gap);
        signal.extend_from_slice(&once);
        let shift = (gap as f64 / written.len() as f64 - 1.0) * 1e6;
        let microphone = chain.noisy(chain.through(&signal));
        let found = clock_from_repeats(&microphone, &twice, 8_000.0).expect("two sweeps");
        assert!((found.ppm - shift).abs() < 2.0, "{ppm} ({shift}): {found:?}");
    }
    assert_eq!(clock_from_repeats(&written, &written, 8_000.0), None);
}

/// The response of a recording on another clock, put right, is the room's: at 100 ppm the sweep would be
/// smeared over a millisecond.
#[test]
fn a_recording_put_right_gives_the_room() {
    let chain = Chain { ppm: 300.0, noise: 1e-6, ..Chain::default() };
    let written = sweep().samples().expect("in range");
    let (microphone, _) = chain.record(&sweep());
    let alone = Deconvolution { together: false, ..Deconvolution::default() };
    let right = on_the_players_clock(&microphone, 300.0);
    let found = deconvolve(&right, &written, 8_000.0, &alone).expect("a response");
    let truth = Chain { ppm: 0.0, ..chain }.truth(0.1, found.samples.len() as f64 / 8_000.0);
    let energy = |samples: &[f64]| samples.iter().map(|x| x * x).sum::<f64>();
    let tail = |samples: &[f64]| samples[4_000..16_000].to_vec();
    let difference: Vec<f64> =
        tail(&found.samples).iter().zip(tail(&truth)).map(|(found, truth)| found - truth).collect();
    let share = energy(&difference) / energy(&tail(&truth));
    assert!(share < 1e-3, "{share}");
}
