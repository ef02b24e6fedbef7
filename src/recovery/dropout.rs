//! Gaps in a recording: samples that a sound system lost, filled with zeros or left out.
//!
//! A gap of zeros stands out as no microphone is ever still. Samples that are left out make the waveform jump: its
//! second difference is then many times its usual one for the two or three samples of the joint. While the sweep is
//! below a sixteenth of the rate a jump of its own height is twenty times the usual; above, jumps hide in it.

use super::recovered::Trouble;
use crate::mean::upper_median;
use std::ops::Range;

/// Zeros for longer than this are a gap, s: a tone of 15 Hz passes zero in far less.
const STILL_S: f64 = 3e-3;
/// A gap begins or ends beside samples of at least this many of the smallest steps of the recording: beside fewer a
/// coarse converter's own zero is as likely.
const STEPS: f64 = 4.0;
/// Samples beside a gap in which these are looked for, s.
const BESIDE_S: f64 = 1e-3;
/// Length of the pieces whose median is the usual second difference, s.
const PIECE_S: f64 = 0.1;
/// A jump is this many medians high: noise reaches eight in 10⁶ samples (5.4 sd over a median of 0.67 sd).
const JUMP: f64 = 16.0;
/// A jump, or a click of one sample, spans at most this many values of the second difference; a knock spans more.
const SPAN: usize = 4;
/// Jumps closer than this are a rattle's, s.
const ALONE_S: f64 = 0.05;

/// Gaps and jumps within a stretch of a recording, in which the signal plays. `whose`: which channel it is, and when its
/// samples begin in the recording, s; what lies at an `explained` time of the samples is left out.
pub(super) fn dropouts(
    samples: &[f64],
    rate_hz: f64,
    within: Range<usize>,
    (whose, from_s): (&str, f64),
    explained: impl Fn(f64) -> bool,
) -> Option<Trouble> {
    let heard = stretch(samples, &within);
    let at_s = |index: usize| (within.start + index) as f64 / rate_hz;
    let gap = gap(heard, rate_hz).filter(|(at, _)| !explained(at_s(*at)));
    let (first_s, found) = if let Some((at, length)) = gap {
        let (first_s, milliseconds) = (from_s + at_s(at), 1e3 * length as f64 / rate_hz);
        (first_s, format!("{whose} has a gap of {milliseconds:.0} ms at {first_s:.2} s"))
    } else {
        let jumps = jumps_s(samples, rate_hz, within.clone());
        let jumps: Vec<f64> = jumps.into_iter().filter(|at_s| !explained(*at_s)).collect();
        let (first_s, more) = (from_s + jumps.first()?, and_more(jumps.len() - 1));
        (first_s, format!("{whose} jumps at {first_s:.2} s{more}: samples are lost, or a plug clicked"))
    };
    let advice = "close other programs, let the sound system buffer more, look for loose plugs, and repeat";
    Some(Trouble::again("dropout", found, advice).at(first_s))
}

/// How often more than once: ` and once more`.
pub(crate) fn and_more(times: usize) -> String {
    match times {
        0 => String::new(),
        1 => " and once more".to_owned(),
        n => format!(" and {n} times more"),
    }
}

/// Jumps within a stretch, s from sample 0.
pub(super) fn jumps_s(samples: &[f64], rate_hz: f64, within: Range<usize>) -> Vec<f64> {
    let at_s = |index: usize| (within.start + index) as f64 / rate_hz;
    jumps(stretch(samples, &within), rate_hz).into_iter().map(at_s).collect()
}

fn stretch<'a>(samples: &'a [f64], within: &Range<usize>) -> &'a [f64] {
    let end = within.end.min(samples.len());
    &samples[within.start.min(end)..end]
}

/// The first stretch of zeros amid sound: where, and how many.
fn gap(samples: &[f64], rate_hz: f64) -> Option<(usize, usize)> {
    let least = (STILL_S * rate_hz).ceil() as usize;
    let beside = (BESIDE_S * rate_hz).ceil() as usize;
    // A gap is hit by steps of its least length.
    if samples.iter().step_by(least.max(1)).all(|x| *x != 0.0) {
        return None;
    }
    let nonzero = samples.iter().map(|x| x.abs()).filter(|x| *x > 0.0);
    let limit = STEPS * nonzero.reduce(f64::min)?;
    let loud = |part: &[f64]| part.iter().any(|x| x.abs() >= limit);
    let mut at = 0;
    for run in samples.chunk_by(|a, b| (*a == 0.0) == (*b == 0.0)) {
        let (from, to) = (at, at + run.len());
        at = to;
        let inside = from > 0 && to < samples.len();
        if run[0] == 0.0
            && run.len() >= least
            && inside
            && (loud(&samples[from.saturating_sub(beside)..from])
                || loud(&samples[to..(to + beside).min(samples.len())]))
        {
            return Some((from, run.len()));
        }
    }
    None
}

