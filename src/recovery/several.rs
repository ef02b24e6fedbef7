//! Several signals in one recording: where each begins and ends, and the mean of repeats.

use super::arrival::{Ring, locate};
use super::deconvolution::divide;
use super::disturbed::disturbed;
use super::recovered::Recovered;
use super::reference::{Rise, Signal, edges};
use super::transform::{inverse, quick_length, spectrum};
use super::words::signed;
use super::{RecoveryError, Trouble};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Silence kept before each signal, s, where there is as much.
const LEAD_S: f64 = 1.0;

/// Stretches of a recording that hold one signal each, from its recorded reference; samples, from and to.
#[must_use]
pub fn parts_by_reference(reference: &[f64], rate_hz: f64) -> Vec<(usize, usize)> {
    let bursts = Signal::of(reference, rate_hz).map(|signal| signal.bursts).unwrap_or_default();
    parts(&bursts, reference.len(), rate_hz)
}

/// Stretches of a recording that hold one signal each, from where it is found in the recording, as written.
///
/// # Errors
/// [`RecoveryError`] where it isn't found at all.
pub fn parts_by_arrival(
    recording: &[f64],
    signal: &[f64],
    rate_hz: f64,
) -> Result<Vec<(usize, usize)>, RecoveryError> {
    let (from, to) = Signal::of(signal, rate_hz).ok_or(RecoveryError::SilentReference)?.bursts[0];
    let length = quick_length(recording.len() + signal.len());
    let lines = spectrum(signal, length);
    let edges = edges(&lines);
    let mut quotient = spectrum(recording, length);
    divide(&mut quotient, &lines, &edges);
    let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
    let range = (hertz(edges.inner.0), hertz(edges.inner.1));
    let rise = Rise::of(&lines, length, rate_hz, range);
    let filled = recording.len() as f64 / length as f64;
    let ring = Ring::of(&quotient, length, rate_hz, range).filled(filled);
    let arrival = locate(&ring.apart(signal.len() as f64 / rate_hz), rise.as_ref())?;
    if let Some(error) = arrival.against {
        return Err(error);
    }
    let mut lags: Vec<f64> = arrival.again_s;
    lags.push(arrival.lag_s);
    lags.sort_by(f64::total_cmp);
    let at = |edge: usize, lag: f64| (edge as f64 + lag * rate_hz).max(0.0) as usize;
    let bursts: Vec<(usize, usize)> = lags
        .into_iter()
        .map(|lag| (at(from, lag), at(to, lag).min(recording.len())))
        .filter(|(from, to)| to > from)
        .collect();
    Ok(parts(&bursts, recording.len(), rate_hz))
}

/// The first signal of a reference alone, with the silence before it.
#[must_use]
pub fn first_signal(reference: &[f64], rate_hz: f64) -> Option<&[f64]> {
    let signal = Signal::of(reference, rate_hz)?;
    if signal.bursts.len() == 1 {
        return Some(reference);
    }
    let end = parts(&signal.bursts, reference.len(), rate_hz)[0].1;
    Some(&reference[..end.min(reference.len())])
}

/// A part begins a second before its signal, or in the last fifth of a shorter pause; the first at the start.
fn parts(bursts: &[(usize, usize)], length: usize, rate_hz: f64) -> Vec<(usize, usize)> {
    let lead = (LEAD_S * rate_hz) as usize;
    let start = |k: usize| {
        if k == 0 {
            return 0;
        }
        let (pause_from, pause_to) = (bursts[k - 1].1, bursts[k].0);
        pause_to - lead.min(pause_to.saturating_sub(pause_from) / 5)
    };
    let end = |k: usize| if k + 1 < bursts.len() { start(k + 1) } else { length };
    (0..bursts.len()).map(|k| (start(k), end(k))).collect()
}

/// Repeats that differ by more than this of their energy disagree (−20 dB; own choice).
const DISAGREE: f64 = 0.01;

