//! What the user says about how paths are to be read.

use super::Channels;

/// Options of [`open`](super::open()) and [`open_each`](super::open_each).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[non_exhaustive]
pub struct OpenOptions {
    /// Pattern of the names (see [`Pattern`](super::Pattern)); goes before the manifest's.
    pub names: Option<String>,
    /// Every file is a state of its own.
    pub each: bool,
    /// The microphone's channel, from 1; goes before the manifest's.
    pub channel: Option<usize>,
    /// Channels with the position of each; go before the manifest's.
    pub channels: Vec<(usize, String)>,
    /// Sample rate of files that state none, hertz; goes before the manifest's.
    pub rate_hz: Option<u32>,
    /// A `session.toml` alone is a session too: a room before its first take.
    pub without_audio: bool,
}

impl OpenOptions {
    /// The options with a pattern of names.
    #[must_use]
    pub fn with_names(self, pattern: &str) -> Self {
        Self { names: Some(pattern.to_owned()), ..self }
    }

    /// The options with every file a state of its own, or not.
    #[must_use]
    pub fn with_each(self, each: bool) -> Self {
        Self { each, ..self }
    }

    /// The options with a channel, counted from 1.
    #[must_use]
    pub fn with_channel(self, channel: usize) -> Self {
        Self { channel: Some(channel), ..self }
    }

    /// The options with what the user says of the channels.
    #[must_use]
    pub fn with_channels(self, channels: &Channels) -> Self {
        match channels {
            Channels::One(channel) => self.with_channel(*channel),
            Channels::Named(named) => Self { channels: named.clone(), ..self },
        }
    }

    /// The options of a reading where a `session.toml` alone is a session too.
    #[must_use]
    pub fn with_or_without_audio(self) -> Self {
        Self { without_audio: true, ..self }
    }

    /// The options with a sample rate for files that state none, hertz.
    #[must_use]
    pub fn with_rate_hz(self, rate_hz: u32) -> Self {
        Self { rate_hz: Some(rate_hz), ..self }
    }
}
