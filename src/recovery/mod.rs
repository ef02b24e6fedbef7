//! Recordings of a test signal become impulse responses: by spectral division for a sweep
//! ([`deconvolve`]), by averaged cross spectra for noise with a reference channel ([`two_channel`]).

mod deconvolution;
mod two_channel;

pub use deconvolution::{Deconvolution, Recovered, deconvolve};
pub use two_channel::{NoiseResponse, TwoChannel, two_channel};

/// Why no response comes out of a recording.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RecoveryError {
    /// The reference holds no signal.
    #[error("the reference is silent\n  do       name the file or channel that holds the test signal")]
    SilentReference,
    /// The recording ends before the signal does.
    #[error(
        "the recording is {recording_s:.2} s long, the signal in the reference ends at {signal_s:.2} s\n  \
         allowed  a recording that outlasts the signal by the decay\n  do       record again and stop later"
    )]
    TooShort {
        /// Length of the recording, s.
        recording_s: f64,
        /// End of the signal in the reference, s.
        signal_s: f64,
    },
    /// A recording of noise holds fewer than two segments.
    #[error(
        "{found} segments of {segment_s:.2} s fit into the recording\n  allowed  2 or more\n  \
         do       record longer, or ask for shorter segments"
    )]
    TooFewSegments {
        /// Segments that fit.
        found: usize,
        /// Length of one, s.
        segment_s: f64,
    },
}

/// The next length that a Fourier transform does quickly: a power of two.
fn quick_length(samples: usize) -> usize {
    samples.next_power_of_two()
}
