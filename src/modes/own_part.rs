//! Is each resonance's own share of the next part of the decay predicted?
//!
//! The prediction of a band (`prediction`) is carried by its strongest resonances; beside them poles that were fitted
//! to sound that is no mode, such as a diffuse tail, would pass with them. So a resonance that carries little of its
//! band's energy, measured by how well its decay is known, is tested by itself, and so is one whose decay is badly known:
//! its predicted share is put back into what the whole prediction leaves, near its frequency, and must make up a part of
//! the sum that noise wouldn't.

use super::collect::pole_of;
use super::fall::BAND_HZ;
use super::noise::{behind_hann, hann_spectrum};
use super::pole::Pole;
use super::prediction::{Next, take_off};
use super::record::Record;
use super::run::FitRun;
use super::settings::{FEW_PLACES, Place};
use super::{Mode, ModeSet};
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use std::f64::consts::{PI, TAU};

/// Energy over the noise's from which the next part has something to hold a prediction against: 5 dB, on the sessions of
/// [`WELL_KNOWN`].
const OWN_EVIDENCE: f64 = 3.0;
/// Share of the energy near the resonance that may stay unexplained: of modes less than 0.3 stays nearly always, of noise
/// all; on the same sessions.
const OWN_MOST_UNEXPLAINED: f64 = 0.8;
/// Relative sd of a decay up to which a resonance stands although its own share of the next part is not predicted. In 54
/// sessions of three to eight modes beside noise that decays (3, 6 and 12 places; T60 0.4, 0.8, 1.5 s; 10 to 40 dB under a
/// mode's start) one pole of noise in fifty is known better.
const WELL_KNOWN: f64 = 0.08;
/// That limit with one place or two, where what a resonance carries doesn't speak for it either: in ten sessions of one place
/// with louder noise (3 to 20 dB under the modes) each of 12 poles of noise that were claimed is asked by this, and fails.
const WELL_KNOWN_FEW: f64 = 0.05;
/// So much of its band's energy is little for a resonance, in units of the square of its decay's relative sd: in the same
/// sessions 265 of 273 modes carry more, and 5 of 157 poles of noise.
const LITTLE: f64 = 0.7;
/// Relative sd of a decay from which a resonance is asked whatever it carries: poles of noise nearly as loud as the modes
/// carry a good part of their bands, but are rarely known better. Asked from 13 % on, measured sessions whose records are
/// changed lose or win 11 % of their claims instead of 10 (docs/accuracy.md).
const BADLY_KNOWN: f64 = 0.15;
/// A predicted pole is the resonance's own within this share of its decay constant …
const OWN_SAME: f64 = 0.5;
/// … or within so many radians over the part: no part tells nearer poles apart.
const UNRESOLVED_RAD: f64 = 1.5;

