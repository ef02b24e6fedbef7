//! Quadratic triangles (six nodes): the matrices of −∇²φ = k²φ with rigid walls.
//!
//! On a triangle with area coordinates L1, L2, L3 the corner functions are L(2L − 1) and those of the edge
//! middles 4 L L′ (Zienkiewicz, *The Finite Element Method*).

use super::lowest::Rows;
use super::mesh::Mesh;

/// Three points and equal weights that integrate quadratic functions over a triangle exactly.
const THREE: [[f64; 3]; 3] =
    [[2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0], [1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0], [1.0 / 6.0, 1.0 / 6.0, 2.0 / 3.0]];

/// Mass matrix of a quadratic triangle over its area/180: corners first, then middles opposite to them.
const MASS: [[f64; 6]; 6] = [
    [6.0, -1.0, -1.0, -4.0, 0.0, 0.0],
    [-1.0, 6.0, -1.0, 0.0, -4.0, 0.0],
    [-1.0, -1.0, 6.0, 0.0, 0.0, -4.0],
    [-4.0, 0.0, 0.0, 32.0, 16.0, 16.0],
    [0.0, -4.0, 0.0, 16.0, 32.0, 16.0],
    [0.0, 0.0, -4.0, 16.0, 16.0, 32.0],
];

/// A mesh with all its nodes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Elements {
    pub mesh: Mesh,
    /// Six nodes a triangle.
    pub nodes: Vec<[usize; 6]>,
    /// How many nodes there are.
    pub count: usize,
}

impl Elements {
    pub fn new(mesh: Mesh) -> Self {
        let (count, middles) = mesh.edge_nodes();
        let nodes =
            mesh.triangles.iter().zip(middles).map(|(&[a, b, c], [d, e, f])| [a, b, c, d, e, f]).collect();
        Self { mesh, nodes, count }
    }

    /// Gradients of the area coordinates, and the area.
    fn gradients(&self, t: usize) -> ([[f64; 2]; 3], f64) {
        let [a, b, c] = self.mesh.triangles[t].map(|p| self.mesh.points_m[p]);
        let double = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        let of = |p: [f64; 2], q: [f64; 2]| [(p[1] - q[1]) / double, (q[0] - p[0]) / double];
        ([of(b, c), of(c, a), of(a, b)], 0.5 * double)
    }

    /// Stiffness ∫∇φ·∇φ′ and mass ∫φφ′.
    pub fn matrices(&self) -> (Rows, Rows) {
        let (mut stiffness, mut mass) = (Rows::zeros(self.count), Rows::zeros(self.count));
        for (t, nodes) in self.nodes.iter().enumerate() {
            let (gradients, area) = self.gradients(t);
            for at in THREE {
                let slopes = slopes(at, &gradients);
                for i in 0..6 {
                    for j in 0..6 {
                        let dot = slopes[i][0] * slopes[j][0] + slopes[i][1] * slopes[j][1];
                        stiffness.add(nodes[i], nodes[j], area / 3.0 * dot);
                    }
                }
            }
            for i in 0..6 {
                for j in 0..6 {
                    mass.add(nodes[i], nodes[j], area / 180.0 * MASS[i][j]);
                }
            }
        }
        (stiffness, mass)
    }

    /// The triangle that holds a point, or the nearest, with the point's area coordinates.
    pub fn locate(&self, at: [f64; 2]) -> (usize, [f64; 3]) {
        let coordinates = |t: usize| {
            let ([_, gb, gc], _) = self.gradients(t);
            let a = self.mesh.points_m[self.mesh.triangles[t][0]];
            let (x, y) = (at[0] - a[0], at[1] - a[1]);
            let (lb, lc) = (gb[0] * x + gb[1] * y, gc[0] * x + gc[1] * y);
            [1.0 - lb - lc, lb, lc]
        };
        let least = |l: &[f64; 3]| l[0].min(l[1]).min(l[2]);
        let all = (0..self.nodes.len()).map(|t| (t, coordinates(t)));
        let best = all.max_by(|a, b| least(&a.1).total_cmp(&least(&b.1)));
        best.unwrap_or((0, [1.0, 0.0, 0.0]))
    }

    /// The functions of a triangle's six nodes at area coordinates.
    pub fn functions([a, b, c]: [f64; 3]) -> [f64; 6] {
        [a * (2.0 * a - 1.0), b * (2.0 * b - 1.0), c * (2.0 * c - 1.0), 4.0 * b * c, 4.0 * c * a, 4.0 * a * b]
    }

    /// ∫(∂φ/∂d)² along a unit direction, as a share of ∫|∇φ|².
    pub fn share_along(&self, values: &[f64], direction: [f64; 2]) -> f64 {
        let (mut along, mut all) = (0.0, 0.0);
        for (t, nodes) in self.nodes.iter().enumerate() {
            let (gradients, area) = self.gradients(t);
            for at in THREE {
                let slopes = slopes(at, &gradients);
                let [x, y] = [0, 1].map(|k| (0..6).map(|i| values[nodes[i]] * slopes[i][k]).sum::<f64>());
                along += area * (x * direction[0] + y * direction[1]).powi(2);
                all += area * (x * x + y * y);
            }
        }
        if all > 0.0 { along / all } else { 0.0 }
    }
}

/// Gradients of the six functions at area coordinates.
fn slopes([a, b, c]: [f64; 3], [ga, gb, gc]: &[[f64; 2]; 3]) -> [[f64; 2]; 6] {
    let of = |x: f64, gx: &[f64; 2], y: f64, gy: &[f64; 2]| [x * gx[0] + y * gy[0], x * gx[1] + y * gy[1]];
    [
        of(4.0 * a - 1.0, ga, 0.0, ga),
        of(4.0 * b - 1.0, gb, 0.0, gb),
        of(4.0 * c - 1.0, gc, 0.0, gc),
        of(4.0 * c, gb, 4.0 * b, gc),
        of(4.0 * a, gc, 4.0 * c, ga),
        of(4.0 * b, ga, 4.0 * a, gb),
    ]
}
