//! `--unit NAME=VALUE,…`: a unit in words becomes a plate.

use super::Failed;
use super::args::PanelEdges;
use std::f64::consts::PI;
use stillroom::design::{Edges, Plate};
use stillroom::room::Enclosure;

/// The unit as typed.
pub struct GivenUnit {
    /// Its effective numbers.
    pub plate: Plate,
    /// Area of its face, if typed, m².
    pub area_m2: Option<f64>,
    /// Whether air is its spring, so that the mass and not the spring is what tunes it.
    pub air_spring: bool,
    /// Whether it follows the air's temperature.
    pub vented: bool,
    /// Depth of a sealed unit's air, if typed, m.
    pub depth_m: Option<f64>,
    /// Radius of a round opening and length of the neck of a vented one, m.
    pub neck_m: Option<(f64, f64)>,
    /// Air behind a vented one, m³.
    volume_m3: Option<f64>,
    /// Share of a panel's mass that moves: how it is held.
    share: f64,
}

impl GivenUnit {
    /// Mass of the panel that `plate` needs, kg/m²; a vented unit has none.
    pub fn panel_kg_m2(&self, plate: &Plate) -> Option<f64> {
        (!self.vented).then_some(plate.mass_kg_m2 * self.share)
    }

    /// Air behind a face of so many m², litres; `None` where it wasn't typed.
    pub fn litres(&self, area_m2: f64) -> Option<f64> {
        self.volume_m3.or(self.depth_m.map(|depth| depth * area_m2)).map(|volume| 1e3 * volume)
    }
}

const NAMES: [&str; 8] = ["mass", "hz", "decay", "area", "depth", "volume", "opening", "neck"];

/// Reads the text.
pub fn parse(text: &str, edges: Edges, air: &Enclosure) -> Result<GivenUnit, Failed> {
    let values = values(text)?;
    let value = |name: &str| values.iter().find(|(n, _)| *n == name).map(|(_, v)| *v);
    let need = |name: &str| {
        value(name).ok_or_else(|| Failed::usage(format!("--unit {text}: `{name}=` is missing; {}", usage())))
    };
    let decay = need("decay")?;
    let sealed = value("depth");
    let vented = value("volume").is_some() || value("opening").is_some();
    let share = edges.share();
    let (mass, stiffness) = if vented {
        let (volume, opening) = (need("volume")?, need("opening")?);
        let radius = (opening / PI).sqrt();
        let mass = air.density_kg_m3 * (need("neck")? + 8.0 * radius / (3.0 * PI));
        (mass, air.stiffness_pa() * opening / volume)
    } else if let Some(depth) = sealed {
        let stiffness = air.stiffness_pa() / depth;
        let mass = match (value("mass"), value("hz")) {
            (Some(mass), None) => mass / share,
            (None, Some(hertz)) => stiffness / (2.0 * PI * hertz).powi(2),
            _ => {
                return Err(Failed::usage(format!(
                    "--unit {text}: beside `depth` give `mass` or `hz`, not both"
                )));
            }
        };
        (mass, stiffness)
    } else {
        let mass = need("mass")? / share;
        (mass, mass * (2.0 * PI * need("hz")?).powi(2))
    };
    let plate = Plate { mass_kg_m2: mass, stiffness_pa_m: stiffness, resistance_pa_s_m: 2.0 * mass * decay };
    if plate.frequency_hz() * 2.0 * PI <= decay {
        return Err(Failed::usage(format!("--unit {text}: so damped that it does not resonate")));
    }
    let area_m2 = if vented { value("opening") } else { value("area") };
    let neck_m = if vented { value("opening").map(|o| (o / PI).sqrt()).zip(value("neck")) } else { None };
    Ok(GivenUnit {
        plate,
        area_m2,
        air_spring: vented || sealed.is_some(),
        vented,
        depth_m: sealed.filter(|_| !vented),
        neck_m,
        volume_m3: value("volume").filter(|_| vented),
        share,
    })
}

fn usage() -> String {
    "a panel is mass=14.8,hz=29.7,decay=30 or mass=14.8,depth=0.2,decay=30 (kg/m2, Hz, 1/s, m), a vented box \
     volume=0.15,opening=0.01,neck=0.05,decay=8 (m3, m2, m)"
        .to_owned()
}

fn values(text: &str) -> Result<Vec<(&str, f64)>, Failed> {
    let mut values = Vec::new();
    for part in text.split(',') {
        let wrong = || Failed::usage(format!("--unit {text}: `{part}` is not NAME=NUMBER; {}", usage()));
        let (name, number) = part.split_once('=').ok_or_else(wrong)?;
        let (name, number) = (name.trim(), number.trim().parse::<f64>().map_err(|_| wrong())?);
        if !NAMES.contains(&name) {
            return Err(Failed::usage(format!("--unit {text}: there is no `{name}`; {}", usage())));
        }
        if !(number.is_finite() && number > 0.0) || values.iter().any(|(n, _)| *n == name) {
            return Err(Failed::usage(format!("--unit {text}: `{name}` must be above 0 and given once")));
        }
        values.push((name, number));
    }
    Ok(values)
}

impl From<PanelEdges> for Edges {
    fn from(edges: PanelEdges) -> Self {
        match edges {
            PanelEdges::Piston => Edges::Piston,
            PanelEdges::Supported => Edges::Supported,
            PanelEdges::Clamped => Edges::Clamped,
        }
    }
}
