//! The answer of `stillroom design` as JSON.

use super::design_answer::{Answer, surest};
use serde_json::{Value, json};
use stillroom::design::{Build, DesignError, Outcome, Plate, Proposal, Treated, kelvins_for};
use stillroom::room::Face;

fn poles(outcome: &Outcome) -> Value {
    outcome
        .roots
        .iter()
        .map(|r| json!({"frequency_hz": r.frequency_hz(), "t60_s": r.t60_s(), "share_of_mode": r.target_share}))
        .collect()
}

fn unit(plate: &Plate) -> Value {
    json!({"mass_kg_m2": plate.mass_kg_m2, "free_hz": plate.frequency_hz(), "free_decay_per_s": plate.decay_per_s()})
}

fn proposal(room: &Treated, found: &Result<Proposal, DesignError>) -> Value {
    let p = match found {
        Ok(p) => p,
        Err(error) => return json!({"reason": error.to_string()}),
    };
    let (kind, depth) = match p.build {
        Build::Sealed { depth_m, .. } => ("sealed", Some(depth_m)),
        Build::Vented { .. } => ("vented", None),
    };
    let neck = p.neck_m(room.air.density_kg_m3);
    let sealed = matches!(p.build, Build::Sealed { .. });
    json!({
        "build": kind, "units": p.faces.len(), "depth_m": depth, "litres": 1e3 * p.whole_volume_m3(),
        "area_m2": p.faces.first().map(Face::area_m2), "panel_kg_m2": p.panel_kg_m2(),
        "opening_radius_m": neck.map(|n| n.0), "neck_m": neck.map(|n| n.1),
        "free_hz": p.plate.frequency_hz(), "free_decay_per_s": p.plate.decay_per_s(),
        "installed_hz": p.installed_hz, "installed_decay_per_s": p.installed_per_s,
        "faces": p.faces.iter().map(|f| json!({"from_m": f.corner_m, "to_m": f.point_m(1.0, 1.0)})).collect::<Value>(),
        "poles": poles(&p.outcome), "t60_s": p.outcome.t60_s, "ring_s": p.outcome.ring_s, "chance": p.chance,
        "tuning_percent": p.exactness.map(|x| 100.0 * x),
        "kelvins": p.exactness.filter(|_| sealed).map(|x| kelvins_for(x, room.air.temperature_c)),
    })
}

/// The whole answer.
pub fn document(answer: &Answer) -> Value {
    let room = &answer.room;
    let listed = &room.air.modes[room.target];
    let (outcome, best) = match (&answer.given, surest(&answer.proposals)) {
        (Some(given), _) => (Some(&given.outcome), given.best.as_ref().map(|(plate, o)| {
            json!({"unit": unit(plate), "poles": poles(o), "t60_s": o.t60_s, "ring_s": o.ring_s})
        })),
        (None, Some(p)) => (Some(&p.outcome), Some(proposal(room, &Ok(p.clone())))),
        _ => (None, None),
    };
    json!({
        "mode": {"name": listed.name, "frequency_hz": room.measured.frequency_hz, "t60_s": room.measured.t60_s,
            "t60_sd_s": Some(room.measured.t60_sd_s).filter(|sd| *sd > 0.0), "predicted_hz": listed.frequency_hz},
        "warnings": answer.occupied.iter().collect::<Vec<_>>(),
        "target_t60_s": answer.goal.map(|g| g.t60_s),
        "poles": outcome.map(poles), "t60_s": outcome.map(|o| o.t60_s), "ring_s": outcome.map(|o| o.ring_s),
        "best": best,
        "unit": answer.given.as_ref().map(|g| {
            let (installed, splitting) = g.system.installed(&g.unit.plate).unzip();
            json!({"free": unit(&g.unit.plate), "loading_kg_m2": g.system.loading_kg_m2(),
                "installed_hz": installed.map(|r| r.omega_per_s / std::f64::consts::TAU),
                "installed_decay_per_s": installed.map(|r| r.decay_per_s), "splitting_per_s": splitting,
                "chance": g.chance, "tuning_percent": g.exactness.map(|x| 100.0 * x)})
        }),
        "proposals": answer.proposals.iter().map(|p| proposal(room, p)).collect::<Value>(),
        "least": answer.least.as_ref().map(|p| proposal(room, p)),
        "porous": answer.porous.iter().map(|(layer, absorption, area)| json!({"thickness_m": layer.thickness_m,
            "flow_resistivity_pa_s_m2": layer.resistivity_pa_s_m2, "absorption": absorption, "area_m2": area}))
            .collect::<Value>(),
        "neighbours": answer.effects.iter().map(|e| json!({"name": room.air.modes[e.mode].name,
            "frequency_hz": e.frequency_hz, "before_t60_s": e.before_s, "after_t60_s": e.after_s,
            "measured": e.measured})).collect::<Value>(),
        "bands": answer.bands.iter().map(super::design_bands::Band::document).collect::<Value>(),
    })
}
