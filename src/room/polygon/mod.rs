//! Modes of a plan that is a polygon: finite elements over the plan, cosines along the height.
//!
//! A room with upright walls and level floor and ceiling has the modes `φ(x, y) cos(lπz/H)`, φ a
//! mode of the plan alone (−∇²φ = k²φ, rigid walls), at `f = (c/2π) √(k² + (lπ/H)²)`.

mod elements;
mod lowest;
mod mesh;
mod outline;
mod way;

pub use outline::Outline;
pub(super) use outline::distance_m;
pub use way::Way;

use super::RoomError;
use super::face::gauss;
use elements::Elements;
use std::f64::consts::PI;

/// The modes of a plan, from the uniform one on.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanModes {
    /// The plan.
    pub outline: Outline,
    /// Height of the room, metres.
    pub height_m: f64,
    /// The modes in rising wave number.
    pub modes: Vec<PlanMode>,
    elements: Elements,
}

/// A point among the elements.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    nodes: [usize; 6],
    weights: [f64; 6],
}

/// One mode of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanMode {
    /// k², 1/m².
    pub wave_per_m2: f64,
    /// Values at the nodes; the largest is ±1.
    pub values: Vec<f64>,
    /// Mean over the plan of φ².
    pub mean_square: f64,
    /// ∮φ² ds round the plan over area and mean square, 1/m.
    pub walls_per_m: f64,
    /// Between what it stands.
    pub way: Way,
}

impl PlanModes {
    /// Elements a wave length at the highest wave number of the list.
    const FINENESS: f64 = 2.6;

    /// The modes with wave numbers up to `highest_per_m`, 1/m.
    ///
    /// # Errors
    /// [`RoomError::Plan`] for a plan too large for the frequency.
    pub fn new(outline: Outline, height_m: f64, highest_per_m: f64) -> Result<Self, RoomError> {
        let too_large =
            || RoomError::Plan { why: "it is too large for modes up to this frequency".to_owned() };
        let perimeter: f64 = outline.walls().map(|[a, b]| (b[0] - a[0]).hypot(b[1] - a[1])).sum();
        // Weyl's count of the modes of a plan with rigid walls.
        let expected = outline.area_m2() * highest_per_m.powi(2) / (4.0 * PI)
            + perimeter * highest_per_m / (4.0 * PI)
            + 1.0;
        let longest_m = (2.0 * PI / highest_per_m / Self::FINENESS).min(0.7 * outline.area_m2().sqrt());
        let mesh = mesh::Mesh::new(&outline, longest_m).ok_or_else(too_large)?;
        let elements = Elements::new(mesh);
        let (stiffness, mass) = elements.matrices();
        let pairs = lowest::lowest(&stiffness, &mass, highest_per_m.powi(2), expected.ceil() as usize)
            .ok_or_else(too_large)?;
        let mut all = Self { outline, height_m, modes: Vec::new(), elements };
        let ring = all.ring();
        all.modes =
            pairs.into_iter().map(|(value, x)| all.mode(value.max(0.0), x.as_slice(), &ring)).collect();
        if let Some(first) = all.modes.first_mut() {
            first.wave_per_m2 = 0.0;
        }
        Ok(all)
    }

    /// A mode from its vector, whose integral of φ² is 1.
    fn mode(&self, wave_per_m2: f64, x: &[f64], ring: &[(f64, Spot)]) -> PlanMode {
        let top = x.iter().fold(0.0f64, |top, v| if v.abs() > top.abs() * (1.0 + 1e-9) { *v } else { top });
        let values: Vec<f64> = x.iter().map(|v| v / top).collect();
        let mean_square = 1.0 / (top * top * self.outline.area_m2());
        let round: f64 = ring.iter().map(|(weight, spot)| weight * self.read(&values, spot).powi(2)).sum();
        let walls_per_m = round / (self.outline.area_m2() * mean_square);
        let way = self.way(&values);
        PlanMode { wave_per_m2, values, mean_square, walls_per_m, way }
    }

    /// Points round the plan, each with the length it stands for.
    fn ring(&self) -> Vec<(f64, Spot)> {
        let mut points = Vec::new();
        for [a, b] in self.outline.walls() {
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            let pieces = (length / 1.5).ceil().max(1.0);
            for piece in 0..pieces as usize {
                for (u, w) in gauss() {
                    let t = (piece as f64 + u) / pieces;
                    let at = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
                    points.push((w * length / pieces, self.spot(at)));
                }
            }
        }
        points
    }

    /// Where a point lies among the elements; the same for all modes.
    #[must_use]
    pub fn spot(&self, at: [f64; 2]) -> Spot {
        let (triangle, coordinates) = self.elements.locate(at);
        Spot { nodes: self.elements.nodes[triangle], weights: Elements::functions(coordinates) }
    }

    /// Value of a nodal vector at a spot.
    fn read(&self, values: &[f64], spot: &Spot) -> f64 {
        spot.nodes.iter().zip(spot.weights).map(|(node, weight)| weight * values[*node]).sum()
    }

    /// Value of one mode at a spot.
    #[must_use]
    pub fn shape(&self, mode: usize, spot: &Spot) -> f64 {
        self.read(&self.modes[mode].values, spot)
    }

    /// Between what a mode stands.
    fn way(&self, values: &[f64]) -> Way {
        let longest = self
            .outline
            .walls()
            .map(|[a, b]| ((b[0] - a[0]).hypot(b[1] - a[1]), [b[0] - a[0], b[1] - a[1]]))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((length, [dx, dy])) = longest else { return Way::Both };
        let along = self.elements.share_along(values, [dx / length, dy / length]);
        let corners = self.outline.corners_m().iter();
        let pressures: Vec<([f64; 2], f64)> =
            corners.map(|at| (*at, self.read(values, &self.spot(*at)))).collect();
        Way::of(along, &pressures)
    }
}

#[cfg(test)]
mod tests;
