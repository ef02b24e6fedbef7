//! A recorder's gain that follows the level.

use super::evidence::TakeEvidence;
use super::recovered::Trouble;
use crate::mean::upper_median;

/// Gain that follows the level: while the sweep is low, noise far above it and its harmonics must be what it is in the
/// silences before and after. An automatic gain turns it down with the signal; its release bends every decay.
pub(super) fn automatic_gain(seen: &TakeEvidence<'_>) -> Option<Trouble> {
    let (rise, rate_hz) = (seen.rise?, seen.rate_hz);
    let start_s = seen.signal.bursts[0].0 as f64 / rate_hz + seen.arrival.lag_s;
    let low_until_s = rise.passes_s(LOW_SHARE * rate_hz) + seen.arrival.lag_s;
    let powers = Hiss::of(seen.recording, rate_hz);
    let before = powers.settled(0.0, start_s - 0.15)?;
    let during = powers.quietest(start_s + 0.3, low_until_s)?.power;
    // Half of what follows the signal may still ring.
    let end_s = seen.recording.len() as f64 / rate_hz;
    let after = powers.settled(end_s - 0.5 * held_s(seen), end_s)?;
    let moved = before.min(after) / during;
    (moved > GAIN_MOVES).then(|| {
        Trouble::again(
            "automatic-gain",
            format!(
                "the gain follows the level: noise above {:.0} kHz falls by {:.0} dB while the sweep is low, and comes back \
                 after it",
                HISS_SHARE * rate_hz / 1e3,
                10.0 * moved.log10()
            ),
            "switch off automatic gain, limiter and noise suppression of the recorder, and repeat",
        )
    })
}

/// What the recording holds after the signal's end, s.
fn held_s(seen: &TakeEvidence<'_>) -> f64 {
    let end = seen.signal.bursts[0].1 as f64 / seen.rate_hz + seen.arrival.lag_s;
    (seen.recording.len() as f64 / seen.rate_hz - end).max(0.0)
}

/// Noise moves by less than this on its own (6 dB): quietest half seconds of one room's noise differ by some tenths of a
/// decibel, people's by more; own choice.
const GAIN_MOVES: f64 = 4.0;
/// Nearly all of white noise's fourth differences lies above this, a share of the rate (2 % lie below).
const HISS_SHARE: f64 = 0.25;
/// The sweep is low up to here, a share of the rate: ten of its harmonics stay under an eighth of the rate.
const LOW_SHARE: f64 = 0.0125;
/// Noise falls by less than this within a quarter of a second, a ratio of powers; what falls more is still a decay.
const STILL_FALLS: f64 = 1.4;

/// Power over time of what lies far above the low part of a sweep.
struct Hiss {
    powers: Vec<f64>,
}

/// Half a second of it.
struct Quiet {
    power: f64,
    falls: f64,
}

impl Hiss {
    /// Length of a piece, s; the median of those of half a second leaves out clicks.
    const PIECE_S: f64 = 0.01;
    const WINDOW: usize = 50;

    /// Fourth differences fall by 24 dB an octave downwards: the sweep's own lines vanish under the noise.
    fn of(samples: &[f64], rate_hz: f64) -> Self {
        let piece = ((Self::PIECE_S * rate_hz) as usize).max(8);
        let rough = |w: &[f64]| w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4];
        let power = |part: &[f64]| part.windows(5).map(|w| rough(w).powi(2)).sum::<f64>();
        Self { powers: samples.chunks_exact(piece).map(power).collect() }
    }

    /// The half second of the least median within a stretch; `None` if the stretch is shorter, or holds no noise at all.
    fn quietest(&self, from_s: f64, to_s: f64) -> Option<Quiet> {
        let index = |at_s: f64| ((at_s / Self::PIECE_S).max(0.0) as usize).min(self.powers.len());
        let part = &self.powers[index(from_s)..index(to_s).max(index(from_s))];
        let median = |part: &[f64]| upper_median(&mut part.to_vec()).unwrap_or(0.0);
        let each = part.chunks_exact(Self::WINDOW).map(|window| {
            let (first, last) = window.split_at(Self::WINDOW / 2);
            Quiet { power: median(window), falls: median(first) / median(last) }
        });
        each.min_by(|a, b| a.power.total_cmp(&b.power)).filter(|quiet| quiet.power > 0.0)
    }

    /// The power there, unless it is a decay's: of the sweep, or of one before it.
    fn settled(&self, from_s: f64, to_s: f64) -> Option<f64> {
        self.quietest(from_s, to_s).filter(|quiet| quiet.falls < STILL_FALLS).map(|quiet| quiet.power)
    }
}
