//! A room's modes with their decays, and what a face somewhere in it meets.

use super::DesignError;
use super::system::{System, Term};
use crate::absorber::Resonator;
use crate::modes::LN_1000;
use crate::room::{Enclosure, Face};
use std::f64::consts::TAU;

/// A mode as measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Undamped natural frequency, hertz.
    pub frequency_hz: f64,
    /// T60, seconds.
    pub t60_s: f64,
    /// Standard deviation of T60, seconds; 0 where not known.
    pub t60_sd_s: f64,
}

/// The room with the decay of each mode: measured where it was, else as even walls give it.
#[derive(Debug, Clone)]
pub struct Treated {
    /// The room.
    pub air: Enclosure,
    /// Index of the target in its list.
    pub target: usize,
    /// The target as measured.
    pub measured: Measured,
    /// The pole of each mode without units.
    pub own: Vec<Resonator>,
    /// Indices of the modes whose pole was measured, besides the target.
    pub known: Vec<usize>,
    /// Conductance that would give the target its decay if all walls were alike.
    pub conductance: f64,
}

/// The room's modes next to a frequency: "; nearest: 30.6 Hz (1 0 0), 40.4 Hz (0 1 0)".
fn neighbours(air: &Enclosure, hertz: f64) -> String {
    let below = air.modes.iter().rev().find(|mode| mode.frequency_hz < hertz);
    let above = air.modes.iter().find(|mode| mode.frequency_hz >= hertz);
    let named: Vec<String> =
        below.into_iter().chain(above).map(|mode| format!("{:.1} Hz ({mode})", mode.frequency_hz)).collect();
    if named.is_empty() { String::new() } else { format!("; nearest: {}", named.join(", ")) }
}

impl Treated {
    /// Frequencies farther from every predicted mode than this share are no mode of this room.
    pub const NEAR: f64 = 0.06;

    /// The room with the mode nearest to `measured` as target.
    ///
    /// # Errors
    /// [`DesignError::NoMode`] where none is within 6 %.
    pub fn new(air: Enclosure, measured: Measured, known: &[(usize, Measured)]) -> Result<Self, DesignError> {
        let off = |hertz: f64| (hertz / measured.frequency_hz - 1.0).abs();
        let nearest = (0..air.modes.len())
            .min_by(|&a, &b| off(air.modes[a].frequency_hz).total_cmp(&off(air.modes[b].frequency_hz)))
            .filter(|&i| off(air.modes[i].frequency_hz) <= Self::NEAR);
        let Some(target) = nearest else {
            let asked_hz = measured.frequency_hz;
            return Err(DesignError::NoMode { asked_hz, nearest: neighbours(&air, asked_hz) });
        };
        Ok(Self::with_target(air, target, measured, known))
    }

    /// The room with the target given by its place in the list.
    #[must_use]
    pub fn with_target(
        air: Enclosure,
        target: usize,
        measured: Measured,
        known: &[(usize, Measured)],
    ) -> Self {
        let resonator =
            |m: &Measured| Resonator { omega_per_s: TAU * m.frequency_hz, decay_per_s: LN_1000 / m.t60_s };
        let conductance =
            LN_1000 / measured.t60_s / (0.5 * air.sound_speed_m_s * air.modes[target].walls_per_m);
        let own = (0..air.modes.len())
            .map(|i| {
                let listed = &air.modes[i];
                let even = Resonator {
                    omega_per_s: TAU * listed.frequency_hz,
                    decay_per_s: 0.5 * air.sound_speed_m_s * conductance * listed.walls_per_m,
                };
                if i == target {
                    return resonator(&measured);
                }
                known.iter().find(|(k, _)| *k == i).map_or(even, |(_, m)| resonator(m))
            })
            .collect();
        let known = known.iter().map(|(mode, _)| *mode).collect();
        Self { air, target, measured, own, known, conductance }
    }

    /// What equal faces meet together, each moving as the target drives it.
    ///
    /// The wall that they cover no longer absorbs: the conductance is taken off there. Units that move
    /// against each other are left out: they don't meet the target.
    ///
    /// # Errors
    /// [`DesignError::NoPressure`] where the target has no pressure on any face.
    pub fn system(&self, faces: &[Face]) -> Result<System, DesignError> {
        let area_m2 = faces.first().map_or(0.0, Face::area_m2);
        let drive: Vec<f64> = faces.iter().map(|face| self.air.over(self.target, face).0).collect();
        let length = drive.iter().map(|x| x * x).sum::<f64>().sqrt();
        if length < Self::LEAST_PRESSURE {
            return Err(DesignError::NoPressure { frequency_hz: self.measured.frequency_hz });
        }
        let means: Vec<Vec<(f64, f64)>> = faces.iter().map(|face| self.air.over_all(face)).collect();
        let drive: Vec<f64> = drive.iter().map(|x| x / length).collect();
        let terms = (0..self.air.modes.len()).map(|mode| self.term(mode, &means, &drive, area_m2)).collect();
        let alike: f64 = drive.iter().sum::<f64>();
        let hertz = self.measured.frequency_hz;
        let loads = faces.iter().zip(&drive).map(|(f, x)| x * x * self.air.load_kg_m2(f, hertz));
        Ok(System {
            target: self.target,
            terms,
            load_kg_m2: loads.sum::<f64>(),
            whole_pa_m: self.air.meets_whole(area_m2) * alike * alike,
        })
    }

    /// A mean pressure under this share of full is none.
    const LEAST_PRESSURE: f64 = 0.03;

    /// One mode as the faces meet it, `means` over each and `drive` of each of them.
    fn term(&self, mode: usize, means: &[Vec<(f64, f64)>], drive: &[f64], area_m2: f64) -> Term {
        let (mut met, mut covered) = (0.0, 0.0);
        for (face, x) in means.iter().zip(drive) {
            let (mean, square) = face[mode];
            met += x * mean;
            covered += square * area_m2;
        }
        let scale = self.air.volume_m3 * self.air.modes[mode].mean_square;
        let less = 0.5 * self.air.sound_speed_m_s * self.conductance * covered / scale;
        let mut own = self.own[mode];
        own.decay_per_s = (own.decay_per_s - less).max(0.2 * own.decay_per_s);
        Term { mode, own, stiffness_pa_m: self.air.meets(mode, area_m2) * met * met }
    }
}
