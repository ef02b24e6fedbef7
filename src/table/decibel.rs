//! Decibels. Inside the program powers and amplitudes are linear; here they become levels.

use crate::estimate::Estimate;

/// Decibels per neper of power, 10 / ln 10.
const DB_PER_LN_POWER: f64 = 10.0 / std::f64::consts::LN_10;

/// 10 lg of a ratio of powers or energies; `None` unless it is finite and above zero.
#[must_use]
pub fn of_power(ratio: f64) -> Option<f64> {
    (ratio > 0.0 && ratio.is_finite()).then(|| 10.0 * ratio.log10())
}

/// 20 lg of a ratio of amplitudes; `None` unless it is finite and above zero.
#[must_use]
pub fn of_amplitude(ratio: f64) -> Option<f64> {
    of_power(ratio).map(|db| 2.0 * db)
}

/// Level of an amplitude with its standard deviation to first order: (20 / ln 10) sd / value.
#[must_use]
pub fn of_amplitude_estimate(amplitude: Estimate) -> Option<Estimate> {
    let level = of_amplitude(amplitude.value)?;
    Some(Estimate { value: level, sd: amplitude.sd.map(|sd| 2.0 * DB_PER_LN_POWER * sd / amplitude.value) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn levels_of_round_numbers() {
        // Factor 10 in power is 10 dB, in amplitude 20 dB: the definition of the decibel (IEC 60027-3).
        assert_relative_eq!(of_power(10.0).unwrap(), 10.0, epsilon = 0.0, max_relative = 1e-14);
        assert_relative_eq!(of_amplitude(0.1).unwrap(), -20.0, epsilon = 0.0, max_relative = 1e-14);
        for nothing in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(of_power(nothing), None);
        }
    }

    /// The first-order deviation against the difference quotient of the level itself.
    #[test]
    fn deviation_follows_the_slope_of_the_level() {
        let sd = 1e-6;
        let level = of_amplitude_estimate(Estimate::new(0.3, sd)).unwrap();
        let slope = (of_amplitude(0.3 + sd).unwrap() - of_amplitude(0.3 - sd).unwrap()) / 2.0;
        assert_relative_eq!(level.sd.unwrap(), slope, epsilon = 0.0, max_relative = 1e-8);
    }
}