/// A repeat moved to where the first one stands: by the peak of their cross-correlation, and by what of a sample the
/// slope of their cross-spectrum's phase leaves (Knapp & Carter, IEEE Trans. ASSP 24 (1976)).
fn aligned(first: &[f64], other: &[f64]) -> Vec<f64> {
    let length = quick_length(first.len() + other.len());
    let mut lines = spectrum(other, length);
    let cross: Vec<Complex64> =
        lines.iter().zip(spectrum(first, length)).map(|(b, a)| b * a.conj()).collect();
    let alike = inverse(cross.clone(), length);
    let peak = (0..length).max_by(|a, b| alike[*a].total_cmp(&alike[*b])).unwrap_or(0);
    let whole = if peak > length / 2 { peak as f64 - length as f64 } else { peak as f64 };
    let turn = |k: usize, samples: f64| Complex64::from_polar(1.0, TAU * k as f64 * samples / length as f64);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (k, line) in cross.iter().enumerate() {
        let k_line = k as f64 * line.norm();
        sum -= k_line * (line * turn(k, whole)).arg();
        weight += k_line * k as f64;
    }
    let rest = if weight > 0.0 { sum / weight * length as f64 / TAU } else { 0.0 };
    let late = whole + rest.clamp(-1.0, 1.0);
    lines.iter_mut().enumerate().for_each(|(k, line)| *line *= turn(k, late));
    let mut moved = inverse(lines, length);
    moved.truncate(other.len());
    moved
}

/// The mean of repeats of one place, as long as the shortest; and the largest share of energy in which one
/// differs from it. `None` without any.
#[must_use]
pub fn averaged(mut repeats: Vec<Recovered>, rate_hz: f64) -> Option<(Recovered, f64)> {
    let length = repeats.iter().map(|repeat| repeat.samples.len()).min()?;
    // Where player and recorder started each by itself, each repeat stands at its own arrival, good to a sample or so.
    if let [first, rest @ ..] = repeats.as_mut_slice() {
        let apart = rest.iter_mut().filter(|repeat| repeat.emission_s.is_none());
        apart.for_each(|repeat| repeat.samples = aligned(&first.samples, &repeat.samples));
    }
    let share = 1.0 / repeats.len() as f64;
    let mean: Vec<f64> =
        (0..length).map(|n| repeats.iter().map(|repeat| repeat.samples[n]).sum::<f64>() * share).collect();
    let energy: f64 = mean.iter().map(|x| x * x).sum();
    let off =
        |repeat: &Recovered| mean.iter().zip(&repeat.samples).map(|(a, b)| (a - b).powi(2)).sum::<f64>();
    let worst = repeats.iter().map(off).fold(0.0, f64::max) / energy.max(f64::MIN_POSITIVE);
    let mut troubles = of_repeats(&repeats);
    // A repeat that broke off differs from the others by that.
    let explained = troubles.iter().any(|trouble| ["broken-off", "dropout"].contains(&trouble.word));
    let sound = if explained { None } else { disturbed(&repeats, rate_hz) };
    if sound.is_none() && !explained && repeats.len() > 1 && worst > DISAGREE {
        let decibels = signed(&format!("{:.0}", 10.0 * worst.log10()));
        troubles.push(Trouble::note(
            "repeats-disagree",
            format!("a repeat differs from the mean by {decibels} dB of its energy"),
            "look for doors, people, wind or a loose microphone, and repeat",
        ));
    }
    troubles.extend(sound);
    let first = repeats.swap_remove(0);
    Some((Recovered { samples: mean, troubles, ..first }, worst))
}

