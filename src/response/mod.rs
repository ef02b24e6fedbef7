//! Recordings of one position and source become a [`Response`]: takes aligned, checked against each
//! other and averaged, onset, floors; across the positions of a state the common time base; and the
//! low-frequency record, [`LowRecord`], that the mode fit works on.
//!
//! 1. [`combine`] makes one [`Response`] of the takes of a place, or says why it can't.
//! 2. [`settle_time_base`] gives the responses of a state their emission, one instant for all.
//! 3. [`ChainFacts`] let two states be compared, position by position.
//!
//! Times, all in seconds from sample 0:
//!
//! | word | instant | used for |
//! | --- | --- | --- |
//! | *emission* (`emission_s`) | the signal leaves the loudspeaker; one for all positions | amplitudes, phases, shapes |
//! | *onset* ([`Onset::start_s`]) | the direct sound rises out of the noise | t = 0 of decays; the mode fit begins here |
//! | *arrival* ([`Onset::arrival_s`]) | peak of its envelope | distances |
//! | *origin* ([`Response::origin_s`]) | the emission, else the onset | what amplitudes refer to |
//!
//! Where distances show that another arrival is the direct sound, the onset is set to that arrival.
//!
//! ```
//! // 0.1 s of faint noise, then a sound that decays: its beginning is found to a tenth of a millisecond.
//! let sample = |k: i32| {
//!     let hiss = f64::from((k * 7919) % 1009 - 504) * 1e-7;
//!     if k < 4_800 { hiss } else { hiss + (-f64::from(k - 4_800) / 2_400.0).exp() * f64::from(k * 31 % 17 - 8) }
//! };
//! let samples: Vec<f64> = (0..24_000).map(sample).collect();
//! let onset = stillroom::response::find_onset(&samples, 48_000.0);
//! assert!(onset.is_some_and(|onset| (onset.start_s - 0.1).abs() < 1e-4));
//! ```

mod agree;
mod align;
pub mod chain;
mod combine;
mod envelope;
mod error;
pub mod floor;
mod low_record;
pub mod onset;
#[cfg(test)]
mod sample;
mod take;
mod time_base;

pub use chain::{BandEnergy, ChainFacts, chain_facts};
pub use combine::combine;
pub use error::ResponseError;
pub use floor::Floor;
pub use onset::{Onset, find_onset, find_onset_from};
pub use take::{CaptureFacts, LeftOut, Place, TakeInput, TakeUse};
pub use time_base::settle_time_base;

use crate::flag::Flags;

/// What one position and source of one state sounds like.
///
/// Times are seconds from sample 0 of [`Response::samples`], which is sample 0 of the file (with
/// several takes, of the one whose start lies in the middle).
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Response {
    /// Position and source.
    pub place: Place,
    /// Mean of the takes, linear, full scale 1, up to the end of what is usable; empty once shed.
    pub samples: Vec<f64>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Length of `samples` before they were shed.
    pub length: usize,
    /// The direct sound.
    pub onset: Onset,
    /// What its capture said, of the first take used; `None` for responses that came without.
    pub known: Option<CaptureFacts>,
    /// When the signal was emitted; `None` without a time base. [`settle_time_base`] fills it.
    pub emission_s: Option<f64>,
    /// Noise before and after, broadband.
    pub floor: Floor,
    /// Direct sound and high bands, for the comparison of two states.
    pub chain: ChainFacts,
    /// Low-frequency record of the mean.
    pub low: LowRecord,
    /// Every take with what became of it, in the order given.
    pub takes: Vec<TakeUse>,
    /// How many times the peak-to-noise (a ratio of powers) of the median take the mean has, measured;
    /// `None` for a single take or above digital silence.
    pub averaging_gain: Option<f64>,
    /// How much later the direct sound arrives than its distance says, s, where that is too much (`arrival-off`).
    pub arrival_off_s: Option<f64>,
    /// Remarks.
    pub flags: Flags,
    /// What the user should know, in sentences that name the files.
    pub warnings: Vec<String>,
}

impl Response {
    /// Start of the direct sound, seconds from sample 0.
    #[must_use]
    pub fn onset_s(&self) -> f64 {
        self.onset.start_s
    }

    /// The instant that amplitudes and levels refer to: the emission, or the onset where none is known.
    #[must_use]
    pub fn origin_s(&self) -> f64 {
        self.emission_s.unwrap_or(self.onset.start_s)
    }

    /// Files that went into the mean, in the order given.
    pub fn files(&self) -> impl Iterator<Item = &str> {
        self.takes.iter().filter(|t| t.left_out.is_none()).map(|t| t.file.as_str())
    }

    /// Drops the full-rate samples; everything else stays.
    pub fn shed_samples(&mut self) {
        self.samples = Vec::new();
    }

    /// Drops the low-frequency records too, for a run that looks for no modes.
    pub fn shed_low_records(&mut self) {
        self.low.samples = Vec::new();
        self.takes.iter_mut().for_each(|take| take.low = None);
    }

    /// Takes over the direct sound and emission that were settled for the same place before its samples
    /// were shed, and measures anew what hangs on them.
    pub fn take_times_of(&mut self, settled: &Response) {
        self.move_onset(settled.onset.arrival_s);
        self.set_emission(settled.emission_s);
        self.flags.extend(&settled.flags);
        self.warnings = settled.warnings.clone();
    }

    /// Moves the onset, and what hangs on it, to another time.
    fn move_onset(&mut self, arrival_s: f64) {
        self.onset.start_s = arrival_s;
        self.onset.arrival_s = arrival_s;
        self.low.onset_s = arrival_s;
        for take in &mut self.takes {
            if let Some(low) = &mut take.low {
                low.onset_s = arrival_s;
            }
        }
        if !self.samples.is_empty() {
            self.floor = floor::floor(&self.samples, self.rate_hz, 0, arrival_s);
            self.chain = chain_facts(&self.samples, self.rate_hz, arrival_s);
        }
    }

    /// Sets the emission, and what hangs on it.
    fn set_emission(&mut self, emission_s: Option<f64>) {
        self.emission_s = emission_s;
        self.low.emission_s = emission_s;
        for take in &mut self.takes {
            if let Some(low) = &mut take.low {
                low.emission_s = emission_s;
            }
        }
    }
}

/// The low-frequency record of one response: decimated to about 2 kHz without touching what lies below 300 Hz.
///
/// Zero-phase low-pass, flat within 1e-6 up to 300 Hz and more than 120 dB down where it would fold back under
/// 300 Hz; so a damped resonance keeps its pole, amplitude and phase.
/// Single precision keeps 150 dB under the peak and halves the memory.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LowRecord {
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
