//! Between what a mode of a plan stands, in words.

use crate::language::{Message, number, say};

/// Between what a mode of a plan stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Way {
    /// The sound runs along the longest wall and those parallel to it.
    Along,
    /// It runs across the longest wall.
    Across,
    /// It runs round: pressure is opposite, and high, in these two corners of the plan, metres.
    Corners([[f64; 2]; 2]),
    /// Both ways, with no such pair of corners.
    Both,
}

/// So much of the motion one way is that way, in words. Our own bound.
const ONE_WAY: f64 = 0.85;
/// Share of full pressure (−8 dB) from which a corner is one of those between which a mode stands. Our own bound.
const HIGH: f64 = 0.4;

impl Way {
    /// From the share of the motion along the longest wall, and the pressure in each corner (−1…1).
    pub(super) fn of(along: f64, corners: &[([f64; 2], f64)]) -> Self {
        if along >= ONE_WAY {
            return Self::Along;
        }
        if along <= 1.0 - ONE_WAY {
            return Self::Across;
        }
        let most = |sign: f64| {
            let own = corners.iter().filter(|(_, pressure)| sign * pressure >= HIGH);
            own.fold(None::<&([f64; 2], f64)>, |best, here| {
                // A margin, so that rounding can't choose between corners alike.
                best.filter(|best| sign * here.1 < sign * best.1 + 1e-6).or(Some(here))
            })
        };
        match (most(1.0), most(-1.0)) {
            (Some(high), Some(low)) => Self::Corners([high.0, low.0]),
            _ => Self::Both,
        }
    }

    /// In words.
    #[must_use]
    pub fn message(self) -> Message {
        match self {
            Self::Along => say!("stands.along"),
            Self::Across => say!("stands.across"),
            Self::Corners([a, b]) => {
                let [ax, ay, bx, by] = [a[0], a[1], b[0], b[1]].map(|m| number(m, 2));
                say!("stands.corners", ax = ax, ay = ay, bx = bx, by = by)
            }
            Self::Both => say!("stands.both"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_way_has_its_words() {
        let corners = [([0.0, 0.0], 0.1), ([5.0, 0.0], -1.0), ([5.0, 3.0], -0.7), ([0.0, 4.0], 0.9)];
        assert_eq!(Way::of(0.95, &corners), Way::Along);
        assert_eq!(Way::of(0.04, &corners).message().to_string(), "between the long walls");
        let round = Way::of(0.5, &corners);
        assert_eq!(round, Way::Corners([[0.0, 4.0], [5.0, 0.0]]));
        assert_eq!(round.message().to_string(), "between the corners at 0.00, 4.00 m and 5.00, 0.00 m");
        assert_eq!(Way::of(0.5, &corners[..3]), Way::Both);
    }
}