/// What is wrong with repeats, each word once; where only some have it, with which.
fn of_repeats(repeats: &[Recovered]) -> Vec<Trouble> {
    let mut troubles: Vec<Trouble> = Vec::new();
    for trouble in repeats.iter().flat_map(|repeat| &repeat.troubles) {
        if troubles.iter().any(|known| known.word == trouble.word) {
            continue;
        }
        let has = |k: &usize| repeats[*k].troubles.iter().any(|other| other.word == trouble.word);
        let those: Vec<String> = (0..repeats.len()).filter(has).map(|k| (k + 1).to_string()).collect();
        // `in sweep 2 of 2 the loudspeaker`, and `in sweep 2 of 2: peak-to-noise`.
        let begins = if trouble.found.starts_with("the ") { "" } else { ":" };
        let of = repeats.len();
        let found = match those.as_slice() {
            all if all.len() == of => trouble.found.clone(),
            [one] => format!("in sweep {one} of {of}{begins} {}", trouble.found),
            [rest @ .., last] => {
                format!("in sweeps {} and {last} of {of}{begins} {}", rest.join(", "), trouble.found)
            }
            [] => continue,
        };
        troubles.push(Trouble { found, ..trouble.clone() });
    }
    troubles
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::Sweep;

    /// A decaying tone and a click, 2.3 samples late: put back to within a thousandth.
    #[test]
    fn a_repeat_is_put_where_the_first_one_stands() {
        let length = 4_096;
        let spread = |late: f64| -> Vec<f64> {
            let sound = |n: usize| {
                let t = n as f64 - 800.0 - late;
                // A band-limited click, and a tone that starts smoothly.
                let click = (-(t / 3.0).powi(2)).exp();
                let tone =
                    if t > 0.0 { (t / 40.0).powi(2) * (-t / 60.0).exp() * (0.2 * t).sin() } else { 0.0 };
                click + 0.2 * tone
            };
            (0..length).map(sound).collect()
        };
        let (first, late) = (spread(0.0), spread(2.3));
        let moved = aligned(&first, &late);
        let worst = moved.iter().zip(&first).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 2e-3, "{worst}");
    }

    #[test]
    fn each_part_holds_one_signal_with_its_tail() {
        let sweep =
            Sweep { from_hz: 20.0, to_hz: 3_000.0, seconds: 3.0, rate_hz: 8_000.0, ..Sweep::default() };
        let once = Sweep { tail_s: 2.0, ..sweep }.samples().expect("in range");
        let thrice = [once.clone(), once.clone(), once.clone()].concat();
        // 6 s each: lead 1 s, 3 s of signal, 2 s of tail; with the next lead the pause is 3 s.
        let by_reference = parts_by_reference(&thrice, 8_000.0);
        let by_arrival = parts_by_arrival(&thrice, &once, 8_000.0).expect("found");
        for found in [by_reference, by_arrival] {
            assert_eq!(found.len(), 3, "{found:?}");
            for (k, (from, to)) in found.iter().enumerate() {
                let (begin, end) = (48_000 * k + 8_000, 48_000 * k + 32_000);
                assert!(*from < begin && *to > end + 8_000, "{found:?}");
            }
            assert_eq!((found[0].0, found[2].1), (0, 144_000));
        }
        assert_eq!(first_signal(&once, 8_000.0), Some(&once[..]));
    }

    /// Sweeps of 3 s, 4 s apart, behind a silence longer than all of them: the last begins far beyond half the lengths
    /// of recording and signal. Each rings down by 10 dB in a third of a second, which makes no more sweeps of it.
    #[test]
    fn sweeps_far_into_a_recording_are_found() {
        let sweep =
            Sweep { from_hz: 20.0, to_hz: 3_000.0, seconds: 3.0, rate_hz: 8_000.0, ..Sweep::default() };
        let once = Sweep { tail_s: 0.0, ..sweep }.samples().expect("in range");
        // Beside the direct sound a resonance in each of the upper bands, T60 2 s.
        let pole = |hz: f64| Complex64::new(-6.907_755 / 2.0, TAU * hz);
        let steps = [1_000.0, 1_260.0, 1_587.0, 2_000.0, 2_520.0].map(|hz| (pole(hz) / 8_000.0).exp());
        for (ahead, count) in [(0, 3), (15, 1), (15, 5), (25, 2)] {
            let mut recording = [vec![0.0; 8_000 * ahead], once.repeat(count), vec![0.0; 8_000]].concat();
            let mut states = [Complex64::ZERO; 5];
            for x in &mut recording {
                let sound = *x;
                for (state, step) in states.iter_mut().zip(&steps) {
                    *state = *state * step + sound;
                    *x += 0.5 * state.re;
                }
            }
            let found = parts_by_arrival(&recording, &once, 8_000.0).expect("found");
            assert_eq!(found.len(), count, "{ahead} s: {found:?}");
            for (k, (from, to)) in found.iter().enumerate() {
                let begin = 8_000 * ahead + 32_000 * k + 8_000;
                assert!(*from < begin && *to >= begin + 24_000, "{ahead} s: {found:?}");
            }
        }
    }
}
