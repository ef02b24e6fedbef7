//! The modes of a rectangular room, listed and counted.

use super::{RoomError, check_lengths, sound_speed_m_s};
use crate::language::worded;
use std::f64::consts::PI;
use std::fmt;

/// The modes of a rectangular room up to a frequency, in rising frequency.
///
/// `f = (c/2) √((n/L)² + (m/W)² + (l/H)²)` (Kuttruff, *Room Acoustics*, chapter 3). Walls are taken
/// as rigid: real ones, furniture and doors move frequencies by some per cent. The pressure of a
/// sealed room as a whole, (0,0,0) at 0 Hz, is not listed.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Prediction {
    /// Length, width, height, metres.
    pub dimensions_m: [f64; 3],
    /// Air temperature, °C.
    pub temperature_c: f64,
    /// Speed of sound at that temperature, m/s.
    pub sound_speed_m_s: f64,
    /// Upper end of the list, hertz.
    pub up_to_hz: f64,
    /// The modes; equal frequencies in the order of their indices.
    pub modes: Vec<PredictedMode>,
}

/// One mode of a rectangular room.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct PredictedMode {
    /// How many half waves fit into length, width and height.
    pub axes: [u32; 3],
    /// Undamped natural frequency, hertz.
    pub frequency_hz: f64,
}

worded! {
    /// Between how many pairs of walls a mode stands.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
    pub enum Form {
        /// One pair: the wave runs along one axis.
        Axial = "axial",
        /// Two pairs.
        Tangential = "tangential",
        /// All three.
        Oblique = "oblique",
    }
}

/// The planes across one axis on which a mode is at full pressure, and those on which it vanishes.
///
/// A microphone or loudspeaker on a plane of full pressure of *every* axis sees and drives the mode
/// in full, and a pressure absorber works there; on any plane of nothing none of them does.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Planes {
    /// 0 along the length, 1 along the width, 2 along the height.
    pub axis: usize,
    /// Distances from the origin's wall with full pressure, metres; first and last are the walls.
    pub full_m: Vec<f64>,
    /// Distances with no pressure, metres.
    pub none_m: Vec<f64>,
}

/// Pressure of the mode `axes` at a place, −1…1: `cos(nπx/L) cos(mπy/W) cos(lπz/H)`.
#[must_use]
pub fn shape(dimensions_m: [f64; 3], axes: [u32; 3], at_m: [f64; 3]) -> f64 {
    (0..3).map(|axis| (f64::from(axes[axis]) * PI * at_m[axis] / dimensions_m[axis]).cos()).product()
}

impl Prediction {
    /// Lists the modes of a room of `dimensions_m` (length, width, height) up to `up_to_hz`.
    ///
    /// # Errors
    /// [`RoomError`] names a length, temperature or frequency out of range.
    pub fn new(dimensions_m: [f64; 3], temperature_c: f64, up_to_hz: f64) -> Result<Self, RoomError> {
        Self::with_sound_speed(dimensions_m, temperature_c, sound_speed_m_s(temperature_c)?, up_to_hz)
    }

    /// As [`Prediction::new`], with the speed of sound given (a handbook's, or a fitted one).
    fn with_sound_speed(
        dimensions_m: [f64; 3],
        temperature_c: f64,
        sound_speed_m_s: f64,
        up_to_hz: f64,
    ) -> Result<Self, RoomError> {
        check_lengths(dimensions_m)?;
        let mut room = Self { dimensions_m, temperature_c, sound_speed_m_s, up_to_hz, modes: Vec::new() };
        let expected = room.count_below(up_to_hz);
        if !(up_to_hz > 0.0 && expected < f64::from(RoomError::MOST_MODES)) {
            return Err(RoomError::Range { found: up_to_hz, expected });
        }
        room.modes = room.enumerate();
        Ok(room)
    }

