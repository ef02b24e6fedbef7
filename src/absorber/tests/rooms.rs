//! Invented rooms with one unit whose truth is a closed form, measured at six places over known noise.

use crate::absorber::coupled::Resonator;
use crate::response::LowRecord;
pub use crate::room::simulate::drawn::between;
use crate::room::simulate::drawn::{Draw, Drawn, drawn};
use crate::room::simulate::sound::{Background, add_modes};
use crate::room::simulate::{Gauss, Scene, Solved, Unit, seed_from};
use crate::session;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

pub const RATE_HZ: f64 = 1000.0;
pub const EMISSION_S: f64 = 0.02;
pub const SECONDS: f64 = 2.5;

/// A unit as a manifest names it.
pub fn named(name: &str, dials: Vec<(String, f64)>) -> session::Unit {
    session::Unit { name: name.to_owned(), at_m: None, powered: true, tuned_hz: None, dials, note: None }
}

/// A room without its unit, the mode to treat, and where everything stands.
pub struct Room {
    pub scene: Scene,
    pub axes: [u32; 3],
    pub source: [f64; 3],
    pub places: Vec<[f64; 3]>,
    pub noise: Background,
    pub unit_at: [f64; 3],
    pub g: f64,
    pub gauss: Gauss,
}

/// Room of a number: its lowest modes are targets, the unit stands in a corner with g of 3 to 14 1/s.
pub fn room(kind: &str, number: usize, peak_to_noise_db: f64) -> Room {
    let mut gauss = Gauss::new(seed_from(&["absorber", kind, &number.to_string()]));
    let g = &mut gauss;
    let Drawn { scene, source, places } =
        drawn(g, &Draw { up_to_hz: 220.0, high_pass_hz: (20.0, 26.0), places: |_| 6, corners: &[1, 2, 4] });
    let dims = scene.dimensions_m;
    let axes = [[1, 0, 0], [0, 1, 0], [1, 1, 0], [2, 0, 0], [0, 0, 1]][(g.uniform() * 4.999) as usize];
    let unit_at = [dims[0] - between(g, 0.1, 0.3), between(g, 0.1, 0.3), between(g, 0.1, 0.3)];
    let coupling = between(g, 3.0, 14.0);
    let noise = background(&scene, source, places[0], peak_to_noise_db, between(g, 0.0, 100.0));
    Room { scene, axes, source, places, noise, unit_at, g: coupling, gauss }
}

/// Noise so that the response's peak stands that far over its rms between 20 and 200 Hz.
fn background(scene: &Scene, source: [f64; 3], place: [f64; 3], db: f64, knee_hz: f64) -> Background {
    let solved = scene.solve().expect("a sound scene");
    let mut samples = vec![0.0; 400];
    add_modes(&mut samples, RATE_HZ, 0.0, &solved.modes(source, place));
    let peak = samples.iter().fold(0.0f64, |p, x| p.max(x.abs()));
    let unit = Background { floor_per_hz: 1.0, knee_hz };
    let power: f64 = (20..200).map(|hz| unit.density(f64::from(hz))).sum();
    Background { floor_per_hz: peak * peak / power * 10f64.powf(-0.1 * db), knee_hz }
}

/// A state as measured.
pub struct Measured {
    pub solved: Solved,
    pub lows: Vec<LowRecord>,
}

impl Room {
    pub fn mode(&self) -> Resonator {
        let (omega, decay) = self.scene.bare_mode(self.axes).expect("a mode");
        Resonator { omega_per_s: omega, decay_per_s: decay }
    }

    /// Distance of the nearest other mode, hertz.
    pub fn nearest_hz(&self) -> f64 {
        self.nearest_to(self.axes)
    }

    /// Distance of the mode nearest to the one of these indices, hertz.
    pub fn nearest_to(&self, axes: [u32; 3]) -> f64 {
        let own = self.scene.bare_mode(axes).expect("a mode").0 / TAU;
        let solved = self.scene.solve().expect("a sound scene");
        let others = solved.room.modes.iter().filter(|m| m.axes != axes);
        others.map(|m| (m.frequency_hz - own).abs()).fold(f64::INFINITY, f64::min)
    }

    /// The unit, `off_hz` beside the mode, its damping δ0 + r g.
    pub fn unit(&self, off_hz: f64, r: f64) -> Unit {
        let mode = self.mode();
        let own = (mode.omega_per_s + TAU * off_hz, mode.decay_per_s + r * self.g);
        self.scene.unit_for(self.axes, self.g, self.unit_at, own)
    }

    /// Measures the room with these units, noise fresh.
    pub fn measure(&mut self, units: Vec<Unit>) -> Measured {
        let scene = Scene { units, ..self.scene.clone() };
        let solved = scene.solve().expect("a sound scene");
        let length = ((EMISSION_S + SECONDS) * RATE_HZ) as usize;
        let lows = self
            .places
            .iter()
            .map(|place| {
                let mut samples = vec![0.0; length];
                self.noise.add(&mut samples, RATE_HZ, &mut self.gauss);
                add_modes(&mut samples, RATE_HZ, EMISSION_S, &solved.modes(self.source, *place));
                LowRecord {
                    samples: samples.iter().map(|x| *x as f32).collect(),
                    rate_hz: RATE_HZ,
                    file_rate_hz: 48_000.0,
                    onset_s: EMISSION_S,
                    emission_s: Some(EMISSION_S),
                }
            })
            .collect();
        Measured { solved, lows }
    }

    /// The two poles that the mode became: those of its shape, else the one with most of the unit in it.
    pub fn pair(&self, solved: &Solved) -> [Complex64; 2] {
        self.pair_of(self.axes, solved)
    }

    /// The two poles that the mode of these indices became.
    pub fn pair_of(&self, axes: [u32; 3], solved: &Solved) -> [Complex64; 2] {
        let poles = solved.room_poles();
        let mut own: Vec<usize> = (0..poles.len()).filter(|k| poles[*k].axes == Some(axes)).collect();
        let mut others: Vec<usize> = (0..poles.len()).filter(|k| !own.contains(k)).collect();
        others.sort_by(|a, b| poles[*b].unit_share.total_cmp(&poles[*a].unit_share));
        own.extend(others);
        [poles[own[0]].s, poles[own[1]].s]
    }
}
