//! What is true of the demo: poles and residues, as values and as JSON.

use super::scenario::Job;
use crate::room::simulate::{Pole, Solved};
use rustfft::num_complex::Complex64;
use serde_json::{Value, json};

/// The truth of one state.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct StateTruth {
    /// The state's name.
    pub name: String,
    /// All poles: those of the room and the absorber in rising frequency, then the loudspeaker's.
    pub poles: Vec<TruePole>,
}

/// One pole pair and how strongly each pair of places sees it.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct TruePole {
    /// Damped natural frequency, hertz.
    pub frequency_hz: f64,
    /// Reverberation time, seconds.
    pub t60_s: f64,
    /// Decay constant δ, 1/s.
    pub decay_per_s: f64,
    /// The mode of the empty room that the shape is mostly made of; `None` for the loudspeaker.
    pub axes: Option<[u32; 3]>,
    /// How much of the motion is the absorber's, 0…1.
    pub unit_share: f64,
    /// Position, source, and residue A: the file holds `2 Re(A exp((−δ + iω)(t − emission)))`.
    pub residues: Vec<(String, String, Complex64)>,
}

impl StateTruth {
    pub(super) fn new(name: &str, job: &Job, solved: &Solved) -> Self {
        let mut poles: Vec<TruePole> = solved.poles.iter().map(TruePole::without_residues).collect();
        let mut done = Vec::new();
        for take in &job.takes {
            let (position, source) = (&job.positions[take.position], job.sources[take.source]);
            if done.contains(&(take.position, take.source)) {
                continue;
            }
            done.push((take.position, take.source));
            for (pole, residue) in poles.iter_mut().zip(solved.residues(source.1, position.at_m)) {
                pole.residues.push((position.name.to_owned(), source.0.to_owned(), residue));
            }
        }
        Self { name: name.to_owned(), poles }
    }
}

impl TruePole {
    fn without_residues(pole: &Pole) -> Self {
        Self {
            frequency_hz: pole.frequency_hz(),
            t60_s: pole.t60_s(),
            decay_per_s: pole.decay_per_s(),
            axes: pole.axes,
            unit_share: pole.unit_share,
            residues: Vec::new(),
        }
    }

    fn json(&self) -> Value {
        let residues: serde_json::Map<String, Value> = self
            .residues
            .iter()
            .map(|(position, source, a)| (format!("{position}@{source}"), json!([a.re, a.im])))
            .collect();
        json!({
            "frequency_hz": self.frequency_hz,
            "t60_s": self.t60_s,
            "decay_per_s": self.decay_per_s,
            "axes": self.axes.map(|[n, m, l]| format!("{n} {m} {l}")),
            "unit_share": self.unit_share,
            "residues": residues,
        })
    }
}

/// What the numbers mean; no other program's file says so.
const MODEL: &str = "h(t) = sum over poles and loudspeaker_poles of 2 Re(residue exp((-decay_per_s + 2 pi i frequency_hz)(t - emission_s))) from emission_s on, in full scale; above it a direct sound and a diffuse decay behind a high-pass at 340 Hz, and a background throughout";

/// Whether a text is that of a demo's `truth.json`.
pub(super) fn is_ours(text: &str) -> bool {
    serde_json::from_str::<Value>(text).is_ok_and(|found| found["model"] == MODEL)
}

/// The text of `truth.json`.
pub(super) fn json(job: &Job, states: &[StateTruth]) -> String {
    let states: Vec<Value> = states
        .iter()
        .map(|state| {
            let (room, chain): (Vec<_>, Vec<_>) = state.poles.iter().partition(|pole| pole.axes.is_some());
            json!({
                "state": state.name,
                "poles": room.iter().map(|pole| pole.json()).collect::<Vec<_>>(),
                "loudspeaker_poles": chain.iter().map(|pole| pole.json()).collect::<Vec<_>>(),
            })
        })
        .collect();
    let upper: serde_json::Map<String, Value> =
        job.upper_t60_s.iter().map(|(hz, t60_s)| (format!("{hz}"), json!(t60_s))).collect();
    let whole = json!({
        "model": MODEL,
        "emission_s": job.emission_s,
        "upper_t60_s": upper,
        "background": {
            "formula": "floor_per_hz (1 + knee_hz^2/(8^2 + f^2)), one-sided, full scale squared per Hz",
            "floor_per_hz": job.background.floor_per_hz,
            "knee_hz": job.background.knee_hz,
        },
        "states": states,
    });
    // `{:#}` of a JSON value is its indented text and can't fail.
    format!("{whole:#}\n")
}
