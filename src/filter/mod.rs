//! Band filters of class 1: mid-bands, Butterworth cascades, and the bank that runs them backwards in time.
//!
//! A band filter rings after its input; run from the end of a response to its start, the ringing falls
//! *before* each arrival and a decay keeps its slope down to B·T = 4 instead of 16
//! (Jacobsen & Rindel, J. Sound Vib. 117 (1987) 187; ISO 3382-2:2008, 7.3).
//!
//! - [`band`]: exact base-ten mid-bands of IEC 61260-1:2014, octave and one-third octave.
//! - [`butterworth`]: the design, order 4, as second-order sections for the `biquad` crate.
//! - [`lanes`]: four bands in lockstep, a value per band in one `biquad` struct.
//! - [`half_band`]: halving the rate for the lower bands, without delay.
//! - [`bank`]: the plan for a sample rate and the run.
//!
//! ```
//! use stillroom::filter::Fraction;
//!
//! let bands = Fraction::Octave.bands();
//! assert_eq!(bands.len(), 10, "octaves from 31.5 Hz to 16 kHz");
//! assert!((Fraction::Third.band(-10).centre_hz - 100.0).abs() < 1e-9, "ten thirds under 1 kHz");
//! ```

pub mod band;
pub mod bank;
pub mod butterworth;
pub mod half_band;
pub mod lanes;
#[cfg(test)]
mod tests;

pub use band::{Band, Fraction, nominal_hz, octave_name};
pub use bank::{Backward, Bank, Channel, LIMITS, Ringing, fade_s};
pub use butterworth::Cascade;
