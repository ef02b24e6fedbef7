//! The narrow filter's T20 beside a fitted T60, and where the two contradict each other the likely reason.
//!
//! The reason comes from the fit itself. The resonances found are put together again as records and go
//! through the same filter: if they show the T20 that the measurement shows, a neighbour made the
//! difference; if they don't, what the resonances don't hold did, and that is noise.

use crate::decay::{LEAST_BT, NarrowRecord, narrow_t20};
use crate::estimate::{Estimate, Reading, SD_PER_95};
use crate::flag::Flag;
use crate::modes::{Kind, LN_1000, Mode, ModeSet};
use crate::oscillation::{self, Oscillation};
use crate::response::Response;
use rustfft::num_complex::Complex;

/// B·T that the filter is given: a quarter more, so that a T20 somewhat under the fit's T60 still counts.
const AMPLE_BT: f64 = 5.0;
/// Reach to each side as a share of the frequency: where nothing is near, and at most.
const WIDE: f64 = 0.1;
const WIDEST: f64 = 0.3;
/// The resonances explain a difference if they show at least this share of it.
const EXPLAINED: f64 = 0.5;

/// The low-frequency record of one place and the time that its amplitudes refer to.
#[derive(Debug, Clone, Copy)]
pub(super) struct Heard<'a> {
    /// What the filter gets.
    pub record: NarrowRecord<'a>,
    /// Instant of the amplitudes from sample 0, s.
    pub origin_s: f64,
}

impl<'a> Heard<'a> {
    /// Of a response.
    pub fn new(response: &'a Response) -> Self {
        let low = &response.low;
        Self {
            record: NarrowRecord { samples: &low.samples, rate_hz: low.rate_hz, onset_s: low.onset_s },
            origin_s: low.emission_s.unwrap_or(low.onset_s),
        }
    }
}

