//! Which measured mode is which mode of the rigid room: rectangular, or with upright walls on a plan.
//!
//! Measured and predicted modes are paired all at once, one to one, by how near their frequencies
//! are *and* how alike their shapes over the measured places; what fits nothing stays unassigned.
//! The room's effective lengths are fitted along, as far as a tape measure and a wall's give allow.
//! Where files share no instant there are no shapes: then a name is given only if it is the only
//! one that the frequency allows, and flagged.

mod evidence;
mod lengths;
mod likeness;
mod matching;
mod seen;

pub use lengths::RoomFit;
pub use likeness::{Likeness, likeness};

use super::{AirMode, Enclosure};
use crate::flag::{Flag, Flags};
use crate::modes::{Kind, Mode, ModeSet};
use lengths::FREQUENCY_SPREAD;
use std::f64::consts::PI;

/// Where one amplitude of a [`ModeSet`] was measured; in the order of [`ModeSet::places`].
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Place {
    /// Position name.
    pub position: String,
    /// Source name.
    pub source: String,
    /// Where the microphone was, metres; a place without one takes no part.
    pub at_m: Option<[f64; 3]>,
    /// Where the loudspeaker was, metres.
    pub source_at_m: Option<[f64; 3]>,
}

/// A shape counts only if a random one would be as alike less often than this, shared among the
/// predicted modes within reach of the frequency.
const CHANCE: f64 = 0.05;
/// Least modal assurance criterion.
const LEAST_MATCH: f64 = 0.5;

/// The measured modes with their names.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct Assignment {
    /// One entry a mode of the set, in its order.
    pub modes: Vec<ModeName>,
    /// Effective lengths; `None` where nothing was assigned.
    pub fit: Option<RoomFit>,
    /// The room whose modes the names are; `None` where it isn't known.
    pub air: Option<Enclosure>,
}

impl Assignment {
    /// No names for `modes` modes.
    #[must_use]
    pub fn unnamed(modes: usize) -> Self {
        Self { modes: vec![ModeName::default(); modes], fit: None, air: None }
    }

    /// The room with the lengths that its named modes show; a plan keeps its own, since places were measured on it.
    #[must_use]
    pub fn fitted(&self) -> Option<Enclosure> {
        let (air, fit) = (self.air.as_ref()?, self.fit.as_ref()?);
        let stretched = fit.dimensions_m.map(|lengths| lengths.map(|length| length.value));
        let own = |lengths| Enclosure::rectangular(lengths, air.temperature_c, 1.05 * air.up_to_hz);
        stretched.map_or_else(|| Some(air.clone()), |lengths| own(lengths).ok())
    }

    /// The room's mode that mode `m` of the set was taken for.
    #[must_use]
    pub fn of(&self, m: usize) -> Option<&AirMode> {
        self.air.as_ref()?.modes.get(self.modes.get(m)?.listed?)
    }
}

/// What is known of one mode's name.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct ModeName {
    /// The predicted mode, by its place in [`Assignment::air`]; `None` where none fits.
    pub listed: Option<usize>,
    /// Its half waves along length, width and height, of a rectangular room.
    pub axes: Option<[u32; 3]>,
    /// Its frequency from the lengths as stated, hertz.
    pub predicted_hz: Option<f64>,
    /// Modal assurance criterion against its shape, 0…1; `None` without a common instant or with
    /// too few places.
    pub shape_match: Option<f64>,
    /// What speaks for it, or against the next best, in one sentence.
    pub evidence: Option<String>,
    /// Remarks.
    pub flags: Flags,
}

/// How far the list of predicted modes reaches beyond the highest measured one.
const BEYOND: f64 = 1.06;

/// Up to which frequency the room's modes have to be known to name those of a set, hertz; `None` of an empty one.
#[must_use]
pub fn reach_hz(set: &ModeSet) -> Option<f64> {
    set.modes.iter().map(undamped_hz).reduce(f64::max).map(|highest| BEYOND * highest)
}

/// Names the modes of a state.
///
/// `air`: the room as stated, its modes listed up to [`reach_hz`]; `None` (not known, or of no shape that has a list)
/// names none. `places`: one for each of [`ModeSet::places`]. `common_instant`: whether amplitudes of all
/// places refer to one instant, the emission.
#[must_use]
pub fn assign(air: Option<Enclosure>, set: &ModeSet, places: &[Place], common_instant: bool) -> Assignment {
    let Some(air) = air.filter(|_| !set.modes.is_empty()) else {
        return Assignment::unnamed(set.modes.len());
    };
    let task = Task { air: &air, set, places, common_instant };
    let (pairs, fit) = task.pair_and_fit();
    if !task.is_this_room(&pairs) {
        let withdrawn = |mode: &Mode| {
            let flags = nameable(mode).then_some(Flag::NotThisBox).into_iter().collect();
            ModeName { flags, ..ModeName::default() }
        };
        return Assignment { modes: set.modes.iter().map(withdrawn).collect(), fit: None, air: Some(air) };
    }
    let modes = (0..set.modes.len()).map(|m| task.name(m, &pairs, &fit)).collect();
    let fit = pairs.iter().any(Option::is_some).then_some(fit);
    Assignment { modes, fit, air: Some(air) }
}

