//! The air of a room as a set of modes, with what a face on its walls meets: the pressure of each
//! mode averaged over it, and the mass-like load of all modes above the list.
//!
//! For a mode n with shape ψ, scaled to 1 where it is largest, and mean square Λ over the room, a
//! face of area S drives and feels the mode with `κ_n = ρc² S ψ̄_n²/(V Λ_n)`, ψ̄ the mean over the
//! face. All modes together are the air's reaction on the face: `p̄ = −x Σ κ_n s²/(s² + ω_n²)`.

use super::face::Face;
use super::load::Wall;
use super::polygon::{Outline, PlanModes, Spot, Way};
use super::{Prediction, RoomError, air_density_kg_m3, check_lengths, decay_per_s, shape, sound_speed_m_s};
use crate::language::{Message, number, say};
use crate::session::Session;
use std::f64::consts::PI;
use std::fmt;

/// A room's modes up to a frequency.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Enclosure {
    /// Air temperature, °C.
    pub temperature_c: f64,
    /// Speed of sound, m/s.
    pub sound_speed_m_s: f64,
    /// Density of the air, kg/m³.
    pub density_kg_m3: f64,
    /// Volume, m³.
    pub volume_m3: f64,
    /// Upper end of the list, hertz.
    pub up_to_hz: f64,
    /// The modes in rising frequency; the pressure of the room as a whole, at 0 Hz, is not listed.
    pub modes: Vec<AirMode>,
    geometry: Geometry,
}

/// One mode of an [`Enclosure`].
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct AirMode {
    /// Half waves along length, width and height, of a rectangular room.
    pub axes: Option<[u32; 3]>,
    /// Which mode of the plan it is, of a room on a polygon.
    pub standing: Option<Standing>,
    /// What to call it, in full.
    pub name: String,
    /// Undamped natural frequency, hertz.
    pub frequency_hz: f64,
    /// Λ: mean over the room of the squared shape, whose largest value is 1.
    pub mean_square: f64,
    /// ∮ψ² dS/(V Λ), 1/m: walls of conductance β give the decay constant (c/2) β times this.
    pub walls_per_m: f64,
}

/// A mode of a plan with half waves along the height.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Standing {
    /// Its number among the plan's modes in rising frequency; 0 is the one without pattern.
    pub plan: usize,
    /// Half waves along the height.
    pub height: u32,
    /// Between what the plan's mode stands; `None` for 0.
    pub way: Option<Way>,
}

impl Standing {
    /// Between what it stands, in words.
    #[must_use]
    pub fn message(&self) -> Message {
        let upwards = match self.height {
            0 | 1 => say!("stands.height"),
            many => say!("stands.height-many", n = number(f64::from(many), 0)),
        };
        match self.way.map(Way::message) {
            None => upwards,
            Some(level) if self.height == 0 => level,
            Some(level) => say!("stands.and-height", level = level, height = upwards),
        }
    }
}

impl fmt::Display for Standing {
    /// `horizontal mode 3`, `height 1`, `horizontal mode 3 with height 1`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.plan, self.height) {
            (0, height) => write!(f, "height {height}"),
            (plan, 0) => write!(f, "horizontal mode {plan}"),
            (plan, height) => write!(f, "horizontal mode {plan} with height {height}"),
        }
    }
}

impl fmt::Display for AirMode {
    /// In short: `1 0 2`, or `horizontal mode 3 with height 1`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.standing {
            Some(standing) => standing.fmt(f),
            None => f.write_str(&self.name),
        }
    }
}

/// What the shapes are made of.
#[derive(Debug, Clone, PartialEq)]
enum Geometry {
    /// A rectangular room: length, width, height, metres.
    Rectangular([f64; 3]),
    /// Upright walls on a polygon: the plan's modes, and for each mode of the room which of them with how many half
    /// waves along the height.
    Upright(Box<PlanModes>, Vec<(usize, u32)>),
}