    /// All modes up to `up_to_hz`, sorted.
    fn enumerate(&self) -> Vec<PredictedMode> {
        // Indices of axial modes below the limit; every other mode has smaller ones. Bounded by
        // the count that `with_sound_speed` has checked.
        let last = self.dimensions_m.map(|d| (2.0 * self.up_to_hz * d / self.sound_speed_m_s).floor() as u32);
        let mut modes = Vec::new();
        for n in 0..=last[0] {
            for m in 0..=last[1] {
                for l in 0..=last[2] {
                    let axes = [n, m, l];
                    let frequency_hz = self.frequency_hz(axes);
                    if axes != [0; 3] && frequency_hz <= self.up_to_hz {
                        modes.push(PredictedMode { axes, frequency_hz });
                    }
                }
            }
        }
        modes.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz).then(a.axes.cmp(&b.axes)));
        modes
    }

    /// Undamped natural frequency of the mode `axes`, hertz.
    #[must_use]
    pub fn frequency_hz(&self, axes: [u32; 3]) -> f64 {
        let sum: f64 = (0..3).map(|i| (f64::from(axes[i]) / self.dimensions_m[i]).powi(2)).sum();
        0.5 * self.sound_speed_m_s * sum.sqrt()
    }

    /// Volume, m³.
    #[must_use]
    pub fn volume_m3(&self) -> f64 {
        self.dimensions_m.iter().product()
    }

    /// Surface of all six walls, m².
    #[must_use]
    pub fn surface_m2(&self) -> f64 {
        let [l, w, h] = self.dimensions_m;
        2.0 * (l * w + l * h + w * h)
    }

    /// Length of all twelve edges, metres.
    #[must_use]
    pub fn edges_m(&self) -> f64 {
        4.0 * self.dimensions_m.iter().sum::<f64>()
    }

    /// How many modes to expect below a frequency, on average over frequency:
    /// `N = (4π/3) V (f/c)³ + (π/4) S (f/c)² + (E/8) f/c` (Morse & Bolt, Rev. Mod. Phys. 16 (1944);
    /// Kuttruff, *Room Acoustics*, chapter 3). It counts (0,0,0) too, about one more than the list.
    #[must_use]
    pub fn count_below(&self, frequency_hz: f64) -> f64 {
        let k = frequency_hz / self.sound_speed_m_s;
        4.0 * PI / 3.0 * self.volume_m3() * k.powi(3)
            + PI / 4.0 * self.surface_m2() * k.powi(2)
            + self.edges_m() / 8.0 * k
    }

    /// Modes per hertz at a frequency: the derivative of [`Prediction::count_below`].
    #[must_use]
    pub fn density_per_hz(&self, frequency_hz: f64) -> f64 {
        let c = self.sound_speed_m_s;
        let k = frequency_hz / c;
        (4.0 * PI * self.volume_m3() * k.powi(2) + PI / 2.0 * self.surface_m2() * k + self.edges_m() / 8.0)
            / c
    }

    /// Modes per half-power bandwidth, `density · 3 ln 10/(π T60)`: under 1 modes stand alone, from
    /// about 3 on they can no longer be told apart (Schroeder, JASA 34 (1962)).
    #[cfg(test)]
    fn overlap(&self, frequency_hz: f64, t60_s: f64) -> f64 {
        self.density_per_hz(frequency_hz) * 3.0 * std::f64::consts::LN_10 / (PI * t60_s)
    }

    /// Schroeder frequency in hertz, `2000 √(T60/V)`: above it the room is diffuse and the band,
    /// below it the mode is what one can speak of (Schroeder, JASA 34 (1962)).
    #[must_use]
    pub fn schroeder_hz(&self, t60_s: f64) -> f64 {
        2000.0 * (t60_s / self.volume_m3()).sqrt()
    }
}

impl PredictedMode {
    /// Axial, tangential or oblique.
    #[must_use]
    pub fn form(&self) -> Form {
        match self.axes.iter().filter(|&&n| n > 0).count() {
            0 | 1 => Form::Axial,
            2 => Form::Tangential,
            _ => Form::Oblique,
        }
    }

