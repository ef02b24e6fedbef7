//! Why no response comes out of the recordings of a position and source.

use std::fmt;

/// What is wrong with one recording, or with all recordings of one place.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum ResponseError {
    /// There is no recording to use.
    NoTakes {
        /// Position and source, for the message.
        place: String,
    },
    /// Every usable sample is zero, or the same.
    Silent {
        /// Path within the session.
        file: String,
        /// Samples looked at.
        samples: usize,
        /// The value that all of them have.
        value: f64,
    },
    /// Too few samples before the record ends, is faded out or goes silent.
    TooShort {
        /// Path within the session.
        file: String,
        /// Usable samples.
        samples: usize,
        /// How many are needed at this rate.
        needed: usize,
    },
    /// A sample rate that is not a number above zero.
    Rate {
        /// Path within the session.
        file: String,
        /// The rate found, in hertz.
        rate_hz: f64,
    },
    /// A sample that is not a finite number.
    NotFinite {
        /// Path within the session.
        file: String,
        /// Its index from 0.
        sample: usize,
    },
    /// Nothing stands out of the noise, so nothing says when the response begins.
    NoDirectSound {
        /// Path within the session.
        file: String,
    },
}

impl ResponseError {
    /// What was found.
    #[must_use]
    pub fn found(&self) -> String {
        match self {
            Self::NoTakes { .. } => "no recording that may be used".into(),
            Self::Silent { samples, value, .. } => format!("{samples} samples, all of them {value}"),
            Self::TooShort { samples, .. } => format!("{samples} usable samples"),
            Self::Rate { rate_hz, .. } => format!("a sample rate of {rate_hz} Hz"),
            Self::NotFinite { sample, .. } => format!("sample {sample} is not a finite number"),
            Self::NoDirectSound { .. } => "no sound that stands 20 dB over its noise in any band".into(),
        }
    }

    /// What would have been accepted.
    #[must_use]
    pub fn allowed(&self) -> String {
        match self {
            Self::NoTakes { .. } => "one recording or more".into(),
            Self::Silent { .. } => "a response: samples that differ".into(),
            Self::TooShort { needed, .. } => format!("at least {needed} (50 ms)"),
            Self::Rate { .. } => "a finite number above zero".into(),
            Self::NotFinite { .. } => "finite samples".into(),
            Self::NoDirectSound { .. } => "an impulse response with a visible beginning".into(),
        }
    }

    /// What the user can do.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::NoTakes { .. } => "record this place again, or take `use = false` off one of its takes",
            Self::Silent { .. } => "check which channel was recorded, and export it again",
            Self::TooShort { .. } => "export the whole response, without cutting or fading it",
            Self::Rate { .. } | Self::NotFinite { .. } => "export the file again",
            Self::NoDirectSound { .. } => {
                "check that the file is a response and no sweep or noise recording, then measure louder or longer"
            }
        }
    }
}

impl fmt::Display for ResponseError {
    /// What and where, then found, allowed and what to do, a line each.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoTakes { place } => write!(f, "{place}: nothing to make a response from")?,
            Self::Silent { file, .. } => write!(f, "{file}: silent")?,
            Self::TooShort { file, .. } => write!(f, "{file}: too short for a response")?,
            Self::Rate { file, .. } => write!(f, "{file}: unusable sample rate")?,
            Self::NotFinite { file, .. } => write!(f, "{file}: a sample is not a number")?,
            Self::NoDirectSound { file } => write!(f, "{file}: no direct sound")?,
        }
        write!(
            f,
            "\n  found    {}\n  allowed  {}\n  do       {}",
            self.found(),
            self.allowed(),
            self.advice()
        )
    }
}

impl std::error::Error for ResponseError {}
