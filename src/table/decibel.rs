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

/// Level of a power with its standard deviation to first order: (10 / ln 10) sd / value.
#[must_use]
pub fn of_power_estimate(power: Estimate) -> Option<Estimate> {
    let level = of_power(power.value)?;
    Some(with_sd(level, power.sd.map(|sd| DB_PER_LN_POWER * sd / power.value)))
}

/// Level of an amplitude with its standard deviation to first order: (20 / ln 10) sd / value.
#[must_use]
pub fn of_amplitude_estimate(amplitude: Estimate) -> Option<Estimate> {
    let level = of_amplitude(amplitude.value)?;
    Some(with_sd(level, amplitude.sd.map(|sd| 2.0 * DB_PER_LN_POWER * sd / amplitude.value)))
}

fn with_sd(value: f64, sd: Option<f64>) -> Estimate {
    Estimate { value, sd }
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
        let power = of_power_estimate(Estimate::new(0.3, sd)).unwrap();
        assert_relative_eq!(power.sd.unwrap() * 2.0, slope, epsilon = 0.0, max_relative = 1e-8);
    }
}
