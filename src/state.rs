//! The results of one state of the room.

use crate::criterion::Curve;
use crate::decay::{self, BandDecay};
use crate::estimate::Reading;
use crate::flag::Flag;
use crate::modes::{Kind, LN_1000, ModeSet};
use crate::procedure::Check;
use crate::response::{Place, Response};
use crate::room::Assignment;

/// One position with one source.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PlaceResult {
    /// The response, without its samples.
    pub response: Response,
    /// Its bands, in rising frequency.
    pub bands: Vec<BandDecay>,
}

/// One state: its places, and the modes that they share.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct StateResult {
    /// Name of the state.
    pub name: String,
    /// Why a listed state has no files.
    pub missing: Option<String>,
    /// Places in the session's order; those that could not be read are not here.
    pub places: Vec<PlaceResult>,
    /// Modes; `None` where none were asked for.
    pub resonances: Option<Resonances>,
    /// The measurement compared with its standards.
    pub checks: Vec<Check>,
}

/// The modes of a state and what is made of them.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Resonances {
    /// Poles, amplitudes, covariance.
    pub set: ModeSet,
    /// T20 behind a narrow filter, one entry a mode.
    pub filter_t20_s: Vec<Reading>,
    /// Why that contradicts the fit, one entry a mode; `None` where it doesn't.
    pub filter_doubts: Vec<Option<Flag>>,
    /// Names by the room as stated (box or plan), one entry a mode.
    pub names: Assignment,
    /// Which to treat first, one entry a mode.
    pub priorities: Vec<Option<u32>>,
}

impl StateResult {
    /// A state of which nothing is known yet.
    #[must_use]
    pub fn new(name: &str, missing: Option<String>) -> Self {
        Self { name: name.to_owned(), missing, places: Vec::new(), resonances: None, checks: Vec::new() }
    }

    /// Whether it was measured at a place.
    #[must_use]
    pub fn has(&self, place: &Place) -> bool {
        self.places.iter().any(|own| own.response.place == *place)
    }

    /// Average of the bands over the places that `counts`, those that sound like another one left out; empty for fewer than two.
    #[must_use]
    pub fn average(&self, counts: impl Fn(&Place) -> bool) -> Vec<BandDecay> {
        let counted =
            |p: &&PlaceResult| !p.response.flags.has(Flag::SoundsAlike) && counts(&p.response.place);
        let chosen: Vec<&[BandDecay]> =
            self.places.iter().filter(counted).map(|p| p.bands.as_slice()).collect();
        if chosen.len() < 2 { Vec::new() } else { decay::average(&chosen) }
    }

    /// Median T60 of the modes that the program stands behind, s.
    #[must_use]
    pub fn middle_t60_s(&self) -> Option<f64> {
        let modes = &self.resonances.as_ref()?.set.modes;
        let claimed = modes.iter().filter(|mode| mode.kind == Kind::Mode);
        let mut times: Vec<f64> = claimed.map(|mode| LN_1000 / mode.decay_per_s).collect();
        times.sort_by(f64::total_cmp);
        times.get(times.len() / 2).copied()
    }

    /// What the user should know of its responses, in sentences that name files.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let of_state = |place: &Place, text: &String| match text.strip_prefix(&format!("{place}: ")) {
            // A file's path tells its state, a place's name doesn't.
            Some(rest) => format!("{place} in {}: {rest}", self.name),
            None => text.clone(),
        };
        let of_place = |p: &PlaceResult| -> Vec<String> {
            p.response.warnings.iter().map(|text| of_state(&p.response.place, text)).collect()
        };
        self.places.iter().flat_map(of_place).collect()
    }
}

impl Resonances {
    /// Audibility thresholds of a mode: with artificial stimuli and with music, s.
    pub fn thresholds_s(frequency_hz: f64) -> [Result<f64, Flag>; 2] {
        [Curve::Absolute.t60_s(frequency_hz), Curve::Music.t60_s(frequency_hz)]
    }
}
