//! The speed of sound.

use super::RoomError;

/// Speed of sound in air in m/s: `343.2 √((273.15 + θ)/293.15)` (ISO 9613-1:1993, Eq. A.5).
///
/// Dry air; humidity adds 0.3 % at the very most, as much as 2 °C would, and is left out.
///
/// # Errors
/// [`RoomError::Temperature`] outside −40…60 °C, or if it is not a number.
pub fn sound_speed_m_s(temperature_c: f64) -> Result<f64, RoomError> {
    let (low, high) = RoomError::TEMPERATURES_C;
    if !(low..=high).contains(&temperature_c) {
        return Err(RoomError::Temperature { found: temperature_c });
    }
    Ok(343.2 * ((273.15 + temperature_c) / 293.15).sqrt())
}

/// Density of dry air at sea level in kg/m³, P₀/(R T) with P₀ = 101 325 Pa and R = 287.05 J/(kg K) (ISO 2533:1975).
///
/// Weather changes it by some per cent, 1000 m of height take 11 %.
///
/// # Errors
/// [`RoomError::Temperature`] outside −40…60 °C, or if it is not a number.
pub fn air_density_kg_m3(temperature_c: f64) -> Result<f64, RoomError> {
    sound_speed_m_s(temperature_c)?;
    Ok(101_325.0 / (287.05 * (273.15 + temperature_c)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 9613-1, Eq. A.5, evaluated by hand to three decimals.
    #[test]
    fn follows_the_standard_formula() {
        let table = [
            (0.0, 331.286),
            (10.0, 337.296),
            (15.0, 340.261),
            (20.0, 343.2),
            (25.0, 346.114),
            (30.0, 349.005),
        ];
        for (temperature_c, expected) in table {
            let c = sound_speed_m_s(temperature_c).unwrap();
            assert!((c - expected).abs() < 5e-4, "{temperature_c} °C: {c}");
        }
    }

    /// ISO 2533, table: 1.225 kg/m³ at 15 °C.
    #[test]
    fn density_of_the_standard_atmosphere() {
        assert!((air_density_kg_m3(15.0).unwrap() - 1.225).abs() < 1e-3);
    }

    #[test]
    fn refuses_what_is_no_room_temperature() {
        for bad in [f64::NAN, -300.0, 1e9, f64::INFINITY] {
            assert!(sound_speed_m_s(bad).is_err());
        }
    }
}
