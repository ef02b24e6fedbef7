//! How long a mode is heard to ring: until its free decay is 60 dB down for good.

use super::view::Resonance;
use crate::modes::LN_1000;
use rustfft::num_complex::Complex64;

/// Time from which the sum of some decays stays 60 dB under its largest value, seconds.
///
/// `poles`: −δ + iω; `residues[m][k]`: of pole k at place m. Energies of the places add, envelopes of
/// the poles interfere. One pole: its T60. `None` where nothing decays.
pub(crate) fn ring_s(poles: &[Complex64], residues: &[Vec<Complex64>]) -> Option<f64> {
    if let [pole] = poles {
        return (pole.re < 0.0).then(|| -LN_1000 / pole.re);
    }
    let slowest = poles.iter().map(|p| -p.re).fold(f64::INFINITY, f64::min);
    if !(slowest > 0.0 && slowest.is_finite()) {
        return None;
    }
    let energy = |t: f64| -> f64 {
        let turns: Vec<Complex64> = poles.iter().map(|p| (p * t).exp()).collect();
        let place = |at: &Vec<Complex64>| {
            at.iter().zip(&turns).map(|(a, turn)| a * turn).sum::<Complex64>().norm_sqr()
        };
        residues.iter().map(place).sum()
    };
    let bound = residues.iter().map(|at| at.iter().map(|a| a.norm()).sum::<f64>().powi(2)).sum::<f64>();
    let widest = poles.iter().flat_map(|a| poles.iter().map(move |b| (a - b).norm())).fold(0.0, f64::max);
    // Fine enough to see each beat and each decay.
    let fastest = poles.iter().map(|p| -p.re).fold(0.0, f64::max);
    let step = 0.05 / (widest + fastest);
    let long = LN_1000 / slowest;
    let first = (long / step).min(1e5) as usize;
    let top = (0..=first).map(|k| energy(k as f64 * step)).fold(0.0, f64::max);
    let limit = 1e-6 * top;
    if !(top > 0.0 && top.is_finite()) {
        return None;
    }
    // Beyond this even full agreement of all poles stays under the limit.
    let last = (0.5 * (bound / limit).ln() / slowest).max(0.0);
    let steps = (last / step).ceil().min(1e6) as usize;
    let from_end = (0..=steps).rev().find(|k| energy(*k as f64 * step) >= limit)?;
    let (mut low, mut high) = (from_end as f64 * step, (from_end + 1) as f64 * step);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if energy(middle) >= limit { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}

/// Sd of ln of the ringing: what each number of each pole moves by its own sd.
pub(super) fn ring_log_sd(poles: &[Resonance]) -> Option<f64> {
    let change = |k: usize, moved: &dyn Fn(&mut Resonance, f64)| {
        let at = |by: f64| {
            let mut poles = poles.to_vec();
            moved(&mut poles[k], by);
            ring_of(&poles)
        };
        Some(0.5 * (at(1.0)? / at(-1.0)?).ln())
    };
    let mut variance = 0.0;
    for (k, pole) in poles.iter().enumerate() {
        // No decay constant becomes less than a tenth.
        let decay = |p: &mut Resonance, by: f64| p.pole.re -= by * p.decay_sd.min(0.9 * p.decay());
        variance += change(k, &decay)?.powi(2);
        variance += change(k, &|p, by| p.pole.im += by * p.omega_sd)?.powi(2);
        for (m, residue) in pole.residues.iter().enumerate() {
            let Some(sd) = residue.map(|s| (0.5 * s.variance).sqrt()) else { continue };
            for turn in [Complex64::new(sd, 0.0), Complex64::new(0.0, sd)] {
                let moved = |p: &mut Resonance, by: f64| {
                    if let Some(residue) = &mut p.residues[m] {
                        residue.value += turn * by;
                    }
                };
                variance += change(k, &moved)?.powi(2);
            }
        }
    }
    Some(variance.sqrt())
}

/// Ring of one pole or of two together, over all places.
pub(super) fn ring_of(poles: &[Resonance]) -> Option<f64> {
    let list: Vec<Complex64> = poles.iter().map(|p| p.pole).collect();
    let places = poles.iter().map(|p| p.residues.len()).min()?;
    let at = |m: usize| poles.iter().map(|p| p.residues[m].map(|s| s.value)).collect::<Option<Vec<_>>>();
    ring_s(&list, &(0..places).filter_map(at).collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn one_pole_rings_for_its_t60() {
        let pole = Complex64::new(-4.0, 250.0);
        let found = ring_s(&[pole], &[vec![Complex64::new(1.0, 2.0)]]).unwrap();
        assert_relative_eq!(found, 3.0 * 10f64.ln() / 4.0, epsilon = 0.0, max_relative = 1e-15);
        assert_eq!(ring_s(&[Complex64::new(0.0, 250.0)], &[vec![pole]]), None);
    }

    /// Equal poles side by side are one pole with the sum of residues.
    #[test]
    fn two_equal_poles_ring_as_one() {
        let pole = Complex64::new(-4.0, 250.0);
        let residues = vec![vec![Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.5)]];
        let found = ring_s(&[pole, pole], &residues).unwrap();
        assert_relative_eq!(found, 3.0 * 10f64.ln() / 4.0, epsilon = 0.0, max_relative = 1e-9);
    }

    /// Equal decays, half a hertz apart: |cos(Δω t/2)| e^{−δt}. The envelope touches zero at 1 s, so
    /// "for good" is the last crossing, worked out here by a slow scan.
    #[test]
    fn a_beat_counts_to_its_last_crossing() {
        let poles = [Complex64::new(-4.0, 250.0), Complex64::new(-4.0, 250.0 + std::f64::consts::PI)];
        let found = ring_s(&poles, &[vec![Complex64::new(0.5, 0.0); 2]]).unwrap();
        let envelope = |t: f64| (std::f64::consts::FRAC_PI_2 * t).cos().abs() * (-4.0 * t).exp();
        let slow = (0..400_000).map(|k| f64::from(k) * 1e-5).rfind(|t| envelope(*t) >= 1e-3).unwrap();
        assert!((found - slow).abs() < 2e-5, "{found} {slow}");
        // The beat's first zero, at 1 s, is not the end.
        assert!(found > 1.05);
    }

    /// A weak slow pole behind a strong fast one: the ring ends where the slow one does.
    #[test]
    fn a_weak_tail_counts() {
        let poles = [Complex64::new(-20.0, 250.0), Complex64::new(-2.0, 300.0)];
        let found = ring_s(&poles, &[vec![Complex64::new(1.0, 0.0), Complex64::new(0.01, 0.0)]]).unwrap();
        // 0.01 e^{−2t} = 0.001 × the start, which is between 0.99 and 1.01.
        assert!((found - 10f64.ln() / 2.0).abs() < 0.01, "{found}");
    }

    fn resonance(pole: Complex64, decay_sd: f64) -> Resonance {
        Resonance { omega_sd: 0.0, decay_sd, ..Resonance::known(pole, &[(Complex64::new(1.0, 2.0), 0.0)]) }
    }

    /// One pole rings for its T60: δ = 4.0 ± 0.4 1/s moves the logarithm by ½ ln(4.4/3.6) = 0.1003.
    #[test]
    fn one_pole_s_ringing_is_as_well_known_as_its_decay() {
        let found = ring_log_sd(&[resonance(Complex64::new(-4.0, 250.0), 0.4)]).unwrap();
        assert_relative_eq!(found, 0.5 * (4.4_f64 / 3.6).ln(), epsilon = 0.0, max_relative = 1e-9);
    }

    #[test]
    fn what_is_known_exactly_rings_without_spread() {
        let poles =
            [Complex64::new(-4.0, 250.0), Complex64::new(-5.0, 260.0)].map(|pole| resonance(pole, 0.0));
        assert_eq!(ring_log_sd(&poles), Some(0.0));
    }
}
