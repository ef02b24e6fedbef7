//! Is it an impulse response at all? A room answers a pulse with one onset, then falls for a while.
//!
//! Told from energies of 5 ms blocks: a file that runs backwards swells up to its peak; two shots have a
//! second onset far out of the decay before it; a loop back is over with its pulse; a sweep rises through
//! the frequencies; a fade from the peak on leaves less noise behind the decay than before it. Thresholds
//! are our choice, set on invented records and on measured responses of rooms.

use super::{Fault, Scan};
use crate::mean::upper_median;
use crate::mean::{first_largest, mean};

/// Length of a block, seconds.
const BLOCK_S: f64 = 0.005;

/// Finds what makes a record no impulse response, or one that was faded.
pub(super) fn find(samples: &[f64], rate_hz: f64, scan: &Scan) -> Vec<Fault> {
    let blocks = Blocks::new(samples, rate_hz);
    if blocks.whole.len() < 20 {
        return Vec::new();
    }
    if blocks.sweeps() {
        return vec![Fault::SignalItself { sweep: true }];
    }
    if blocks.is_pulse() {
        return vec![Fault::SignalItself { sweep: false }];
    }
    if blocks.is_reversed() {
        return vec![Fault::Reversed];
    }
    let second = blocks.second_onset().map(|at| Fault::SecondSound { at_s: at as f64 * BLOCK_S });
    let faded = blocks.noise_falls_db(scan.step).map(|below_db| Fault::FadedDecay { below_db });
    second.into_iter().chain(faded).collect()
}

/// Mean squares of blocks.
struct Blocks {
    /// Of the samples.
    whole: Vec<f64>,
    /// Of their differences, in which slow noise and single low modes weigh little.
    high: Vec<f64>,
    /// Mean frequency of the differences, in hertz.
    centre_hz: Vec<f64>,
    /// Changes of sign in each.
    crossings: Vec<usize>,
}

impl Blocks {
    fn new(samples: &[f64], rate_hz: f64) -> Self {
        let length = ((BLOCK_S * rate_hz).round() as usize).max(2);
        let mut blocks =
            Self { whole: Vec::new(), high: Vec::new(), centre_hz: Vec::new(), crossings: Vec::new() };
        for part in samples.chunks_exact(length) {
            let (mut whole, mut high, mut crossings) = (part[0] * part[0], 0.0, 0);
            let (mut before, mut bends) = (part[1] - part[0], 0.0);
            for pair in part.windows(2) {
                let change = pair[1] - pair[0];
                whole += pair[1] * pair[1];
                high += change.powi(2);
                bends += (change - before).powi(2);
                before = change;
                crossings += usize::from((pair[0] < 0.0) != (pair[1] < 0.0));
            }
            blocks.whole.push(whole / length as f64);
            blocks.high.push(high / (length - 1) as f64);
            // Differences of a tone's differences are so many times as large as its turn in one sample is.
            let turn = if high > 0.0 { (bends / high).sqrt() } else { 0.0 };
            blocks.centre_hz.push(turn * rate_hz / std::f64::consts::TAU);
            blocks.crossings.push(crossings);
        }
        blocks
    }

    /// A tone that runs through three octaves or more, all but evenly loud over most of the record.
    fn sweeps(&self) -> bool {
        const PARTS: usize = 8;
        let loud = 1e-3 * self.whole[first_largest(&self.whole)];
        let active: Vec<usize> = (0..self.whole.len()).filter(|k| self.whole[*k] > loud).collect();
        let (Some(first), Some(last)) = (active.first(), active.last()) else { return false };
        let span = last + 1 - first;
        if 2 * span < self.whole.len() || 10 * active.len() < 9 * span || span < 40 * PARTS / 4 {
            return false;
        }
        let rates: Vec<usize> =
            self.crossings[*first..=*last].chunks(span / PARTS).take(PARTS).map(|c| c.iter().sum()).collect();
        let rising = rates.windows(2).filter(|w| w[1] > w[0]).count();
        let falling = rates.windows(2).filter(|w| w[1] < w[0]).count();
        let ends = (rates[0].max(1), rates[PARTS - 1].max(1));
        (rising == PARTS - 1 && ends.1 > 8 * ends.0) || (falling == PARTS - 1 && ends.0 > 8 * ends.1)
    }

