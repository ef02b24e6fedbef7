//! The loopback against the signal that was handed over: how late it is, and whether it came back in one piece.

use crate::recovery::{Deconvolution, Trouble, deconvolve};

/// What a loopback tells.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Loopback {
    /// When the signal's first sample came back, s from the start of the recording.
    pub late_s: f64,
    /// Samples that were lost on the way.
    pub trouble: Option<Trouble>,
}

/// A converter's own response is over after this, s (common practice, no source).
const SHORT_S: f64 = 1e-3;
/// Share of the energy that stands elsewhere where the signal came back in two pieces: of a sweep up to 20 kHz a piece
/// of 400 Hz holds as much. While it is lower, the jump itself is seen.
const ELSEWHERE: f64 = 0.02;

impl Loopback {
    /// Divides it by the signal; `None` where it holds none.
    pub fn of(looped: &[f64], signal: &[f64], rate_hz: f64) -> Option<Self> {
        let settings = Deconvolution { together: false, ..Deconvolution::default() };
        let found = deconvolve(looped, signal, rate_hz, &settings).ok()?;
        let samples = &found.samples;
        let peak = (0..samples.len()).max_by(|a, b| samples[*a].abs().total_cmp(&samples[*b].abs()))?;
        let reach = (SHORT_S * rate_hz).ceil() as usize;
        let energy = |part: &[f64]| part.iter().map(|x| x * x).sum::<f64>();
        let near = energy(&samples[peak.saturating_sub(reach)..(peak + reach + 1).min(samples.len())]);
        let share = 1.0 - near / energy(samples).max(f64::MIN_POSITIVE);
        let played = signal.iter().rposition(|x| *x != 0.0).unwrap_or(0) as f64;
        let ends_early = found.start_offset_s * rate_hz + played > looped.len() as f64;
        let in_range = found.range_hz.1 > 2_000.0;
        let lost = (in_range && share > ELSEWHERE).then(|| {
            Trouble::again(
                "dropout",
                format!(
                    "{:.0} % of the loopback's signal came back at another time: samples are lost",
                    100.0 * share
                ),
                "close other programs, let the sound system buffer more, and repeat",
            )
        });
        let cut_off = ends_early.then(|| {
            Trouble::again(
                "ends-early",
                "the recording ends before the signal has come back".to_owned(),
                "record longer after the signal: a longer tail",
            )
        });
        Some(Self { late_s: found.start_offset_s, trouble: cut_off.or(lost) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::Sweep;
    use crate::room::simulate::Gauss;

    /// Late by 1,234 samples through a converter's high-pass; then with 64 samples lost at any time of the upper half.
    #[test]
    fn a_loopback_in_one_piece_is_only_late() {
        let sweep = Sweep { seconds: 4.0, tail_s: 1.0, ..Sweep::default() };
        let signal = sweep.samples().expect("in range");
        let (mut gauss, mut low) = (Gauss::new(1), 0.0);
        let high_passed = signal.iter().map(|x| {
            low += 6.5e-4 * (x - low);
            0.9 * (x - low) + 1e-5 * gauss.normal()
        });
        let looped: Vec<f64> = std::iter::repeat_n(1e-6, 1_234).chain(high_passed).collect();
        let found = Loopback::of(&looped, &signal, 48_000.0).expect("a signal");
        assert!((found.late_s - 1_234.0 / 48_000.0).abs() < 1e-4, "{}", found.late_s);
        assert_eq!(found.trouble, None);
        for at_s in [3.3, 3.8, 4.4, 4.7] {
            let mut short = looped.clone();
            let at = (at_s * 48_000.0) as usize;
            short.drain(at..at + 64);
            let trouble = Loopback::of(&short, &signal, 48_000.0).and_then(|found| found.trouble);
            assert!(trouble.is_some_and(|t| t.again), "{at_s}");
        }
        assert_eq!(Loopback::of(&vec![0.0; 300_000], &signal, 48_000.0), None);
    }
}