impl Enclosure {
    /// A rectangular room.
    ///
    /// # Errors
    /// [`RoomError`] names a length, temperature or frequency out of range.
    pub fn rectangular(dimensions_m: [f64; 3], temperature_c: f64, up_to_hz: f64) -> Result<Self, RoomError> {
        let room = Prediction::new(dimensions_m, temperature_c, up_to_hz)?;
        let unit_walls = [[1.0; 2]; 3];
        let mode = |axes: [u32; 3], frequency_hz: f64| AirMode {
            axes: Some(axes),
            standing: None,
            name: super::PredictedMode { axes, frequency_hz }.to_string(),
            frequency_hz,
            mean_square: 0.5f64.powi(axes.iter().filter(|n| **n > 0).count() as i32),
            walls_per_m: 2.0 * decay_per_s(dimensions_m, 1.0, &unit_walls, axes),
        };
        Ok(Self {
            temperature_c,
            sound_speed_m_s: room.sound_speed_m_s,
            density_kg_m3: air_density_kg_m3(temperature_c)?,
            volume_m3: room.volume_m3(),
            up_to_hz,
            modes: room.modes.iter().map(|m| mode(m.axes, m.frequency_hz)).collect(),
            geometry: Geometry::Rectangular(dimensions_m),
        })
    }

    /// A room with upright walls on a polygon and one height.
    ///
    /// # Errors
    /// [`RoomError`] names what is no plan, no height, or out of range.
    pub fn upright(
        plan_m: &[[f64; 2]],
        height_m: f64,
        temperature_c: f64,
        up_to_hz: f64,
    ) -> Result<Self, RoomError> {
        check_lengths([1.0, 1.0, height_m])?;
        let sound_speed_m_s = sound_speed_m_s(temperature_c)?;
        if !(up_to_hz > 0.0 && up_to_hz <= 1000.0) {
            return Err(RoomError::Plan {
                why: format!("modes up to {up_to_hz} Hz are out of reach: 0 to 1000 Hz"),
            });
        }
        let highest = 2.0 * PI * up_to_hz / sound_speed_m_s;
        let plan = PlanModes::new(Outline::new(plan_m)?, height_m, highest)?;
        let mut order: Vec<(f64, usize, u32)> = Vec::new();
        for (p, mode) in plan.modes.iter().enumerate() {
            for l in 0..=(highest * height_m / PI).floor() as u32 {
                let wave = (mode.wave_per_m2 + (f64::from(l) * PI / height_m).powi(2)).sqrt();
                if wave <= highest && (p > 0 || l > 0) {
                    order.push((wave * sound_speed_m_s / (2.0 * PI), p, l));
                }
            }
        }
        order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
        let modes = order.iter().map(|&(hertz, p, l)| upright_mode(&plan, hertz, p, l)).collect();
        Ok(Self {
            temperature_c,
            sound_speed_m_s,
            density_kg_m3: air_density_kg_m3(temperature_c)?,
            volume_m3: plan.outline.area_m2() * height_m,
            up_to_hz,
            modes,
            geometry: Geometry::Upright(Box::new(plan), order.iter().map(|&(_, p, l)| (p, l)).collect()),
        })
    }

    /// The room that a manifest describes: on its plan, or rectangular; `None` where it gives neither.
    ///
    /// # Errors
    /// [`RoomError`] names what is no plan, or out of range.
    #[must_use]
    pub fn of_session(
        session: &Session,
        temperature_c: f64,
        up_to_hz: f64,
    ) -> Option<Result<Self, RoomError>> {
        match (&session.plan, session.room.dimensions_m) {
            (Some(plan), _) => Some(Self::upright(&plan.corners_m, plan.height_m, temperature_c, up_to_hz)),
            (None, Some(lengths)) => Some(Self::rectangular(lengths, temperature_c, up_to_hz)),
            (None, None) => None,
        }
    }

    /// Length, width and height, of a rectangular room.
    #[must_use]
    pub fn dimensions_m(&self) -> Option<[f64; 3]> {
        match &self.geometry {
            Geometry::Rectangular(lengths) => Some(*lengths),
            Geometry::Upright(..) => None,
        }
    }

