//! How one resonance dies away: what a narrow filter shows, what the fit says, where the noise begins.

use crate::decay::{DecayCurve, NarrowRecord, narrow_curve};
use crate::filter::{self, Bank};
use crate::flag::Flag;
use crate::modes::{Kind, Mode};
use crate::state::{PlaceResult, StateResult};
use rustfft::num_complex::Complex64;

/// The filter's band, Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge.
    pub lower_hz: f64,
    /// Upper edge.
    pub upper_hz: f64,
}

impl Band {
    /// The band with its edges `factor` times as far from `centre_hz`, above zero still.
    #[must_use]
    pub fn widened(self, centre_hz: f64, factor: f64) -> Self {
        Self {
            lower_hz: (centre_hz - factor * (centre_hz - self.lower_hz)).max(0.5 * centre_hz),
            upper_hz: centre_hz + factor * (self.upper_hz - centre_hz),
        }
    }
}

/// The decay of what lies in a narrow band, over all places of a state.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Ringing {
    /// Energy still to come behind the filter, relative to that at the direct sound; it ends where the
    /// decay meets its noise.
    pub measured: DecayCurve,
    /// The same of the fitted poles, as the filter passes them, at `model_time_s`.
    pub model: Vec<f64>,
    /// Times of the model, s after the direct sound.
    pub model_time_s: Vec<f64>,
}

/// B·T under which even a filter that runs backward shows its own decay (ISO 3382-2:2008, 7.3; Jacobsen
/// & Rindel, J. Sound Vib. 117 (1987)).
const LEAST_BT: f64 = 4.0;

/// A band round a resonance that reaches half way to its neighbours, at most a tenth of the frequency to
/// each side, but is wide enough for the filter to show a decay as short as `shortest_t60_s`.
#[must_use]
pub fn band_round(own_hz: f64, neighbours_hz: &[f64], shortest_t60_s: f64) -> Band {
    let gap = neighbours_hz.iter().map(|hz| (hz - own_hz).abs()).fold(f64::INFINITY, f64::min);
    let least = (0.5 * LEAST_BT / shortest_t60_s).min(0.3 * own_hz);
    let reach = (0.5 * gap).min(0.1 * own_hz).max(least);
    Band { lower_hz: own_hz - reach, upper_hz: own_hz + reach }
}

/// The decay in `band` over all places of a state, at most `points` points, the model up to `until_s`.
///
/// # Errors
/// The flag of what is missing: no modes, no decay over the noise, no such band at the record's rate.
pub fn ringing(state: &StateResult, band: Band, points: usize, until_s: f64) -> Result<Ringing, Flag> {
    let records: Vec<NarrowRecord<'_>> = state
        .places
        .iter()
        .map(|p| &p.response.low)
        .map(|low| NarrowRecord { samples: &low.samples, rate_hz: low.rate_hz, onset_s: low.onset_s })
        .collect();
    let measured = narrow_curve(&records, band.lower_hz, band.upper_hz, points)?;
    let found = state.resonances.as_ref().ok_or(Flag::NoDecay)?;
    // A steady tone has no end to sum from.
    let poles: Vec<&Mode> = found.set.modes.iter().filter(|mode| mode.kind != Kind::Hum).collect();
    let model_time_s: Vec<f64> = (0..=points).map(|k| until_s * k as f64 / points.max(1) as f64).collect();
    let mut model = vec![0.0; model_time_s.len()];
    for (index, place) in state.places.iter().enumerate() {
        add_energy(&mut model, &model_time_s, &poles, (index, place), band);
    }
    let top = model.first().copied().unwrap_or(0.0);
    if top > 0.0 {
        model.iter_mut().for_each(|e| *e /= top);
    } else {
        model.clear();
    }
    let model_time_s = if model.is_empty() { Vec::new() } else { model_time_s };
    Ok(Ringing { measured, model, model_time_s })
}

/// Poles that the filter passes less of than this share of the strongest are left out.
const HEARD: f64 = 1e-6;

/// Adds the energy still to come of some poles at one place: with x = Σ 2 Re(A e^(λt)) the integral of
/// x² from t on, without the terms at twice the frequency, is 2 Re ΣΣ A A* e^((λ+λ*)t)/−(λ+λ*). The filter multiplies each
/// A by its gain for e^(λt).
fn add_energy(
    out: &mut [f64],
    times_s: &[f64],
    poles: &[&Mode],
    (index, place): (usize, &PlaceResult),
    band: Band,
) {
    let response = &place.response;
    let edges = filter::Band::new((band.lower_hz * band.upper_hz).sqrt(), band.lower_hz, band.upper_hz);
    let Some(edges) = edges else { return };
    let bank = Bank::new(&[edges], response.low.rate_hz);
    let Some(channel) = bank.channels().next() else { return };
    // Amplitudes refer to the emission; time counts from the direct sound.
    let later_s = response.onset_s() - response.origin_s();
    let mut strengths: Vec<(Complex64, Complex64)> = poles
        .iter()
        .filter_map(|mode| {
            let a = mode.amplitudes.get(index).copied().flatten()?;
            let lambda = Complex64::new(-mode.decay_per_s, mode.omega_per_s);
            let passed = channel.cascade.gain_of(lambda) * (lambda * later_s).exp() * response.rate_hz;
            Some((Complex64::new(a.re, a.im) * passed, lambda))
        })
        .collect();
    let strongest = strengths.iter().map(|(a, _)| a.norm()).fold(0.0, f64::max);
    strengths.retain(|(a, _)| a.norm() > HEARD * strongest);
    for (a, lambda) in &strengths {
        for (b, other) in &strengths {
            let together = lambda + other.conj();
            let start = a * b.conj() / -together;
            for (energy, t) in out.iter_mut().zip(times_s) {
                *energy += 2.0 * (start * (together * t).exp()).re;
            }
        }
    }
}
