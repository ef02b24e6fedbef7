//! How large a unit has to be for a target: the least, and the one that is sure enough as built.

use super::DesignError;
use super::best::{Given, careful, meeting};
use super::chance::{Errors, as_built_s, share_within, tuning_for_a_tenth};
use super::plate::{Edges, Plate};
use super::room::Treated;
use super::system::{Outcome, System};
use crate::modes::LN_1000;
use crate::room::Face;
use std::f64::consts::{PI, TAU};

/// How a unit is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Build {
    /// A panel before a sealed space of this depth, metres.
    Sealed {
        /// Depth of the space, metres.
        depth_m: f64,
        /// How the panel is held.
        edges: Edges,
    },
    /// A box with a round opening through a board or tube of this length, metres.
    Vented {
        /// Length of the neck, metres.
        neck_m: f64,
    },
}

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Goal {
    /// T60, seconds.
    pub t60_s: f64,
    /// A T60 within this share above it still counts as reached.
    pub tolerance: f64,
    /// Share of the units built that should reach it.
    pub sure: f64,
    /// How exactly it will be built.
    pub errors: Errors,
}

/// Units of one kind: what to build, where, and what to expect.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// How it is made.
    pub build: Build,
    /// Where each unit's face is.
    pub faces: Vec<Face>,
    /// Air in each unit, m³.
    pub volume_m3: f64,
    /// Effective numbers of the unit, per area of its face.
    pub plate: Plate,
    /// Undamped frequency in the room, hertz: what a measurement there shows with the mode taken out.
    pub installed_hz: f64,
    /// Decay constant in the room, 1/s.
    pub installed_per_s: f64,
    /// What it makes of the mode when built exactly.
    pub outcome: Outcome,
    /// Share of units built that reach the goal; `None` without a goal.
    pub chance: Option<f64>,
    /// Relative detuning that makes T60 a tenth longer; `None` where 20 % don't.
    pub exactness: Option<f64>,
}

/// A single unit larger than this is split, m². Our own choice.
const MOST_AREA_M2: f64 = 1.5;

/// Units may take this share of the room. Our own choice.
pub const MOST_OF_ROOM: f64 = 0.15;

/// Buildings drawn while the size is searched, and for the number that is printed. Our own choice.
const DRAWS: (usize, usize) = (80, 400);

impl Build {
    /// Area of the face of a unit with this much air, m², for a mode at `omega`.
    fn area_m2(&self, volume_m3: f64, room: &Treated) -> f64 {
        match *self {
            Build::Sealed { depth_m, .. } => volume_m3 / depth_m,
            Build::Vented { neck_m } => {
                // ω² = c² S/(V l) with l = neck + 1.7 r: both ends taken as flanged, 8r/3π each (Rayleigh).
                let per_length =
                    volume_m3 * (TAU * room.measured.frequency_hz / room.air.sound_speed_m_s).powi(2);
                let mut radius = (per_length * neck_m / PI).sqrt();
                for _ in 0..40 {
                    radius = (per_length * (neck_m + 1.7 * radius) / PI).sqrt();
                }
                PI * radius * radius
            }
        }
    }
}

impl Proposal {
    /// Mass of a panel as built, kg/m²: the share of a fixed one that moves is less.
    #[must_use]
    pub fn panel_kg_m2(&self) -> Option<f64> {
        match self.build {
            Build::Sealed { edges, .. } => Some(self.plate.mass_kg_m2 * edges.share()),
            Build::Vented { .. } => None,
        }
    }

    /// Radius of a round opening, and length of its neck without end corrections, metres. The neck's inner
    /// end counts 8r/3π (a disk in a large wall, Rayleigh); the room's side is in the load. `None` for a panel, and where
    /// the air in the opening is too heavy without any neck.
    #[must_use]
    pub fn neck_m(&self, density_kg_m3: f64) -> Option<(f64, f64)> {
        let radius = (self.faces.first()?.area_m2() / PI).sqrt();
        match self.build {
            Build::Sealed { .. } => None,
            Build::Vented { .. } => {
                let neck = self.plate.mass_kg_m2 / density_kg_m3 - 8.0 * radius / (3.0 * PI);
                (neck > 0.0).then_some((radius, neck))
            }
        }
    }

