//! Triangles over a plan: ears cut off one by one, then edges halved until all are short enough.

use super::outline::{Outline, turn};
use std::collections::BTreeMap;

/// Corners and triangles (counter-clockwise triples of corners).
#[derive(Debug, Clone, PartialEq)]
pub struct Mesh {
    /// Corners, metres.
    pub points_m: Vec<[f64; 2]>,
    /// Triples of corners.
    pub triangles: Vec<[usize; 3]>,
}

/// Triangles beyond this number aren't made: the plan is too large for the frequency.
const MOST_TRIANGLES: usize = 4_000;

impl Mesh {
    /// Triangles with edges of at most `longest_m`, shorter towards corners where sound bends round a wall;
    /// `None` where that would be too many.
    #[must_use]
    pub fn new(outline: &Outline, longest_m: f64) -> Option<Self> {
        let mut mesh = Self { points_m: outline.corners_m().to_vec(), triangles: ears(outline.corners_m()) };
        let inner = outline.inner_corners_m();
        // A fifth of the size at the corner itself: its singular flow converges as slowly as h^(4/3).
        let size = |at: [f64; 2]| {
            let near = inner.iter().map(|c| (c[0] - at[0]).hypot(c[1] - at[1])).fold(f64::INFINITY, f64::min);
            longest_m.min((0.6 * near).max(0.2 * longest_m))
        };
        while let Some(triangle) = mesh.coarsest(&size) {
            if mesh.triangles.len() > MOST_TRIANGLES {
                return None;
            }
            mesh.refine(triangle);
        }
        Some(mesh)
    }

    fn edge_m(&self, a: usize, b: usize) -> f64 {
        let (a, b) = (self.points_m[a], self.points_m[b]);
        (a[0] - b[0]).hypot(a[1] - b[1])
    }

    /// The triangle whose longest edge is farthest over its size, if any is.
    fn coarsest(&self, size: &impl Fn([f64; 2]) -> f64) -> Option<usize> {
        let over = |t: usize| {
            let [a, b, c] = self.triangles[t];
            let (p, q, r) = (self.points_m[a], self.points_m[b], self.points_m[c]);
            let middle = [(p[0] + q[0] + r[0]) / 3.0, (p[1] + q[1] + r[1]) / 3.0];
            let (i, j) = self.longest(t);
            self.edge_m(i, j) / size(middle)
        };
        (0..self.triangles.len())
            .map(|t| (t, over(t)))
            .filter(|(_, over)| *over > 1.0)
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(t, _)| t)
    }

    /// Longest edge of a triangle; of equal ones the one between the lowest corners.
    fn longest(&self, t: usize) -> (usize, usize) {
        let [a, b, c] = self.triangles[t];
        let mut edges = [(a, b), (b, c), (c, a)].map(|(i, j)| (i.min(j), i.max(j)));
        edges.sort_unstable();
        edges.into_iter().fold(edges[0], |best, e| {
            if self.edge_m(e.0, e.1) > self.edge_m(best.0, best.1) * (1.0 + 1e-9) { e } else { best }
        })
    }

    /// Halves the longest edge that the longest edges of neighbours lead to (Rivara 1984): no angle becomes
    /// less than half the least one.
    fn refine(&mut self, first: usize) {
        let mut at = first;
        for _ in 0..self.triangles.len() {
            let edge = self.longest(at);
            let beyond = self.holders(edge).into_iter().find(|t| *t != at);
            match beyond {
                Some(next) if self.longest(next) != edge => at = next,
                _ => return self.split(edge),
            }
        }
        self.split(self.longest(at));
    }

    fn holders(&self, (i, j): (usize, usize)) -> Vec<usize> {
        (0..self.triangles.len())
            .filter(|&t| self.triangles[t].contains(&i) && self.triangles[t].contains(&j))
            .collect()
    }

    fn split(&mut self, (i, j): (usize, usize)) {
        let (a, b) = (self.points_m[i], self.points_m[j]);
        let middle = self.points_m.len();
        self.points_m.push([0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])]);
        for t in self.holders((i, j)) {
            let old = self.triangles[t];
            self.triangles[t] = old.map(|p| if p == i { middle } else { p });
            self.triangles.push(old.map(|p| if p == j { middle } else { p }));
        }
    }

    /// Middles of the edges as further nodes, numbered after the corners: for each triangle those opposite
    /// to its corners.
    #[must_use]
    pub fn edge_nodes(&self) -> (usize, Vec<[usize; 3]>) {
        let mut numbers: BTreeMap<(usize, usize), usize> = BTreeMap::new();
        let mut next = self.points_m.len();
        let mut number = |i: usize, j: usize| {
            *numbers.entry((i.min(j), i.max(j))).or_insert_with(|| {
                next += 1;
                next - 1
            })
        };
        let nodes =
            self.triangles.iter().map(|&[a, b, c]| [number(b, c), number(c, a), number(a, b)]).collect();
        (next, nodes)
    }
}

