//! Listens along while a signal plays, and says when to stop.

/// What ends a take before its time.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Stop {
    /// An input ran out of range.
    Clipped {
        /// Its channel, counted from 1.
        channel: usize,
        /// When, s from the start of the recording.
        at_s: f64,
    },
    /// The microphone's level passed the user's limit.
    TooLoud {
        /// When, s from the start of the recording.
        at_s: f64,
    },
    /// The user asked.
    Interrupted,
}

/// What a [`Guard`] watches.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Limits {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// The microphone's channel, from 0.
    pub microphone: usize,
    /// The loopback's channel, from 0.
    pub reference: Option<usize>,
    /// Highest mean square of the microphone over [`FAST_S`], full scale 1; `None` for no limit.
    pub mean_square: Option<f64>,
}

impl Limits {
    /// Of a microphone alone, without a limit of level.
    #[must_use]
    pub fn new(rate_hz: f64, microphone: usize) -> Self {
        Self { rate_hz, microphone, reference: None, mean_square: None }
    }
}

/// Magnitude from which a sample is at the end of the converter's range: the largest of 16 bits is 1 − 2⁻¹⁵.
const FULL: f64 = 1.0 - 1.0 / 32_768.0;
/// Samples in a row at the end of the range that are clipping (common practice, no source).
const IN_A_ROW: usize = 3;
/// Time over which the level is averaged: the time constant F of IEC 61672-1, s.
pub const FAST_S: f64 = 0.125;

/// Hears blocks of samples as they come.
pub struct Guard<'a> {
    limits: Limits,
    asked: &'a dyn Fn() -> bool,
    frames: usize,
    /// Samples at the end of the range, by channel.
    in_a_row: Vec<usize>,
    mean_square: f64,
    stop: Option<Stop>,
}

impl std::fmt::Debug for Guard<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Guard")
            .field("limits", &self.limits)
            .field("stop", &self.stop)
            .finish_non_exhaustive()
    }
}

impl<'a> Guard<'a> {
    /// `asked`: whether the user wants to stop.
    #[must_use]
    pub fn new(limits: Limits, asked: &'a dyn Fn() -> bool) -> Self {
        Self { limits, asked, frames: 0, in_a_row: Vec::new(), mean_square: 0.0, stop: None }
    }

    /// Takes the next samples of all channels; why to stop, if at all.
    pub fn hears(&mut self, channels: &[&[f64]]) -> Option<Stop> {
        self.in_a_row.resize(channels.len().max(self.in_a_row.len()), 0);
        let watched = [Some(self.limits.microphone), self.limits.reference];
        for channel in watched.into_iter().flatten() {
            let samples = channels.get(channel).copied().unwrap_or_default();
            self.clipping(channel, samples);
        }
        self.level(channels.get(self.limits.microphone).copied().unwrap_or_default());
        self.frames += channels.first().map_or(0, |samples| samples.len());
        if (self.asked)() {
            self.stop = Some(Stop::Interrupted);
        }
        self.stop.clone()
    }

    fn at_s(&self, n: usize) -> f64 {
        (self.frames + n) as f64 / self.limits.rate_hz
    }

    fn clipping(&mut self, channel: usize, samples: &[f64]) {
        for (n, sample) in samples.iter().enumerate() {
            let count = if sample.abs() >= FULL { self.in_a_row[channel] + 1 } else { 0 };
            self.in_a_row[channel] = count;
            if count == IN_A_ROW && self.stop.is_none() {
                self.stop = Some(Stop::Clipped { channel: channel + 1, at_s: self.at_s(n) });
            }
        }
    }

    fn level(&mut self, samples: &[f64]) {
        let Some(limit) = self.limits.mean_square else { return };
        let share = 1.0 / (FAST_S * self.limits.rate_hz);
        for (n, sample) in samples.iter().enumerate() {
            self.mean_square += share * (sample * sample - self.mean_square);
            if self.mean_square > limit && self.stop.is_none() {
                self.stop = Some(Stop::TooLoud { at_s: self.at_s(n) });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard(limits: Limits) -> Guard<'static> {
        Guard::new(limits, &|| false)
    }

    #[test]
    fn three_full_samples_are_clipping_wherever_blocks_end() {
        let limits = Limits { reference: Some(1), ..Limits::new(10.0, 0) };
        let mut one = guard(limits);
        let quiet = [0.1; 4];
        assert_eq!(one.hears(&[&[0.1, 1.0, 1.0, 0.2], &quiet]), None);
        assert_eq!(one.hears(&[&[0.0, 0.0, -1.0, -1.0], &quiet]), None);
        let stop = one.hears(&[&[-1.0, 0.0, 0.0, 0.0], &quiet]);
        assert_eq!(stop, Some(Stop::Clipped { channel: 1, at_s: 0.8 }));
        let mut other = guard(limits);
        assert_eq!(other.hears(&[&quiet, &[1.0; 4]]), Some(Stop::Clipped { channel: 2, at_s: 0.2 }));
    }

    /// A sine of full scale has a mean square of one half: after 0.1 s of the time constant F, 1 − e^(−0.8) of it.
    #[test]
    fn a_limit_of_level_stops() {
        let sine: Vec<f64> = (0..8_000).map(|n| 0.5 * (n as f64 * 0.3).sin()).collect();
        let below = Limits { mean_square: Some(0.126), ..Limits::new(8_000.0, 0) };
        assert_eq!(guard(below).hears(&[&sine]), None);
        let above = Limits { mean_square: Some(0.125 * (1.0 - (-0.8_f64).exp())), ..below };
        let Some(Stop::TooLoud { at_s }) = guard(above).hears(&[&sine]) else { panic!("it goes on") };
        assert!((at_s - 0.1).abs() < 2e-3, "{at_s}");
    }

    #[test]
    fn the_user_stops_it() {
        let mut guard = Guard::new(Limits::new(8_000.0, 0), &|| true);
        assert_eq!(guard.hears(&[&[0.0; 8]]), Some(Stop::Interrupted));
    }
}
