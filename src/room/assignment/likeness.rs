//! How alike a measured mode and a predicted shape are over the places.

use super::Place;
use crate::modes::Mode;
use rustfft::num_complex::Complex64;
use statrs::function::beta::checked_beta_reg;

/// Likeness of a measured shape with a predicted one.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Likeness {
    /// Modal assurance criterion: 1 the same shape, 0 nothing in common.
    pub value: f64,
    /// How often a random complex shape would be at least as alike.
    pub by_chance: f64,
    /// Over how many places.
    pub places: usize,
}

/// Modal assurance criterion of a mode's complex amplitudes against a real shape over the places.
///
/// `Σ_s |Σ_p A ψ|²/Σ_p ψ² / Σ|A|²` (Allemang & Brown, Proc. 1st IMAC (1982), for one source s). Each
/// source has its own complex factor, because loudspeakers differ: with one source this is the usual
/// `|Σ A ψ|²/(Σ|A|² Σψ²)`. Places without coordinates or amplitude, and sources with one place only,
/// take no part. A random complex shape reaches it with the probability `I_{1−MAC}(n − S, S)` (n places, S
/// sources): the share of a random vector's energy in an S-dimensional subspace follows a beta distribution.
///
/// `None` where fewer than two places of one source are left, or all amplitudes or shapes are zero.
#[must_use]
pub fn likeness(mode: &Mode, places: &[Place], shape: impl Fn([f64; 3]) -> f64) -> Option<Likeness> {
    let mut groups: Vec<(&str, Vec<(Complex64, f64)>)> = Vec::new();
    for (amplitude, place) in mode.amplitudes.iter().zip(places) {
        let (Some(a), Some(at)) = (amplitude, place.at_m) else { continue };
        let sample = (Complex64::new(a.re, a.im), shape(at));
        match groups.iter_mut().find(|(source, _)| *source == place.source) {
            Some((_, samples)) => samples.push(sample),
            None => groups.push((&place.source, vec![sample])),
        }
    }
    groups.retain(|(_, samples)| samples.len() > 1);
    let count: usize = groups.iter().map(|(_, samples)| samples.len()).sum();
    let energy: f64 = groups.iter().flat_map(|(_, samples)| samples).map(|(a, _)| a.norm_sqr()).sum();
    let explained: f64 = groups.iter().map(|(_, samples)| explained(samples)).sum();
    let value = (explained / energy).min(1.0);
    if !value.is_finite() {
        return None;
    }
    let by_chance = checked_beta_reg((count - groups.len()) as f64, groups.len() as f64, 1.0 - value).ok()?;
    Some(Likeness { value, by_chance, places: count })
}

/// Energy of one source's amplitudes that the shape, times any complex number, explains.
fn explained(samples: &[(Complex64, f64)]) -> f64 {
    let product: Complex64 = samples.iter().map(|(a, shape)| a * shape).sum();
    let square: f64 = samples.iter().map(|(_, shape)| shape * shape).sum();
    if square > 0.0 { product.norm_sqr() / square } else { 0.0 }
}
