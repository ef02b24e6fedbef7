//! Straight lines through the decay curve, and how far they can be trusted.

use crate::flag::Flag;

/// Part of the decay curve that a line is fitted to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Range {
    /// 0 to −10 dB (ISO 3382-1:2009, A.2.2).
    Edt,
    /// −5 to −25 dB (ISO 3382-2:2008, 6).
    T20,
    /// −5 to −35 dB.
    T30,
}

impl Range {
    /// Ends of the range, as energies relative to the start.
    pub fn energies(self) -> (f64, f64) {
        let (high_db, low_db) = match self {
            Self::Edt => (0.0, -10.0),
            Self::T20 => (-5.0, -25.0),
            Self::T30 => (-5.0, -35.0),
        };
        (10.0_f64.powf(high_db / 10.0), 10.0_f64.powf(low_db / 10.0))
    }

    /// Peak-to-noise needed: the range and 15 dB, as a ratio of powers (ISO 3382-1:2009, 5.3.3).
    pub fn least_peak_to_noise(self) -> f64 {
        match self {
            Self::Edt => 316.227_766,
            Self::T20 => 3_162.277_66,
            Self::T30 => 31_622.776_6,
        }
    }

    /// Fall of the decay curve to the crossing that the range needs, as a ratio of energies: its lower end and 8 dB.
    ///
    /// Behind a strong direct sound the peak can stand far enough over the noise while what decays doesn't.
    /// The peak of a pure decay asks for 15 dB; two slopes leave the curve some 5 dB less. No source.
    pub fn least_fall(self) -> f64 {
        6.309_573_44 / self.energies().1
    }

    /// The flag of a range that the record doesn't hold.
    pub fn too_low(self) -> Flag {
        match self {
            Self::Edt => Flag::RangeEdt,
            Self::T20 => Flag::RangeT20,
            Self::T30 => Flag::RangeT30,
        }
    }
}

/// A least-squares line, and how straight the points lie on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// 1 − r², r the correlation of x and y; 0 for points on the line.
    pub nonlinearity: f64,
}

/// 60 dB as a ratio of energies, in nepers: 6 ln 10.
const SIXTY_DB: f64 = 13.815_510_557_964_274;

impl Line {
    /// Least squares of y on x; `None` for fewer than two different x, or numbers that aren't.
    ///
    /// Sums are taken around the means, so no digits are lost far from x = 0.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let n = points.len() as f64;
        let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
        let (x0, y0) = (mean(|p| p.0), mean(|p| p.1));
        let sum = |of: fn(f64, f64) -> f64| points.iter().map(|p| of(p.0 - x0, p.1 - y0)).sum::<f64>();
        let (xx, xy, yy) = (sum(|x, _| x * x), sum(|x, y| x * y), sum(|_, y| y * y));
        let slope = xy / xx;
        let nonlinearity = if yy > 0.0 { (1.0 - slope * xy / yy).max(0.0) } else { 0.0 };
        slope.is_finite().then_some(Self { intercept: y0 - slope * x0, slope, nonlinearity })
    }

    /// Time to fall by 60 dB along a falling line through (seconds, natural logarithm of energy), s.
    pub fn time_s(&self) -> f64 {
        -SIXTY_DB / self.slope
    }

    /// Whether the line falls.
    pub fn falls(&self) -> bool {
        self.slope < 0.0
    }
}

/// Least B·T behind a time-reversed filter (Jacobsen & Rindel, J. Sound Vib. 117 (1987) 187;
/// ISO 3382-2:2008, 7.3).
pub const LEAST_BT: f64 = 4.0;

/// Random spread of one evaluation: sd = a·T·√((1 + b/n)/(N·B·T)).
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread {
    a: f64,
    b: f64,
}

/// ISO 3382-1:2009, eq. 4.
pub(super) const T20_SPREAD: Spread = Spread { a: 0.88, b: 1.90 };
/// ISO 3382-1:2009, eq. 5.
pub(super) const T30_SPREAD: Spread = Spread { a: 0.55, b: 1.52 };
/// An integrated impulse response counts as the mean of ten decays (ISO 3382-1:2009, 7.2).
const DECAYS: f64 = 10.0;

impl Spread {
    /// Standard deviation of a decay time over `positions` positions, s.
    pub fn sd_s(self, time_s: f64, bandwidth_hz: f64, positions: usize) -> f64 {
        let products = positions as f64 * bandwidth_hz * time_s;
        self.a * time_s * ((1.0 + self.b / DECAYS) / products).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Anscombe's first data set (The American Statistician 27 (1973) 17): y = 3.00 + 0.500 x, r² = 0.67.
    #[test]
    fn anscombes_first_set() {
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let points: Vec<_> = x.into_iter().zip(y).collect();
        let line = Line::through(&points).unwrap();
        assert_relative_eq!(line.slope, 0.5001, epsilon = 0.0, max_relative = 1e-3);
        assert_relative_eq!(line.intercept, 3.0001, epsilon = 0.0, max_relative = 1e-3);
        assert_relative_eq!(1.0 - line.nonlinearity, 0.6665, epsilon = 0.0, max_relative = 1e-3);
    }

    #[test]
    fn too_few_points_make_no_line() {
        assert!(Line::through(&[]).is_none());
        assert!(Line::through(&[(1.0, 2.0)]).is_none());
        assert!(Line::through(&[(1.0, 2.0), (1.0, 3.0)]).is_none());
    }

    #[test]
    fn a_rising_line_has_no_decay_time() {
        assert!(!Line::through(&[(0.0, 0.0), (1.0, 1.0)]).unwrap().falls());
        let falling = Line::through(&[(0.0, 0.0), (1.0, -SIXTY_DB)]).unwrap();
        assert_relative_eq!(falling.time_s(), 1.0, epsilon = 0.0, max_relative = 1e-12);
    }
}
