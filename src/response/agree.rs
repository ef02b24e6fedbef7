//! Whether repeats of one response agree, and which one is the odd one out.

use super::align::Repeats;
use std::ops::Range;

/// A band in which repeats are compared. Own choice of limits, set on five repeats each of two states
/// of a real room: there the residuals of pairs stay within 3 dB of each other's median.
struct Compared {
    from_hz: f64,
    to_hz: f64,
    /// A take this many times further from the others than they are from each other is odd.
    odd: f64,
    /// Two takes disagree from this residual on, as a share of the energy.
    apart: f64,
}

/// The low end, where noise limits; and the rest, where the air of a real room moves between takes
/// (−31 to −46 dB in the room above).
const BANDS: [Compared; 2] = [
    Compared { from_hz: 20.0, to_hz: 300.0, odd: 4.0, apart: 1e-3 },
    Compared { from_hz: 300.0, to_hz: 12_000.0, odd: 10.0, apart: 1e-2 },
];

/// Residuals below this share (−45 dB) make no take odd, however well the others agree.
const LEAST_RESIDUAL: f64 = 3e-5;

/// Gains further apart than this are not repeats: 0.5 dB as a ratio of pressures.
const LEAST_GAIN: f64 = 1.059;

/// How many times the noise's share a residual must be before it counts as a disagreement.
const OVER_NOISE: f64 = 4.0;

/// How repeats lie against each other. Indices are those of the takes compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// Gain of each take over the median one, sign included.
    pub gains: Vec<f64>,
    /// Takes to leave out, with the reason.
    pub odd: Vec<(usize, String)>,
    /// Why those that are left still disagree.
    pub disagreement: Option<String>,
    /// Whether the signs of those left differ (two takes: nothing tells which is right).
    pub signs_differ: bool,
}

/// Compares aligned repeats. `noise`: mean square of each take's noise per bin range, as a share of
/// its energy there (see [`noise_share`]).
pub fn compare(repeats: &Repeats, noise: &[[f64; 2]]) -> Agreement {
    let count = repeats.spectra.len();
    let gains = gains(repeats);
    let distances: Vec<Vec<[f64; 2]>> =
        (0..count).map(|i| (0..count).map(|j| distance(repeats, i, j)).collect()).collect();
    let mut left: Vec<usize> = (0..count).collect();
    let mut odd = Vec::new();
    while left.len() > 2 {
        let Some((take, reason)) = oddest(&left, &gains, &distances) else { break };
        left.retain(|&k| k != take);
        odd.push((take, reason));
    }
    odd.sort_by_key(|(take, _)| *take);
    let disagreement = disagreement(&left, &gains, &distances, noise);
    let signs_differ = left.iter().any(|&k| gains[k] * gains[left[0]] < 0.0);
    Agreement { gains, odd, disagreement, signs_differ }
}

fn bins(repeats: &Repeats, band: &Compared) -> Range<usize> {
    repeats.bins(band.from_hz, band.to_hz)
}

/// Root of the energy ratio to the median take; the sign is that of the product with the first.
fn gains(repeats: &Repeats) -> Vec<f64> {
    let whole = repeats.bins(BANDS[0].from_hz, BANDS[1].to_hz);
    let energy = |k: usize| repeats.spectra[k][whole.clone()].iter().map(|z| z.norm_sqr()).sum::<f64>();
    let energies: Vec<f64> = (0..repeats.spectra.len()).map(energy).collect();
    let mut sorted = energies.clone();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted[(sorted.len() - 1) / 2];
    let signs: Vec<f64> = (0..energies.len()).map(|k| product(repeats, k, 0, &whole).signum()).collect();
    let right = if signs.iter().sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    energies.iter().zip(signs).map(|(e, s)| right * s * (e / middle).sqrt()).collect()
}

/// Real part of the inner product of two takes.
fn product(repeats: &Repeats, i: usize, j: usize, bins: &Range<usize>) -> f64 {
    let pairs = repeats.spectra[i][bins.clone()].iter().zip(&repeats.spectra[j][bins.clone()]);
    pairs.map(|(a, b)| a.re * b.re + a.im * b.im).sum()
}

