//! How small a change of T20 a number of places will show, before anything is measured again.

use super::line::T20_SPREAD;
use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

/// What places scatter by, over what the standard's formula says: the median over 201 invented pairs of states with an
/// independent field at each place (`change::tests::bands`), chosen on these; other draws are held against it there. The
/// formula also holds decays of interrupted noise.
const PAIRED: f64 = 0.85;

/// Half the 95 % interval that a change of T20 will have, as a ratio, with `places` places in both states: Student's t
/// over the places, each scattering as a single evaluation does in either state (ISO 3382-1:2009, eq. 4); of the
/// scatter that so few places show the median (chi-square over its degrees of freedom). That is for a field that is
/// another one at every place afterwards, as if all microphones had moved. Where it stays as it was (a repeat; the same
/// places and one tuned unit) the places scatter alike and the interval is narrower, at 125 Hz to a third down to a
/// twenty-fifth in 60 invented sessions.
/// `None` for fewer than two places, or a time that is none.
#[must_use]
pub fn expected_change(places: usize, bandwidth_hz: f64, t20_s: f64) -> Option<f64> {
    let freedom = places.checked_sub(1).filter(|freedom| *freedom > 0)?;
    let reach = StudentsT::new(0.0, 1.0, freedom as f64).ok()?.inverse_cdf(0.975);
    let sd = T20_SPREAD.sd_s(t20_s, bandwidth_hz, 1) / t20_s;
    let shown = (ChiSquared::new(freedom as f64).ok()?.inverse_cdf(0.5) / freedom as f64).sqrt();
    let half = PAIRED * reach * shown * (2.0 / places as f64).sqrt() * sd;
    half.is_finite().then_some(half)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: third octave at 1 kHz (B 231 Hz), 0.6 s: 0.88·√(1.19/138.6) = 8.15 %; six places: 2.571·√(1/3) of it,
    /// times √(4.351/5), the median of chi-square on five degrees (any table), times 0.85.
    #[test]
    fn by_hand() {
        let half = expected_change(6, 231.0, 0.6).unwrap();
        assert!((half - 0.0960).abs() < 0.001, "{half}");
        assert!(expected_change(1, 231.0, 0.6).is_none() && expected_change(3, 231.0, f64::NAN).is_none());
    }
}