/// T20 of one mode behind a narrow filter and, where it contradicts the fit's T60, the likely reason.
pub(super) fn cross_check(set: &ModeSet, index: usize, heard: &[Heard<'_>]) -> (Reading, Option<Flag>) {
    let band = band(set, index);
    let records: Vec<NarrowRecord<'_>> = heard.iter().map(|h| h.record).collect();
    let t20 = narrow_t20(&records, band.0, band.1);
    let contrary = t20.ok().filter(|t20| contradicts(&set.modes[index], t20));
    (t20, contrary.map(|t20| reason(set, index, heard, band, &t20)))
}

/// Edges of the filter, Hz.
///
/// Half way to the neighbours, where the filter can follow the decay in so narrow a band; else as wide as that
/// takes, and the neighbours sound along: no filter does both.
fn band(set: &ModeSet, index: usize) -> (f64, f64) {
    let mode = &set.modes[index];
    let own = mode.frequency().value;
    let below = index.checked_sub(1).map_or(0.0, |i| set.modes[i].frequency().value);
    let above = set.modes.get(index + 1).map_or(f64::INFINITY, |mode| mode.frequency().value);
    let clear = ((own - below) / 2.0).min((above - own) / 2.0).min(WIDE * own);
    let follows = 0.5 * AMPLE_BT * mode.decay_per_s / LN_1000;
    let reach = clear.max(follows.min(WIDEST * own));
    (own - reach, own + reach)
}

/// Whether the 95 % interval of their difference leaves out zero. A tone that doesn't decay and a pole of the
/// loudspeaker have no T60 to hold a filter against.
fn contradicts(mode: &Mode, t20: &Estimate) -> bool {
    let t60_s = LN_1000 / mode.decay_per_s;
    let sd_s = t60_s * mode.decay_sd_per_s / mode.decay_per_s;
    let has_decay = matches!(mode.kind, Kind::Mode | Kind::Unsure);
    has_decay && (t20.value - t60_s).abs() > SD_PER_95 * sd_s.hypot(t20.sd.unwrap_or(0.0))
}

fn reason(set: &ModeSet, index: usize, heard: &[Heard<'_>], band: (f64, f64), t20: &Estimate) -> Flag {
    let t60_s = LN_1000 / set.modes[index].decay_per_s;
    if t60_s * (band.1 - band.0) <= LEAST_BT {
        return Flag::FilterTooNarrow;
    }
    let rebuilt: Vec<Vec<f32>> = heard.iter().enumerate().map(|(place, h)| rebuilt(set, place, h)).collect();
    let records: Vec<NarrowRecord<'_>> =
        heard.iter().zip(&rebuilt).map(|(h, samples)| NarrowRecord { samples, ..h.record }).collect();
    match narrow_t20(&records, band.0, band.1) {
        Ok(shown) if (shown.value - t60_s) / (t20.value - t60_s) > EXPLAINED => Flag::FilterBeats,
        _ => Flag::FilterInNoise,
    }
}

/// What the resonances alone make of a place's record.
fn rebuilt(set: &ModeSet, place: usize, heard: &Heard<'_>) -> Vec<f32> {
    let NarrowRecord { samples, rate_hz, onset_s } = heard.record;
    let first = ((onset_s * rate_hz).ceil().max(0.0) as usize).min(samples.len());
    let mut sum = vec![0.0; samples.len()];
    let later_s = first as f64 / rate_hz - heard.origin_s;
    let of = |mode: &Mode| {
        let a = mode.amplitudes.get(place).copied().flatten()?;
        let lambda = Complex::new(-mode.decay_per_s, mode.omega_per_s);
        let first = 2.0 * Complex::new(a.re, a.im) * (lambda * later_s).exp();
        Some(Oscillation { first, turn: (lambda / rate_hz).exp() })
    };
    oscillation::add(&mut sum[first..], &set.modes.iter().filter_map(of).collect::<Vec<_>>());
    sum.into_iter().map(|s| s as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::{self, FitSettings, Pole};
    use chacha20::ChaCha8Rng;
    use chacha20::rand_core::{Rng, SeedableRng};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 1000.0;
    const ONSET_S: f64 = 0.1;

    /// Frequency, T60 and amplitude of a mode.
    type Known = (f64, f64, f64);

    /// Three places at which the modes have their amplitudes with phases of their own, and white noise.
    fn records(known: &[Known], seconds: f64, noise_sd: f64, seed: u64) -> Vec<Vec<f64>> {
        let mut draws = ChaCha8Rng::seed_from_u64(seed);
        let mut uniform = move || (draws.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        let places = (0..3).map(|_| {
            let parts: Vec<(Complex<f64>, Complex<f64>)> = known
                .iter()
                .map(|(hz, t60_s, size)| {
                    (Complex::from_polar(*size, TAU * uniform()), Pole::new(*hz, *t60_s).lambda())
                })
                .collect();
            let value = |n: usize| -> f64 {
                let t = n as f64 / RATE_HZ - ONSET_S;
                parts.iter().filter(|_| t >= 0.0).map(|(a, lambda)| 2.0 * (a * (lambda * t).exp()).re).sum()
            };
            // Box & Muller 1958.
            let mut normal = || (-2.0 * (1.0 - uniform()).ln()).sqrt() * (TAU * uniform()).cos();
            (0..(seconds * RATE_HZ) as usize).map(|n| value(n) + noise_sd * normal()).collect()
        });
        places.collect()
    }

    fn fitted(records: &[Vec<f64>]) -> ModeSet {
        let places = records.iter().map(|x| modes::Place::new("p", "", x, RATE_HZ, ONSET_S));
        let settings = FitSettings { refits: false, to_hz: 120.0, ..FitSettings::default() };
        modes::fit(&places.collect::<Vec<_>>(), &settings)
    }

    /// The fit's T60, the filter's T20 and the doubt at the mode near `hz`.
    fn checked(set: &ModeSet, records: &[Vec<f64>], hz: f64) -> (f64, f64, Option<Flag>) {
        let short: Vec<Vec<f32>> = records.iter().map(|x| x.iter().map(|s| *s as f32).collect()).collect();
        let heard = short.iter().map(|samples| Heard {
            record: NarrowRecord { samples, rate_hz: RATE_HZ, onset_s: ONSET_S },
            origin_s: ONSET_S,
        });
        let index = set.modes.iter().position(|mode| (mode.frequency().value - hz).abs() < 0.5).unwrap();
        let (t20, doubt) = cross_check(set, index, &heard.collect::<Vec<_>>());
        let t60_s = LN_1000 / set.modes[index].decay_per_s;
        println!("fit {t60_s:.3} s, filter {t20:?}, {doubt:?}");
        (t60_s, t20.unwrap().value, doubt)
    }

    fn both(known: &[Known], noise_sd: f64, seed: u64) -> (f64, f64, Option<Flag>) {
        let records = records(known, 4.0, noise_sd, seed);
        checked(&fitted(&records), &records, 60.0)
    }

    #[test]
    fn a_lone_mode_is_not_doubted() {
        let (t60_s, t20_s, doubt) = both(&[(60.0, 0.9, 1.0)], 1e-3, 1);
        assert!((t20_s / t60_s - 1.0).abs() < 0.1 && doubt.is_none());
    }

    /// A neighbour 40 dB stronger, 6 Hz off, that rings three times as long comes through the filter's flank.
    #[test]
    fn a_strong_neighbour_beats() {
        let (t60_s, t20_s, doubt) = both(&[(60.0, 0.9, 0.01), (66.0, 2.7, 1.0)], 1e-6, 2);
        assert!((t60_s / 0.9 - 1.0).abs() < 0.05 && t20_s > 1.5 * t60_s);
        assert_eq!(doubt, Some(Flag::FilterBeats));
    }

    /// A quarter of a second would need 20 Hz, more than there is room for round 20 Hz; the neighbour's decay
    /// comes through what there is.
    #[test]
    fn a_short_decay_at_a_low_frequency_is_too_quick_for_the_filter() {
        let set_of = [(20.0, 0.25, 1.0), (27.0, 2.5, 1.0)];
        let records = records(&set_of, 4.0, 1e-6, 3);
        let (t60_s, t20_s, doubt) = checked(&fitted(&records), &records, 20.0);
        assert!((t60_s / 0.25 - 1.0).abs() < 0.05 && t20_s > 1.5 * t60_s);
        assert_eq!(doubt, Some(Flag::FilterTooNarrow));
    }

    /// Neighbours 1 Hz off: the filter is widened until it could follow the decay, and hears all three.
    #[test]
    fn close_neighbours_sound_along() {
        let known = [(59.0, 2.5, 1.0), (60.0, 0.8, 1.0), (61.0, 2.5, 1.0)];
        let (t60_s, t20_s, doubt) = both(&known, 1e-6, 6);
        assert!((t60_s / 0.8 - 1.0).abs() < 0.05 && t20_s > 1.5 * t60_s);
        assert_eq!(doubt, Some(Flag::FilterBeats));
    }

    /// A hiss that comes up while the mode dies away and stops before the record ends: no resonance has it and
    /// no floor, but the filter's T20 does. (A fit of such records takes it for poles; the one here is of the
    /// records without.)
    #[test]
    fn a_disturbance_in_the_band_is_called_noise() {
        let mut records = records(&[(60.0, 0.6, 1.0)], 4.0, 1e-4, 4);
        let set = fitted(&records);
        let mut draws = ChaCha8Rng::seed_from_u64(5);
        for record in &mut records {
            for (n, s) in record.iter_mut().enumerate().skip(300).take(900) {
                let fade = (std::f64::consts::PI * (n - 300) as f64 / 900.0).sin();
                *s += 1.5 * fade * ((draws.next_u64() >> 11) as f64 / (1u64 << 53) as f64 - 0.5);
            }
        }
        let (t60_s, t20_s, doubt) = checked(&set, &records, 60.0);
        assert!((t60_s / 0.6 - 1.0).abs() < 0.05 && t20_s > 1.5 * t60_s);
        assert_eq!(doubt, Some(Flag::FilterInNoise));
    }
}