/// For each resonance of `set` whether it had to be predicted by itself and was not, by any of these fits, whose records end
/// early.
pub(super) fn unpredicted(places: &[Place<'_>], set: &ModeSet, fits: &[&FitRun]) -> Vec<bool> {
    let from_s = 0.5 * fits.iter().map(|fit| fit.seconds()).fold(0.0, f64::max);
    let asked = |m: &usize| {
        let log_sd = set.modes[*m].decay_sd_per_s / set.modes[*m].decay_per_s;
        if places.len() < FEW_PLACES {
            log_sd > WELL_KNOWN_FEW
        } else {
            log_sd > BADLY_KNOWN
                || (log_sd > WELL_KNOWN && carried(set, *m, from_s) < LITTLE * log_sd * log_sd)
        }
    };
    let asked: Vec<usize> = (0..set.modes.len()).filter(asked).collect();
    let poles: Vec<Pole> = asked.iter().map(|m| pole_of(&set.modes[*m])).collect();
    let told: Vec<Vec<Option<bool>>> = fits.par_iter().map(|fit| shares(places, fit, &poles)).collect();
    let mut unpredicted = vec![false; set.modes.len()];
    for (k, m) in asked.into_iter().enumerate() {
        unpredicted[m] = !told.iter().any(|told| told[k] == Some(true));
    }
    unpredicted
}

/// Share of the energy that a resonance has, from so many seconds on, of all resonances' in the band around it: that of one
/// is ∫ |A|²/((ω − ω₁)² + δ²) dω · exp(−2 δ t), summed over the places.
fn carried(set: &ModeSet, m: usize, from_s: f64) -> f64 {
    let half = PI * BAND_HZ;
    let middle = set.modes[m].omega_per_s;
    let energy = |mode: &Mode| {
        let squares: f64 = mode.amplitudes.iter().flatten().map(|a| a.re * a.re + a.im * a.im).sum();
        let angle = |omega: f64| ((omega - mode.omega_per_s) / mode.decay_per_s).atan();
        let within = angle(middle + half) - angle(middle - half);
        squares * within / mode.decay_per_s * (-2.0 * mode.decay_per_s * from_s).exp()
    };
    let all: f64 = set.modes.iter().map(energy).sum();
    energy(&set.modes[m]) / all.max(f64::MIN_POSITIVE)
}

/// For each pole whether one fit's next part shows its own share to be predicted; `None` where that part doesn't tell.
fn shares(places: &[Place<'_>], fit: &FitRun, poles: &[Pole]) -> Vec<Option<bool>> {
    let mut sums = vec![Shares::default(); poles.len()];
    for (index, record) in fit.records.records.iter().enumerate() {
        let Some(next) = Next::of(&places[record.place], record, &fit.windows, index) else { continue };
        let spectra = Spectra::of(&next, record.rate_hz);
        for (sum, pole) in sums.iter_mut().zip(poles) {
            sum.add(spectra.energies(pole, &own_part(fit, index, record, pole, next.whole.len())));
        }
    }
    sums.iter().map(Shares::predicted).collect()
}

/// What the fit's poles that are the same as this one add to the next part.
fn own_part(fit: &FitRun, index: usize, record: &Record, pole: &Pole, len: usize) -> Vec<f64> {
    let unresolved = UNRESOLVED_RAD * record.rate_hz / len as f64;
    let same = |p: &Pole| p.distance_per_s(pole) < (OWN_SAME * pole.decay_per_s).max(unresolved);
    let mut negative = vec![0.0; len];
    for fitted in &fit.windows {
        take_off(&mut negative, record, fitted, index, (record.len, &same));
    }
    negative.iter().map(|x| -x).collect()
}

/// Energies near one resonance over all places, each over its noise.
#[derive(Debug, Clone, Copy, Default)]
struct Shares {
    /// Of what the whole prediction leaves, with the resonance's own share put back.
    with: f64,
    /// Of what it leaves.
    left: f64,
    noise: f64,
}

impl Shares {
    fn add(&mut self, [with, left, noise]: [f64; 3]) {
        let weight = 1.0 / noise.max(1e-4 * with).max(f64::MIN_POSITIVE);
        self.with += weight * with;
        self.left += weight * left;
        self.noise += weight * noise;
    }

    fn predicted(&self) -> Option<bool> {
        let evident = self.with > OWN_EVIDENCE * self.noise;
        let left = (self.left - self.noise).max(0.0);
        evident.then_some(left < OWN_MOST_UNEXPLAINED * (self.with - self.noise))
    }
}

/// Spectra of one place's next part behind a Hann window.
struct Spectra {
    rate_hz: f64,
    left: Vec<Complex<f64>>,
    noise: Option<Vec<Complex<f64>>>,
}

impl Spectra {
    fn of(next: &Next<'_>, rate_hz: f64) -> Self {
        Self { rate_hz, left: hann_spectrum(&next.left), noise: next.noise.map(hann_spectrum) }
    }

    /// Energies with `own` put back, left, and of noise, over the resonance's half-power width to both sides, two bins
    /// of the part at least.
    fn energies(&self, pole: &Pole, own: &[f64]) -> [f64; 3] {
        let step_hz = self.rate_hz / own.len() as f64;
        let half_hz = (pole.decay_per_s / PI).max(step_hz);
        let first = ((pole.frequency_hz() - half_hz) / step_hz).ceil().max(1.0) as usize;
        let last = (((pole.frequency_hz() + half_hz) / step_hz).floor() as usize).min(own.len() / 2);
        let own = behind_hann(own);
        let mut sums = [0.0; 3];
        for bin in first..=last {
            let Some(left) = self.left.get(bin) else { break };
            sums[0] += (left + fourier(&own, bin)).norm_sqr();
            sums[1] += left.norm_sqr();
            sums[2] += self.noise.as_ref().map_or(0.0, |noise| noise[bin].norm_sqr());
        }
        sums
    }
}

/// One bin of the discrete Fourier transform.
fn fourier(samples: &[Complex<f64>], bin: usize) -> Complex<f64> {
    let step = Complex::cis(-TAU * bin as f64 / samples.len() as f64);
    let mut turn = Complex::from(1.0);
    let mut sum = Complex::from(0.0);
    for sample in samples {
        sum += turn * sample;
        turn *= step;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::super::run::{Job, Variant};
    use super::super::tests::closed_form::{Case, RATE_HZ};
    use super::super::{FitSettings, Kind, LN_1000, fit};
    use super::*;
    use crate::draws::Draws;

    /// One bin against the transform of the library.
    #[test]
    fn a_bin_is_that_of_the_transform() {
        let samples: Vec<f64> = (0..37).map(|i| (i as f64 * 0.7).sin()).collect();
        let bins = hann_spectrum(&samples);
        for bin in [0, 1, 9, 18] {
            assert!((bins[bin] - fourier(&behind_hann(&samples), bin)).norm() < 1e-12);
        }
    }

    /// The modes of the closed-form case with noise beside them that decays by 60 dB in `t60_s`, alike at no two places.
    fn with_decaying_noise(t60_s: f64, seed: u64) -> Case {
        let mut case = Case::new(4000, 1e-3, seed);
        let mut draws = Draws::new(seed);
        for record in &mut case.records {
            for (n, sample) in record.iter_mut().enumerate() {
                *sample += 0.3 * draws.normal() * (-LN_1000 / t60_s * n as f64 / RATE_HZ).exp();
            }
        }
        case
    }

    /// Beside true modes, which stay claimed, one pole of the noise in twenty is at most.
    #[test]
    fn noise_beside_modes_is_not_claimed() {
        let (mut found, mut other, mut poles) = (0, 0, 0);
        for (t60_s, seed) in [(0.4, 1), (0.8, 2), (0.8, 3), (1.2, 4)] {
            let case = with_decaying_noise(t60_s, seed);
            let set = fit(&case.places(), &FitSettings { to_hz: 120.0, ..FitSettings::default() });
            let near = |hz: f64| case.poles.iter().any(|p| (p.frequency_hz() - hz).abs() < 0.3);
            let claims = set.modes.iter().filter(|m| m.kind == Kind::Mode);
            let (of_the_case, of_noise): (Vec<f64>, Vec<f64>) =
                claims.map(|m| m.frequency().value).partition(|hz| near(*hz));
            poles += set.modes.len();
            found += of_the_case.len();
            other += of_noise.len();
        }
        assert!(poles > 60, "the fit takes noise for poles, which is the point: {poles}");
        assert!(20 * other <= poles && found >= 18, "{other} of noise, {found} of 20; {poles} poles");
    }

    /// Two modes alike in one band carry half each; later the slower one carries more, by exp(2 (δ₁ − δ₂) t); a third far away
    /// has what its skirt leaves in their band.
    #[test]
    fn modes_share_the_energy_of_their_band() {
        let amplitude =
            || super::super::Amplitude { re: 1.0, im: 0.0, covariance: [0.0; 3], delta_chi2: 0.0 };
        let mode = |hz: f64, decay_per_s: f64| Mode {
            kind: Kind::Mode,
            omega_per_s: TAU * hz,
            decay_per_s,
            omega_sd_per_s: 0.1,
            decay_sd_per_s: 0.1,
            amplitudes: vec![Some(amplitude())],
            flags: Default::default(),
        };
        let set = |modes: Vec<Mode>| ModeSet { modes, ..ModeSet::default() };
        let alike = set(vec![mode(50.0, 6.0), mode(50.5, 6.0)]);
        assert!((carried(&alike, 0, 0.3) - 0.5).abs() < 1e-3);
        let slower = set(vec![mode(50.0, 6.0), mode(50.0, 5.0)]);
        // 5/6 of the energy at the start, times exp(2 · 0.4).
        let ratio = carried(&slower, 0, 0.4) / carried(&slower, 1, 0.4);
        assert!((ratio / (5.0 / 6.0 * (-0.8_f64).exp()) - 1.0).abs() < 0.02, "{ratio}");
        let far = set(vec![mode(50.0, 6.0), mode(100.0, 6.0)]);
        // ∫ over 40 to 60 Hz of 1/(ω − ω₁)² is 1/(2π 40) − 1/(2π 60), over π/δ.
        let skirt = (1.0 / (TAU * 40.0) - 1.0 / (TAU * 60.0)) * 6.0 / PI;
        assert!(((1.0 - carried(&far, 0, 0.0)) / skirt - 1.0).abs() < 0.1);
    }

    /// The own parts of two modes are together what the record goes on with; a pole elsewhere has none.
    #[test]
    fn own_parts_make_up_what_follows() {
        let case = Case::of(&[(45.0, 0.9), (60.0, 0.7)], 2400, 1e-4, 1);
        let places = case.places();
        let job = Job::new(&places, (20.0, 80.0), &|| false);
        let fit = job.run(&Variant::early(0.6)).unwrap();
        let record = &fit.records.records[0];
        let part = |pole: &Pole| own_part(&fit, 0, record, pole, 400);
        let parts = [&case.poles[0], &case.poles[1]].map(part);
        let follows = &case.records[record.place][record.first + record.len..][..400];
        let top = follows.iter().fold(0.0_f64, |top, x| top.max(x.abs()));
        for (n, sample) in follows.iter().enumerate() {
            let sum = parts[0][n] + parts[1][n];
            assert!((sum - sample).abs() < 0.03 * top, "{n}: {sum} {sample}");
        }
        assert!(part(&Pole::new(52.0, 0.8)).iter().all(|x| x.abs() < 1e-12));
    }
}
