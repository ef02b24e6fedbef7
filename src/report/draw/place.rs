//! Room for letters: the areas that texts and marks take, and a place where one more covers none of them.

use super::Anchor;

/// Width of a letter in ems: that of a wide digit of common sans-serif fonts (0.556 in Helvetica's metrics), and some
/// air.
const LETTER: f64 = 0.6;
/// Height over the base line and depth under it, ems.
const HEIGHT: f64 = 0.74;
const DEPTH: f64 = 0.2;

/// A rectangle on the paper, y downwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Lower edge.
    pub bottom: f64,
}

impl Area {
    /// What a line of text takes.
    #[must_use]
    pub fn of_text([x, y]: [f64; 2], text: &str, size: f64, anchor: Anchor) -> Self {
        let width = LETTER * size * text.chars().count() as f64;
        let left = match anchor {
            Anchor::Start => x,
            Anchor::Middle => x - 0.5 * width,
            Anchor::End => x - width,
        };
        Self { left, top: y - HEIGHT * size, right: left + width, bottom: y + DEPTH * size }
    }

    /// What a mark of this half width takes.
    #[must_use]
    pub fn round([x, y]: [f64; 2], half: f64) -> Self {
        Self { left: x - half, top: y - half, right: x + half, bottom: y + half }
    }

    /// How much of it another covers.
    #[must_use]
    pub fn common(&self, other: &Area) -> f64 {
        let x = self.right.min(other.right) - self.left.max(other.left);
        let y = self.bottom.min(other.bottom) - self.top.max(other.top);
        x.max(0.0) * y.max(0.0)
    }

    /// How much of it lies outside of another.
    fn outside(&self, frame: &Area) -> f64 {
        (self.right - self.left) * (self.bottom - self.top) - self.common(frame)
    }
}

/// Where a short text stands beside a mark: the nearest of places round it that covers nothing and stays inside the
/// frame, else the one that covers least. The answer is where its base line starts.
#[must_use]
pub fn beside(mark: &Area, text: &str, size: f64, taken: &[Area], frame: &Area) -> [f64; 2] {
    let own = Area::of_text([0.0, 0.0], text, size, Anchor::Start);
    let (wide, tall) = (own.right - own.left, own.bottom - own.top);
    let centre = [0.5 * (mark.left + mark.right), 0.5 * (mark.top + mark.bottom)];
    let half = [0.5 * (mark.right - mark.left + wide), 0.5 * (mark.bottom - mark.top + tall)];
    let mut best = (f64::INFINITY, centre);
    for away in [1.0, 4.0, 8.0, 13.0, 19.0, 26.0, 34.0] {
        for [x, y] in WAYS {
            let middle = [centre[0] + x * (half[0] + away), centre[1] + y * (half[1] + away)];
            let left = middle[0] - 0.5 * wide;
            let at = [left, middle[1] - 0.5 * tall + HEIGHT * size];
            let area = Area::of_text(at, text, size, Anchor::Start);
            let covered = taken.iter().map(|other| area.common(other)).sum::<f64>() + area.outside(frame);
            if covered < best.0 - 1e-9 {
                best = (covered, at);
            }
        }
        if best.0 <= 1e-9 {
            break;
        }
    }
    best.1
}

/// Ways from a mark, the upper right first.
const WAYS: [[f64; 2]; 16] = [
    [1.0, -1.0],
    [1.0, 0.0],
    [0.0, -1.0],
    [-1.0, -1.0],
    [-1.0, 0.0],
    [1.0, 1.0],
    [0.0, 1.0],
    [-1.0, 1.0],
    [1.0, -0.5],
    [1.0, 0.5],
    [0.5, -1.0],
    [-0.5, -1.0],
    [-1.0, -0.5],
    [-1.0, 0.5],
    [0.5, 1.0],
    [-0.5, 1.0],
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_by_hand() {
        let text = Area::of_text([10.0, 20.0], "12", 10.0, Anchor::End);
        assert!((text.left + 2.0).abs() < 1e-12 && (text.top - 12.6).abs() < 1e-12, "{text:?}");
        let (a, b) = (Area::round([0.0, 0.0], 2.0), Area::round([3.0, 1.0], 2.0));
        assert!((a.common(&b) - 3.0).abs() < 1e-12 && a.common(&Area::round([9.0, 0.0], 2.0)) <= 0.0);
    }

    /// The first place round a mark that is free; where none is, one all the same.
    #[test]
    fn a_text_finds_room() {
        let frame = Area { left: 0.0, top: 0.0, right: 100.0, bottom: 100.0 };
        let mark = Area::round([50.0, 50.0], 5.0);
        let right = Area { left: 54.0, top: 0.0, right: 100.0, bottom: 100.0 };
        let at = beside(&mark, "7", 12.0, &[mark, right], &frame);
        let own = Area::of_text(at, "7", 12.0, Anchor::Start);
        assert!(own.common(&mark) + own.common(&right) <= 1e-9 && own.bottom < 50.0, "{own:?}");
        assert!(beside(&mark, "7", 12.0, &[frame], &frame).iter().all(|x| x.is_finite()));
    }
}
