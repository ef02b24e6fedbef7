//! How long a signal may be, so that a recording of it can be read.

use crate::recording::MAX_SAMPLES;

/// The signal lasts longer than a recording of it may.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error(
    "the signal lasts {:.0} s, and a recording of it would be too long to be read\n  \
     allowed  up to {:.0} s at {rate_hz} Hz: {MAX_SAMPLES} frames, less {SILENCE_S:.0} s for the silence round the signal",
    seconds.ceil(), longest_signal_s(*rate_hz).floor()
)]
#[non_exhaustive]
pub struct TooLong {
    /// How long the signal lasts with all its repeats, s.
    pub seconds: f64,
    /// Its sample rate, Hz.
    pub rate_hz: u32,
}

impl TooLong {
    /// Looks at a signal of so many seconds before it is made and played.
    ///
    /// # Errors
    /// A [`TooLong`] where no recording of it could be read.
    pub fn check(seconds: f64, rate_hz: u32) -> Result<(), Self> {
        if seconds <= longest_signal_s(rate_hz) { Ok(()) } else { Err(Self { seconds, rate_hz }) }
    }
}

/// What a recording holds before and after the signal at most, s: whoever starts the recorder walks out of the room and
/// comes back, and the room rings on. Our own choice.
const SILENCE_S: f64 = 60.0;

/// The longest signal whose recording can be read at this rate, s.
#[must_use]
pub fn longest_signal_s(rate_hz: u32) -> f64 {
    MAX_SAMPLES as f64 / f64::from(rate_hz) - SILENCE_S
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2²⁶ frames are 1398.1 s at 48 kHz and 8388.6 s at 8 kHz.
    #[test]
    fn the_longest_signal_leaves_a_minute_of_silence() {
        assert!((longest_signal_s(48_000) - 1_338.1).abs() < 0.1 && TooLong::check(1_338.0, 48_000).is_ok());
        let error = TooLong::check(1_338.2, 48_000).unwrap_err().to_string();
        assert!(error.contains("lasts 1339 s") && error.contains("up to 1338 s at 48000 Hz"), "{error}");
        assert!(TooLong::check(8_328.0, 8_000).is_ok() && TooLong::check(f64::NAN, 8_000).is_err());
    }
}