    /// Frequency of a vented box whose opening has one wall round it and no other surface near, hertz: f = c/2π √(S/(V l)),
    /// l the neck and 8r/3π at both ends (Rayleigh). `None` without a neck.
    #[must_use]
    pub fn bench_hz(&self, sound_speed_m_s: f64, density_kg_m3: f64) -> Option<f64> {
        let (radius_m, neck_m) = self.neck_m(density_kg_m3)?;
        let length_m = neck_m + 2.0 * 8.0 * radius_m / (3.0 * PI);
        Some(sound_speed_m_s / TAU * (PI * radius_m * radius_m / (self.volume_m3 * length_m)).sqrt())
    }

    /// Highest speed of the air in the opening, m/s, under a steady tone of this rms pressure (Pa) before it: at
    /// resonance mass and spring cancel, and r v = √2 p is left. `None` for a panel.
    #[must_use]
    pub fn neck_speed_m_s(&self, rms_pa: f64) -> Option<f64> {
        let vented = matches!(self.build, Build::Vented { .. });
        vented.then(|| 2.0_f64.sqrt() * rms_pa / self.plate.resistance_pa_s_m)
    }

    /// Air in all units, m³.
    #[must_use]
    pub fn whole_volume_m3(&self) -> f64 {
        self.volume_m3 * self.faces.len() as f64
    }
}

/// Faces of the best corners for the target, one a corner, none in the place of another.
fn best_corners(room: &Treated, area_m2: f64, count: usize) -> Option<Vec<Face>> {
    let mut ranked: Vec<(f64, usize, Face)> = room
        .air
        .corner_faces(area_m2)
        .into_iter()
        .map(|(corner, face)| (room.air.over(room.target, &face).0.abs(), corner, face))
        .collect();
    // A margin, so that rounding can't choose between mirror images.
    ranked.sort_by(|a, b| (b.0 * 1e6).round().total_cmp(&(a.0 * 1e6).round()).then(a.1.cmp(&b.1)));
    let mut chosen: Vec<(usize, Face)> = Vec::new();
    for (_, corner, face) in ranked {
        let free = |(taken, other): &(usize, Face)| *taken != corner && !face.overlaps(other);
        if chosen.len() < count && chosen.iter().all(free) {
            chosen.push((corner, face));
        }
    }
    (chosen.len() == count).then(|| chosen.into_iter().map(|(_, face)| face).collect())
}

/// Units of this air volume each, set for the best; `None` where they don't fit or no setting is found.
fn set(room: &Treated, build: Build, volume_m3: f64, faces: Vec<Face>) -> Option<(System, Plate, Plate)> {
    let area_m2 = faces.first()?.area_m2();
    let system = room.system(&faces).ok()?;
    let stiffness = room.air.stiffness_pa() * area_m2 / volume_m3;
    let best = meeting(&system, Given::Stiffness(stiffness))?;
    let light = matches!(build, Build::Vented { .. }) && best.mass_kg_m2 < 0.0;
    (!light).then(|| (system.clone(), best, careful(&system, best)))
}

/// Units of a total air volume with what they do.
///
/// # Errors
/// [`DesignError::NoFit`] where they don't fit into the corners, or no setting of them is best; [`DesignError::NoNeck`] where
/// the air in the opening of a vented one would be too heavy without any neck.
pub fn of_volume(
    room: &Treated,
    build: Build,
    volume_m3: f64,
    count: usize,
    goal: Option<&Goal>,
) -> Result<Proposal, DesignError> {
    let none = || DesignError::NoFit { volume_m3 };
    let each = volume_m3 / count as f64;
    let faces = best_corners(room, build.area_m2(each, room), count).ok_or_else(none)?;
    let (system, _, plate) = set(room, build, each, faces.clone()).ok_or_else(none)?;
    let outcome = system.outcome(&plate).ok_or_else(none)?;
    let (installed, _) = system.installed(&plate).ok_or_else(none)?;
    let chance = goal.map(|goal| {
        share_within(&as_built_s(&system, &plate, &goal.errors, DRAWS.1), goal.t60_s * (1.0 + goal.tolerance))
    });
    let found = Proposal {
        build,
        faces,
        volume_m3: each,
        plate,
        installed_hz: installed.omega_per_s / TAU,
        installed_per_s: installed.decay_per_s,
        outcome,
        chance,
        exactness: tuning_for_a_tenth(&system, &plate),
    };
    let vented = matches!(build, Build::Vented { .. });
    if vented && found.neck_m(room.air.density_kg_m3).is_none() {
        Err(DesignError::NoNeck)
    } else {
        Ok(found)
    }
}

