//! The air of a room as a set of modes, with what a face on its walls meets: the pressure of each
//! mode averaged over it, and the mass-like load of all modes above the list.
//!
//! For a mode n with shape ψ, scaled to 1 where it is largest, and mean square Λ over the room, a
//! face of area S drives and feels the mode with `κ_n = ρc² S ψ̄_n²/(V Λ_n)`, ψ̄ the mean over the
//! face. All modes together are the air's reaction on the face: `p̄ = −x Σ κ_n s²/(s² + ω_n²)`.

use super::face::Face;
use super::load::Wall;
use super::{Prediction, RoomError, air_density_kg_m3, decay_per_s, shape};

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
    /// What to call it.
    pub name: String,
    /// Undamped natural frequency, hertz.
    pub frequency_hz: f64,
    /// Λ: mean over the room of the squared shape, whose largest value is 1.
    pub mean_square: f64,
    /// ∮ψ² dS/(V Λ), 1/m: walls of conductance β give the decay constant (c/2) β times this.
    pub walls_per_m: f64,
}

/// What the shapes are made of.
#[derive(Debug, Clone, PartialEq)]
enum Geometry {
    /// A rectangular room: length, width, height, metres.
    Rectangular([f64; 3]),
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
        }
    }

    /// Whether a place lies in the room or on its walls, to a millimetre.
    #[must_use]
    pub fn holds(&self, at_m: [f64; 3]) -> bool {
        match &self.geometry {
            Geometry::Rectangular(d) => (0..3).all(|i| (-1e-3..=d[i] + 1e-3).contains(&at_m[i])),
        }
    }

    /// Corners of the plan, one after the other round the room, metres.
    #[must_use]
    pub fn plan_m(&self) -> Vec<[f64; 2]> {
        match &self.geometry {
            Geometry::Rectangular([l, w, _]) => vec![[0.0, 0.0], [*l, 0.0], [*l, *w], [0.0, *w]],
        }
    }

    /// Height, metres.
    #[must_use]
    pub fn height_m(&self) -> f64 {
        match &self.geometry {
            Geometry::Rectangular([_, _, h]) => *h,
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
        face.means(|at| self.shape(index, at))
    }

    /// Stiffness per area κ, Pa/m, with which a face of this area meets mode `index` where its mean is 1.
    #[must_use]
    pub fn meets(&self, index: usize, area_m2: f64) -> f64 {
        self.stiffness_pa() * area_m2 / (self.volume_m3 * self.modes[index].mean_square)
    }

    /// The same for the room's pressure as a whole.
    #[must_use]
    pub fn meets_whole(&self, area_m2: f64) -> f64 {
        self.stiffness_pa() * area_m2 / self.volume_m3
    }

    /// Mass per area, kg/m², with which all modes above the list load a face, seen at `hertz`.
    #[must_use]
    pub fn load_kg_m2(&self, face: &Face, hertz: f64) -> f64 {
        match &self.geometry {
            Geometry::Rectangular(dimensions_m) => Wall::of_box(*dimensions_m, face).load_kg_m2(self, hertz),
        }
    }
}
