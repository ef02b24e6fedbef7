//! Which mode to treat first.

use super::Curve;

/// What the rule needs to know of one mode of a state.
#[derive(Debug, Clone, PartialEq)]
pub struct Ringing {
    /// Damped natural frequency, hertz.
    pub frequency_hz: f64,
    /// Decay time, seconds: one that the data ensure, as the low end of its interval.
    pub t60_s: f64,
    /// Steady-state energy of the mode (square of its level as a ratio) at each listening position,
    /// or at every position where none is said to be one; `None` where the mode isn't seen. Any unit,
    /// the same for all modes.
    pub energies: Vec<Option<f64>>,
}

/// Ranks the modes of a state: 1 is the one to treat first. In the order of the modes given; `None`
/// for a mode without a usable decay time.
///
/// The rule, our own. Sound stops; a mode that stood `D` dB under the loudest mode of the state at
/// any listening position is 60 dB under that level after `T60 (1 − D/60)`. That is how long it can
/// be heard at a position. Held against the published threshold at its frequency ([`Curve::Absolute`],
/// Fazenda, Stephenson & Goldberg 2015) it exceeds it by `T60 (1 − D/60)/threshold − 1`, and by
/// nothing where that is negative. The rank follows the mean of this excess over the listening
/// positions: long, loud and everywhere comes first. Modes that exceed it nowhere follow in the
/// order of T60/threshold. Outside 32 to 250 Hz, where no threshold is published, the curve's end
/// value stands in: for the rank alone. Equal modes rank by frequency, low first.
#[must_use]
pub fn prioritise(modes: &[Ringing]) -> Vec<Option<u32>> {
    let loudest = modes.iter().filter(|mode| usable(mode)).flat_map(seen).fold(0.0, f64::max);
    let mut order: Vec<(usize, f64, f64)> = modes
        .iter()
        .enumerate()
        .filter(|(_, mode)| usable(mode))
        .map(|(i, mode)| {
            let threshold_s = Curve::Absolute.nearest_t60_s(mode.frequency_hz);
            (i, excess(mode, threshold_s, loudest), mode.t60_s / threshold_s)
        })
        .collect();
    order.sort_by(|a, b| {
        let by_frequency = modes[a.0].frequency_hz.total_cmp(&modes[b.0].frequency_hz);
        b.1.total_cmp(&a.1).then(b.2.total_cmp(&a.2)).then(by_frequency)
    });
    let mut ranks = vec![None; modes.len()];
    for (rank, (i, ..)) in (1..).zip(order) {
        ranks[i] = Some(rank);
    }
    ranks
}

fn usable(mode: &Ringing) -> bool {
    mode.t60_s.is_finite() && mode.t60_s > 0.0 && mode.frequency_hz.is_finite()
}

fn seen(mode: &Ringing) -> impl Iterator<Item = f64> + '_ {
    mode.energies.iter().flatten().copied().filter(|energy| energy.is_finite())
}

/// Mean over positions of how far the audible ringing exceeds the threshold, in thresholds.
fn excess(mode: &Ringing, threshold_s: f64, loudest: f64) -> f64 {
    let sum: f64 = seen(mode)
        .filter(|&energy| energy > 0.0)
        .map(|energy| {
            let share = 1.0 + 10.0 * (energy / loudest).log10() / 60.0;
            (mode.t60_s * share / threshold_s - 1.0).max(0.0)
        })
        .sum();
    sum / mode.energies.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode(frequency_hz: f64, t60_s: f64, levels_db: &[f64]) -> Ringing {
        let energies = levels_db.iter().map(|db| Some(10f64.powf(db / 10.0))).collect();
        Ringing { frequency_hz, t60_s, energies }
    }

    fn ranks(modes: &[Ringing]) -> Vec<u32> {
        prioritise(modes).into_iter().map(Option::unwrap).collect()
    }

    /// One thing at a time: longer, louder, at more places; each of these comes first.
    #[test]
    fn long_loud_and_everywhere_comes_first() {
        let plain = mode(63.0, 0.6, &[0.0, 0.0]);
        assert_eq!(ranks(&[plain.clone(), mode(63.0, 0.9, &[0.0, 0.0])]), [2, 1]);
        assert_eq!(ranks(&[mode(63.0, 0.6, &[-12.0, -12.0]), plain.clone()]), [2, 1]);
        assert_eq!(ranks(&[mode(63.0, 0.6, &[0.0, -40.0]), plain]), [2, 1]);
    }

    /// 1 s at 40 Hz is 1.6 thresholds, 0.6 s at 100 Hz is 2.2: the shorter decay is heard more.
    #[test]
    fn a_decay_counts_in_thresholds() {
        assert_eq!(ranks(&[mode(40.0, 1.0, &[0.0]), mode(100.0, 0.6, &[0.0])]), [2, 1]);
    }

    /// Worked by hand: 63 Hz, 0.9 s, 12 dB under the loudest: 0.9 · 0.8/0.3 − 1 = 1.4.
    #[test]
    fn the_excess_is_the_stated_formula() {
        let quiet = mode(63.0, 0.9, &[-12.0]);
        assert!((excess(&quiet, 0.3, 1.0) - 1.4).abs() < 1e-12);
        // Unseen at one of two positions: half of it.
        let half = Ringing { energies: vec![quiet.energies[0], None], ..quiet };
        assert!((excess(&half, 0.3, 1.0) - 0.7).abs() < 1e-12);
    }

    #[test]
    fn inaudible_modes_follow_and_gain_changes_nothing() {
        let modes = [mode(63.0, 0.2, &[0.0]), mode(63.0, 0.1, &[10.0]), mode(100.0, 0.5, &[-6.0])];
        assert_eq!(ranks(&modes), [2, 3, 1]);
        let louder: Vec<Ringing> = modes
            .iter()
            .map(|m| Ringing {
                energies: m.energies.iter().map(|e| e.map(|e| 1e6 * e)).collect(),
                ..m.clone()
            })
            .collect();
        assert_eq!(prioritise(&louder), prioritise(&modes));
    }

    #[test]
    fn a_mode_without_decay_has_no_rank() {
        let modes = [mode(63.0, f64::NAN, &[0.0]), mode(63.0, 0.5, &[]), mode(70.0, 0.5, &[0.0])];
        assert_eq!(prioritise(&modes), [None, Some(2), Some(1)]);
        assert!(prioritise(&[]).is_empty());
    }
}
