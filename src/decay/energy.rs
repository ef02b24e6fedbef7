//! The backward integral of a band, as it comes from the filter: signal and noise together.

use crate::filter::{Backward, LIMITS, Ringing};

/// End of the early energy of clarity and definition, in seconds after the direct sound (ISO 3382-1:2009, A.2.3).
pub const EARLY_S: [f64; LIMITS] = [0.050, 0.080];

/// Energy still to come at each instant of one band (Schroeder, JASA 37 (1965) 409), noise included.
///
/// Entries are `1/rate_hz` apart; entry `zero` begins with the direct sound. Instants are given as
/// entries counted from `zero`, negative before it.
#[derive(Debug, Clone, Copy)]
pub struct Energy<'a> {
    to_come: &'a [f64],
    zero: usize,
    /// Entries per second.
    pub rate_hz: f64,
    /// Bandwidth of the filter, in hertz.
    pub bandwidth_hz: f64,
    /// The filter's ringing.
    pub ringing: Ringing,
    /// How many decays were added: their noise averages out.
    pub decays: usize,
    /// Energy from 50 and from 80 ms after the direct sound on, cut before the filter; pressure² · s, noise included.
    pub late: [f64; LIMITS],
    /// The entry where the record ends.
    pub end: usize,
    /// Sample rate of the file, in hertz: levels refer to it.
    pub file_rate_hz: f64,
    /// Half a sample of the filter's output, in entries.
    half_sample: f64,
}

impl<'a> Energy<'a> {
    /// One band of a response whose record ends `length_s` after the direct sound.
    #[must_use]
    pub fn new(band: &Backward<'a>, length_s: f64, file_rate_hz: f64) -> Self {
        let last = band.to_come.len() - 1 - band.zero;
        Self {
            to_come: band.to_come,
            zero: band.zero,
            rate_hz: band.rate_hz,
            bandwidth_hz: band.channel.band.bandwidth_hz(),
            ringing: band.channel.ringing,
            decays: 1,
            late: band.late,
            file_rate_hz,
            half_sample: 0.5 * band.rate_hz / band.channel.rate_hz,
            end: ((length_s * band.rate_hz) as usize).min(last),
        }
    }

    /// The energy of so many decays added up.
    #[must_use]
    pub fn of_sum(self, decays: usize) -> Self {
        Self { decays, ..self }
    }

    /// Energy still to come at an entry, in pressure² · s.
    #[must_use]
    pub fn at(&self, entry: usize) -> f64 {
        self.to_come[(self.zero + entry).min(self.to_come.len() - 1)]
    }

    /// Energy of the whole band, with the ringing ahead of the direct sound.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.to_come[0]
    }

    /// Energy still to come at the entries ahead of the direct sound.
    pub fn before_zero(&self) -> impl Iterator<Item = f64> + '_ {
        self.to_come[..self.zero].iter().copied()
    }

    /// Half a sample of the filter's output, in entries.
    #[must_use]
    pub fn half_sample(&self) -> f64 {
        self.half_sample
    }

    /// Entries ahead of the direct sound that hold the filter's ringing.
    #[must_use]
    pub fn lead(&self) -> usize {
        self.zero
    }

    /// Mean square between two entries from the direct sound on, in pressure².
    #[must_use]
    pub fn mean_square(&self, from: usize, to: usize) -> f64 {
        (self.at(from) - self.at(to)) * self.rate_hz / to.saturating_sub(from).max(1) as f64
    }

    /// Largest mean square over `width` entries anywhere in the band, in pressure².
    #[must_use]
    pub fn peak(&self, width: usize) -> f64 {
        let width = width.clamp(1, self.to_come.len() - 1);
        let ends = &self.to_come[width..];
        let largest = self.to_come.iter().zip(ends).fold(0.0, |largest, (from, to)| {
            let energy = from - to;
            if energy > largest { energy } else { largest }
        });
        largest * self.rate_hz / width as f64
    }

    /// Entries that a time spans, at least one.
    #[must_use]
    pub fn entries(&self, time_s: f64) -> usize {
        ((time_s * self.rate_hz).round() as usize).max(1)
    }
}
