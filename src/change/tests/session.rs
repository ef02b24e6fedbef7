//! Invented sessions: two states of a rectangular room with everything about them known.

use super::stand_in::{Record, fitted};
use crate::change::{ChangeSettings, Changes, PlaceFacts, StateFacts, compare};
use crate::modes::ModeSet;
use crate::response::{BandEnergy, LowRecord};
use crate::room::simulate::sound::{Background, add_modes};
use crate::room::simulate::{Gauss, Scene, Solved};
use crate::session::Role;
use rustfft::num_complex::Complex64;

pub const RATE_HZ: f64 = 1000.0;
pub const FILE_RATE_HZ: f64 = 48_000.0;
pub const EMISSION_S: f64 = 0.02;
pub const RANGE_HZ: (f64, f64) = (18.0, 125.0);

/// One state to be measured.
#[derive(Clone)]
pub struct StateSetup {
    pub scene: Scene,
    pub source: [f64; 3],
    pub places: Vec<[f64; 3]>,
}

/// What came of measuring it.
pub struct Measured {
    pub solved: Solved,
    pub set: ModeSet,
    /// For each mode of the set the index of the true pole.
    pub truth: Vec<usize>,
    pub lows: Vec<LowRecord>,
    pub arrivals_s: Vec<f64>,
    /// How far these may be off, s.
    pub within_s: f64,
    pub direct: Vec<Vec<BandEnergy>>,
    pub names: Vec<String>,
}

impl StateSetup {
    /// Measures with the given noise; `seconds` long from the emission on.
    pub fn measure(&self, noise: Background, seconds: f64, gauss: &mut Gauss) -> Measured {
        let solved = self.scene.solve().expect("a sound scene");
        let names: Vec<String> = (0..self.places.len()).map(|m| format!("p{m}")).collect();
        let emission = (EMISSION_S * RATE_HZ) as usize;
        let length = emission + (seconds * RATE_HZ) as usize;
        let residues: Vec<Vec<Complex64>> =
            self.places.iter().map(|p| solved.residues(self.source, *p)).collect();
        let (mut lows, mut rests) = (Vec::new(), Vec::new());
        for place in &self.places {
            let mut rest = vec![0.0; length];
            noise.add(&mut rest, RATE_HZ, gauss);
            let mut samples = rest.clone();
            add_modes(&mut samples, RATE_HZ, EMISSION_S, &solved.modes(self.source, *place));
            lows.push(LowRecord {
                samples: samples.iter().map(|x| *x as f32).collect(),
                rate_hz: RATE_HZ,
                file_rate_hz: FILE_RATE_HZ,
                onset_s: EMISSION_S,
                emission_s: Some(EMISSION_S),
            });
            rests.push(rest[emission..].to_vec());
        }
        let record = Record {
            rate_hz: RATE_HZ,
            noise: rests,
            density: &|hz| noise.density(hz),
            poles: solved.poles.iter().map(|p| p.s).collect(),
            residues,
            range_hz: RANGE_HZ,
        };
        let (set, truth) = fitted(&record, &names);
        let distances: Vec<f64> = self.places.iter().map(|p| distance(*p, self.source)).collect();
        let arrivals_s = distances
            .iter()
            .map(|d| EMISSION_S + d / solved.room.sound_speed_m_s + 5e-6 * gauss.normal())
            .collect();
        let direct = distances.iter().map(|d| direct(self.scene.gain, *d, gauss)).collect();
        Measured { solved, set, truth, lows, arrivals_s, within_s: 0.0, direct, names }
    }
}

pub fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// Direct sound in ten bands: falls with distance; early echoes in the gate make a pattern that hangs
/// on the place (0.6 dB over a decimetre or so); readings repeat to 0.03 dB.
fn direct(gain: f64, distance_m: f64, gauss: &mut Gauss) -> Vec<BandEnergy> {
    (0..10)
        .map(|b| {
            let pattern = 0.15 * (40.0 * distance_m * (1.0 + f64::from(b))).sin();
            let energy = (gain / distance_m).powi(2) * (1.0 + pattern) * (1.0 + 0.007 * gauss.normal());
            BandEnergy { mid_hz: 500.0 * 10f64.powf(0.1 * f64::from(b)), energy, noise: 1e-9 }
        })
        .collect()
}

impl Measured {
    pub fn facts(&self) -> StateFacts<'_> {
        let place = |m: usize| PlaceFacts {
            position: &self.names[m],
            source: "",
            role: if m.is_multiple_of(2) { Role::Listening } else { Role::Boundary },
            at_m: [None; 2],
            low: Some(&self.lows[m]),
            file_rate_hz: FILE_RATE_HZ,
            arrival_s: self.arrivals_s[m],
            arrival_within_s: self.within_s,
            origin_s: EMISSION_S,
            emission_known: true,
            direct: self.direct[m].clone(),
            whole: Vec::new(),
            sounds_alike: false,
            normalised: false,
            fault: None,
        };
        StateFacts {
            modes: &self.set,
            places: (0..self.names.len()).map(place).collect(),
            relabelled: None,
            at_units: Vec::new(),
            bands: Vec::new(),
            repeats: Vec::new(),
        }
    }
}

pub fn compared(before: &Measured, after: &Measured, settings: &ChangeSettings) -> Changes {
    compare(&before.facts(), &after.facts(), settings)
}