/// Triangulates a simple polygon by cutting off ears, the one with the largest least angle first.
fn ears(corners: &[[f64; 2]]) -> Vec<[usize; 3]> {
    let mut left: Vec<usize> = (0..corners.len()).collect();
    let mut triangles = Vec::new();
    while left.len() > 3 {
        let n = left.len();
        let ear = |i: usize| [left[(i + n - 1) % n], left[i], left[(i + 1) % n]];
        let is_ear = |i: &usize| {
            let [a, b, c] = ear(*i).map(|k| corners[k]);
            let inside = |p: [f64; 2]| turn(a, b, p) >= 0.0 && turn(b, c, p) >= 0.0 && turn(c, a, p) >= 0.0;
            turn(a, b, c) > 1e-12
                && left.iter().filter(|k| !ear(*i).contains(k)).all(|k| !inside(corners[*k]))
        };
        let roundness = |i: usize| {
            let [a, b, c] = ear(i).map(|k| corners[k]);
            let edge = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2);
            turn(a, b, c) / (edge(a, b) + edge(b, c) + edge(c, a))
        };
        let best = (0..n).filter(is_ear).max_by(|a, b| roundness(*a).total_cmp(&roundness(*b)));
        // A simple polygon always has an ear; corners in one line are simply passed over.
        let Some(i) = best else {
            let flat = (0..n).min_by(|a, b| roundness(*a).abs().total_cmp(&roundness(*b).abs())).unwrap_or(0);
            left.remove(flat);
            continue;
        };
        triangles.push(ear(i));
        left.remove(i);
    }
    if let [a, b, c] = left[..] {
        triangles.push([a, b, c]);
    }
    triangles
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn triangles_fill_the_plan_and_share_whole_edges() {
        let l = [[0.0, 0.0], [5.45, 0.0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0.0, 4.55]];
        let outline = Outline::new(&l).unwrap();
        let mesh = Mesh::new(&outline, 0.5).unwrap();
        let area: f64 = mesh
            .triangles
            .iter()
            .map(|t| 0.5 * turn(mesh.points_m[t[0]], mesh.points_m[t[1]], mesh.points_m[t[2]]))
            .sum();
        assert!((area - outline.area_m2()).abs() < 1e-9);
        // Euler: corners − edges + triangles = 1 for a plan in one piece without hanging corners.
        let (nodes, _) = mesh.edge_nodes();
        let edges = nodes - mesh.points_m.len();
        assert_eq!(mesh.points_m.len() + mesh.triangles.len(), edges + 1);
        assert!(mesh.triangles.iter().all(|&[a, b, c]| {
            let longest = mesh.edge_m(a, b).max(mesh.edge_m(b, c)).max(mesh.edge_m(c, a));
            let area = turn(mesh.points_m[a], mesh.points_m[b], mesh.points_m[c]);
            longest <= 0.5 + 1e-9 && area > 0.05 * longest * longest
        }));
    }
}
