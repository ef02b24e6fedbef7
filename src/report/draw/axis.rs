//! From values to places on the paper, and where ticks belong.

/// A straight or logarithmic axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Value at the start; above zero on a logarithmic axis.
    pub from: f64,
    /// Value at the end.
    pub to: f64,
    /// Place of the start.
    pub start: f64,
    /// Place of the end.
    pub end: f64,
    /// Whether equal steps are equal ratios.
    pub log: bool,
}

/// Ticks of an axis: their values, and as many decimals as they need.
#[derive(Debug, Clone, PartialEq)]
pub struct Ticks {
    /// Values, rising.
    pub values: Vec<f64>,
    /// Decimals that tell them apart.
    pub decimals: usize,
}

impl Scale {
    /// A straight axis.
    #[must_use]
    pub fn linear(from: f64, to: f64, start: f64, end: f64) -> Self {
        Self { from, to, start, end, log: false }
    }

    /// A logarithmic axis.
    #[must_use]
    pub fn log(from: f64, to: f64, start: f64, end: f64) -> Self {
        Self { from, to, start, end, log: true }
    }

    /// Where a value lies; values outside lie at the nearer end.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        let share = if self.log {
            (value / self.from).ln() / (self.to / self.from).ln()
        } else {
            (value - self.from) / (self.to - self.from)
        };
        // What is no number lies at the start: nothing is drawn outside the frame.
        let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
        self.start + share * (self.end - self.start)
    }

    /// Round values within the axis, at most about `most`: steps of 1, 2 or 5, on a logarithmic axis
    /// 1, 2, 3, 5 of each decade.
    #[must_use]
    pub fn ticks(&self, most: usize) -> Ticks {
        let (low, high) = (self.from.min(self.to), self.from.max(self.to));
        if !(high > low && low.is_finite() && high.is_finite()) {
            return Ticks { values: vec![low], decimals: 1 };
        }
        if self.log { decades(low, high) } else { steps(low, high, most.max(1)) }
    }
}

fn steps(low: f64, high: f64, most: usize) -> Ticks {
    let rough = (high - low) / most as f64;
    let power = 10f64.powf(rough.log10().floor());
    // The factor 10 always reaches, rounding apart; then the last stands in.
    let step = [1.0, 2.0, 5.0, 10.0].map(|f| f * power).into_iter().find(|s| *s >= rough * (1.0 - 1e-9));
    let step = step.unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil();
    let count = ((high / step + 1e-9).floor() - first).max(0.0) as usize;
    let values = (0..=count).map(|k| (first + k as f64) * step).collect();
    Ticks { values, decimals: (-step.log10().floor()).max(0.0) as usize }
}

fn decades(low: f64, high: f64) -> Ticks {
    let mut values = Vec::new();
    for decade in (low.log10().floor() as i32)..=(high.log10().ceil() as i32) {
        for leading in [1.0, 2.0, 3.0, 5.0] {
            let value = leading * 10f64.powi(decade);
            if value >= low * (1.0 - 1e-9) && value <= high * (1.0 + 1e-9) {
                values.push(value);
            }
        }
    }
    Ticks { values, decimals: 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand.
    #[test]
    fn values_find_their_places() {
        let straight = Scale::linear(0.0, 2.0, 10.0, 110.0);
        for (value, place) in
            [(0.0, 10.0), (1.0, 60.0), (2.0, 110.0), (-1.0, 10.0), (9.0, 110.0), (f64::NAN, 10.0)]
        {
            assert!((straight.at(value) - place).abs() < 1e-12, "{value}");
        }
        let octaves = Scale::log(20.0, 320.0, 0.0, 400.0);
        for (value, place) in [(20.0, 0.0), (40.0, 100.0), (160.0, 300.0), (0.0, 0.0)] {
            assert!((octaves.at(value) - place).abs() < 1e-9, "{value}");
        }
    }

    #[test]
    fn ticks_are_round_and_inside() {
        let of = |from, to, most| Scale::linear(from, to, 0.0, 1.0).ticks(most);
        assert_eq!(of(0.0, 2.0, 4).values, [0.0, 0.5, 1.0, 1.5, 2.0]);
        assert_eq!(of(0.0, 2.0, 4).decimals, 1);
        assert_eq!(of(-60.0, 0.0, 6).values, [-60.0, -50.0, -40.0, -30.0, -20.0, -10.0, 0.0]);
        assert_eq!(of(-60.0, 0.0, 6).decimals, 0);
        assert_eq!(Scale::log(15.0, 200.0, 0.0, 1.0).ticks(9).values, [20.0, 30.0, 50.0, 100.0, 200.0]);
        assert_eq!(of(1.0, 1.0, 3).values, [1.0]);
        assert_eq!(of(f64::NAN, 1.0, 3).values.len(), 1);
    }
}
