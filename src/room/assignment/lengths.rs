//! The room's effective lengths, from modes whose names are known.

use super::AssignSettings;
use crate::estimate::Estimate;
use crate::room::Prediction;
use nalgebra::{DMatrix, DVector};

/// Effective lengths of the room: those of the rigid box that fits the named modes best.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct RoomFit {
    /// Length, width, height, metres, each with its standard deviation.
    pub dimensions_m: [Estimate; 3],
    /// Air temperature, °C, as stated.
    pub temperature_c: f64,
    /// Speed of sound at that temperature, m/s.
    pub sound_speed_m_s: f64,
    /// How many modes it rests on.
    pub assigned: usize,
    /// Root mean square of measured over fitted frequency − 1; `None` without modes.
    pub rms_error: Option<f64>,
}

impl RoomFit {
    /// The lengths as stated, before any mode has been named.
    pub(super) fn stated(room: &Prediction, spread: f64) -> Self {
        Self {
            dimensions_m: room.dimensions_m.map(|length| Estimate::new(length, spread * length)),
            temperature_c: room.temperature_c,
            sound_speed_m_s: room.sound_speed_m_s,
            assigned: 0,
            rms_error: None,
        }
    }

    /// Fits the lengths to measured undamped frequencies of named modes.
    ///
    /// `(2f/c)² = Σ n²/L²` is linear in the three `1/L²`; the stated lengths take part as three more
    /// equations with the tape measure's spread, so that an axis without modes keeps its length.
    /// From six modes on the modes' own scatter replaces the spread assumed for them. No length
    /// moves by more than three spreads of the tape measure.
    pub(super) fn to(room: &Prediction, known: &[(f64, [u32; 3])], settings: &AssignSettings) -> Self {
        let first = Self::with_spread(room, known, settings.length_spread, settings.frequency_spread);
        match first.rms_error {
            Some(rms) if known.len() >= 6 => {
                let n = known.len() as f64;
                // A tenth of a per cent: what temperature alone does in half a degree.
                let spread = (rms * (n / (n - 3.0)).sqrt()).max(0.001);
                Self::with_spread(room, known, settings.length_spread, spread)
            }
            _ => first,
        }
    }

    /// The weighted fit with one relative spread for lengths and one for frequencies.
    fn with_spread(room: &Prediction, known: &[(f64, [u32; 3])], length_spread: f64, spread: f64) -> Self {
        let stated = Self::stated(room, length_spread);
        let (rows, right) = equations(room, known, length_spread, spread);
        let qr = rows.qr();
        let r = qr.r();
        let (Some(x), Some(inverse)) =
            (r.solve_upper_triangular(&(qr.q().transpose() * right)), r.try_inverse())
        else {
            // Not reached: the three equations of the stated lengths alone have full rank.
            return stated;
        };
        let most = 3.0 * length_spread;
        let dimensions_m = [0, 1, 2].map(|axis| {
            let length = room.dimensions_m[axis];
            let fitted = x[axis].max(f64::MIN_POSITIVE).powf(-0.5);
            let fitted = fitted.clamp((1.0 - most) * length, (1.0 + most) * length);
            Estimate::new(fitted, 0.5 * fitted.powi(3) * inverse.row(axis).norm())
        });
        let mut fit = Self { dimensions_m, assigned: known.len(), ..stated };
        fit.rms_error = fit.rms(known);
        fit
    }

    /// Frequency of a mode with these lengths, hertz.
    #[must_use]
    pub fn frequency_hz(&self, axes: [u32; 3]) -> f64 {
        let sum: f64 = (0..3).map(|i| (f64::from(axes[i]) / self.dimensions_m[i].value).powi(2)).sum();
        0.5 * self.sound_speed_m_s * sum.sqrt()
    }

    fn rms(&self, known: &[(f64, [u32; 3])]) -> Option<f64> {
        let sum: f64 = known.iter().map(|(f, axes)| (f / self.frequency_hz(*axes) - 1.0).powi(2)).sum();
        (!known.is_empty()).then(|| (sum / known.len() as f64).sqrt())
    }
}

/// One equation a mode, one a stated length, each divided by its own standard deviation.
fn equations(
    room: &Prediction,
    known: &[(f64, [u32; 3])],
    length_spread: f64,
    spread: f64,
) -> (DMatrix<f64>, DVector<f64>) {
    let mut rows = DMatrix::zeros(known.len() + 3, 3);
    let mut right = DVector::zeros(known.len() + 3);
    for (k, (frequency_hz, axes)) in known.iter().enumerate() {
        let square = (2.0 * frequency_hz / room.sound_speed_m_s).powi(2);
        // A relative spread of f is twice that of its square.
        right[k] = 0.5 / spread;
        for axis in 0..3 {
            rows[(k, axis)] = 0.5 / (spread * square) * f64::from(axes[axis]).powi(2);
        }
    }
    for axis in 0..3 {
        right[known.len() + axis] = 0.5 / length_spread;
        rows[(known.len() + axis, axis)] = 0.5 / length_spread * room.dimensions_m[axis].powi(2);
    }
    (rows, right)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(dimensions_m: [f64; 3], temperature_c: f64, up_to_hz: f64) -> Vec<(f64, [u32; 3])> {
        let room = Prediction::new(dimensions_m, temperature_c, up_to_hz).unwrap();
        room.modes.iter().map(|mode| (mode.frequency_hz, mode.axes)).collect()
    }

    /// Frequencies of a room whose lengths are up to 1 % off pull the stated lengths there: with
    /// exact modes a tenth of the way is left at most.
    #[test]
    fn lengths_follow_the_modes() {
        let stated = Prediction::new([5.0, 4.0, 2.5], 20.0, 130.0).unwrap();
        let known = named([5.05, 3.97, 2.5], 20.0, 130.0);
        let fit = RoomFit::to(&stated, &known, &AssignSettings::default());
        let [length, width, height] = fit.dimensions_m;
        assert!((length.value - 5.05).abs() < 0.005, "{length:?}");
        assert!((width.value - 3.97).abs() < 0.003, "{width:?}");
        assert!((height.value - 2.5).abs() < 0.01);
        assert!(length.sd.unwrap() < 0.005 * 5.0);
        assert!(fit.rms_error.unwrap() < 1e-3);
    }

    /// Modes along one axis leave the other lengths, and their spread, as stated.
    #[test]
    fn an_axis_without_modes_keeps_its_length() {
        let stated = Prediction::new([5.0, 4.0, 2.5], 20.0, 130.0).unwrap();
        let known: Vec<_> =
            named([5.05, 4.0, 2.5], 20.0, 130.0).into_iter().filter(|k| k.1[1..] == [0, 0]).collect();
        let fit = RoomFit::to(&stated, &known, &AssignSettings::default());
        assert!((fit.dimensions_m[1].value - 4.0).abs() < 1e-9);
        assert!((fit.dimensions_m[1].sd.unwrap() - 0.02).abs() < 1e-9);
        assert!(fit.dimensions_m[0].value > 5.02);
    }

    /// A tape measure isn't 10 % off: the lengths stop at three spreads.
    #[test]
    fn lengths_stay_within_reach_of_the_tape_measure() {
        let stated = Prediction::new([5.0, 4.0, 2.5], 20.0, 130.0).unwrap();
        let known = &named([5.5, 4.0, 2.5], 20.0, 130.0)[..5];
        let fit = RoomFit::to(&stated, known, &AssignSettings::default());
        assert!((fit.dimensions_m[0].value - 5.075).abs() < 1e-9);
    }
}
