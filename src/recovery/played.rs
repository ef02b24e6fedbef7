//! The signal as written: what all its recordings are held against, and whether it is one or a recording of it.

use super::clock::ClockGauge;
use super::reference::{Rise, Signal, edges};
use super::several::first_signal;
use super::transform::{quick_length, spectrum};
use super::{ClockError, RecoveryError};
use crate::recording::Recording;
use std::sync::OnceLock;

/// A signal as it was written, looked at once for all recordings of it.
#[derive(Debug)]
pub struct PlayedSignal<'a> {
    /// Its samples.
    pub recording: &'a Recording,
    /// How often it is played.
    pub(super) times: usize,
    /// The first of its repeats alone; `None` of silence.
    pub(super) once: Option<&'a [f64]>,
    /// See [`Self::clock_of`]; found for the first recording that has a reference.
    gauge: OnceLock<Option<ClockGauge>>,
    /// Whether it is a signal.
    as_written: Result<(), RecoveryError>,
}

impl<'a> PlayedSignal<'a> {
    /// Looks at a signal.
    #[must_use]
    pub fn of(recording: &'a Recording) -> Self {
        let (samples, rate_hz) = (&recording.samples, recording.rate_hz);
        Self {
            recording,
            times: Signal::of(samples, rate_hz).map_or(0, |signal| signal.bursts.len()),
            once: first_signal(samples, rate_hz),
            gauge: OnceLock::new(),
            as_written: as_written(samples, rate_hz),
        }
    }

    /// Refuses a recording given as the signal.
    ///
    /// # Errors
    /// [`RecoveryError::RecordedSignal`].
    pub(super) fn checked(&self) -> Result<(), RecoveryError> {
        self.as_written.clone()
    }

    /// The clock of a recorder against the player's, from one repeat as it left the output.
    pub(super) fn clock_of(&self, recorded: &[f64]) -> Option<ClockError> {
        let gauge = || ClockGauge::of(self.once?, self.recording.rate_hz);
        self.gauge.get_or_init(gauge).as_ref()?.clock(recorded)
    }
}

/// Length of the pieces whose levels are compared, s: more than a period of the lowest tone.
const PIECE_S: f64 = 0.1;
/// Pieces that must follow each other to tell: of fewer the fades are a quarter.
const LEAST_PIECES: usize = 16;
/// A room changes the level of a sweep by more than this from piece to piece, dB, for a quarter of its time at the least:
/// modes and reflections of simulated rooms made 3.5 to 5.5 dB, of written sweeps the lowest tones' own periods 0.1 dB.
const STEP_DB: f64 = 1.0;

/// Refuses a sweep that rose and fell in a room: divided by it, one place is all that the other isn't.
///
/// # Errors
/// [`RecoveryError::RecordedSignal`].
fn as_written(signal: &[f64], rate_hz: f64) -> Result<(), RecoveryError> {
    match step_db(signal, rate_hz).filter(|step_db| *step_db > STEP_DB) {
        Some(step_db) if is_sweep(signal, rate_hz) => Err(RecoveryError::RecordedSignal { step_db }),
        _ => Ok(()),
    }
}

/// Upper quartile of the second differences of its level while it plays, dB: a level that only rises or falls has none.
fn step_db(signal: &[f64], rate_hz: f64) -> Option<f64> {
    let piece = ((PIECE_S * rate_hz) as usize).max(1);
    let bursts = Signal::of(signal, rate_hz)?.bursts;
    let level =
        |part: &[f64]| 10.0 * (part.iter().map(|x| x * x).sum::<f64>()).max(f64::MIN_POSITIVE).log10();
    let mut steps: Vec<f64> = Vec::new();
    for (from, to) in bursts {
        let levels: Vec<f64> = signal[from..to].chunks_exact(piece).map(level).collect();
        steps.extend(levels.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()));
    }
    steps.sort_by(f64::total_cmp);
    steps.get(3 * steps.len() / 4).copied().filter(|_| steps.len() >= LEAST_PIECES)
}

fn is_sweep(signal: &[f64], rate_hz: f64) -> bool {
    let length = quick_length(signal.len());
    let lines = spectrum(signal, length);
    let edges = edges(&lines);
    let hertz = |bin: usize| bin as f64 * rate_hz / length as f64;
    Rise::of(&lines, length, rate_hz, (hertz(edges.inner.0), hertz(edges.inner.1))).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::{Noise, Sweep};

    const RATE_HZ: f64 = 8_000.0;

    /// Written, lifted towards the treble by 6 dB an octave, at half its level from the middle on: a signal. Noise isn't
    /// judged.
    #[test]
    fn what_was_written_is_the_signal() {
        let sweep = Sweep { to_hz: 3_600.0, seconds: 4.0, rate_hz: RATE_HZ, ..Sweep::default() };
        let written = sweep.samples().expect("in range");
        let lifted: Vec<f64> = written.windows(2).map(|w| w[1] - w[0]).collect();
        let halved: Vec<f64> =
            written.iter().enumerate().map(|(n, x)| if n > 24_000 { 0.5 * x } else { *x }).collect();
        let noise =
            Noise { to_hz: 3_600.0, rate_hz: RATE_HZ, ..Noise::default() }.samples().expect("in range");
        for (name, signal) in [("written", written), ("lifted", lifted), ("halved", halved), ("noise", noise)]
        {
            assert_eq!(as_written(&signal, RATE_HZ), Ok(()), "{name}: {:?}", step_db(&signal, RATE_HZ));
        }
    }

    /// Three resonances of a second, 5 dB and more over the sweep: a room.
    #[test]
    fn what_rang_in_a_room_is_not() {
        let sweep = Sweep { to_hz: 3_600.0, seconds: 4.0, rate_hz: RATE_HZ, ..Sweep::default() };
        let mut heard = sweep.samples().expect("in range");
        let written = heard.clone();
        for k in 0..24 {
            let hz = 40.0 * 1.2_f64.powi(k);
            let step =
                rustfft::num_complex::Complex64::new(-6.9 / RATE_HZ, std::f64::consts::TAU * hz / RATE_HZ)
                    .exp();
            let mut state = rustfft::num_complex::Complex64::ZERO;
            for (y, x) in heard.iter_mut().zip(&written) {
                state = state * step + x;
                *y += 0.02 * state.im;
            }
        }
        assert!(matches!(as_written(&heard, RATE_HZ), Err(RecoveryError::RecordedSignal { .. })));
    }
}