/// Share of the energy in which two takes differ, gain and sign aside, in both bands.
fn distance(repeats: &Repeats, i: usize, j: usize) -> [f64; 2] {
    [0, 1].map(|band| {
        let bins = bins(repeats, &BANDS[band]);
        let (ii, jj) = (product(repeats, i, i, &bins), product(repeats, j, j, &bins));
        if i == j || ii <= 0.0 || jj <= 0.0 {
            return 0.0;
        }
        // |a/|a| ∓ b/|b||²: symmetric, so that no take is the better one.
        (2.0 - 2.0 * product(repeats, i, j, &bins).abs() / (ii * jj).sqrt()).max(0.0)
    })
}

/// Lower median of a take's distances to the others: small if one half of them is near.
fn typical(take: usize, among: &[usize], distances: &[Vec<[f64; 2]>], band: usize) -> f64 {
    lower_median(among.iter().filter(|&&k| k != take).map(|&k| distances[take][k][band]).collect())
}

fn lower_median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    if values.is_empty() { 0.0 } else { values[(values.len() - 1) / 2] }
}

/// The take that fits worst, if it fits badly enough to be left out.
fn oddest(left: &[usize], gains: &[f64], distances: &[Vec<[f64; 2]>]) -> Option<(usize, String)> {
    let middle = lower_median(left.iter().map(|&k| gains[k].abs()).collect());
    let mut worst: Option<(f64, usize, String)> = None;
    let mut propose = |excess: f64, take: usize, reason: String| {
        if excess > 1.0 && worst.as_ref().is_none_or(|(most, ..)| excess > *most) {
            worst = Some((excess, take, reason));
        }
    };
    for &take in left {
        if gains[take] < 0.0 {
            propose(f64::MAX, take, "its sign is opposite to the others'".into());
        }
        let gain = (gains[take].abs() / middle).ln();
        let gain_db = 20.0 / std::f64::consts::LN_10 * gain;
        propose(gain.abs() / LEAST_GAIN.ln(), take, format!("it is {gain_db:+.2} dB off the others"));
        for (band, limits) in BANDS.iter().enumerate() {
            let own = typical(take, left, distances, band);
            let others: Vec<usize> = left.iter().copied().filter(|&k| k != take).collect();
            let usual = lower_median(others.iter().map(|&k| typical(k, &others, distances, band)).collect());
            let limit = (limits.odd * usual).max(LEAST_RESIDUAL);
            propose(own / limit, take, unlike(own, usual, band));
        }
    }
    worst.map(|(_, take, reason)| (take, reason))
}

fn unlike(own: f64, usual: f64, band: usize) -> String {
    let place = if band == 0 { "below 300 Hz" } else { "above 300 Hz" };
    let db = |share: f64| 10.0 * share.max(1e-12).log10();
    format!(
        "{place} it differs from the others by {:.0} dB, they among themselves by {:.0} dB",
        db(own),
        db(usual)
    )
}

/// What two or more takes still disagree in, if anything.
fn disagreement(
    left: &[usize],
    gains: &[f64],
    distances: &[Vec<[f64; 2]>],
    noise: &[[f64; 2]],
) -> Option<String> {
    for (at, &i) in left.iter().enumerate() {
        for &j in &left[at + 1..] {
            let ratio = (gains[i] / gains[j]).abs().ln();
            if ratio.abs() > LEAST_GAIN.ln() {
                return Some(format!("their levels differ by {:.2} dB", 8.685_889_638 * ratio.abs()));
            }
            if gains[i] * gains[j] < 0.0 {
                return Some("their signs are opposite".into());
            }
            for (band, limits) in BANDS.iter().enumerate() {
                let expected = OVER_NOISE * (noise[i][band] + noise[j][band]);
                if distances[i][j][band] > limits.apart.max(expected) {
                    let place = if band == 0 { "below 300 Hz" } else { "above 300 Hz" };
                    let db = 10.0 * distances[i][j][band].log10();
                    return Some(format!("{place} they differ by {db:.0} dB of their energy"));
                }
            }
        }
    }
    None
}

