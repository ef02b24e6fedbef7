//! Recordings of a test signal become impulse responses: by spectral division for a sweep
//! ([`deconvolve`]), by averaged cross spectra for noise with a reference channel ([`two_channel`]).
//!
//! What is wrong with a take comes with it ([`Trouble`]), or instead of it ([`RecoveryError`]).
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use stillroom::excitation::Sweep;
//! use stillroom::recovery::{Deconvolution, deconvolve};
//!
//! let sweep = Sweep { from_hz: 20.0, to_hz: 3_000.0, seconds: 2.0, rate_hz: 8_000.0, tail_s: 1.0, ..Default::default() };
//! let signal = sweep.samples()?;
//! let late = |n: usize| if n < 80 { 0.0 } else { 0.5 * signal[n - 80] }; // 10 ms later, half as loud
//! let microphone: Vec<f64> = (0..signal.len()).map(late).collect();
//! let found = deconvolve(&microphone, &signal, 8_000.0, &Deconvolution::default())?;
//! assert!((found.arrival_s - 0.11).abs() < 1e-3, "0.1 s are kept before the emission");
//! # Ok(()) }
//! ```

mod arrival;
mod background;
mod broken;
mod clock;
mod correction;
mod deconvolution;
mod disturbed;
mod dropout;
mod evidence;
mod gain;
mod interrupted;
mod periodic;
mod played;
mod record;
mod recordable;
mod recovered;
mod reference;
mod second;
mod several;
mod sweeps;
mod transform;
mod trouble;
mod two_channel;
mod words;

pub use background::{Background, CalibratorError, calibrator_rms};
pub use clock::{ClockError, clock_from_reference, clock_from_repeats, on_the_players_clock};
pub use correction::{Correction, CorrectionError, corrected};
pub use deconvolution::deconvolve;
pub(crate) use dropout::and_more;
pub use interrupted::as_recorded;
pub use periodic::periodic;
pub use played::PlayedSignal;
pub use record::{record_of_noise, record_of_sweep};
pub use recordable::{TooLong, longest_signal_s};
pub use recovered::{
    BEFORE_S, Deconvolution, Harmonic, Line, OctavePeak, PeriodicResponse, Recovered, Trouble,
};
pub use second::{Agreement, Held, Linearity, Run, SeedDifference, linearity, seed_difference};
pub use several::{averaged, first_signal, parts_by_arrival, parts_by_reference};
pub use sweeps::{Parts, SweepRecording, responses_of_sweeps};
pub use trouble::rounded;
pub use two_channel::{NoiseResponse, two_channel};

/// Why no response comes out of a recording.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RecoveryError {
    /// The reference holds no signal.
    #[error("the reference is silent\n  do       name the file or channel that holds the test signal")]
    SilentReference,
    /// The microphone's channel holds nothing.
    #[error(
        "the microphone's channel is silent\n  do       check the cable, the phantom power and which channel was recorded"
    )]
    SilentRecording,
    /// No band shows a response.
    #[error(
        "nothing of the signal is found in the recording\n  allowed  a peak 18 dB over the noise in several bands\n  \
         do       check that the loudspeaker played, which channel is the microphone, and the level"
    )]
    NoResponse,
    /// The bands show responses at different times: another signal was played.
    #[error(
        "the recorded signal is not the one in the reference: {bands} bands arrive up to {apart_s:.1} s apart\n  \
         allowed  the signal that was played, unchanged\n  do       name the right file (--signal), or record the signal on a second channel (--reference)"
    )]
    OtherSignal {
        /// Largest difference of arrival, s.
        apart_s: f64,
        /// Bands that show a peak.
        bands: usize,
    },
    /// The signal as written is a recording of it.
    #[error(
        "the file given as the signal (--signal) is a recording in a room, not the signal: its level bends by {step_db:.1} dB \
         and more from a tenth of a second to the next\n  allowed  the file that was played; its level stays\n  \
         do       name that file, or the channel that holds the signal (--reference)"
    )]
    RecordedSignal {
        /// Step of its level that a quarter of the steps exceed, dB.
        step_db: f64,
    },
    /// The reference plays the signal more than once.
    #[error(
        "the reference holds {found} signals\n  allowed  one signal a division\n  do       split the recording at its pauses"
    )]
    SeveralSignals {
        /// How many.
        found: usize,
    },
    /// The recording is clipped so much that nothing comes of it.
    #[error(
        "the recording is {clipped}\n  allowed  peaks below full scale\n  do       turn the gain down and repeat"
    )]
    Clipped {
        /// What was found.
        clipped: String,
    },
    /// The recording ends before the signal does.
    #[error(
        "the recording is {recording_s:.2} s long, the signal ends at {signal_s:.2} s\n  \
         allowed  a recording that outlasts the signal by the decay\n  do       record again and stop later"
    )]
    TooShort {
        /// Length of the recording, s.
        recording_s: f64,
        /// End of the signal in the recording, s.
        signal_s: f64,
    },
    /// The recording with another seed has another period, or none.
    #[error(
        "the second recording's noise has another period, or too few of them to compare\n  allowed  the same period, \
         three or more of them, another seed\n  do       write both with excite --noise, with --seed 1 and --seed 2"
    )]
    OtherPeriod,
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