    /// Where the mode is at full pressure and where it vanishes, for each axis that it varies along.
    #[must_use]
    pub fn planes(&self, dimensions_m: [f64; 3]) -> Vec<Planes> {
        (0..3)
            .filter(|&axis| self.axes[axis] > 0)
            .map(|axis| {
                let (n, length) = (self.axes[axis], dimensions_m[axis]);
                let at = |half_quarters: u32| f64::from(half_quarters) * length / f64::from(2 * n);
                Planes {
                    axis,
                    full_m: (0..=n).map(|k| at(2 * k)).collect(),
                    none_m: (0..n).map(|k| at(2 * k + 1)).collect(),
                }
            })
            .collect()
    }
}

impl fmt::Display for PredictedMode {
    /// The indices, `1 0 2`, as the tables hold them.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [n, m, l] = self.axes;
        write!(f, "{n} {m} {l}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KUTTRUFF: [f64; 3] = [4.7, 4.1, 3.1];
    const OWN: [f64; 3] = [5.6, 4.25, 2.75];

    fn room(dimensions_m: [f64; 3], c: f64, up_to_hz: f64) -> Prediction {
        Prediction::with_sound_speed(dimensions_m, 20.0, c, up_to_hz).unwrap()
    }

    fn assert_listed(room: &Prediction, expected: &[(f64, &str)], within_hz: f64) {
        for (mode, (frequency_hz, axes)) in room.modes.iter().zip(expected) {
            assert!((mode.frequency_hz - frequency_hz).abs() <= within_hz, "{mode}: {}", mode.frequency_hz);
            assert_eq!(mode.to_string().replace(' ', ""), *axes);
        }
        assert!(room.modes.len() >= expected.len());
    }

    /// Kuttruff, *Room Acoustics*, table of the eigenfrequencies of a room of 4.7 × 4.1 × 3.1 m at
    /// 340 m/s, whose two decimals agree but for (0,1,1): printed 68.55, computed 68.750.
    #[test]
    fn kuttruffs_room() {
        let expected = [
            (36.170, "100"),
            (41.463, "010"),
            (54.839, "001"),
            (55.023, "110"),
            (65.693, "101"),
            (68.750, "011"),
            (72.340, "200"),
            (77.684, "111"),
            (82.927, "020"),
            (83.381, "210"),
            (90.472, "120"),
            (90.777, "201"),
            (99.419, "021"),
            (99.798, "211"),
            (105.794, "121"),
            (108.511, "300"),
            (109.677, "002"),
            (110.045, "220"),
            (115.488, "102"),
            (116.163, "310"),
            (117.253, "012"),
        ];
        assert_listed(&room(KUTTRUFF, 340.0, 118.0), &expected, 5e-4);
    }

    /// The formula worked for another room by an independent program, three decimals.
    #[test]
    fn a_second_room() {
        let expected = [
            (30.643, "100"),
            (40.376, "010"),
            (50.688, "110"),
            (61.286, "200"),
            (62.400, "001"),
            (69.518, "101"),
            (73.391, "210"),
            (74.324, "011"),
            (80.393, "111"),
            (80.753, "020"),
            (86.371, "120"),
            (87.463, "201"),
            (91.929, "300"),
            (96.333, "211"),
            (100.405, "310"),
            (101.375, "220"),
            (102.053, "021"),
            (106.554, "121"),
        ];
        assert_listed(&Prediction::new(OWN, 20.0, 107.0).unwrap(), &expected, 5e-4);
    }

    /// *Handbook for Sound Engineers*: 16 × 12 × 8 ft at 1130 ft/s has its axial modes at 35.31,
    /// 47.08 and 70.63 Hz and multiples.
    #[test]
    fn handbook_axial_modes() {
        const FOOT_M: f64 = 0.3048;
        let room = room([16.0, 12.0, 8.0].map(|d| d * FOOT_M), 1130.0 * FOOT_M, 150.0);
        for (base, axis) in [(35.3125, 0), (47.0833, 1), (70.625, 2)] {
            for n in 1..=2u32 {
                let mut axes = [0; 3];
                axes[axis] = n;
                let mode = room.modes.iter().find(|m| m.axes == axes).unwrap();
                assert!((mode.frequency_hz - f64::from(n) * base).abs() < 1e-3);
                assert_eq!(mode.form(), Form::Axial);
            }
        }
    }

    /// Listed modes and the formula for their number (Morse & Bolt), both counted by an independent program.
    #[test]
    fn mode_counts() {
        let hertz = [50.0, 75.0, 100.0, 150.0, 200.0, 300.0];
        let rooms: [(_, _, [usize; 6], [f64; 6]); 2] = [
            (KUTTRUFF, 340.0, [2, 7, 14, 37, 81, 233], [3.25, 7.56, 14.44, 38.34, 79.73, 234.07]),
            (OWN, 343.2, [2, 8, 14, 41, 83, 246], [3.46, 8.06, 15.40, 40.91, 85.07, 249.70]),
        ];
        for (dimensions_m, c, listed, formula) in rooms {
            let room = room(dimensions_m, c, 300.0);
            for i in 0..6 {
                let below = room.modes.iter().filter(|m| m.frequency_hz <= hertz[i]).count();
                assert_eq!(below, listed[i], "{dimensions_m:?} at {} Hz", hertz[i]);
                assert!((room.count_below(hertz[i]) - formula[i]).abs() < 0.005);
            }
        }
    }

    #[test]
    fn density_is_the_slope_of_the_count() {
        let room = room(OWN, 343.2, 100.0);
        let slope = (room.count_below(100.01) - room.count_below(99.99)) / 0.02;
        assert!((room.density_per_hz(100.0) / slope - 1.0).abs() < 1e-7);
    }

    /// 2000 √(T/V) worked by hand; half-power width of one mode 2.198807/T60.
    #[test]
    fn schroeder_frequency_and_overlap() {
        let own = room(OWN, 343.2, 100.0);
        assert!((own.schroeder_hz(0.5) - 174.8).abs() < 0.05);
        assert!((own.schroeder_hz(0.3) - 135.4).abs() < 0.05);
        let hall = room([8.0, 5.0, 5.0], 343.2, 100.0);
        assert!((hall.schroeder_hz(1.0) - 141.4).abs() < 0.05);
        let expected = own.density_per_hz(80.0) * 2.198_807 / 0.5;
        assert!((own.overlap(80.0, 0.5) / expected - 1.0).abs() < 1e-6);
    }

    /// The shape is ±1 on every plane of full pressure and 0 on every plane of nothing.
    #[test]
    fn planes_are_where_the_shape_says() {
        for mode in &room(OWN, 343.2, 110.0).modes {
            let at = |axis: usize, x: f64| {
                let mut place = [0.0; 3];
                place[axis] = x;
                shape(OWN, mode.axes, place)
            };
            for planes in mode.planes(OWN) {
                assert_eq!(planes.none_m.len() as u32, mode.axes[planes.axis]);
                assert!(planes.full_m.iter().all(|&x| (at(planes.axis, x).abs() - 1.0).abs() < 1e-12));
                assert!(planes.none_m.iter().all(|&x| at(planes.axis, x).abs() < 1e-12));
            }
        }
    }

    #[test]
    fn what_is_no_room_is_refused() {
        assert!(matches!(
            Prediction::new([5.0, f64::NAN, 2.0], 20.0, 100.0),
            Err(RoomError::Length { which: "width", .. })
        ));
        assert!(matches!(Prediction::new(OWN, 20.0, 0.0), Err(RoomError::Range { .. })));
        assert!(matches!(Prediction::new(OWN, 20.0, f64::NAN), Err(RoomError::Range { .. })));
        assert!(matches!(Prediction::new([90.0; 3], 20.0, 500.0), Err(RoomError::Range { .. })));
        assert!(matches!(Prediction::new(OWN, f64::INFINITY, 100.0), Err(RoomError::Temperature { .. })));
    }
}
