//! What units built for one mode do to the others.

use super::plate::Plate;
use super::room::Treated;
use crate::modes::LN_1000;
use crate::room::Face;
use std::f64::consts::TAU;

/// A mode that changes with the units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Its index in the room's list.
    pub mode: usize,
    /// Frequency without units, hertz.
    pub frequency_hz: f64,
    /// T60 without units, seconds.
    pub before_s: f64,
    /// T60 with them.
    pub after_s: f64,
    /// Whether the T60 without units was measured; else it is what even walls would give.
    pub measured: bool,
}

/// Other modes from half to twice the target's frequency. What each unit alone adds to a decay constant is
/// added up.
#[must_use]
pub fn effects(room: &Treated, faces: &[Face], plate: &Plate) -> Vec<Effect> {
    let mut added = vec![0.0; room.own.len()];
    for face in faces {
        let Ok(system) = room.system(std::slice::from_ref(face)) else { continue };
        for (term, with) in system.neighbours(plate, 2.0 * room.measured.frequency_hz) {
            let mode = system.terms[term].mode;
            added[mode] += with.decay_per_s - room.own[mode].decay_per_s;
        }
    }
    let reach = |i: &usize| {
        let hertz = room.own[*i].omega_per_s / TAU;
        *i != room.target && (0.5..=2.0).contains(&(hertz / room.measured.frequency_hz))
    };
    (0..room.own.len())
        .filter(reach)
        .map(|mode| {
            let own = room.own[mode];
            let after = (own.decay_per_s + added[mode]).max(0.1 * own.decay_per_s);
            Effect {
                mode,
                frequency_hz: own.omega_per_s / TAU,
                before_s: LN_1000 / own.decay_per_s,
                after_s: LN_1000 / after,
                measured: room.known.contains(&mode),
            }
        })
        .collect()
}