    /// All sound within 20 ms of the peak: what comes later, noise taken off, is 35 dB less. A small room's
    /// energy falls by 12 dB in that time even at a reverberation time of 0.1 s.
    fn is_pulse(&self) -> bool {
        const REST: f64 = 3e-4;
        let at = first_largest(&self.whole);
        let pulse: f64 = self.whole[at.saturating_sub(4)..(at + 5).min(self.whole.len())].iter().sum();
        let Some(rest) = self.whole.get(at + 5..).filter(|rest| rest.len() >= 20) else { return false };
        let noise = upper_median(&mut rest[rest.len() / 2..].to_vec()).unwrap_or(0.0);
        let left = rest.iter().sum::<f64>() - noise * rest.len() as f64;
        // Where the noise itself is so loud, nothing can be said of what lies below it.
        left < REST * pulse && noise * 20.0 < REST * pulse
    }

    /// Swells over the 300 ms before the peak, step by step, to ten times the energy of what follows.
    fn is_reversed(&self) -> bool {
        const STEP: usize = 10;
        const STEPS: usize = 6;
        let at = first_largest(&self.whole);
        let Some(from) = at.checked_sub(STEP * STEPS) else { return false };
        let steps: Vec<f64> = self.whole[from..at].chunks(STEP).map(|s| s.iter().sum()).collect();
        let before: f64 = steps.iter().sum();
        let after: f64 = self.whole.iter().skip(at + 2).take(STEP * STEPS).sum();
        let rises = steps.windows(2).filter(|w| w[1] > w[0]).count();
        rises + 1 >= STEPS - 1 && steps[STEPS - 1] > 4.0 * steps[0] && before > 10.0 * after
    }

    /// A later block that jumps 12 dB out of the 30 ms before it, stays 6 dB above them for 40 ms, and stands within
    /// 30 dB of the loudest; 60 ms after that one at least, or as much before it. Low modes that beat jump out of their
    /// nulls as far (in the modes of invented rooms with a T60 of 1 s in 0.5 % of the records, of 4 s in 3 %), but with
    /// nothing above them, and no louder than they were: a block that holds no higher sound must also be twice as strong as
    /// all of the 200 ms before (in none of these 10 000).
    fn second_onset(&self) -> Option<usize> {
        const FAR: usize = 12;
        const MODES_HZ: f64 = 400.0;
        const BEAT: usize = 40;
        let at = first_largest(&self.high);
        let least = 1e-3 * self.high[at];
        let jumps = |k: &usize| {
            let prior = mean(&self.high[k.saturating_sub(7)..k - 1]);
            let next = mean(&self.high[k + 1..(k + 9).min(self.high.len())]);
            let loudest = |part: &[f64]| part.iter().copied().fold(0.0, f64::max);
            let beats = || {
                let was = loudest(&self.high[k.saturating_sub(BEAT)..k - 1]);
                self.centre_hz[*k] < MODES_HZ
                    && loudest(&self.high[*k..(k + 9).min(self.high.len())]) < 2.0 * was
            };
            self.high[*k] > least && self.high[*k] > 16.0 * prior && next > 4.0 * prior && !beats()
        };
        let later = (at + FAR..self.high.len().saturating_sub(9)).find(jumps);
        // What comes before the loudest is a first shot only if it is nearly as loud; products of distortion aren't.
        let first = || self.high[..at.saturating_sub(FAR)].iter().any(|power| *power > 0.03 * self.high[at]);
        later.or_else(|| (at > FAR && at + 9 < self.high.len() && first() && jumps(&at)).then_some(at))
    }

    /// By how much (dB) the noise at the end lies below the quietest before the onset, from 6 dB on.
    fn noise_falls_db(&self, step: f64) -> Option<f64> {
        let loud = 1e-2 * self.high[first_largest(&self.high)];
        let onset = self.high.iter().position(|power| *power > loud)?;
        let before = self.high.get(..onset.checked_sub(1)?).filter(|part| part.len() >= 2)?;
        let quietest = before.iter().copied().fold(f64::INFINITY, f64::min);
        let tail = mean(&self.high[self.high.len() - self.high.len() / 10..]);
        let ratio = quietest / tail;
        // A quantiser's own noise says nothing.
        (ratio > 4.0 && ratio.is_finite() && quietest > 10.0 * step * step).then(|| 10.0 * ratio.log10())
    }
}
