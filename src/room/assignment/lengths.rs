//! The room's effective lengths, from modes whose names are known.

use crate::estimate::Estimate;
use crate::room::Enclosure;
use nalgebra::{DMatrix, DVector};

/// One standard deviation of a real mode's frequency round that of the rigid room with the right
/// lengths, as a share of it (furniture, windows, absorbing walls).
pub(super) const FREQUENCY_SPREAD: f64 = 0.008;
/// One standard deviation of an effective length round the measured one, as a share of it
/// (2.5 cm in 5 m; light walls give, recesses count in part).
const LENGTH_SPREAD: f64 = 0.005;

/// Effective lengths of the room: those of the rigid room that fits the named modes best.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct RoomFit {
    /// Length, width, height, metres, each with its standard deviation; `None` of a room that is no box.
    pub dimensions_m: Option<[Estimate; 3]>,
    /// By which factor the lengths as stated are stretched: length, width and height of a rectangular room; plan and
    /// height of one on a polygon.
    pub stretch: Vec<Estimate>,
    /// Air temperature, °C, as stated.
    pub temperature_c: f64,
    /// Speed of sound at that temperature, m/s.
    pub sound_speed_m_s: f64,
    /// How many modes it rests on.
    pub assigned: usize,
    /// Root mean square of measured over fitted frequency − 1; `None` without modes.
    pub rms_error: Option<f64>,
}

/// A measured undamped frequency, hertz, and what the square of its mode's predicted one is made of, Hz².
pub(super) type Known = (f64, Vec<f64>);

impl RoomFit {
    /// The lengths as stated, before any mode has been named.
    pub(super) fn stated(air: &Enclosure) -> Self {
        let ways = if air.dimensions_m().is_some() { 3 } else { 2 };
        Self {
            dimensions_m: None,
            stretch: vec![Estimate::new(1.0, LENGTH_SPREAD); ways],
            temperature_c: air.temperature_c,
            sound_speed_m_s: air.sound_speed_m_s,
            assigned: 0,
            rms_error: None,
        }
        .with_lengths(air)
    }

    fn with_lengths(mut self, air: &Enclosure) -> Self {
        let times =
            |length: f64, s: &Estimate| Estimate { value: length * s.value, sd: s.sd.map(|sd| length * sd) };
        self.dimensions_m = air
            .dimensions_m()
            .zip(self.stretch.first_chunk::<3>())
            .map(|(lengths, stretch)| [0, 1, 2].map(|axis| times(lengths[axis], &stretch[axis])));
        self
    }

    /// Fits the lengths to measured undamped frequencies of named modes.
    ///
    /// A mode's squared frequency is linear in the `1/s²` of the factors s on the stated lengths; the stated lengths
    /// take part as further equations with the tape measure's spread, so that an axis without modes keeps its length.
    /// From six modes on the modes' own scatter replaces the spread assumed for them. No length
    /// moves by more than three spreads of the tape measure.
    pub(super) fn to(air: &Enclosure, known: &[Known]) -> Self {
        let first = Self::with_spread(air, known, FREQUENCY_SPREAD);
        match first.rms_error {
            Some(rms) if known.len() >= 6 => {
                let n = known.len() as f64;
                // A tenth of a per cent: what temperature alone does in half a degree.
                let spread = (rms * (n / (n - 3.0)).sqrt()).max(0.001);
                Self::with_spread(air, known, spread)
            }
            _ => first,
        }
    }

    /// The weighted fit with a relative spread of the frequencies.
    fn with_spread(air: &Enclosure, known: &[Known], spread: f64) -> Self {
        let stated = Self::stated(air);
        let (rows, right) = equations(stated.stretch.len(), known, spread);
        let qr = rows.qr();
        let r = qr.r();
        let (Some(x), Some(inverse)) =
            (r.solve_upper_triangular(&(qr.q().transpose() * right)), r.try_inverse())
        else {
            // Not reached: the equations of the stated lengths alone have full rank.
            return stated;
        };
        let most = 3.0 * LENGTH_SPREAD;
        let factor = |way: usize| {
            let fitted = x[way].max(f64::MIN_POSITIVE).powf(-0.5).clamp(1.0 - most, 1.0 + most);
            Estimate::new(fitted, 0.5 * fitted.powi(3) * inverse.row(way).norm())
        };
        let stretch = (0..x.len()).map(factor).collect();
        let mut fit = Self { stretch, assigned: known.len(), ..stated }.with_lengths(air);
        fit.rms_error = fit.rms(known);
        fit
    }

    /// Frequency of a mode with these lengths, hertz, from what its squared frequency is made of as stated.
    #[must_use]
    pub fn frequency_hz(&self, parts_hz2: &[f64]) -> f64 {
        parts_hz2.iter().zip(&self.stretch).map(|(part, s)| part / (s.value * s.value)).sum::<f64>().sqrt()
    }

