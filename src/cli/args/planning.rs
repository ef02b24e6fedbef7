//! What `predict` and `design` may be told.

use super::{Format, ReadingArgs, RunArgs, celsius, hertz, mode_frequency, percent, time};
use clap::{Args, ValueEnum, ValueHint};
use std::path::PathBuf;

/// `stillroom predict`.
#[derive(Debug, Args)]
pub struct PredictArgs {
    /// A session folder whose session.toml describes the room, also as a plan that is no rectangle
    #[arg(value_hint = ValueHint::DirPath, conflicts_with = "dims")]
    pub path: Option<PathBuf>,
    /// Length x width x height, in metres or feet and inches
    #[arg(long, value_name = "LxWxH")]
    pub dims: Option<String>,
    /// Air temperature, °C [default: 20, or as session.toml says]
    #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = celsius)]
    pub temperature: Option<f64>,
    /// Highest frequency, Hz
    #[arg(long, value_name = "HZ", default_value_t = 120.0, allow_negative_numbers = true, value_parser = hertz)]
    pub to: f64,
    /// With PATH: find where seats hear and loudspeakers drive this mode least, Hz
    #[arg(long, value_name = "HZ", value_parser = mode_frequency, allow_negative_numbers = true)]
    pub mode: Option<f64>,
    /// How far a seat or a loudspeaker may move, m
    #[arg(long, value_name = "M", default_value_t = 0.5, value_parser = time, allow_negative_numbers = true)]
    pub reach: f64,
    /// Expected decay time, s, for the Schroeder frequency
    #[arg(long, value_name = "S", default_value_t = 0.5, value_parser = time, allow_negative_numbers = true)]
    pub t60: f64,
    /// Form of standard output
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

/// `stillroom design`.
#[derive(Debug, Args)]
pub struct DesignArgs {
    /// A session folder: its room, and the mode as measured
    #[arg(value_hint = ValueHint::DirPath)]
    pub path: Option<PathBuf>,
    /// Length x width x height of a rectangular room, in metres or feet and inches
    #[arg(long, value_name = "LxWxH")]
    pub dims: Option<String>,
    /// Frequency of the mode to treat, Hz
    #[arg(long, value_name = "HZ", value_parser = mode_frequency, allow_negative_numbers = true)]
    pub mode: f64,
    /// T60 of the mode without units, s [default: as measured in PATH]
    #[arg(long, value_name = "S", value_parser = time, allow_negative_numbers = true)]
    pub t60: Option<f64>,
    /// T60 to reach, s
    #[arg(long, value_name = "S", value_parser = time, allow_negative_numbers = true)]
    pub target_t60: Option<f64>,
    /// By how much T60 may pass the target and still count as reached, %
    #[arg(long, value_name = "PERCENT", default_value_t = 10.0, allow_negative_numbers = true, value_parser = percent)]
    pub tolerance: f64,
    /// A given unit, NAME=VALUE with commas between
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,
    /// One corner of its face, m [default: in the best corner]
    #[arg(long, value_name = "X,Y,Z", requires = "to", value_parser = place, allow_negative_numbers = true)]
    pub from: Option<[f64; 3]>,
    /// The opposite corner of its face, m
    #[arg(long, value_name = "X,Y,Z", requires = "from", value_parser = place, allow_negative_numbers = true)]
    pub to: Option<[f64; 3]>,
    /// How the panel is held at its edges
    #[arg(long, value_enum, default_value_t = PanelEdges::Piston)]
    pub edges: PanelEdges,
    /// Most air that all units together may hold, litres
    #[arg(long, value_name = "LITRES", value_parser = time, allow_negative_numbers = true)]
    pub litres: Option<f64>,
    /// Areas to add with their absorption: a CSV file with columns name, area_m2 and one for each band in Hz,
    /// and a row named `before` with the bands' T in s (area_m2: all surfaces of the room)
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub areas: Option<PathBuf>,
    /// State without units, where PATH has several
    #[arg(long, value_name = "STATE")]
    pub before: Option<String>,
    /// Air temperature, °C [default: 20, or as session.toml says]
    #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = celsius)]
    pub temperature: Option<f64>,
    /// Seed of the random draws behind the chance
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Form of standard output
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
    /// How to read the folder.
    #[command(flatten)]
    pub reading: ReadingArgs,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// How a panel is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PanelEdges {
    /// Moves as a whole, on a soft seal
    Piston,
    /// Held, free to tilt
    Supported,
    /// Held and kept from tilting
    Clamped,
}

fn place(text: &str) -> Result<[f64; 3], String> {
    let said = "three numbers in metres with commas between, like 0,1.2,0.4";
    let numbers: Vec<f64> =
        text.split(',').map(|part| part.trim().parse().map_err(|_| said)).collect::<Result<_, _>>()?;
    let place: [f64; 3] = numbers.try_into().map_err(|_| said)?;
    if place.iter().all(|x| x.is_finite()) { Ok(place) } else { Err(said.to_owned()) }
}
