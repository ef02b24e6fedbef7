//! An audio file becomes a [`Recording`]: one channel as numbers, and where they came from.

/// One channel of an audio file. Samples are finite, there is at least one, the rate is above zero.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Recording {
    /// Samples of the chosen channel; full scale is 1.
    pub samples: Vec<f64>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Where the samples came from and what was mended on the way.
    pub provenance: Provenance,
}

/// What is known of a file, for the results and for the reader who checks them.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[non_exhaustive]
pub struct Provenance {
    /// SHA-256 of the whole file, lower-case hexadecimal.
    pub sha256: String,
    /// Container and coding, e.g. `WAV 24-bit integer`.
    pub format: String,
    /// Sample rate in hertz.
    pub rate_hz: u32,
    /// Bits per sample that carry signal.
    pub bit_depth: u32,
    /// Channels in the file.
    pub channels: u32,
    /// Frames read.
    pub frames: u64,
    /// What was mended while reading, in sentences.
    pub repairs: Vec<String>,
}
