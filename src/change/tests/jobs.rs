//! Invented sessions of every kind: what was done between the two states.

use super::session::StateSetup;
use crate::room::simulate::drawn::{Draw, Drawn, between, drawn};
use crate::room::simulate::sound::{Background, add_modes};
use crate::room::simulate::{Gauss, Scene, Section, Unit, seed_from};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

pub const KINDS: [&str; 12] = [
    "none",
    "weak",
    "near best",
    "lightly damped",
    "too strong",
    "detuned",
    "two units",
    "passive",
    "equaliser",
    "inverse equaliser",
    "moved microphone",
    "moved loudspeaker",
];

/// One session.
pub struct Job {
    pub kind: &'static str,
    pub before: StateSetup,
    pub after: StateSetup,
    pub noise: (Background, Background),
    pub peak_to_noise_db: f64,
}

/// The session of a kind and number, and the generator for its noise.
pub fn job(kind: &'static str, number: usize) -> (Job, Gauss) {
    let mut gauss = Gauss::new(seed_from(&["confusion", kind, &number.to_string()]));
    let g = &mut gauss;
    let how = Draw {
        up_to_hz: 200.0,
        high_pass_hz: (22.0, 32.0),
        places: |g| 3 + (g.uniform() * 5.999) as usize,
        corners: &[1, 2, 4, 7],
    };
    let Drawn { scene, source, places } = drawn(g, &how);
    let before = StateSetup { scene, source, places };
    let mut after = before.clone();
    if kind != "inverse equaliser" {
        after.scene.temperature_c += 0.7 * g.normal();
    }
    treat(kind, &mut after, g);
    let peak_to_noise_db = between(g, 40.0, 65.0);
    let noise = background(&before, peak_to_noise_db, g);
    let quieter = 10f64.powf(0.1 * between(g, -3.0, 3.0));
    let other = Background { floor_per_hz: noise.floor_per_hz * quieter, ..noise };
    if number % 4 == 3 {
        let gain = 10f64.powf(0.05 * between(g, -8.0, 8.0));
        after.scene.gain *= gain;
    }
    (Job { kind, before, after, noise: (noise, other), peak_to_noise_db }, gauss)
}

/// Noise so that the low end's peak stands that far over its rms between 20 and 200 Hz.
fn background(setup: &StateSetup, peak_to_noise_db: f64, g: &mut Gauss) -> Background {
    let solved = setup.scene.solve().expect("a sound scene");
    let mut samples = vec![0.0; 400];
    add_modes(&mut samples, 1000.0, 0.0, &solved.modes(setup.source, setup.places[0]));
    let peak = samples.iter().fold(0.0f64, |p, x| p.max(x.abs()));
    let knee_hz = between(g, 0.0, 100.0);
    let unit = Background { floor_per_hz: 1.0, knee_hz };
    let power: f64 = (20..200).map(|hz| unit.density(f64::from(hz))).sum();
    Background { floor_per_hz: peak * peak / power * 10f64.powf(-0.1 * peak_to_noise_db), knee_hz }
}

fn unit(scene: &Scene, axes: [u32; 3], g_per_s: f64, damping: f64, off_hz: f64, at: [f64; 3]) -> Unit {
    let (omega, decay) = scene.bare_mode(axes).expect("a room");
    let own = (omega + 2.0 * std::f64::consts::PI * off_hz, decay + damping * g_per_s);
    scene.unit_for(axes, g_per_s, at, own)
}

fn treat(kind: &str, after: &mut StateSetup, g: &mut Gauss) {
    let dims = after.scene.dimensions_m;
    let corner = [dims[0] - 0.2, 0.2, 0.2];
    let target = [[1, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 1], [2, 0, 0]][(g.uniform() * 4.999) as usize];
    let scene = &mut after.scene;
    match kind {
        "weak" => {
            scene.units.push(unit(scene, target, between(g, 2.0, 5.0), between(g, 0.5, 1.2), 0.0, corner))
        }
        "near best" => scene.units.push(unit(
            scene,
            target,
            between(g, 7.0, 13.0),
            between(g, 0.8, 1.0),
            between(g, -0.2, 0.2),
            corner,
        )),
        "lightly damped" => scene.units.push(unit(
            scene,
            target,
            between(g, 7.0, 14.0),
            between(g, 0.1, 0.5),
            between(g, -0.7, 0.7),
            corner,
        )),
        "too strong" => {
            scene.units.push(unit(scene, target, between(g, 7.0, 14.0), between(g, 2.0, 5.0), 0.0, corner));
        }
        "detuned" => {
            let off = between(g, 1.5, 4.0) * if g.uniform() < 0.5 { -1.0 } else { 1.0 };
            scene.units.push(unit(scene, target, between(g, 6.0, 12.0), between(g, 0.3, 1.0), off, corner));
        }
        "two units" => {
            let other = [0.2, dims[1] - 0.2, 0.2];
            scene.units.push(unit(
                scene,
                [1, 0, 0],
                between(g, 6.0, 12.0),
                between(g, 0.2, 1.2),
                0.0,
                corner,
            ));
            scene.units.push(unit(scene, [0, 1, 0], between(g, 6.0, 12.0), between(g, 0.2, 1.2), 0.0, other));
        }
        "passive" => {
            let axis = (g.uniform() * 2.999) as usize;
            let more = between(g, 1.3, 2.5);
            scene.walls[axis][0] *= more;
            if g.uniform() < 0.5 {
                scene.walls[axis][1] *= more;
            }
        }
        "equaliser" => {
            let (omega, _) = scene.bare_mode(target).expect("a room");
            let hz = omega / (2.0 * std::f64::consts::PI);
            let decay = omega / (2.0 * between(g, 2.0, 8.0));
            scene.chain = scene.chain.clone().with(Section::bell(hz, decay, -between(g, 3.0, 9.0)));
        }
        "inverse equaliser" => {
            let (omega, decay) = scene.bare_mode(target).expect("a room");
            let zero = Complex64::new(-decay, omega);
            let pole = Complex64::new(-decay * between(g, 1.5, 4.0), omega);
            scene.chain = scene.chain.clone().with(Section { zero, pole });
        }
        "moved microphone" => {
            let m = (g.uniform() * after.places.len() as f64 * 0.999) as usize;
            let far = between(g, 0.15, 0.4);
            let angle = between(g, 0.0, TAU);
            let at = &mut after.places[m];
            at[0] = (at[0] + far * angle.cos()).clamp(0.02, dims[0] - 0.02);
            at[1] = (at[1] + far * angle.sin()).clamp(0.02, dims[1] - 0.02);
            if g.uniform() < 0.5 {
                scene.units.push(unit(
                    scene,
                    target,
                    between(g, 7.0, 13.0),
                    between(g, 0.3, 1.0),
                    0.0,
                    corner,
                ));
            }
        }
        "moved loudspeaker" => {
            after.source = [between(g, 0.8, 1.8), between(g, 0.8, 1.5), after.source[2]];
        }
        _ => {}
    }
}