    fn rms(&self, known: &[Known]) -> Option<f64> {
        let sum: f64 = known.iter().map(|(f, parts)| (f / self.frequency_hz(parts) - 1.0).powi(2)).sum();
        (!known.is_empty()).then(|| (sum / known.len() as f64).sqrt())
    }
}

/// One equation a mode, one a stated length, each divided by its own standard deviation; unknown are the `1/s²`.
fn equations(ways: usize, known: &[Known], spread: f64) -> (DMatrix<f64>, DVector<f64>) {
    let mut rows = DMatrix::zeros(known.len() + ways, ways);
    let mut right = DVector::zeros(known.len() + ways);
    for (k, (frequency_hz, parts)) in known.iter().enumerate() {
        // A relative spread of f is twice that of its square.
        right[k] = 0.5 / spread;
        for (way, part) in parts.iter().enumerate().take(ways) {
            rows[(k, way)] = 0.5 / (spread * frequency_hz * frequency_hz) * part;
        }
    }
    for way in 0..ways {
        right[known.len() + way] = 0.5 / LENGTH_SPREAD;
        rows[(known.len() + way, way)] = 0.5 / LENGTH_SPREAD;
    }
    (rows, right)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stated() -> Enclosure {
        Enclosure::rectangular([5.0, 4.0, 2.5], 20.0, 150.0).unwrap()
    }

    /// Modes of a true room up to 130 Hz, named by the stated one's.
    fn named(dimensions_m: [f64; 3]) -> Vec<Known> {
        let (room, stated) = (Enclosure::rectangular(dimensions_m, 20.0, 130.0).unwrap(), stated());
        let parts = |axes| stated.parts_hz2(stated.modes.iter().position(|m| m.axes == axes).unwrap());
        room.modes.iter().map(|mode| (mode.frequency_hz, parts(mode.axes))).collect()
    }

    /// Frequencies of a room whose lengths are up to 1 % off pull the stated lengths there: with
    /// exact modes a tenth of the way is left at most.
    #[test]
    fn lengths_follow_the_modes() {
        let fit = RoomFit::to(&stated(), &named([5.05, 3.97, 2.5]));
        let [length, width, height] = fit.dimensions_m.unwrap();
        assert!((length.value - 5.05).abs() < 0.005, "{length:?}");
        assert!((width.value - 3.97).abs() < 0.003, "{width:?}");
        assert!((height.value - 2.5).abs() < 0.01);
        assert!(length.sd.unwrap() < 0.005 * 5.0);
        assert!(fit.rms_error.unwrap() < 1e-3);
    }

    /// Modes along one axis leave the other lengths, and their spread, as stated.
    #[test]
    fn an_axis_without_modes_keeps_its_length() {
        let known: Vec<_> = named([5.05, 4.0, 2.5]).into_iter().filter(|k| k.1[1..] == [0.0, 0.0]).collect();
        let fit = RoomFit::to(&stated(), &known);
        let [length, width, _] = fit.dimensions_m.unwrap();
        assert!((width.value - 4.0).abs() < 1e-9);
        assert!((width.sd.unwrap() - 0.02).abs() < 1e-9);
        assert!(length.value > 5.02);
    }

    /// A tape measure isn't 10 % off: the lengths stop at three spreads.
    #[test]
    fn lengths_stay_within_reach_of_the_tape_measure() {
        let fit = RoomFit::to(&stated(), &named([5.5, 4.0, 2.5])[..5]);
        assert!((fit.dimensions_m.unwrap()[0].value - 5.075).abs() < 1e-9);
    }

    /// A plan drawn 1 % too small and a height 1 % too large are found from exact modes of an L.
    #[test]
    fn a_plan_is_stretched_as_a_whole() {
        let corners = |s: f64| {
            [[0.0, 0.0], [5.45, 0.0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0.0, 4.55]]
                .map(|c| c.map(|x| s * x))
        };
        let truth = Enclosure::upright(&corners(1.01), 2.58, 20.0, 130.0).unwrap();
        let stated = Enclosure::upright(&corners(1.0), 1.01 * 2.58, 20.0, 140.0).unwrap();
        let own = |name: String| stated.modes.iter().position(|m| m.to_string() == name);
        let known: Vec<Known> = truth
            .modes
            .iter()
            .filter_map(|m| Some((m.frequency_hz, stated.parts_hz2(own(m.to_string())?))))
            .collect();
        let fit = RoomFit::to(&stated, &known);
        assert!(fit.dimensions_m.is_none());
        assert!((fit.stretch[0].value - 1.01).abs() < 1e-3, "{fit:?}");
        assert!((fit.stretch[1].value - 1.0 / 1.01).abs() < 1e-3, "{fit:?}");
    }
}
