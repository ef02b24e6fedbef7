//! The constant factor by which all frequencies of the after state differ from those before (no drift within a record): the
//! speed of sound changes with temperature, 0.17 % per kelvin; a sample rate with a wrong label changes decays too, and by
//! more than any weather.

use super::shape::mac;
use super::view::{Resonance, robust_sd};
use crate::estimate::Estimate;
use crate::language::{Message, Value, number, say};
use crate::mean::median;
use crate::modes::Kind;

/// Factors that are looked at: ±1.5 % is ±9 K.
const REACH: f64 = 0.015;
const STEP: f64 = 1e-4;

/// Width of agreement in ln f: under a mode's spacing, over what treatment moves most modes.
const WIDTH: f64 = 6e-4;

/// ln of the common factor, after over before; `None` from fewer than three modes that agree.
///
/// The factor under which most frequencies (weighted by how alike the shapes are) find a partner,
/// then the median of their logarithmic ratios. Modes that moved on their own don't pull it.
pub(super) fn drift(old: &[Resonance], new: &[Resonance]) -> Option<Estimate> {
    let ratios = ratios(old, new);
    let agreement = |log: f64| -> f64 {
        ratios.iter().map(|(ratio, weight)| weight * (-0.5 * ((ratio - log) / WIDTH).powi(2)).exp()).sum()
    };
    let steps = (REACH / STEP) as i32;
    let factors = (-steps..=steps).map(|k| f64::from(k) * STEP);
    // The nearer to one, the likelier: one sd is 4 K, common practice, no source.
    let best = factors.map(|log| (log, agreement(log) * (-0.5 * (log / 0.007).powi(2)).exp()));
    let (start, _) = best.max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().total_cmp(&a.0.abs())))?;
    let near: Vec<f64> =
        ratios.iter().map(|r| r.0).filter(|ratio| (ratio - start).abs() < 3.0 * WIDTH).collect();
    if near.len() < 3 {
        return None;
    }
    let middle = median(near.clone())?;
    // A median's standard error; the floor of 1e-6 is 0.0006 K.
    let error = 1.2533 * robust_sd(&near, middle) / (near.len() as f64).sqrt();
    Some(Estimate::new(middle, error.max(1e-6)))
}

/// One factor on all frequencies and decays that no temperature makes, and the two rates whose ratio it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RateFactor {
    factor: f64,
    rates_hz: (f64, f64),
}

impl RateFactor {
    /// The factor between two rates that headers name.
    pub fn between(rates_hz: (f64, f64)) -> Self {
        Self { factor: rates_hz.1 / rates_hz.0, rates_hz }
    }

    /// The two rates: the one that the samples of the after state seem to have, and the one in their headers.
    pub fn rates_hz(&self) -> (f64, f64) {
        self.rates_hz
    }

    /// Why nothing can be decided, in a sentence.
    pub fn reason(&self) -> Message {
        let rate = |hz: f64| Value::Number(hz.to_string());
        let (was, label) = self.rates_hz;
        say!("change.rate-factor", factor = number(self.factor, 4), was = rate(was), label = rate(label))
    }
}

/// Sample rates in use (common practice); a wrong label makes the ratio of two of them.
const RATES_HZ: [f64; 13] = [
    44_100.0, 48_000.0, 8_000.0, 11_025.0, 16_000.0, 22_050.0, 24_000.0, 32_000.0, 88_200.0, 96_000.0,
    176_400.0, 192_000.0, 12_000.0,
];
/// Share of the modes that must find a partner under the factor, how many at least, and how many times more than
/// without it.
const SHARE: f64 = 0.6;
const FEWEST: usize = 3;
const MORE: usize = 2;
/// Decays must follow within this (ln), beside three standard deviations: most modes aren't treated.
const DECAY_SLACK: f64 = 0.05;

/// The wrong label that explains the after state, if one does.
///
/// `labelled`: ratio of the rates in the headers, after over before. A label that says just that needs one mode less.
pub(super) fn rate_factor(old: &[Resonance], new: &[Resonance], labelled: f64) -> Option<RateFactor> {
    let as_said = followers(old, new, 0.0).0;
    let pairs = RATES_HZ.iter().flat_map(|from| RATES_HZ.map(|to| (*from, to)));
    let candidates = pairs.filter(|(from, to)| from.total_cmp(to).is_ne() && (to / from).ln().abs() < 1.4);
    let found = candidates.filter_map(|rates_hz| {
        let factor: f64 = rates_hz.1 / rates_hz.0;
        let (count, of) = followers(old, new, factor.ln());
        let fewest = if (factor / labelled - 1.0).abs() < 1e-6 { FEWEST - 1 } else { FEWEST };
        let enough = count >= fewest && count as f64 >= SHARE * of as f64 && count > MORE * as_said;
        enough.then_some((count, RateFactor { factor, rates_hz }))
    });
    // Of equal ratios the first, 44.1 to 48 kHz before 88.2 to 96.
    found.reduce(|best, other| if other.0 > best.0 { other } else { best }).map(|(_, factor)| factor)
}

