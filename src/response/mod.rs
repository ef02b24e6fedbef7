//! Recordings of one position and source become a [`Response`]: onset, time base, floors, takes
//! aligned and averaged; and the [`LowEnd`] that the mode fit works on.

/// The low end of one response, resampled to about 2 kHz without touching what lies below 300 Hz.
///
/// Linear-phase (zero-delay) low-pass, flat within 1e-5 up to 300 Hz and more than 100 dB down
/// where it would fold back under 300 Hz; so a damped resonance keeps its pole, amplitude and phase.
/// Single precision keeps 150 dB under the peak and halves the memory.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LowEnd {
    /// Linear pressure, in the file's full scale.
    pub samples: Vec<f32>,
    /// Sample rate in hertz (the file's over a whole number).
    pub rate_hz: f64,
    /// Sample rate of the file: levels refer to it (a unit sample reads 0 dB at any rate).
    pub file_rate_hz: f64,
    /// Time of the direct sound, in seconds from sample 0.
    pub onset_s: f64,
    /// Time of the emission, in seconds from sample 0, where the positions share one; amplitudes refer to it.
    pub emission_s: Option<f64>,
}
