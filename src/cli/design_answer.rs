//! What `design` answers, before it is shown.

use super::design_bands::Band;
use super::design_unit::GivenUnit;
use stillroom::design::{Build, DesignError, Effect, Goal, Layer, Outcome, Plate, Proposal, System, Treated};
use stillroom::room::Face;

/// Everything that the answer holds.
pub struct Answer {
    /// The room with its target.
    pub room: Treated,
    /// What is to be said where the decay was measured beside a unit.
    pub occupied: Option<String>,
    /// What is to be reached.
    pub goal: Option<Goal>,
    /// A given unit and what it does.
    pub given: Option<GivenAnswer>,
    /// Ways of building that were looked at.
    pub builds: Vec<Build>,
    /// What to build in each of them, and why not.
    pub proposals: Vec<Result<Proposal, DesignError>>,
    /// Whether the air of the units was limited, so that they do what they can and not what is wanted.
    pub limited: bool,
    /// The least that would do if built exactly.
    pub least: Option<Result<Proposal, DesignError>>,
    /// A porous layer of some thicknesses: layer, absorption, area for the target.
    pub porous: Vec<(Layer, f64, f64)>,
    /// Other modes with the given unit, or with the surest proposal.
    pub effects: Vec<Effect>,
    /// Frequency and T60 of the mode where they were given and not measured, Hz and s.
    pub as_given: Option<(f64, f64)>,
    /// Bands after adding areas.
    pub bands: Vec<Band>,
}

/// The proposal that most builds reach the goal with, by whole per cent as they are shown; the first of equals.
pub fn surest(proposals: &[Result<Proposal, DesignError>]) -> Option<&Proposal> {
    let percent = |p: &&Proposal| (100.0 * p.chance.unwrap_or(0.0)).round();
    // The last of equal ones is taken.
    proposals.iter().flatten().rev().max_by(|a, b| percent(a).total_cmp(&percent(b)))
}

/// A given unit in its place.
pub struct GivenAnswer {
    /// As typed.
    pub unit: GivenUnit,
    /// Where its face is.
    pub face: Face,
    /// What it meets.
    pub system: System,
    /// What it does.
    pub outcome: Outcome,
    /// The best setting of such a unit there, and what that does.
    pub best: Option<(Plate, Outcome)>,
    /// Share of such units built that reach the goal.
    pub chance: Option<f64>,
    /// Detuning that makes T60 a tenth longer.
    pub exactness: Option<f64>,
}