/// Energy of a stationary noise as loud as the last tenth of a take, whose samples these are, over the energy of all of
/// it, in both bands. A record that is still decaying overstates it.
pub fn noise_share(repeats: &Repeats, take: usize, samples: &[f64]) -> [f64; 2] {
    let tail = &samples[samples.len() - samples.len() / 10..];
    let mean = tail.iter().sum::<f64>() / tail.len().max(1) as f64;
    let window = |k: usize| (std::f64::consts::PI * (k as f64 + 0.5) / tail.len() as f64).sin();
    let faded: Vec<f64> = tail.iter().enumerate().map(|(k, x)| (x - mean) * window(k)).collect();
    let part = Repeats::new(&[&faded], repeats.rate_hz);
    [0, 1].map(|band| {
        // Per bin spacing: energy sums scale with the transform length; the window halves the power.
        let scale = 2.0 * 10.0 * repeats.length as f64 / part.length as f64;
        let noise = product(&part, 0, 0, &bins(&part, &BANDS[band])) * scale;
        let all = product(repeats, take, take, &bins(repeats, &BANDS[band]));
        if all > 0.0 { noise / all } else { 0.0 }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{add_impulse, damped, measured, noise};

    /// Repeats of one response with fresh noise; `change` may spoil one of them.
    fn takes(count: usize, floor: f64, change: impl Fn(usize, &mut Vec<f64>)) -> Vec<Vec<f64>> {
        (0..count)
            .map(|k| {
                let mut samples = damped(45.0, 6.0, 0.2, 8_000.0, 16_000);
                samples.iter_mut().for_each(|x| *x *= 0.02);
                add_impulse(&mut samples, 100.0, 1.0);
                change(k, &mut samples);
                samples.iter().zip(noise(k as u64, 16_000)).map(|(x, n)| x + floor * n).collect()
            })
            .collect()
    }

    fn repeats(count: usize, floor: f64, change: impl Fn(usize, &mut Vec<f64>)) -> Agreement {
        let takes = takes(count, floor, change);
        let slices: Vec<&[f64]> = takes.iter().map(Vec::as_slice).collect();
        compared(&slices, 8_000.0)
    }

    /// Share of the energy above 300 Hz in which the first take of such repeats differs from each other one.
    fn residuals(count: usize, floor: f64) -> Vec<f64> {
        let takes = takes(count, floor, |_, _| {});
        let slices: Vec<&[f64]> = takes.iter().map(Vec::as_slice).collect();
        let repeats = Repeats::new(&slices, 8_000.0);
        (1..count).map(|k| distance(&repeats, 0, k)[1]).collect()
    }

    fn compared(takes: &[&[f64]], rate_hz: f64) -> Agreement {
        let repeats = Repeats::new(takes, rate_hz);
        let noise: Vec<[f64; 2]> = (0..takes.len()).map(|k| noise_share(&repeats, k, takes[k])).collect();
        compare(&repeats, &noise)
    }

    fn odd(agreement: &Agreement) -> Vec<usize> {
        agreement.odd.iter().map(|(take, _)| *take).collect()
    }

    /// Two noises of share ν each differ by 2ν of the energy (the residual of independent noises adds).
    #[test]
    fn like_repeats_agree_and_their_residual_is_the_noise() {
        for floor in [1e-5, 1e-4, 1e-3] {
            let found = repeats(5, floor, |_, _| {});
            assert_eq!((odd(&found), &found.disagreement), (vec![], &None), "{floor}: {found:?}");
            let energy = 1.0; // the impulse's, which has nearly all of it above 300 Hz
            let expected = 2.0 * floor * floor * 16_000.0 / energy;
            for residual in residuals(5, floor) {
                assert!((0.8..1.3).contains(&(residual / expected)), "{floor}: {residual} {expected}");
            }
        }
    }

    #[test]
    fn the_noise_share_is_the_noise_over_all() {
        let floor = 1e-3;
        let mut samples: Vec<f64> = noise(2, 16_000).iter().map(|x| floor * x).collect();
        add_impulse(&mut samples, 100.0, 1.0);
        let share = noise_share(&Repeats::new(&[&samples], 8_000.0), 0, &samples);
        let expected = floor * floor * 16_000.0 / (1.0 + floor * floor * 16_000.0);
        assert!((0.85..1.15).contains(&(share[1] / expected)), "{share:?} {expected}");
    }

    #[test]
    fn a_door_slam_in_one_of_three_is_named() {
        let found = repeats(3, 1e-4, |k, x| {
            if k == 1 {
                x[9_000..]
                    .iter_mut()
                    .zip(damped(60.0, 20.0, 0.0, 8_000.0, 7_000))
                    .for_each(|(x, s)| *x += 0.003 * s);
            }
        });
        assert_eq!(odd(&found), vec![1], "{found:?}");
        assert!(found.odd[0].1.contains("below 300 Hz"), "{found:?}");
        assert_eq!(found.disagreement, None);
    }

    #[test]
    fn another_gain_or_sign_in_one_of_four_is_named() {
        let louder =
            repeats(4, 1e-4, |k, x| x.iter_mut().for_each(|x| *x *= if k == 2 { 1.12 } else { 1.0 }));
        assert_eq!(odd(&louder), vec![2]);
        assert!(louder.odd[0].1.contains("+0.99 dB"), "{louder:?}");
        let turned =
            repeats(4, 1e-4, |k, x| x.iter_mut().for_each(|x| *x *= if k == 0 { -1.0 } else { 1.0 }));
        assert_eq!(odd(&turned), vec![0], "{turned:?}");
        assert!(!turned.signs_differ);
    }

    #[test]
    fn two_that_disagree_are_said_to_and_neither_is_left_out() {
        let moved = repeats(2, 1e-4, |k, x| {
            if k == 1 {
                add_impulse(x, 140.0, 0.3);
            }
        });
        assert!(
            odd(&moved).is_empty()
                && moved.disagreement.as_ref().is_some_and(|d| d.contains("they differ by")),
            "{moved:?}"
        );
        let louder = repeats(2, 1e-4, |k, x| x.iter_mut().for_each(|x| *x *= 1.0 + 0.1 * k as f64));
        assert!(louder.disagreement.as_ref().is_some_and(|d| d.contains("0.83 dB")), "{louder:?}");
        let turned = repeats(2, 1e-4, |k, x| x.iter_mut().for_each(|x| *x *= 1.0 - 2.0 * k as f64));
        assert!(turned.signs_differ && turned.disagreement.is_some());
    }

    /// Poor peak-to-noise is no disagreement: here the noise alone makes 20 % of the energy.
    #[test]
    fn noise_alone_is_no_disagreement() {
        let found = repeats(2, 4e-3, |_, _| {});
        assert!(residuals(2, 4e-3)[0] > 0.1, "{found:?}");
        assert_eq!(found.disagreement, None);
    }

    #[test]
    fn measured_repeats_agree() {
        for state in ["2_numComb_200", "50_numComb_5000"] {
            let names = (1..=5).map(|k| format!("arni_two_states/IR_numClosed_{state}_mic_1_sweep_{k}.wav"));
            let Some(takes) = names.map(|n| measured(&n)).collect::<Option<Vec<_>>>() else { return };
            let slices: Vec<&[f64]> = takes.iter().map(|(samples, _)| samples.as_slice()).collect();
            let found = compared(&slices, 44_100.0);
            assert!(found.odd.is_empty() && found.disagreement.is_none(), "{found:?}");
            assert!(found.gains.iter().all(|g| (g - 1.0).abs() < 0.0025), "0.02 dB: {found:?}");
        }
    }
}
