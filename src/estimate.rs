//! A value with its standard deviation, or the reason why the data carry none.
//!
//! ```
//! use stillroom::estimate::{Estimate, Reading};
//! use stillroom::flag::Flag;
//!
//! let t60_s: Reading = Ok(Estimate::new(1.70, 0.01));
//! let interval = t60_s.map(|t60| t60.interval_95());
//! assert!(interval.is_ok_and(|ends| ends.is_some_and(|(low, high)| low < 1.69 && high > 1.71)));
//! let hidden: Reading = Err(Flag::NotSeen);
//! assert_eq!(hidden.map_err(Flag::word), Err("not-seen"));
//! ```

use crate::flag::Flag;

/// What a stage knows of one quantity: an [`Estimate`], or the [`Flag`] that says why there is none.
///
/// Tables print the first as a number and the second as an empty cell with the flag beside it.
pub type Reading = Result<Estimate, Flag>;

/// Half width of a 95 % interval in standard deviations of a normal distribution, Φ⁻¹(0.975).
pub const SD_PER_95: f64 = 1.959_963_984_540_054;

/// A finite value and, where one can be given, its standard deviation in the same unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The best value; always finite.
    pub value: f64,
    /// One standard deviation; `None` where the method offers none.
    pub sd: Option<f64>,
}

impl Estimate {
    /// A value with its standard deviation.
    #[must_use]
    pub fn new(value: f64, sd: f64) -> Self {
        Self { value, sd: Some(sd) }
    }

    /// A value without a standard deviation.
    #[must_use]
    pub fn exact(value: f64) -> Self {
        Self { value, sd: None }
    }

    /// Ends of the 95 % interval of a normal distribution, or `None` without a standard deviation.
    #[must_use]
    pub fn interval_95(&self) -> Option<(f64, f64)> {
        self.sd.map(|sd| (self.value - SD_PER_95 * sd, self.value + SD_PER_95 * sd))
    }

    /// Whether the 95 % interval of a quantity that is above zero begins above zero: one that doesn't carries no number.
    #[must_use]
    pub fn is_above_zero(&self) -> bool {
        self.interval_95().is_none_or(|(low, _)| low > 0.0)
    }

    /// The estimate in another unit: value and standard deviation times `factor` (above zero).
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self { value: self.value * factor, sd: self.sd.map(|sd| sd * factor) }
    }
}