/// How the size is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// As small as reaches the goal when set exactly.
    Least,
    /// As small as reaches it in the wanted share of buildings.
    Sure,
}

/// The smallest units that reach the goal; split so that none is larger than 1.5 m².
///
/// # Errors
/// [`DesignError::TooMuch`] where units of 15 % of the room, or all that its corners hold, don't reach it;
/// [`DesignError::NoNeck`] where only vented ones do that can't be built.
pub fn smallest(room: &Treated, build: Build, goal: &Goal, size: Size) -> Result<Proposal, DesignError> {
    let most = MOST_OF_ROOM * room.air.volume_m3;
    let corners = room.air.plan_m().len();
    let mut without_neck = false;
    for count in 1..=corners {
        let Some(volume_m3) = search(room, build, goal, size, count).filter(|v| *v <= most) else { continue };
        let found = of_volume(room, build, volume_m3, count, Some(goal)).and_then(|found| match size {
            Size::Sure => enlarged(room, found, goal, most),
            Size::Least => Ok(Some(found)),
        });
        // More units have smaller openings each.
        let found = match found {
            Err(DesignError::NoNeck) => {
                without_neck = true;
                continue;
            }
            found => found?,
        };
        let fits = |p: &Proposal| count == corners || build.area_m2(p.volume_m3, room) <= MOST_AREA_M2;
        if let Some(found) = found.filter(fits) {
            return Ok(found);
        }
    }
    Err(if without_neck {
        DesignError::NoNeck
    } else {
        DesignError::TooMuch { t60_s: goal.t60_s, share: MOST_OF_ROOM }
    })
}

/// The search judges by few draws: enlarged until the draws that are printed say so too; `None` where that takes more air.
fn enlarged(
    room: &Treated,
    mut found: Proposal,
    goal: &Goal,
    most_m3: f64,
) -> Result<Option<Proposal>, DesignError> {
    /// Growth at a time. Our own choice.
    const STEP: f64 = 1.15;
    while found.chance.is_some_and(|chance| chance < goal.sure - shortfall(goal.sure)) {
        let volume_m3 = STEP * found.whole_volume_m3();
        if volume_m3 > most_m3 {
            return Ok(None);
        }
        found = of_volume(room, found.build, volume_m3, found.faces.len(), Some(goal))?;
    }
    Ok(Some(found))
}

/// By so much a printed share may fall short of the wanted one: the standard deviation of so many draws.
fn shortfall(sure: f64) -> f64 {
    (sure * (1.0 - sure) / DRAWS.1 as f64).sqrt()
}

/// Total air volume of `count` units that reach the goal: what is added to the decay constant goes as √V, so
/// each try gives the next.
fn search(room: &Treated, build: Build, goal: &Goal, size: Size, count: usize) -> Option<f64> {
    let own = LN_1000 / room.measured.t60_s;
    let within = LN_1000 / (goal.t60_s * (1.0 + goal.tolerance)) - own;
    // Where the mode is within the tolerance already, what reaches the goal itself is sure.
    let size = if within > 0.0 { size } else { Size::Least };
    let wanted = if size == Size::Sure { within } else { LN_1000 / goal.t60_s - own };
    // Nothing to do; any unit is more than enough.
    if wanted <= 0.0 {
        return None;
    }
    let omega = TAU * room.measured.frequency_hz;
    let mean_square = room.air.modes[room.target].mean_square;
    let mut volume_m3 = room.air.volume_m3 * mean_square * (2.0 * wanted / omega).powi(2);
    for _ in 0..12 {
        let each = volume_m3 / count as f64;
        let faces = best_corners(room, build.area_m2(each, room), count)?;
        let (system, best, plate) = set(room, build, each, faces)?;
        let t60_s = match size {
            Size::Least => system.outcome(&best)?.t60_s,
            Size::Sure => {
                let times = as_built_s(&system, &plate, &goal.errors, DRAWS.0);
                times[((goal.sure * times.len() as f64).ceil() as usize).clamp(1, times.len()) - 1]
            }
        };
        let gained = LN_1000 / t60_s - own;
        // The bounds keep a step from running away: our own choice.
        let factor = (wanted / gained.max(0.05 * wanted)).powi(2).clamp(0.25, 6.0);
        volume_m3 *= factor;
        if (factor - 1.0).abs() < 5e-3 {
            return Some(volume_m3);
        }
        if volume_m3 > room.air.volume_m3 {
            return None;
        }
    }
    Some(volume_m3)
}