/// Where the waveform jumps.
fn jumps(samples: &[f64], rate_hz: f64) -> Vec<usize> {
    let piece = ((PIECE_S * rate_hz) as usize).max(16);
    let mut bends = Vec::with_capacity(piece);
    let medians: Vec<f64> = (0..samples.len().saturating_sub(2))
        .step_by(piece)
        .map(|from| {
            bends.clear();
            bends.extend(bends_of(samples, from, piece));
            upper_median(&mut bends).unwrap_or(0.0)
        })
        .collect();
    // The sweep's end, and a change of level, are no jumps: the larger median of the neighbours counts.
    let usual = |k: usize| {
        medians[k.saturating_sub(1)..(k + 2).min(medians.len())].iter().copied().fold(0.0, f64::max)
    };
    let mut high = Vec::new();
    for k in 0..medians.len() {
        let limit = JUMP * usual(k);
        let above = bends_of(samples, k * piece, piece).enumerate().filter(|(_, bend)| *bend > limit);
        high.extend(above.map(|(n, _)| k * piece + n));
    }
    let apart = (ALONE_S * rate_hz) as usize;
    high.chunk_by(|a, b| b - a < apart)
        .filter(|group| group[group.len() - 1] - group[0] < SPAN)
        .map(|group| group[0] + 1)
        .collect()
}

/// Magnitudes of a piece's second differences.
fn bends_of(samples: &[f64], from: usize, piece: usize) -> impl Iterator<Item = f64> {
    let part = &samples[from..(from + piece + 2).min(samples.len())];
    part.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::Sweep;
    use crate::room::simulate::Gauss;

    const RATE_HZ: f64 = 16_000.0;

    fn sweep(noise: f64) -> Vec<f64> {
        let sweep = Sweep { to_hz: 1_000.0, seconds: 5.0, rate_hz: RATE_HZ, ..Sweep::default() };
        let mut gauss = Gauss::new(3);
        sweep.samples().expect("in range").iter().map(|x| x + noise * gauss.normal()).collect()
    }

    fn found(samples: &[f64]) -> Option<String> {
        dropouts(samples, RATE_HZ, 16_000..96_000, ("it", 0.0), |_| false).map(|trouble| trouble.found)
    }

    #[test]
    fn whole_recordings_have_no_gaps() {
        for noise in [0.0, 1e-5, 1e-3, 0.1] {
            assert_eq!(found(&sweep(noise)), None, "{noise}");
        }
        // A coarse converter: 16 bits, and the signal 60 dB under full scale, without any noise of its own.
        let coarse: Vec<f64> = sweep(0.0).iter().map(|x| (x * 4e-3 * 32_768.0).round() / 32_768.0).collect();
        assert_eq!(found(&coarse), None);
    }

    #[test]
    fn zeros_amid_sound_are_a_gap() {
        let mut samples = sweep(1e-4);
        samples[40_000..40_320].fill(0.0);
        assert_eq!(found(&samples).as_deref(), Some("it has a gap of 20 ms at 2.50 s"));
    }

    /// A buffer of 256 samples left out, wherever in the sweep, and a click.
    #[test]
    fn samples_left_out_make_a_jump() {
        for at in (20_000..90_000).step_by(5_101) {
            let mut samples = sweep(1e-4);
            samples.drain(at..at + 256);
            let said = found(&samples).unwrap_or_default();
            assert!(said.starts_with("it jumps at"), "{at}: {said}");
        }
        let mut clicked = sweep(1e-4);
        clicked[40_000] += 0.2;
        assert!(found(&clicked).is_some_and(|said| said.contains("at 2.50 s")));
    }

    /// Times count from the recording's start, and what a loudspeaker's click explains is left out.
    #[test]
    fn jumps_are_counted_and_explained() {
        let mut clicked = sweep(1e-4);
        clicked[40_000] += 0.2;
        clicked[60_000] += 0.2;
        let told = |explained: &dyn Fn(f64) -> bool| {
            dropouts(&clicked, RATE_HZ, 16_000..96_000, ("it", 10.0), explained).map(|trouble| trouble.found)
        };
        assert!(told(&|_| false).is_some_and(|said| said.starts_with("it jumps at 12.50 s and once more:")));
        assert!(told(&|at_s| at_s < 3.0).is_some_and(|said| said.starts_with("it jumps at 13.75 s:")));
        assert_eq!(told(&|at_s| at_s < 4.0), None);
        assert_eq!(and_more(3), " and 3 times more");
    }

    /// A rattle, or a knock that rings for a millisecond, is neither.
    #[test]
    fn a_knock_is_no_jump() {
        let mut samples = sweep(1e-4);
        for n in 0..200 {
            samples[40_000 + n] += 0.3 * (-(n as f64) / 30.0).exp() * (1.3 * n as f64).sin();
        }
        assert_eq!(found(&samples), None);
        let mut rattle = sweep(1e-4);
        (30_000..60_000).step_by(400).for_each(|n| rattle[n] += 0.05);
        assert_eq!(found(&rattle), None);
    }
}
