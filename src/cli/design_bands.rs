//! `--areas FILE`: bands' reverberation time after absorbing areas are added.

use super::Failed;
use serde_json::{Value, json};
use std::path::Path;
use stillroom::design::{Area, Diffuse, Treated};

/// A band before and after.
pub struct Band {
    /// Mid-band frequency, hertz.
    pub hertz: f64,
    /// T before, seconds.
    pub before_s: f64,
    /// After, by Sabine.
    pub sabine_s: f64,
    /// After, by Eyring.
    pub eyring_s: f64,
}

impl Band {
    /// As JSON.
    pub fn document(&self) -> Value {
        json!({"band_hz": self.hertz, "before_s": self.before_s, "sabine_s": self.sabine_s, "eyring_s": self.eyring_s})
    }
}

/// Reads the table: `name,area_m2,125,250,…`, one row `before` with all surfaces and the bands' T.
pub fn read(file: &Path, room: &Treated) -> Result<Vec<Band>, Failed> {
    let wrong = |what: String| Failed::usage(format!("{}: {what}", file.display()));
    let mut reader = csv::Reader::from_path(file).map_err(|e| wrong(e.to_string()))?;
    let header = reader.headers().map_err(|e| wrong(e.to_string()))?.clone();
    if header.get(0) != Some("name") || header.get(1) != Some("area_m2") || header.len() < 3 {
        return Err(wrong("its first columns are name and area_m2, then one for each band in Hz".to_owned()));
    }
    let number = |text: &str, row: &str| {
        text.trim().parse::<f64>().ok().filter(|x| x.is_finite() && *x > 0.0).ok_or_else(|| {
            wrong(format!("row {row}: `{text}` must be a number above 0, with a point for decimals"))
        })
    };
    let bands: Vec<f64> = header.iter().skip(2).map(|h| number(h, "1")).collect::<Result<_, _>>()?;
    let (mut before, mut added): (Option<Vec<f64>>, Vec<Vec<f64>>) = (None, Vec::new());
    for record in reader.records() {
        let record = record.map_err(|e| wrong(e.to_string()))?;
        let name = record.get(0).unwrap_or_default().to_owned();
        let numbers: Vec<f64> = record.iter().skip(1).map(|c| number(c, &name)).collect::<Result<_, _>>()?;
        if name.eq_ignore_ascii_case("before") { before = Some(numbers) } else { added.push(numbers) }
    }
    let before =
        before.ok_or_else(|| wrong("there is no row named before with the bands' T in s".to_owned()))?;
    let diffuse = Diffuse {
        volume_m3: room.air.volume_m3,
        surface_m2: before[0],
        sound_speed_m_s: room.air.sound_speed_m_s,
    };
    if added.iter().map(|row| row[0]).sum::<f64>() > before[0] {
        return Err(wrong("the areas are more than all surfaces of the room".to_owned()));
    }
    let band = |(i, hertz): (usize, &f64)| {
        let areas: Vec<Area> =
            added.iter().map(|row| Area { area_m2: row[0], absorption: row[i + 1] }).collect();
        let (sabine_s, eyring_s) = diffuse.after_s(before[i + 1], &areas);
        Band { hertz: *hertz, before_s: before[i + 1], sabine_s, eyring_s }
    };
    Ok(bands.iter().enumerate().map(band).collect())
}
