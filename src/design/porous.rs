//! A porous layer on a rigid wall, and what it can do to one mode.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Air that the layer is filled with, and the layer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layer {
    /// Thickness, metres.
    pub thickness_m: f64,
    /// Static flow resistivity σ, Pa s/m².
    pub resistivity_pa_s_m2: f64,
}

impl Layer {
    /// Beyond these f/σ the formulas leave the range that they were fitted to, m³/kg; they stay
    /// physical there, which is why Miki changed them, but nothing more is promised.
    pub const FITTED: (f64, f64) = (0.01, 1.0);

    /// Characteristic impedance over ρc, and wave number over ω/c, by Miki (J. Acoust. Soc. Jpn. (E) 11
    /// (1990), 19), time going as e^{+iωt}:
    /// `Z = 1 + 0.070 x^−0.632 − 0.107i x^−0.632`, `k = 1 + 0.109 x^−0.618 − 0.160i x^−0.618`, x = f/σ.
    #[must_use]
    pub fn medium(&self, hertz: f64) -> (Complex64, Complex64) {
        let x = hertz / self.resistivity_pa_s_m2;
        let (a, b) = (x.powf(-0.632), x.powf(-0.618));
        (Complex64::new(1.0 + 0.070 * a, -0.107 * a), Complex64::new(1.0 + 0.109 * b, -0.160 * b))
    }

    /// Specific admittance ρc/Z of its surface: `Z = −i Z_c cot(kd)`.
    #[must_use]
    pub fn admittance(&self, hertz: f64, sound_speed_m_s: f64) -> Complex64 {
        let (impedance, wave) = self.medium(hertz);
        let through = wave * TAU * hertz / sound_speed_m_s * self.thickness_m;
        Complex64::new(0.0, 1.0) * through.tan() / impedance
    }

    /// Whether the formulas were fitted to such a layer at this frequency.
    #[must_use]
    pub fn fitted(&self, hertz: f64) -> bool {
        let x = hertz / self.resistivity_pa_s_m2;
        (Self::FITTED.0..=Self::FITTED.1).contains(&x)
    }

    /// Absorption coefficient at normal incidence, 1 − |(1 − β)/(1 + β)|².
    #[must_use]
    pub fn absorption(&self, hertz: f64, sound_speed_m_s: f64) -> f64 {
        let beta = self.admittance(hertz, sound_speed_m_s);
        1.0 - ((1.0 - beta) / (1.0 + beta)).norm_sqr()
    }

    /// The layer of this thickness whose flow resistivity takes most from a mode, out of usual wools and foams.
    #[must_use]
    pub fn best(thickness_m: f64, hertz: f64, sound_speed_m_s: f64) -> Self {
        // Pa s/m², of wools and foams as sold: common practice, no source.
        const USUAL: [f64; 6] = [2_000.0, 5_000.0, 10_000.0, 20_000.0, 40_000.0, 80_000.0];
        let layer = |resistivity_pa_s_m2| Self { thickness_m, resistivity_pa_s_m2 };
        let real = |l: &Self| l.admittance(hertz, sound_speed_m_s).re;
        let start = layer(USUAL[0]);
        USUAL[1..].iter().map(|s| layer(*s)).fold(start, |a, b| if real(&b) > real(&a) { b } else { a })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Miki's own form of the same, with 10³f/σ: 5.50, 8.43, 7.81 and 11.41 before the powers. The two sets
    /// of coefficients agree to the digits printed (0.070 = 5.50 · 1000^−0.632).
    #[test]
    fn both_published_forms_agree() {
        for (own, other, power) in
            [(0.070, 5.50, -0.632), (0.107, 8.43, -0.632), (0.109, 7.81, -0.618), (0.160, 11.41, -0.618)]
        {
            let scaled: f64 = other * 1000f64.powf(power);
            assert!((scaled - own).abs() < 6e-4, "{own} {scaled}");
        }
    }

    /// 5 cm of 10 000 Pa s/m² at 500 Hz worked by hand: x = 0.05, x^−0.632 = 6.641, x^−0.618 = 6.368, so
    /// Z_c = 1.4649 − 0.7106i, k = (1.6941 − 1.0189i)·9.154/m.
    #[test]
    fn worked_by_hand() {
        let layer = Layer { thickness_m: 0.05, resistivity_pa_s_m2: 10_000.0 };
        let (z, k) = layer.medium(500.0);
        assert!((z - Complex64::new(1.4649, -0.7106)).norm() < 2e-3, "{z}");
        assert!((k - Complex64::new(1.6941, -1.0189)).norm() < 2e-3, "{k}");
        let alpha = layer.absorption(500.0, 343.2);
        assert!((0.3..0.7).contains(&alpha), "{alpha}");
    }

    /// A very thick layer is a half space of the medium, β = ρc/Z_c; a very thin one takes nothing.
    #[test]
    fn thick_and_thin() {
        let layer = |thickness_m| Layer { thickness_m, resistivity_pa_s_m2: 20_000.0 };
        let (z, _) = layer(10.0).medium(200.0);
        assert!((layer(10.0).admittance(200.0, 343.2) - 1.0 / z).norm() < 1e-9);
        assert!(layer(0.01).absorption(40.0, 343.2) < 0.01);
    }
}
