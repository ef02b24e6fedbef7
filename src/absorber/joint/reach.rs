//! How far a quantity reaches over what the data leave open: the least and the largest value on the ellipsoid
//! within which −2 ln L rises by less than 3.84, 95 % of χ² with one degree (a profile of the likelihood, taken as
//! quadratic in the shared numbers). Where poles meet a decay is no smooth function of anything, so its slope
//! alone says nothing.

use nalgebra::{Cholesky, DMatrix, DVector};

/// Radius of the ellipsoid, sd.
const RADIUS: f64 = crate::estimate::SD_PER_95;
/// Steps along the surface, from each start.
const STEPS: usize = 4;

/// Values at the ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::absorber) struct Ends {
    pub low: f64,
    pub value: f64,
    pub high: f64,
}

impl Ends {
    /// Of a value and its sd.
    pub(in crate::absorber) fn of(value: f64, sd: f64) -> Self {
        Self { low: value - RADIUS * sd, value, high: value + RADIUS * sd }
    }

    /// Half of the interval over 1.96.
    pub(in crate::absorber) fn sd(&self) -> f64 {
        (self.high - self.low) / (2.0 * RADIUS)
    }

    /// Both ends so many times as far.
    pub(in crate::absorber) fn times(self, factor: f64) -> Self {
        let end = |end: f64| self.value + factor * (end - self.value);
        Self { low: end(self.low), high: end(self.high), ..self }
    }

    /// From here to there of both.
    pub(in crate::absorber) fn with(self, other: Self) -> Self {
        Self { low: self.low.min(other.low), high: self.high.max(other.high), ..self }
    }

    /// Of logarithms what they are of a quantity, in units of `one`.
    pub(in crate::absorber) fn times_of(self, one: f64) -> Self {
        let of = |x: f64| one * x.exp();
        Self { low: of(self.low), value: of(self.value), high: of(self.high) }
    }

    /// All three less this much.
    pub(in crate::absorber) fn less(self, by: f64) -> Self {
        Self { low: self.low - by, value: self.value - by, high: self.high - by }
    }

    /// Wider by errors that have nothing to do with the shared numbers.
    pub(in crate::absorber) fn widened(self, sd: f64) -> Self {
        let more = |end: f64| (end - self.value).hypot(RADIUS * sd);
        Self { low: self.value - more(self.low), high: self.value + more(self.high), ..self }
    }
}

/// Least and largest value of `quantity` within the ellipsoid round `middle`.
///
/// `kinked`: starts from both ends of each axis too, for what has kinks.
pub(in crate::absorber) fn ends(
    middle: &DVector<f64>,
    covariance: &DMatrix<f64>,
    kinked: bool,
    quantity: impl Fn(&DVector<f64>) -> Option<f64>,
) -> Option<Ends> {
    let root = Cholesky::new(covariance.clone())?.l();
    let at = |z: &DVector<f64>| quantity(&(middle + &root * z));
    let size = middle.len();
    let value = quantity(middle)?;
    let mut starts = vec![DVector::zeros(size)];
    if kinked {
        let axis = |k: usize| DVector::from_fn(size, |i, _| if i == k { RADIUS } else { 0.0 });
        starts.extend((0..size).flat_map(|k| [axis(k), -axis(k)]));
    }
    let far = |sign: f64| {
        let reached = starts.iter().map(|start| farthest(&at, start, sign, value));
        reached.fold(value, |far, v| if sign * (v - far) > 0.0 { v } else { far })
    };
    Some(Ends { low: far(-1.0), value, high: far(1.0) })
}

/// Climbs along the surface from a start: each step to where the slope points.
fn farthest(at: &impl Fn(&DVector<f64>) -> Option<f64>, start: &DVector<f64>, sign: f64, value: f64) -> f64 {
    let (mut z, mut best) = (start.clone(), at(start).unwrap_or(value));
    for _ in 0..STEPS {
        let step = 0.05;
        let slope = DVector::from_fn(z.len(), |i, _| {
            let by = |by: f64| {
                let mut moved = z.clone();
                moved[i] += by;
                at(&moved)
            };
            by(step).zip(by(-step)).map_or(0.0, |(up, down)| (up - down) / (2.0 * step))
        });
        let norm = slope.norm();
        if !(norm > 0.0 && norm.is_finite()) {
            break;
        }
        z = slope * (sign * RADIUS / norm);
        match at(&z) {
            Some(v) if sign * (v - best) > 1e-9 * best.abs() => best = v,
            _ => break,
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A straight line reaches 1.96 of its sd, a cusp as far as its arms go: max(x, y) of two independent
    /// numbers with one sd, which no slope tells.
    #[test]
    fn lines_and_cusps() {
        let middle = DVector::from_row_slice(&[1.0, 1.0]);
        let covariance = DMatrix::from_row_slice(2, 2, &[0.04, 0.01, 0.01, 0.09]);
        let line = ends(&middle, &covariance, false, |x| Some(x[0] + 2.0 * x[1])).unwrap();
        let sd = (0.04f64 + 4.0 * 0.09 + 4.0 * 0.01).sqrt();
        assert!((line.high - 3.0 - RADIUS * sd).abs() < 1e-6 && (line.sd() - sd).abs() < 1e-6, "{line:?}");
        let unit = DMatrix::identity(2, 2);
        let cusp = ends(&middle, &unit, true, |x| Some(x[0].max(x[1]))).unwrap();
        assert!((cusp.high - 1.0 - RADIUS).abs() < 1e-6, "{cusp:?}");
        // Both must come down together: 1.96/√2.
        assert!((1.0 - cusp.low - RADIUS / 2f64.sqrt()).abs() < 0.45, "{cusp:?}");
    }
}
