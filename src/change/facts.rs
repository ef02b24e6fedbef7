//! What the comparison needs to know of one state: plain borrowed values that a state's result fills.

use super::outcome::Ratio;
use crate::decay::Course;
use crate::estimate::Reading;
use crate::flag::Flag;
use crate::modes::{Mode, ModeSet};
use crate::response::{BandEnergy, LowRecord};
use crate::session::Role;

/// One state of the room, as the comparison sees it.
#[derive(Debug, Clone)]
pub struct StateFacts<'a> {
    /// Its resonances.
    pub modes: &'a ModeSet,
    /// Facts of each place, in the order of [`ModeSet::places`].
    pub places: Vec<PlaceFacts<'a>>,
    /// The baseline's rate and this state's, in hertz, where both states' spectra agree only if the latter is a wrong
    /// label of the former (or the other way round).
    pub relabelled: Option<(f64, f64)>,
    /// Resonances of the baseline, by their index, at which this state's units are said to work (their labels).
    pub at_units: Vec<usize>,
    /// Its bands, averages over positions included (position `*` or `listening`).
    pub bands: Vec<BandFacts<'a>>,
    /// The resonances of single takes, where a place was measured more than once; empty otherwise.
    pub repeats: Vec<&'a ModeSet>,
}

/// One position and source of one state.
#[derive(Debug, Clone)]
pub struct PlaceFacts<'a> {
    /// Name of the position.
    pub position: &'a str,
    /// Name of the source; empty for the only or first one.
    pub source: &'a str,
    /// What the position is for.
    pub role: Role,
    /// Where microphone and loudspeaker stand, metres, where the user says.
    pub at_m: [Option<[f64; 3]>; 2],
    /// The low-frequency record that the resonances were fitted to; without it no test of the chain bin by bin.
    pub low: Option<&'a LowRecord>,
    /// Sample rate of the file in hertz: residues are compared as this times the amplitude.
    pub file_rate_hz: f64,
    /// Arrival: peak of the direct sound's envelope, seconds from sample 0.
    pub arrival_s: f64,
    /// How far that may be off where only a low band shows it, s; else 0.
    pub arrival_within_s: f64,
    /// Origin, the time that amplitudes refer to, seconds from sample 0: the emission, else the onset.
    pub origin_s: f64,
    /// Whether that instant is the emission, which all places share.
    pub emission_known: bool,
    /// Direct sound in bands above the modes.
    pub direct: Vec<BandEnergy>,
    /// The response's first quarter of a second in the same bands.
    pub whole: Vec<BandEnergy>,
    /// Whether it can't be told from another place of its state, as if both were takes of one: no evidence of its own.
    pub sounds_alike: bool,
    /// Whether the file looks scaled to a peak of its own.
    pub normalised: bool,
    /// A fault for which neither level nor shape is read here (an overload, a copy, a place left out of the fit).
    pub fault: Option<Flag>,
}

impl PlaceFacts<'_> {
    /// Whether its file holds the samples of another one, so that one of the two is not what its name says.
    pub(super) fn is_copy(&self) -> bool {
        self.fault == Some(Flag::IdenticalFiles)
    }
}

/// For tests: a place whose sound arrives after 10 ms at a known instant, nothing else known.
#[cfg(test)]
impl PlaceFacts<'_> {
    pub(super) fn plain() -> Self {
        Self {
            position: "p",
            source: "",
            role: Role::Listening,
            at_m: [None; 2],
            low: None,
            file_rate_hz: 48_000.0,
            arrival_s: 0.01,
            arrival_within_s: 0.0,
            origin_s: 0.0,
            emission_known: true,
            direct: Vec::new(),
            whole: Vec::new(),
            sounds_alike: false,
            normalised: false,
            fault: None,
        }
    }
}

/// A mode that a tuned unit stands at, as one fit of both states' records to mode and unit gives it.
#[derive(Debug, Clone)]
pub struct JointlyFittedMode {
    /// Its index in the before state's list of resonances.
    pub mode: usize,
    /// Its two poles after, the slower first; amplitudes at the after state's places.
    pub poles: [Mode; 2],
    /// Distance of the two by their joint covariance, sd.
    pub apart_sd: f64,
    /// Coupling of mode and unit, 1/s.
    pub coupling_per_s: f64,
    /// T60 of the slower pole over that of the mode without the unit.
    pub t60_ratio: Ratio,
    /// Time until the free decay is 60 dB down for good, without the unit and with it, seconds.
    pub ring_s: (f64, f64),
    /// The one with the unit over the other.
    pub ring_ratio: Ratio,
    /// Whether the session says that a unit stands in the room after, and two poles of this mode show one.
    pub unit_shows: bool,
}

/// One band of one position, or of an average over positions.
#[derive(Debug, Clone, PartialEq)]
pub struct BandFacts<'a> {
    /// Name of the position, `*` or `listening`.
    pub position: &'a str,
    /// Name of the source; empty for averages.
    pub source: &'a str,
    /// Exact mid-band frequency, hertz.
    pub band_hz: f64,
    /// Reverberation time T20, seconds.
    pub t20_s: Reading,
    /// Level of the band, fs·Σp²/B: a ratio of energies to a unit sample, or why there is none.
    pub level: Result<f64, Flag>,
    /// The decay itself at a single place, where T20 stands.
    pub course: Option<&'a Course>,
}

/// What is known besides the facts of the two states.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct ChangeSettings {
    /// The user's word that filter, gain, loudspeaker and microphone stayed the same. Leaned on only
    /// where the data can't tell.
    pub same_chain: Option<bool>,
    /// Range of the mode fit, hertz; default 15 to 200. Beside its ends nothing is called gone or new.
    pub range_hz: (f64, f64),
}

impl Default for ChangeSettings {
    fn default() -> Self {
        Self { same_chain: None, range_hz: (15.0, 200.0) }
    }
}