/// Undamped natural frequency |s|/2π, which the prediction is about, hertz.
fn undamped_hz(mode: &Mode) -> f64 {
    mode.omega_per_s.hypot(mode.decay_per_s) / (2.0 * PI)
}

/// Hum and the measuring chain are no modes of the room, also where one would fit.
fn nameable(mode: &Mode) -> bool {
    matches!(mode.kind, Kind::Mode | Kind::Unsure)
}

/// Everything that the pairing looks at.
struct Task<'a> {
    air: &'a Enclosure,
    set: &'a ModeSet,
    places: &'a [Place],
    common_instant: bool,
}

/// For each measured mode, its place in the prediction.
type Pairs = Vec<Option<usize>>;

impl Task<'_> {
    /// Pairs with the stated lengths, fits the lengths to the pairs, and again until nothing changes.
    fn pair_and_fit(&self) -> (Pairs, RoomFit) {
        let mut fit = RoomFit::stated(self.air);
        let mut pairs = Pairs::new();
        // Two or three rounds are the rule; the limit only ends a dispute between two pairings.
        for _ in 0..8 {
            let costs = (0..self.set.modes.len()).map(|m| self.costs(m, &fit)).collect::<Vec<_>>();
            let next = matching::best(&costs);
            if next == pairs {
                break;
            }
            pairs = next;
            let known: Vec<lengths::Known> = pairs
                .iter()
                .enumerate()
                .filter_map(|(m, p)| p.map(|p| (undamped_hz(&self.set.modes[m]), self.air.parts_hz2(p))))
                .collect();
            fit = RoomFit::to(self.air, &known);
        }
        if !self.has_shapes() {
            self.keep_only_the_certain(&mut pairs, &fit);
        }
        (pairs, fit)
    }

    /// What pairing mode `m` with each predicted mode would cost; `None` where they can't be the same.
    fn costs(&self, m: usize, fit: &RoomFit) -> Vec<Option<f64>> {
        let mode = &self.set.modes[m];
        let near: Vec<Option<f64>> = (0..self.air.modes.len())
            .map(|p| {
                let z = self.nearness(mode, p, fit).filter(|z| nameable(mode) && *z < 3.0)?;
                self.driven(p).then_some(z)
            })
            .collect();
        // Many candidates are many chances for a random shape.
        let chance = CHANCE / near.iter().flatten().count().max(1) as f64;
        near.iter()
            .enumerate()
            .map(|(p, near)| {
                let near = (*near)?;
                let unlike = match self.likeness(mode, p) {
                    Some(l) if l.by_chance > chance || l.value < LEAST_MATCH => return None,
                    // A tenth is what absorbing walls and furniture take from a true shape.
                    Some(l) => (1.0 - l.value) / 0.1,
                    None => 0.0,
                };
                Some(0.5 * near * near + unlike)
            })
            .collect()
    }

    /// Distance in frequency, in standard deviations.
    fn nearness(&self, mode: &Mode, p: usize, fit: &RoomFit) -> Option<f64> {
        let (measured, predicted) = (undamped_hz(mode), fit.frequency_hz(&self.air.parts_hz2(p)));
        let sd = (mode.omega_sd_per_s / (2.0 * PI)).hypot(FREQUENCY_SPREAD * predicted);
        let z = (measured - predicted).abs() / sd;
        z.is_finite().then_some(z)
    }

    /// Whether some source can drive the mode; one whose place isn't known can.
    fn driven(&self, p: usize) -> bool {
        self.places.is_empty()
            || self
                .places
                .iter()
                .any(|place| place.source_at_m.is_none_or(|at| self.air.shape(p, at).abs() > 0.05))
    }

    /// Likeness of a measured mode with a predicted shape, where there is a common instant.
    fn likeness(&self, mode: &Mode, p: usize) -> Option<Likeness> {
        self.likeness_to(mode, |at| self.air.shape(p, at))
    }

    fn likeness_to(&self, mode: &Mode, shape: impl Fn([f64; 3]) -> f64) -> Option<Likeness> {
        if !self.common_instant || mode.flags.has(Flag::NoTimeBase) {
            return None;
        }
        likeness(mode, self.places, shape)
    }

    /// Whether a mode has a shape to be compared: against an even one.
    fn has_shape(&self, mode: &Mode) -> bool {
        self.likeness_to(mode, |_| 1.0).is_some()
    }

    fn has_shapes(&self) -> bool {
        self.set.modes.iter().any(|mode| self.has_shape(mode))
    }

    /// Whether at least half of the lowest claimed modes have a name: a room of another shape shares
    /// some modes with any other, and would get names that mean nothing. Judged where modes are far
    /// enough apart, up to the 15th predicted one, by four modes or more, and only with shapes.
    fn is_this_room(&self, pairs: &Pairs) -> bool {
        let limit_hz = self.air.modes.get(15).map_or(f64::INFINITY, |mode| mode.frequency_hz);
        let low = self.set.modes.iter().zip(pairs).filter(|(mode, _)| {
            mode.kind == Kind::Mode && undamped_hz(mode) < limit_hz && self.has_shape(mode)
        });
        let (claimed, named) = low
            .fold((0, 0), |(claimed, named), (_, pair)| (claimed + 1, named + usize::from(pair.is_some())));
        claimed < 4 || 2 * named >= claimed
    }

    /// By frequency alone a name stands only if neither side could be paired otherwise.
    fn keep_only_the_certain(&self, pairs: &mut Pairs, fit: &RoomFit) {
        let costs: Vec<_> = (0..self.set.modes.len()).map(|m| self.costs(m, fit)).collect();
        for pair in pairs.iter_mut() {
            let Some(p) = *pair else { continue };
            let rivals = costs.iter().filter(|row| row[p].is_some()).count();
            let choices = costs.iter().filter(|row| row[p].is_some()).map(|row| row.iter().flatten().count());
            if rivals > 1 || choices.max() > Some(1) {
                *pair = None;
            }
        }
    }

    /// The name of mode `m` with what supports it.
    fn name(&self, m: usize, pairs: &Pairs, fit: &RoomFit) -> ModeName {
        let mode = &self.set.modes[m];
        if !nameable(mode) {
            return ModeName::default();
        }
        let mut name = ModeName::default();
        let Some(p) = pairs[m] else {
            name.flags.add(Flag::Unassigned);
            name.evidence = self.why_not(m, pairs, fit, &mut name.flags);
            return name;
        };
        let predicted = &self.air.modes[p];
        let likeness = self.likeness(mode, p);
        if likeness.is_none() {
            name.flags.add(Flag::ByFrequency);
        }
        (name.listed, name.axes) = (Some(p), predicted.axes);
        name.predicted_hz = Some(predicted.frequency_hz);
        name.shape_match = likeness.map(|l| l.value);
        name.evidence = Some(evidence::sentence(self, mode, p, likeness, &self.ruled_out(m, p, fit)));
        name
    }

    /// Predicted modes that the frequency would allow too, nearer than the chosen one or nearly so,
    /// with how unlike their shapes are.
    fn ruled_out(&self, m: usize, chosen: usize, fit: &RoomFit) -> Vec<(usize, f64)> {
        let mode = &self.set.modes[m];
        (0..self.air.modes.len())
            .filter(|&p| p != chosen && self.nearness(mode, p, fit).is_some_and(|z| z < 3.0))
            .filter_map(|p| self.likeness(mode, p).map(|l| (p, l.value)))
            .filter(|(_, value)| *value < LEAST_MATCH)
            .collect()
    }

    /// Why a mode has no name: which mode holds its shape already, or what its shape excludes.
    fn why_not(&self, m: usize, pairs: &Pairs, fit: &RoomFit, flags: &mut Flags) -> Option<String> {
        let Some((p, likeness, holder)) = self.twin(m, pairs, fit) else {
            return evidence::excluded(self, &self.ruled_out(m, usize::MAX, fit));
        };
        flags.add(Flag::SharesShape);
        let holder_hz = self.set.modes[holder].omega_per_s / (2.0 * PI);
        Some(evidence::shared(&self.air.modes[p], likeness, holder_hz))
    }

    /// The predicted mode whose shape this one has best, if another measured mode holds its name. A
    /// strong absorber drives the two poles of a mode some per cent apart, so the reach is wider
    /// than that of a name.
    fn twin(&self, m: usize, pairs: &Pairs, fit: &RoomFit) -> Option<(usize, Likeness, usize)> {
        const REACH: f64 = 0.06;
        let mode = &self.set.modes[m];
        let holders = pairs.iter().enumerate().filter_map(|(holder, pair)| pair.map(|p| (p, holder)));
        holders
            .filter(|&(p, _)| {
                (undamped_hz(mode) / fit.frequency_hz(&self.air.parts_hz2(p)) - 1.0).abs() < REACH
            })
            .filter_map(|(p, holder)| self.likeness(mode, p).map(|l| (p, l, holder)))
            .filter(|(_, l, _)| l.by_chance <= CHANCE && l.value >= Self::TWIN_MATCH)
            .max_by(|a, b| a.1.value.total_cmp(&b.1.value))
    }

    /// Least criterion for a second pole of one mode: the units' share leaves its shape nearly whole.
    const TWIN_MATCH: f64 = 0.8;
}

#[cfg(test)]
mod tests;
