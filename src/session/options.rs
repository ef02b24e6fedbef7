//! What the user says about how paths are to be read.

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
}

impl OpenOptions {
    /// The same with a pattern of names.
    #[must_use]
    pub fn with_names(self, pattern: &str) -> Self {
        Self { names: Some(pattern.to_owned()), ..self }
    }

    /// The same with every file a state of its own, or not.
    #[must_use]
    pub fn with_each(self, each: bool) -> Self {
        Self { each, ..self }
    }

    /// The same with a channel, counted from 1.
    #[must_use]
    pub fn with_channel(self, channel: usize) -> Self {
        Self { channel: Some(channel), ..self }
    }
}