    /// What a mode's squared frequency is made of, Hz²: along length, width and height, or over the plan and along
    /// the height. A room longer by the factor s in one of these has 1/s² of that part.
    #[must_use]
    pub fn parts_hz2(&self, index: usize) -> Vec<f64> {
        let half = 0.5 * self.sound_speed_m_s;
        let part = |n: u32, length: f64| (half * f64::from(n) / length).powi(2);
        match (&self.geometry, self.modes[index].axes) {
            (Geometry::Rectangular(lengths), Some(axes)) => {
                axes.iter().zip(lengths).map(|(n, length)| part(*n, *length)).collect()
            }
            (Geometry::Rectangular(_), None) => Vec::new(),
            (Geometry::Upright(plan, order), _) => {
                let (p, l) = order[index];
                vec![(half / PI).powi(2) * plan.modes[p].wave_per_m2, part(l, plan.height_m)]
            }
        }
    }

    /// ρc² = γP₀, Pa: how stiff the air is.
    #[must_use]
    pub fn stiffness_pa(&self) -> f64 {
        self.density_kg_m3 * self.sound_speed_m_s.powi(2)
    }

    /// Pressure of mode `index` at a place, −1…1.
    #[must_use]
    pub fn shape(&self, index: usize, at_m: [f64; 3]) -> f64 {
        match (&self.geometry, self.modes[index].axes) {
            (Geometry::Rectangular(dimensions_m), Some(axes)) => shape(*dimensions_m, axes, at_m),
            (Geometry::Rectangular(_), None) => 0.0,
            (Geometry::Upright(plan, order), _) => {
                let (p, l) = order[index];
                plan.shape(p, &plan.spot([at_m[0], at_m[1]]))
                    * (f64::from(l) * PI * at_m[2] / plan.height_m).cos()
            }
        }
    }

    /// Whether a place lies in the room or on its walls, to a millimetre.
    #[must_use]
    pub fn holds(&self, at_m: [f64; 3]) -> bool {
        match &self.geometry {
            Geometry::Rectangular(d) => (0..3).all(|i| (-1e-3..=d[i] + 1e-3).contains(&at_m[i])),
            Geometry::Upright(plan, _) => {
                plan.outline.holds([at_m[0], at_m[1]]) && (-1e-3..=plan.height_m + 1e-3).contains(&at_m[2])
            }
        }
    }

    /// Corners of the plan, one after the other round the room, metres.
    #[must_use]
    pub fn plan_m(&self) -> Vec<[f64; 2]> {
        match &self.geometry {
            Geometry::Rectangular([l, w, _]) => vec![[0.0, 0.0], [*l, 0.0], [*l, *w], [0.0, *w]],
            Geometry::Upright(plan, _) => plan.outline.corners_m().to_vec(),
        }
    }

    /// Corners of the room, floor first, metres.
    #[must_use]
    pub fn corners_m(&self) -> Vec<[f64; 3]> {
        let plan = self.plan_m();
        [0.0, self.height_m()].iter().flat_map(|&z| plan.iter().map(move |&[x, y]| [x, y, z])).collect()
    }

    /// Area of all surfaces, m².
    #[must_use]
    pub fn surface_m2(&self) -> f64 {
        let (plan, height_m) = (self.plan_m(), self.height_m());
        let next = plan.iter().cycle().skip(1);
        let round_m: f64 = plan.iter().zip(next).map(|(a, b)| (b[0] - a[0]).hypot(b[1] - a[1])).sum();
        2.0 * self.volume_m3 / height_m + round_m * height_m
    }

    /// Height, metres.
    #[must_use]
    pub fn height_m(&self) -> f64 {
        match &self.geometry {
            Geometry::Rectangular([_, _, h]) => *h,
            Geometry::Upright(plan, _) => plan.height_m,
        }
    }

    /// Faces of one area that stand on the floor in the corners, one along each wall of a corner, where the wall
    /// is long enough: a little higher than wide, as high as the room allows. With each its corner's number.
    #[must_use]
    pub fn corner_faces(&self, area_m2: f64) -> Vec<(usize, Face)> {
        let plan = self.plan_m();
        let count = plan.len();
        let high = (1.3 * area_m2).sqrt().min(self.height_m());
        let wide = area_m2 / high;
        let mut faces = Vec::new();
        for (i, at) in plan.iter().enumerate() {
            for other in [plan[(i + 1) % count], plan[(i + count - 1) % count]] {
                let edge = [other[0] - at[0], other[1] - at[1]];
                let length = edge[0].hypot(edge[1]);
                if wide <= length {
                    let along_m = [edge[0] / length * wide, edge[1] / length * wide, 0.0];
                    let corner_m = [at[0], at[1], 0.0];
                    faces.push((i, Face { corner_m, along_m, up_m: [0.0, 0.0, high] }));
                }
            }
        }
        faces
    }

