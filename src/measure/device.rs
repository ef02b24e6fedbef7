//! What a sound device does for a measurement, and what it may say instead.

use super::{Guard, Stop};

/// Plays on one output channel and records all inputs.
pub trait SoundDevice {
    /// Sample rate, Hz.
    fn rate_hz(&self) -> u32;

    /// Plays a signal, full scale 1, and records from before its start until all of it was heard or the guard stops it.
    /// What was recorded until then comes back either way.
    ///
    /// # Errors
    /// [`DeviceError`] where nothing could be played or recorded.
    fn play_and_record(&mut self, signal: &[f64], guard: &mut Guard<'_>) -> Result<Heard, DeviceError>;
}

/// What came in while a signal was played.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Heard {
    /// Samples of each input channel, full scale 1, all of one length.
    pub channels: Vec<Vec<f64>>,
    /// Frames recorded when the first sample of the signal was handed over.
    pub began: usize,
    /// What the sound system said it lost, one sentence each.
    pub lost: Vec<String>,
    /// Why it was stopped before the end.
    pub stopped: Option<Stop>,
}

/// A sound device can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{device}: {found}\n  allowed  {allowed}\n  do       {advice}")]
#[non_exhaustive]
pub struct DeviceError {
    /// Which device.
    pub device: String,
    /// What was found.
    pub found: String,
    /// What is possible.
    pub allowed: String,
    /// What to do.
    pub advice: String,
}

impl DeviceError {
    /// From its four parts.
    #[must_use]
    pub fn new(device: &str, found: &str, allowed: &str, advice: &str) -> Self {
        let [device, found, allowed, advice] = [device, found, allowed, advice].map(str::to_owned);
        Self { device, found, allowed, advice }
    }
}
