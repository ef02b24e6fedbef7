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

    /// The flag of a range that the record doesn't hold.
    pub fn too_low(self) -> Flag {
        match self {
            Self::Edt => Flag::RangeEdt,
            Self::T20 => Flag::RangeT20,
            Self::T30 => Flag::RangeT30,
        }
    }
}

/// A decay time and how straight the curve is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Time to fall by 60 dB at the line's slope, s.
    pub time_s: f64,
    /// 1 − r².
    pub nonlinearity: f64,
}

/// 60 dB as a ratio of energies, in nepers: 6 ln 10.
const SIXTY_DB: f64 = 13.815_510_557_964_274;

impl Line {
    /// Least squares of ln(energy) over time; `None` for fewer than three points or a curve that rises.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let n = points.len() as f64;
        if points.len() < 3 || points.iter().any(|p| !p.1.is_finite()) {
            return None;
        }
        let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
        let (t0, y0) = (mean(|p| p.0), mean(|p| p.1));
        let sum = |of: fn(f64, f64) -> f64| points.iter().map(|p| of(p.0 - t0, p.1 - y0)).sum::<f64>();
        let (tt, ty, yy) = (sum(|t, _| t * t), sum(|t, y| t * y), sum(|_, y| y * y));
        let slope = ty / tt;
        if slope.is_nan() || slope >= 0.0 {
            return None;
        }
        Some(Self { time_s: -SIXTY_DB / slope, nonlinearity: (1.0 - ty * ty / (tt * yy)).max(0.0) })
    }
}

/// Least B·T behind a time-reversed filter (Jacobsen & Rindel, J. Sound Vib. 117 (1987) 187;
/// ISO 3382-2:2008, 7.3).
pub(super) const LEAST_BT: f64 = 4.0;

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

/// Nonlinearity above which a decay is far from straight (ISO 3382-2:2008, annex B: 10 per mille).
pub(super) const LEAST_NONLINEARITY: f64 = 0.010;
/// 95 % of perfect Gaussian decays stay under this over B·T in the T20 range. Fit to 400 to 800 simulated
/// decays at each B·T from 16 to 512 (138, 83, 48, 25, 12, 6 per mille), rounded up.
pub(super) const CHANCE_T20: f64 = 3.2;
/// The same for the T30 range (79, 49, 28, 13, 7, 3.5 per mille).
pub(super) const CHANCE_T30: f64 = 1.8;
/// Curvature above which a decay is far from straight (ISO 3382-2:2008, B.3: 10 %).
pub(super) const LEAST_CURVATURE: f64 = 0.10;
/// Standard deviation of the curvature of perfect decays times √(B·T), from the same simulation.
pub(super) const CURVATURE_SD: f64 = 0.75;
