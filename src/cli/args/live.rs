//! What `measure` may be told.

use super::{celsius, decibels, hertz, rate, seconds};
use clap::{Args, ValueHint};
use std::num::NonZeroUsize;
use std::path::PathBuf;

/// `stillroom measure`.
#[derive(Debug, Args)]
pub struct MeasureArgs {
    /// Folder of the state that the takes belong to, e.g. cello-room/empty
    #[arg(required_unless_present = "list", value_hint = ValueHint::DirPath)]
    pub path: Option<PathBuf>,
    /// List sound devices with their rates and channels, and end
    #[arg(long)]
    pub list: bool,
    /// One take at this position, then end [default: the next places, asked one by one]
    #[arg(long, value_name = "NAME")]
    pub position: Option<String>,
    /// Which loudspeaker plays, for the take's name
    #[arg(long, value_name = "NAME")]
    pub source: Option<String>,
    /// Device that plays and records [default: the system's]
    #[arg(long, value_name = "NAME", conflicts_with_all = ["input", "output"])]
    pub device: Option<String>,
    /// Device that records, if it is another one
    #[arg(long, value_name = "NAME")]
    pub input: Option<String>,
    /// Device that plays, if it is another one
    #[arg(long, value_name = "NAME")]
    pub output: Option<String>,
    /// Sample rate, Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = rate)]
    pub rate: u32,
    /// Input channel of the microphone, counted from 1
    #[arg(long, value_name = "N", default_value = "1")]
    pub channel: NonZeroUsize,
    /// Input channel that hears the signal as it leaves the output (a loopback), counted from 1
    #[arg(long, value_name = "N")]
    pub reference: Option<NonZeroUsize>,
    /// Output channel of the loudspeaker, counted from 1
    #[arg(long, value_name = "N", default_value = "1")]
    pub output_channel: NonZeroUsize,
    /// The signal.
    #[command(flatten)]
    pub signal: SignalArgs,
    /// Level of the signal's peak, dB of full scale; without --yes it is reached step by step
    #[arg(long, value_name = "DB", allow_negative_numbers = true, value_parser = decibels)]
    pub level: Option<f64>,
    /// Play at --level without asking: hearing and loudspeaker are then your care alone
    #[arg(long, requires_all = ["level", "position"])]
    pub yes: bool,
    /// Highest level offered, dB of full scale
    #[arg(long, value_name = "DB", default_value_t = -12.0, allow_negative_numbers = true, value_parser = decibels)]
    pub limit: f64,
    /// Stop where the microphone hears more than this, dB SPL (time constant F)
    #[arg(long, value_name = "DB", requires = "full_scale_spl", value_parser = decibels)]
    pub limit_spl: Option<f64>,
    /// Sound pressure level of a sine that reaches full scale at the microphone's input, dB
    #[arg(long, value_name = "DB", value_parser = decibels)]
    pub full_scale_spl: Option<f64>,
    /// Keep the recordings too, in this folder
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub recordings: Option<PathBuf>,
    /// Air temperature, °C, for the record: a kelvin moves every mode by 0.17 %
    #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = celsius)]
    pub temperature: Option<f64>,
    /// Remark for the record, e.g. who opened the door
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

/// The sweep that is played.
#[derive(Debug, Args)]
pub struct SignalArgs {
    /// Lowest frequency, Hz
    #[arg(long, value_name = "HZ", default_value_t = 15.0, value_parser = hertz)]
    pub from: f64,
    /// Highest frequency, Hz
    #[arg(long, value_name = "HZ", default_value_t = 20_000.0, value_parser = hertz)]
    pub to: f64,
    /// Length of the sweep, s
    #[arg(long, value_name = "S", default_value_t = 20.0, value_parser = seconds)]
    pub seconds: f64,
    /// Silence after the sweep, s: longer than the longest decay
    #[arg(long, value_name = "S", default_value_t = 5.0, value_parser = seconds)]
    pub tail: f64,
}
