//! The measuring chain as poles and zeros: a loudspeaker's roll-off, an equaliser.

use super::SceneError;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Second-order sections in a row. Far above its poles and zeros the chain does nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Chain {
    /// The sections, in any order.
    pub sections: Vec<Section>,
}

/// `(s − z)(s − z*)/((s − p)(s − p*))`, with s in rad/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// The zero z; 0 for a high-pass.
    pub zero: Complex64,
    /// The pole p, in the upper left quarter of the plane.
    pub pole: Complex64,
}

impl Section {
    /// An equaliser's bell: `gain_db` at `frequency_hz`, with its pole at `decay_per_s`.
    ///
    /// `(s² + 2 G δ s + ω²)/(s² + 2 δ s + ω²)`: the gain at ω is G. A zero that would not oscillate
    /// (G δ above ω) lies on the negative axis and is not offered: it is drawn to the axis.
    #[cfg(test)]
    pub(crate) fn bell(frequency_hz: f64, decay_per_s: f64, gain_db: f64) -> Self {
        let omega = 2.0 * PI * frequency_hz;
        let root = |decay: f64| Complex64::new(-decay, (omega * omega - decay * decay).max(0.0).sqrt());
        Self { zero: root(decay_per_s * 10f64.powf(gain_db / 20.0)), pole: root(decay_per_s) }
    }

    fn at(self, s: Complex64) -> Complex64 {
        (s - self.zero) * (s - self.zero.conj()) / ((s - self.pole) * (s - self.pole.conj()))
    }
}

impl Chain {
    /// Butterworth high-pass of even order: a closed box is 2, a vented one 4.
    ///
    /// Poles at `ω_c exp(iπ(1/2 + (2k+1)/(2n)))` (Butterworth 1930; the same for high- and low-pass).
    #[must_use]
    pub fn high_pass(corner_hz: f64, half_order: u32) -> Self {
        let n = 2 * half_order;
        let sections = (0..half_order)
            .map(|k| {
                let angle = PI * (0.5 + f64::from(2 * k + 1) / f64::from(2 * n));
                Section {
                    zero: Complex64::new(0.0, 0.0),
                    pole: Complex64::from_polar(2.0 * PI * corner_hz, angle),
                }
            })
            .collect();
        Self { sections }
    }

    /// The chain with one more section.
    #[cfg(test)]
    pub(crate) fn with(mut self, section: Section) -> Self {
        self.sections.push(section);
        self
    }

    /// Transfer function at s.
    #[must_use]
    pub fn at(&self, s: Complex64) -> Complex64 {
        self.sections.iter().map(|section| section.at(s)).product()
    }

    /// Residue of the transfer function at the pole of section `i`.
    pub(super) fn residue(&self, i: usize) -> Complex64 {
        let Section { zero, pole } = self.sections[i];
        let own = (pole - zero) * (pole - zero.conj()) / (pole - pole.conj());
        let others = self.sections.iter().enumerate().filter(|(k, _)| *k != i);
        others.fold(own, |product, (_, section)| product * section.at(pole))
    }

    /// Poles must be damped, oscillate and differ, or the residues have another form.
    pub(super) fn check(&self) -> Result<(), SceneError> {
        for (i, Section { zero, pole }) in self.sections.iter().enumerate() {
            let sound = pole.re < 0.0 && pole.im > 0.0 && pole.is_finite() && zero.is_finite();
            let alone = self.sections[..i].iter().all(|o| (o.pole - pole).norm() > 1e-6 * pole.norm());
            if !(sound && alone) {
                return Err(SceneError::Chain(i));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// A Butterworth of order n: |H|² = 1/(1 + (f_c/f)^2n).
    #[test]
    fn high_pass_is_butterworth() {
        for half_order in [1, 2, 3] {
            let chain = Chain::high_pass(28.0, half_order);
            for f in [5.0, 28.0, 60.0, 500.0] {
                let power = chain.at(Complex64::new(0.0, 2.0 * PI * f)).norm_sqr();
                let expected = 1.0 / (1.0 + (28.0 / f).powi(4 * half_order as i32));
                assert_relative_eq!(power, expected, epsilon = 0.0, max_relative = 1e-12);
            }
        }
    }

    /// Partial fractions: H(s) = 1 + Σ (residue/(s − p) + its conjugate).
    #[test]
    fn residues_make_up_the_transfer_function() {
        let chain = Chain::high_pass(25.0, 2).with(Section::bell(41.0, 30.0, -6.0));
        let s = Complex64::new(-3.0, 190.0);
        let sum: Complex64 = (0..chain.sections.len())
            .map(|i| {
                let (r, p) = (chain.residue(i), chain.sections[i].pole);
                r / (s - p) + r.conj() / (s - p.conj())
            })
            .sum();
        assert!((sum + 1.0 - chain.at(s)).norm() < 1e-12);
    }

    #[test]
    fn a_bell_has_its_gain_and_its_inverse_undoes_it() {
        let bell = Section::bell(41.0, 30.0, -6.0);
        let s = Complex64::new(0.0, 2.0 * PI * 41.0);
        assert_relative_eq!(bell.at(s).norm(), 10f64.powf(-0.3), epsilon = 0.0, max_relative = 1e-12);
        assert!((bell.at(s) * Section { zero: bell.pole, pole: bell.zero }.at(s) - 1.0).norm() < 1e-12);
    }

    #[test]
    fn equal_poles_are_refused() {
        let bell = Section::bell(41.0, 30.0, -6.0);
        let chain = Chain::default().with(bell).with(bell);
        assert_eq!(chain.check(), Err(SceneError::Chain(1)));
    }
}