    /// Mean of mode `index` over a face, and of its square.
    #[must_use]
    pub fn over(&self, index: usize, face: &Face) -> (f64, f64) {
        match &self.geometry {
            Geometry::Upright(plan, order) if face.up_m[0] == 0.0 && face.up_m[1] == 0.0 => {
                let (p, l) = order[index];
                over_wall(plan, p, l, &wall_spots(plan, face))
            }
            _ => face.means(|at| self.shape(index, at)),
        }
    }

    /// [`Enclosure::over`] for all modes.
    #[must_use]
    pub fn over_all(&self, face: &Face) -> Vec<(f64, f64)> {
        match &self.geometry {
            Geometry::Upright(plan, order) if face.up_m[0] == 0.0 && face.up_m[1] == 0.0 => {
                let spots = wall_spots(plan, face);
                order.iter().map(|&(p, l)| over_wall(plan, p, l, &spots)).collect()
            }
            _ => (0..self.modes.len()).map(|index| self.over(index, face)).collect(),
        }
    }

    /// Stiffness per area κ, Pa/m, with which a face of this area meets mode `index` where its mean is 1.
    #[must_use]
    pub fn meets(&self, index: usize, area_m2: f64) -> f64 {
        self.stiffness_pa() * area_m2 / (self.volume_m3 * self.modes[index].mean_square)
    }

    /// Stiffness per area, Pa/m, with which a face of this area meets the room's pressure as a whole.
    #[must_use]
    pub fn meets_whole(&self, area_m2: f64) -> f64 {
        self.stiffness_pa() * area_m2 / self.volume_m3
    }

    /// Mass per area, kg/m², with which all modes above the list load a face, seen at `hertz`.
    #[must_use]
    pub fn load_kg_m2(&self, face: &Face, hertz: f64) -> f64 {
        match &self.geometry {
            Geometry::Rectangular(dimensions_m) => Wall::of_box(*dimensions_m, face).load_kg_m2(self, hertz),
            Geometry::Upright(plan, _) => {
                Wall::of_plan(&plan.outline, plan.height_m, face).load_kg_m2(self, hertz)
            }
        }
    }
}

/// Mode p of the plan with l half waves along the height.
fn upright_mode(plan: &PlanModes, frequency_hz: f64, p: usize, l: u32) -> AirMode {
    let own = &plan.modes[p];
    let (half, ends) = if l > 0 { (0.5, 4.0) } else { (1.0, 2.0) };
    let standing = Standing { plan: p, height: l, way: (p > 0).then_some(own.way) };
    AirMode {
        axes: None,
        standing: Some(standing),
        name: format!("{standing}: {}", standing.message()),
        frequency_hz,
        mean_square: own.mean_square * half,
        walls_per_m: own.walls_per_m + ends / plan.height_m,
    }
}

/// Points of an upright face: weight, place in the plan, height.
fn wall_spots(plan: &PlanModes, face: &Face) -> Vec<(f64, Spot, f64)> {
    super::face::gauss()
        .map(|(t, w)| {
            let at = face.point_m(t, t);
            (w, plan.spot([at[0], at[1]]), at[2])
        })
        .collect()
}

/// Means over an upright face: the plan's mode along it times the cosine up it.
fn over_wall(plan: &PlanModes, p: usize, l: u32, spots: &[(f64, Spot, f64)]) -> (f64, f64) {
    let (mut along, mut up) = ([0.0; 2], [0.0; 2]);
    for (w, spot, height) in spots {
        let (a, b) = (plan.shape(p, spot), (f64::from(l) * PI * height / plan.height_m).cos());
        along = [along[0] + w * a, along[1] + w * a * a];
        up = [up[0] + w * b, up[1] + w * b * b];
    }
    (along[0] * up[0], along[1] * up[1])
}
