//! Poles round the target: which are believed, and which of a take's are whose.

use super::sight::Expected;
use crate::modes::{Kind, Mode, ModeSet};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// The baseline's and the take's poles are one neighbour's within this, hertz.
const NEIGHBOUR_HZ: f64 = 1.2;
/// Poles of a take that may be the target's lie this near it, hertz.
const CANDIDATE_HZ: f64 = 10.0;
/// A steady tone takes part if its frequency is known this well and it is this loud beside the mode.
const TONE_HZ: f64 = 0.02;
const TONE_SHARE: f64 = 0.03;

/// Whether a resonance takes part as a neighbour: what the search only guessed at would soak up the unit.
pub(super) fn believed(mode: &Mode, target: f64) -> bool {
    let known = mode.decay_sd_per_s / mode.decay_per_s;
    match mode.kind {
        Kind::Mode => true,
        Kind::Hum => mode.omega_sd_per_s < TAU * TONE_HZ && strength(mode) > TONE_SHARE * target,
        Kind::Loudspeaker => known < 0.5,
        Kind::Unsure => known < 0.3,
    }
}

/// Rms amplitude over the places.
pub(super) fn strength(mode: &Mode) -> f64 {
    let powers: Vec<f64> = mode.amplitudes.iter().flatten().map(|a| a.re * a.re + a.im * a.im).collect();
    (powers.iter().sum::<f64>() / powers.len().max(1) as f64).sqrt()
}

/// Puts the take's own poles in place of the baseline's, one to one; what is left over near the mode may
/// be the pair's.
pub(super) fn known_poles(expected: &mut Expected, modes: &ModeSet) {
    // A tone that only this take has is no neighbour of the mode; it would stand between the pair's poles.
    let sound = |m: &&Mode| {
        m.decay_per_s > 0.0 && m.omega_per_s.is_finite() && m.kind != Kind::Hum && believed(m, f64::INFINITY)
    };
    let mut left: Vec<(Complex64, Kind)> = modes
        .modes
        .iter()
        .filter(sound)
        .map(|m| (Complex64::new(-m.decay_per_s, m.omega_per_s), m.kind))
        .collect();
    for neighbour in &mut expected.neighbours {
        let off = |s: &Complex64| (s.im - neighbour.im).abs();
        let nearest = (0..left.len()).min_by(|a, b| off(&left[*a].0).total_cmp(&off(&left[*b].0)));
        if let Some(k) = nearest.filter(|k| off(&left[*k].0) < TAU * NEIGHBOUR_HZ) {
            *neighbour = left.remove(k).0;
        }
    }
    for (pole, kind) in left {
        let near = (pole.im - expected.mode.im).abs() < TAU * CANDIDATE_HZ && kind != Kind::Loudspeaker;
        if near { expected.candidates.push(pole) } else { expected.neighbours.push(pole) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;

    /// Of a take's poles the neighbour's own takes its place; what is left over within 10 Hz of the mode may be the pair's,
    /// but not what the loudspeaker leaves, nor a hum.
    #[test]
    fn what_is_left_over_near_the_mode_may_be_the_pair_s() {
        let pole = |hz: f64| Complex64::new(-4.0, TAU * hz);
        let mode = |kind: Kind, hz: f64| Mode {
            kind,
            omega_per_s: TAU * hz,
            decay_per_s: 4.0,
            omega_sd_per_s: 0.01,
            decay_sd_per_s: 0.01,
            amplitudes: Vec::new(),
            flags: Flags::default(),
        };
        let mut expected = Expected {
            mode: pole(40.0),
            neighbours: vec![pole(52.0)],
            near: Vec::new(),
            candidates: Vec::new(),
            shape: Vec::new(),
            chain_known: true,
            top_hz: 200.0,
        };
        let modes = [
            mode(Kind::Mode, 39.0),
            mode(Kind::Loudspeaker, 43.0),
            mode(Kind::Hum, 42.0),
            mode(Kind::Mode, 52.5),
            mode(Kind::Mode, 60.0),
        ];
        known_poles(&mut expected, &ModeSet { modes: modes.to_vec(), ..ModeSet::default() });
        assert_eq!(expected.candidates, [pole(39.0)]);
        assert_eq!(expected.neighbours, [pole(52.5), pole(43.0), pole(60.0)]);
    }
}
