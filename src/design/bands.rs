//! Reverberation time of a band after absorbing areas are added: Sabine and Eyring.
//!
//! For bands where the sound field is diffuse (above the Schroeder frequency); a single mode follows
//! its own rules.

/// Six times ln 10 times four: T = 24 ln 10 · V/(c A).
const SABINE: f64 = 24.0 * std::f64::consts::LN_10;

/// A room as the two formulas see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Diffuse {
    /// Volume, m³.
    pub volume_m3: f64,
    /// Area of walls, floor and ceiling, m².
    pub surface_m2: f64,
    /// Speed of sound, m/s.
    pub sound_speed_m_s: f64,
}

/// An area to be added, with its absorption coefficient in the band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// m².
    pub area_m2: f64,
    /// Absorption coefficient; measured ones may pass 1 (ISO 354).
    pub absorption: f64,
}

impl Diffuse {
    /// Sabine's T of an equivalent absorption area, seconds (ISO 354:2003, A = 55.3 V/(c T)).
    #[must_use]
    pub fn sabine_s(&self, equivalent_m2: f64) -> f64 {
        SABINE * self.volume_m3 / (self.sound_speed_m_s * equivalent_m2)
    }

    /// Eyring's T of a mean absorption coefficient (J. Acoust. Soc. Am. 1 (1930)), seconds.
    #[must_use]
    pub fn eyring_s(&self, mean_absorption: f64) -> f64 {
        -SABINE * self.volume_m3 / (self.sound_speed_m_s * self.surface_m2 * (-mean_absorption).ln_1p())
    }

    /// T of a band after some areas, by Sabine and by Eyring, from the measured one. The areas cover wall that
    /// absorbed as the mean does.
    #[must_use]
    pub fn after_s(&self, before_s: f64, areas: &[Area]) -> (f64, f64) {
        let equivalent = self.sabine_s(1.0) / before_s;
        let exponent = self.eyring_exponent(before_s);
        let (mut sabine, mut eyring) = (equivalent, -(-exponent).exp_m1() * self.surface_m2);
        let (own_sabine, own_eyring) = (sabine / self.surface_m2, eyring / self.surface_m2);
        for area in areas {
            sabine += area.area_m2 * (area.absorption - own_sabine);
            eyring += area.area_m2 * (area.absorption.min(0.999) - own_eyring);
        }
        (self.sabine_s(sabine), self.eyring_s((eyring / self.surface_m2).min(0.999)))
    }

    /// −ln(1 − ᾱ) of a measured T.
    fn eyring_exponent(&self, t_s: f64) -> f64 {
        SABINE * self.volume_m3 / (self.sound_speed_m_s * self.surface_m2 * t_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FOOT_M: f64 = 0.3048;

    /// Everest, *Master Handbook of Acoustics*: 23.3 × 16 × 10 ft (3728 ft³) with 370.4, 214.8, 328.8, 339.5,
    /// 336.8 and 329.4 sabins from 125 Hz to 4 kHz; printed T 0.49, 0.85, 0.56, 0.54, 0.54, 0.55 s by 0.049 V/A.
    #[test]
    fn sabine_by_a_handbook() {
        let room = Diffuse {
            volume_m3: 3728.0 * FOOT_M.powi(3),
            surface_m2: 1532.0 * FOOT_M * FOOT_M,
            sound_speed_m_s: 1130.0 * FOOT_M,
        };
        for (sabins, printed_s) in
            [(370.4, 0.49), (214.8, 0.85), (328.8, 0.56), (339.5, 0.54), (336.8, 0.54), (329.4, 0.55)]
        {
            let found = room.sabine_s(sabins * FOOT_M * FOOT_M);
            assert!((found - printed_s).abs() < 0.006, "{found} {printed_s}");
        }
    }

    /// A textbook's problem: 10 × 8 × 6 m, T = 3 s: 0.161 V/T = 25.76 m².
    #[test]
    fn equivalent_area_of_a_textbook() {
        let room = Diffuse { volume_m3: 480.0, surface_m2: 376.0, sound_speed_m_s: 343.2 };
        assert!((room.sabine_s(1.0) / 3.0 - 25.76).abs() < 0.03);
    }

    /// Adding nothing changes nothing; adding the wall's own absorption neither; Eyring is under Sabine; a small
    /// absorption makes both one.
    #[test]
    fn limits_of_both() {
        let room = Diffuse { volume_m3: 65.45, surface_m2: 101.8, sound_speed_m_s: 343.2 };
        let (sabine, eyring) = room.after_s(0.6, &[]);
        assert!((sabine - 0.6).abs() < 1e-12 && (eyring - 0.6).abs() < 1e-12);
        let (sabine, eyring) = room.after_s(0.6, &[Area { area_m2: 10.0, absorption: 0.9 }]);
        assert!(eyring < sabine && sabine < 0.6);
        assert!((room.eyring_s(1e-6) / room.sabine_s(1e-6 * 101.8) - 1.0).abs() < 1e-5);
        // Mean absorption of one half, by hand: T = 24 ln 10 · 65.45/(343.2 · 101.8 · ln 2) = 0.14936 s.
        assert!((room.eyring_s(0.5) - 0.149_36).abs() < 1e-4);
    }
}