/// How many modes before have a partner whose frequency and decay are both `log` larger, temperature apart; of how
/// many that could.
fn followers(old: &[Resonance], new: &[Resonance], log: f64) -> (usize, usize) {
    let claimed =
        |all: &[Resonance]| all.iter().filter(|r| r.kind == Kind::Mode).cloned().collect::<Vec<_>>();
    let (old, new) = (claimed(old), claimed(new));
    let lowest = new.iter().map(|r| r.pole.im).fold(f64::INFINITY, f64::min);
    let highest = new.iter().map(|r| r.pole.im).fold(0.0, f64::max);
    let could: Vec<&Resonance> =
        old.iter().filter(|r| (0.99 * lowest..=1.01 * highest).contains(&(r.pole.im * log.exp()))).collect();
    // By how much those that decay so are higher.
    let higher = |before: &Resonance| -> Vec<f64> {
        let decays_so = |after: &&Resonance| {
            let decay = (after.decay() / before.decay()).ln() - log;
            decay.abs() < DECAY_SLACK + 3.0 * before.log_sd().hypot(after.log_sd())
        };
        new.iter().filter(decays_so).map(|after| (after.pole.im / before.pole.im).ln() - log).collect()
    };
    let partners: Vec<Vec<f64>> = could.iter().map(|before| higher(before)).collect();
    let steps = (REACH / (5.0 * STEP)) as i32;
    let count = |k: i32| {
        let warm = 5.0 * STEP * f64::from(k);
        partners.iter().filter(|of| of.iter().any(|higher| (higher - warm).abs() < 3.0 * WIDTH)).count()
    };
    ((-steps..=steps).map(count).max().unwrap_or(0), could.len())
}

/// ln of every possible partner's frequency ratio, with a weight for its shape.
fn ratios(old: &[Resonance], new: &[Resonance]) -> Vec<(f64, f64)> {
    let mut ratios = Vec::new();
    for before in old.iter().filter(|r| r.kind == Kind::Mode) {
        for after in new.iter().filter(|r| r.kind == Kind::Mode) {
            let log = (after.pole.im / before.pole.im).ln();
            let alike = mac(before, after).map_or(0.5, |m| m.powi(4));
            if log.abs() < REACH + 3.0 * WIDTH && alike > 0.2 {
                ratios.push((log, alike));
            }
        }
    }
    ratios
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustfft::num_complex::Complex64;
    use std::f64::consts::TAU;

    fn resonance(hz: f64, decay_per_s: f64) -> Resonance {
        let known = Resonance::known(Complex64::new(-decay_per_s, TAU * hz), &[]);
        Resonance { omega_sd: 0.01, decay_sd: 0.05, ..known }
    }

    fn times(modes: &[(f64, f64)], frequency: f64, decay: f64) -> Vec<Resonance> {
        modes.iter().map(|(hz, decay_per_s)| resonance(frequency * hz, decay * decay_per_s)).collect()
    }

    const MODES: [(f64, f64); 5] = [(30.0, 3.0), (41.0, 4.0), (53.0, 5.0), (67.0, 4.0), (82.0, 6.0)];

    /// A file at 44.1 kHz that is read as 48 kHz has all frequencies and decays higher by that factor.
    #[test]
    fn a_wrong_label_stretches_frequencies_and_decays_alike() {
        let old = times(&MODES, 1.0, 1.0);
        let factor = 48.0 / 44.1;
        let found = rate_factor(&old, &times(&MODES, factor, factor), 1.0).map(|rate| rate.rates_hz());
        assert_eq!(found, Some((44_100.0, 48_000.0)));
        assert_eq!(rate_factor(&old, &old, 1.0), None);
    }

    /// Where two factors fit as well, a tenth of a per cent and one: the nearer to none, as the weather makes it.
    #[test]
    fn of_two_factors_the_nearer_to_one_is_taken() {
        let old = times(&MODES, 1.0, 1.0);
        let mut new = times(&MODES, 1.001, 1.0);
        new.extend(times(&MODES, 0.99, 1.0));
        let found = drift(&old, &new).unwrap();
        assert!((found.value - 1.001_f64.ln()).abs() < 1e-9, "{found:?}");
    }
}
