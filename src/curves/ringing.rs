//! How one resonance dies away: what a narrow filter shows, what the fit says, where the noise begins.

use crate::decay::{DecayCurve, LEAST_BT, NarrowRecord, narrow_curve};
use crate::filter::{self, Bank};
use crate::flag::Flag;
use crate::modes::{Kind, Mode};
use crate::oscillation::{self, Oscillation};
use crate::response::Response;
use crate::state::StateResult;
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
    /// Energy still to come of the fitted poles, as the filter passes them, at `model_time_s`; relative to the measured
    /// start too.
    pub model: Vec<f64>,
    /// Times of the model, s after the direct sound.
    pub model_time_s: Vec<f64>,
}

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
    let found = state.resonances.as_ref().ok_or(Flag::NoDecay)?;
    // A steady tone has no end to sum from.
    let poles: Vec<&Mode> = found.set.modes.iter().filter(|mode| mode.kind != Kind::Hum).collect();
    let edges = filter::Band::new((band.lower_hz * band.upper_hz).sqrt(), band.lower_hz, band.upper_hz)
        .ok_or(Flag::FilterLimited)?;
    let heard = state.places.iter().enumerate().filter(|(index, place)| {
        // What was left out of the fit has no part in the model.
        let fitted = poles.iter().any(|mode| matches!(mode.amplitudes.get(*index), Some(Some(_))));
        fitted && !place.response.low.samples.is_empty()
    });
    let heard: Vec<Heard<'_>> = heard
        .map(|(index, place)| Heard::new(&place.response, &poles, index, edges))
        .collect::<Result<_, _>>()?;
    let records: Vec<_> = heard.iter().map(|one| one.record(&one.response.low.samples)).collect();
    let left: Vec<Vec<f32>> = heard.iter().map(Heard::left).collect();
    let noise: Vec<_> = heard.iter().zip(&left).map(|(one, left)| one.record(left)).collect();
    let measured = narrow_curve(&records, &noise, (band.lower_hz, band.upper_hz), points)?;
    let model_time_s: Vec<f64> = (0..=points).map(|k| until_s * k as f64 / points.max(1) as f64).collect();
    let mut model = vec![0.0; model_time_s.len()];
    heard.iter().for_each(|one| one.add_energy(&mut model, &model_time_s));
    // In the measured energy's unit and not in its own: else a pole that dies at once would lower the whole line.
    model.iter_mut().for_each(|energy| *energy /= measured.start);
    Ok(Ringing { measured, model, model_time_s })
}

/// Poles that the filter passes less of than this share of the strongest are left out.
const HEARD: f64 = 1e-6;

/// One place of the fit behind the filter.
struct Heard<'a> {
    response: &'a Response,
    waves: Vec<Wave>,
}

/// What one pole adds to a record: 2 Re(A e^(λt)), t from the direct sound on.
struct Wave {
    amplitude: Complex64,
    /// The amplitude behind the filter, which multiplies it by its gain for e^(λt).
    passed: Complex64,
    lambda: Complex64,
}

impl<'a> Heard<'a> {
    /// `index`: the place among the amplitudes of the poles.
    fn new(response: &'a Response, poles: &[&Mode], index: usize, edges: filter::Band) -> Result<Self, Flag> {
        let bank = Bank::new(&[edges], response.low.rate_hz);
        let channel = bank.channels().next().ok_or(Flag::AboveRate)?;
        // Amplitudes refer to the emission; time counts from the direct sound.
        let later_s = response.onset_s() - response.origin_s();
        let wave = |mode: &&Mode| {
            let a = mode.amplitudes.get(index).copied().flatten()?;
            let lambda = Complex64::new(-mode.decay_per_s, mode.omega_per_s);
            let amplitude = Complex64::new(a.re, a.im) * (lambda * later_s).exp();
            Some(Wave { amplitude, passed: channel.cascade.gain_of(lambda) * amplitude, lambda })
        };
        let mut waves: Vec<Wave> = poles.iter().filter_map(wave).collect();
        let strongest = waves.iter().map(|wave| wave.passed.norm()).fold(0.0, f64::max);
        waves.retain(|wave| wave.passed.norm() > HEARD * strongest);
        Ok(Self { response, waves })
    }

    fn record<'b>(&self, samples: &'b [f32]) -> NarrowRecord<'b> {
        let low = &self.response.low;
        NarrowRecord { samples, rate_hz: low.rate_hz, onset_s: low.onset_s }
    }

    /// The record without what the filter passes of the poles.
    fn left(&self) -> Vec<f32> {
        let low = &self.response.low;
        let time_s = |k: usize| k as f64 / low.rate_hz - low.onset_s;
        let first = (0..low.samples.len()).find(|k| time_s(*k) >= 0.0).unwrap_or(0);
        let mut left: Vec<f64> = low.samples.iter().map(|sample| f64::from(*sample)).collect();
        let of = |wave: &Wave| Oscillation {
            first: -2.0 * wave.amplitude * (wave.lambda * time_s(first)).exp(),
            turn: (wave.lambda / low.rate_hz).exp(),
        };
        oscillation::add(&mut left[first..], &self.waves.iter().map(of).collect::<Vec<_>>());
        left.into_iter().map(|sample| sample as f32).collect()
    }

    /// Adds the energy still to come behind the filter: with x = Σ 2 Re(A e^(λt)) the integral of x² from t on, without the
    /// terms at twice the frequency, is 2 Re ΣΣ A A* e^((λ+λ*)t)/−(λ+λ*). The two orders of a pair are conjugates.
    fn add_energy(&self, out: &mut [f64], times_s: &[f64]) {
        let weight = |i: usize, j: usize| {
            let twice = if i == j { 2.0 } else { 4.0 };
            Complex64::from(twice) / -(self.waves[i].lambda + self.waves[j].lambda.conj())
        };
        let weights: Vec<Vec<Complex64>> =
            (0..self.waves.len()).map(|i| (0..=i).map(|j| weight(i, j)).collect()).collect();
        for (energy, t) in out.iter_mut().zip(times_s) {
            let values: Vec<Complex64> =
                self.waves.iter().map(|wave| wave.passed * (wave.lambda * t).exp()).collect();
            for (value, weights) in values.iter().zip(&weights) {
                let with: Complex64 = values.iter().zip(weights).map(|(other, w)| other.conj() * w).sum();
                *energy += (value * with).re;
            }
        }
    }
}
