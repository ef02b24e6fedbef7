//! What chance alone does to the times of a perfectly exponential, diffuse decay.

use super::signals::Signal;
use crate::decay::BandDecay;
use crate::filter::Fraction;

/// Draws of one decay; 400 leave each standard deviation known to 3.5 %.
const DRAWS: u64 = 400;

/// Decay time for which the one-third octave at 63 Hz (B = 14.61 Hz) has B T = 16; each octave up doubles it.
const T_S: f64 = 1.095;

fn column(draws: &[Vec<BandDecay>], band: usize, value: impl Fn(&BandDecay) -> Option<f64>) -> Vec<f64> {
    let mut all: Vec<f64> = draws.iter().filter_map(|bands| value(&bands[band])).collect();
    assert!(all.len() * 50 >= draws.len() * 49, "{} of {} draws have the value", all.len(), draws.len());
    all.sort_by(f64::total_cmp);
    all
}

fn relative_sd(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt() / mean
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    sorted[(share * (sorted.len() - 1) as f64).round() as usize]
}

/// Simulated Gaussian decays without floor behind an ideal band (numpy, 400 to 800 runs): relative standard
/// deviation of T20 and T30, and median of the nonlinearity of T20 in permille. Both sides are simulated:
/// tolerance 12 % for the spreads (that of 400 draws is 3.5 %, ours and theirs), 25 % for the medians. Ours lie
/// 2 to 11 % lower, 17 % at B T = 16 (behind an ideal band they hold within 10 %, see `ideal_band`): the skirts of a
/// real filter let more independent noise through than an ideal band does, most where the decay is shortest
/// against 1/B.
#[test]
fn chance_spreads_the_times_as_simulated() {
    let draws: Vec<Vec<BandDecay>> = (0..DRAWS)
        .map(|seed| Signal::noise_decay(7_000 + seed, 8_000.0, T_S, 1.5 * T_S).bands(Fraction::Third))
        .collect();
    for (octave, (bt, t20, t30, xi20)) in [
        (16.0, 0.225, 0.145, 43.0),
        (32.0, 0.164, 0.099, 29.0),
        (64.0, 0.116, 0.067, 18.0),
        (128.0, 0.078, 0.050, 10.0),
        (256.0, 0.053, 0.035, 6.0),
    ]
    .into_iter()
    .enumerate()
    {
        let centre_hz = 63.096 * 1000_f64.powf(0.1 * octave as f64);
        let at = |b: &BandDecay| (b.band.centre_hz / centre_hz - 1.0).abs() < 0.01;
        let band = draws[0].iter().position(at).expect("a band");
        let found = [
            relative_sd(&column(&draws, band, |b| b.t20_s.as_ref().ok().map(|t| t.value))),
            relative_sd(&column(&draws, band, |b| b.t30_s.as_ref().ok().map(|t| t.value))),
            quantile(&column(&draws, band, |b| b.nonlinearity_t20.ok()), 0.5),
        ];
        let (xi, spread) = (1e-3 * xi20, if bt < 20.0 { 0.2 } else { 0.12 });
        for (what, found, expected, within) in
            [("T20", found[0], t20, spread), ("T30", found[1], t30, spread), ("xi20", found[2], xi, 0.25)]
        {
            let off = found / expected - 1.0;
            assert!(off.abs() < within, "B T = {bt}, {what}: {found:.4}, computed {expected}");
        }
    }
}
