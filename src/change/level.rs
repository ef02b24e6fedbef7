//! Level of a mode: the height of its peak in the steady response, residue over decay constant.

use super::finding::LogChange;
use super::view::{Resonance, ScaledResidue};
use rustfft::num_complex::Complex64;

/// Height of a mode's peak at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PeakLevel {
    /// fs·|A|/δ, or for two poles the height of their sum at the frequency where it is largest over all places.
    pub value: f64,
    /// Variance of its logarithm that is this place's own.
    pub own: f64,
    /// Variance of its logarithm that all places share: that of the poles.
    pub shared: f64,
}

impl PeakLevel {
    /// Standard deviation of its logarithm.
    pub fn log_sd(&self) -> f64 {
        (self.own + self.shared).sqrt()
    }
}

/// Heights of one mode, or of the two poles that it split into, at each common place.
///
/// The residue's error has a part A dδ/(2δ) from the pole; over δ that leaves −dδ/(2δ), alike at all places.
pub(super) fn peak_levels(poles: &[&Resonance]) -> Vec<Option<PeakLevel>> {
    let [mode] = poles else { return together(poles) };
    let shared = 0.25 * mode.log_sd().powi(2);
    let peak_level = |residue: &Option<ScaledResidue>| {
        let residue = (*residue)?;
        let size = residue.value.norm();
        let own = 0.5 * residue.variance / (size * size);
        (size > 0.0).then(|| PeakLevel { value: size / mode.decay(), own, shared })
    };
    mode.residues.iter().map(peak_level).collect()
}

fn together(poles: &[&Resonance]) -> Vec<Option<PeakLevel>> {
    let places = poles.iter().map(|p| p.residues.len()).min().unwrap_or(0);
    let at = |m: usize, omega: f64| -> Option<(Complex64, f64)> {
        let mut sum = (Complex64::default(), 0.0);
        for pole in poles {
            let residue = pole.residues[m]?;
            let distance = Complex64::new(0.0, omega) - pole.pole;
            sum.0 += residue.value / distance;
            sum.1 += residue.variance / distance.norm_sqr();
        }
        Some(sum)
    };
    let energy = |omega: f64| (0..places).filter_map(|m| at(m, omega)).map(|s| s.0.norm_sqr()).sum::<f64>();
    let peak = peak(poles, energy);
    let shared = poles.iter().map(|p| 0.25 * p.log_sd().powi(2)).fold(0.0, f64::max);
    (0..places)
        .map(|m| {
            let (sum, variance) = at(m, peak)?;
            let size = sum.norm();
            (size > 0.0).then(|| PeakLevel { value: size, own: 0.5 * variance / (size * size), shared })
        })
        .collect()
}

/// Where the summed energy is largest, between and a little beyond the poles.
fn peak(poles: &[&Resonance], energy: impl Fn(f64) -> f64) -> f64 {
    let low = poles.iter().map(|p| p.pole.im - p.decay()).fold(f64::INFINITY, f64::min);
    let high = poles.iter().map(|p| p.pole.im + p.decay()).fold(0.0, f64::max);
    const STEPS: usize = 200;
    let step = (high - low) / STEPS as f64;
    let grid = (0..=STEPS).map(|k| low + step * k as f64);
    let top = grid.max_by(|a, b| energy(*a).total_cmp(&energy(*b))).unwrap_or(low);
    // A parabola through three points; the peak is flat, so where it lies hardly matters.
    let (a, b, c) = (energy(top - step), energy(top), energy(top + step));
    let bend = a - 2.0 * b + c;
    if bend < 0.0 { top + 0.5 * step * (a - c) / bend } else { top }
}

/// Change of the energy mean over the places that are `usable` and show both: ln of the ratio of pressures, after over
/// before.
pub(super) fn mean_change(
    before: &[Option<PeakLevel>],
    after: &[Option<PeakLevel>],
    usable: &[bool],
) -> Option<LogChange> {
    let pairs: Vec<(PeakLevel, PeakLevel)> = before
        .iter()
        .zip(after)
        .zip(usable)
        .filter_map(|((a, b), usable)| Some(((*a)?, (*b)?)).filter(|_| *usable))
        .collect();
    if pairs.is_empty() {
        return None;
    }
    let (log_a, variance_a) = energy_mean(pairs.iter().map(|p| p.0));
    let (log_b, variance_b) = energy_mean(pairs.iter().map(|p| p.1));
    let change = LogChange { log: log_b - log_a, sd: (variance_a + variance_b).sqrt() };
    (change.log.is_finite() && change.sd.is_finite()).then_some(change)
}

/// ln of the root of the mean square, and its variance: each place's own error counts by its share of
/// the energy.
fn energy_mean(peak_levels: impl Iterator<Item = PeakLevel> + Clone) -> (f64, f64) {
    let total: f64 = peak_levels.clone().map(|h| h.value * h.value).sum();
    let count = peak_levels.clone().count() as f64;
    let own: f64 = peak_levels.clone().map(|h| (h.value * h.value / total).powi(2) * h.own).sum();
    let shared = peak_levels.map(|h| h.shared).fold(0.0, f64::max);
    (0.5 * (total / count).ln(), own + shared)
}
