//! The factor that all frequencies share: the speed of sound moves with temperature, 0.17 % per kelvin.

use super::shape::mac;
use super::view::{Resonance, median, robust_sd};
use crate::estimate::Estimate;
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
    // The nearer to one, the likelier: a kelvin or two between takes (common practice).
    let best = factors.map(|log| (log, agreement(log) * (-0.5 * (log / 0.007).powi(2)).exp()));
    let (start, _) = best.max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().total_cmp(&a.0.abs())))?;
    let near: Vec<f64> =
        ratios.iter().map(|r| r.0).filter(|ratio| (ratio - start).abs() < 3.0 * WIDTH).collect();
    if near.len() < 3 {
        return None;
    }
    let middle = median(near.clone())?;
    // A median's standard error; the floor is a tenth of a kelvin's hundredth.
    let error = 1.2533 * robust_sd(&near, middle) / (near.len() as f64).sqrt();
    Some(Estimate::new(middle, error.max(1e-6)))
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
