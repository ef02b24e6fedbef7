//! What chance alone does to the times of a diffuse decay behind an *ideal* band: the evaluation without the filter.
//!
//! Table simulated for this project (numpy, 400 to 800 runs, no floor); both sides are simulated. A standard
//! deviation of 800 draws is known to 2.5 %, theirs to 2.5 to 3.5 %: tolerance 10 %, 15 % for the rarer ones.

use super::signals::{envelope, noise};
use super::tables::lines_of;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

const DRAWS: u64 = 800;
/// Width of the band, in hertz; the noise's complex envelope is sampled eight times as fast.
const BANDWIDTH_HZ: f64 = 100.0;
const RATE_HZ: f64 = 8.0 * BANDWIDTH_HZ;

/// Energies of Gaussian noise of an ideal band that decays in `t60_s`: complex envelope, rectangular spectrum.
fn decaying_energies(seed: u64, t60_s: f64) -> Vec<f64> {
    let length = (1.6 * t60_s * RATE_HZ) as usize;
    let n = (2 * length).next_power_of_two();
    let mut noise = noise(seed);
    let mut spectrum = vec![Complex::from(0.0); n];
    let half = n / 16;
    for k in (0..half).chain(n - half..n) {
        spectrum[k] = Complex::new(noise(), noise());
    }
    FftPlanner::new().plan_fft_inverse(n).process(&mut spectrum);
    let level = |(k, z): (usize, &Complex<f64>)| z.norm_sqr() * envelope(k as f64 / RATE_HZ, t60_s).powi(2);
    spectrum[..length].iter().enumerate().map(level).collect()
}

/// One decay: EDT, T20, T30 over the true time, curvature in per cent, nonlinearities in permille.
fn one(seed: u64, t60_s: f64) -> Option<[f64; 6]> {
    let [edt, t20, t30] = lines_of(&decaying_energies(seed, t60_s), RATE_HZ);
    let (edt, t20, t30) = (edt?, t20?, t30?);
    let curvature = 100.0 * (t30.time_s() / t20.time_s() - 1.0);
    let times = [edt, t20, t30].map(|line| line.time_s() / t60_s);
    Some([times[0], times[1], times[2], curvature, 1e3 * t20.nonlinearity, 1e3 * t30.nonlinearity])
}

fn sd(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[(share * (sorted.len() - 1) as f64).round() as usize]
}

#[test]
fn chance_spreads_the_times_behind_an_ideal_band_as_simulated() {
    for (bt, t20, t30, edt, c, beyond, xi20, xi20_95, xi30, xi30_95) in [
        (16.0, 0.225, 0.145, 0.41, 20.0, 54.0, 43.0, 138.0, 29.0, 79.0),
        (32.0, 0.164, 0.099, 0.31, 13.0, 40.0, 29.0, 83.0, 19.0, 49.0),
        (64.0, 0.116, 0.067, 0.22, 9.0, 26.0, 18.0, 48.0, 11.0, 28.0),
        (128.0, 0.078, 0.050, 0.16, 6.0, 10.0, 10.0, 25.0, 6.0, 13.0),
        (256.0, 0.053, 0.035, 0.11, 4.0, 3.0, 6.0, 14.0, 3.0, 7.0),
        (512.0, 0.037, 0.026, 0.07, 3.0, 0.0, 3.0, 6.0, 1.7, 3.5),
    ] {
        let draws: Vec<[f64; 6]> = (0..DRAWS).filter_map(|seed| one(seed, bt / BANDWIDTH_HZ)).collect();
        assert!(draws.len() as u64 * 100 >= DRAWS * 99, "{} of {DRAWS} have all three", draws.len());
        let column = |i: usize| draws.iter().map(|draw| draw[i]).collect::<Vec<f64>>();
        let shares = column(3).iter().filter(|c| c.abs() > 10.0).count() as f64 * 100.0 / draws.len() as f64;
        let found = [
            ("sd EDT", sd(&column(0)), edt, 0.15, 0.005),
            ("sd T20", sd(&column(1)), t20, 0.10, 0.0005),
            ("sd T30", sd(&column(2)), t30, 0.10, 0.0005),
            ("sd C", sd(&column(3)), c, 0.10, 0.5),
            ("share", shares, beyond, 0.10, 2.0),
            ("xi20", quantile(&column(4), 0.5), xi20, 0.10, 0.5),
            ("xi20 95 %", quantile(&column(4), 0.95), xi20_95, 0.15, 0.5),
            ("xi30", quantile(&column(5), 0.5), xi30, 0.10, 0.5),
            ("xi30 95 %", quantile(&column(5), 0.95), xi30_95, 0.15, 0.5),
        ];
        for (what, found, computed, within, digit) in found {
            println!("B T = {bt}, {what}: {found:.4}, simulated {computed}");
            assert!(
                (found - computed).abs() < within * computed + digit,
                "B T = {bt}, {what}: {found}, {computed}"
            );
        }
    }
}
