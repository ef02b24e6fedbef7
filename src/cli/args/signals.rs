//! What `excite` and `respond` may be told.

use super::{celsius, decibels, hertz, rate, seconds};
use clap::{Args, ValueEnum, ValueHint};
use std::num::NonZeroUsize;
use std::path::PathBuf;
use stillroom::session::Channels;

/// `stillroom excite`.
#[derive(Debug, Clone, Args)]
pub struct ExciteArgs {
    /// Periodic noise of this colour instead of a sweep
    #[arg(long, value_enum, value_name = "COLOUR")]
    pub noise: Option<NoiseColour>,
    /// Lowest frequency, Hz
    #[arg(long, value_name = "HZ", default_value_t = 15.0, allow_negative_numbers = true, value_parser = hertz)]
    pub from: f64,
    /// Highest frequency, Hz
    #[arg(long, value_name = "HZ", default_value_t = 20_000.0, allow_negative_numbers = true, value_parser = hertz)]
    pub to: f64,
    /// Length of the sweep, or of one period of noise, s [default: 20, or 10 for noise]
    #[arg(long, value_name = "S", allow_negative_numbers = true, value_parser = seconds)]
    pub seconds: Option<f64>,
    /// Silence after the sweep, s: longer than the longest decay
    #[arg(
        long,
        value_name = "S",
        default_value_t = 5.0,
        conflicts_with = "noise",
        allow_negative_numbers = true, value_parser = seconds)]
    pub tail: f64,
    /// How often the sweep is played: repeats show how the clocks differ, and the noise
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "noise", value_parser = repeats)]
    pub repeats: usize,
    /// Periods of noise
    #[arg(long, value_name = "N", default_value_t = 6, requires = "noise")]
    pub periods: usize,
    /// Seed of the noise: takes with two seeds show what is distortion and what the room
    #[arg(long, value_name = "N", default_value_t = 1, requires = "noise")]
    pub seed: u64,
    /// Choose the signal's length by what it must show: lowest mode to be found, Hz
    #[arg(long, value_name = "HZ", requires = "longest_t60", conflicts_with_all = ["from", "seconds", "tail", "repeats", "periods"], allow_negative_numbers = true, value_parser = hertz)]
    pub lowest_mode: Option<f64>,
    /// Longest T60 expected, s
    #[arg(long, value_name = "S", requires = "lowest_mode", allow_negative_numbers = true, value_parser = seconds)]
    pub longest_t60: Option<f64>,
    /// Background noise in the octave of the lowest mode, dB under the signal there, both at the microphone
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 35.0,
        requires = "lowest_mode",
        allow_negative_numbers = true, value_parser = decibels)]
    pub noise_under: f64,
    /// Sample rate, Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000, allow_negative_numbers = true, value_parser = rate)]
    pub rate: u32,
    /// Peak, dB below full scale
    #[arg(long, value_name = "DB", default_value_t = 12.0, allow_negative_numbers = true, value_parser = decibels)]
    pub below: f64,
    /// File to write [default: sweep.wav or noise.wav]
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    /// Replace a file of that name
    #[arg(long)]
    pub force: bool,
}

/// Colour of periodic noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum NoiseColour {
    /// Equal power in every octave
    Pink,
    /// Equal power in every hertz
    White,
}

/// `stillroom respond`.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("known").args(["signal", "reference"]).multiple(true))]
pub struct RespondArgs {
    /// Recordings of the test signal
    #[arg(required = true, value_hint = ValueHint::FilePath)]
    pub recordings: Vec<PathBuf>,
    /// The file that was played [default: the one described in the recording's folder or this one]
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub signal: Option<PathBuf>,
    /// Channel of each recording that holds the signal as it left the output, counted from 1
    #[arg(long, value_name = "N")]
    pub reference: Option<NonZeroUsize>,
    /// Channel that holds the microphone, counted from 1; of several, each with its position: 1=seat,2=corner
    /// [default: the first that is not the reference]
    #[arg(long, value_name = "N[=POSITION],...", value_parser = Channels::parse)]
    pub channel: Option<Channels>,
    /// The recording holds several sweeps, one a position: their names in order
    #[arg(long, value_name = "POSITION,...", conflicts_with_all = ["noise", "average"])]
    pub in_order: Option<String>,
    /// The recording holds several sweeps of one position: average them (so are repeats in the signal itself)
    #[arg(long, conflicts_with = "noise")]
    pub average: bool,
    /// Air temperature during the take, °C, for the record: a kelvin moves every mode by 0.17 %
    #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = celsius)]
    pub temperature: Option<f64>,
    /// Remark for the record, e.g. who opened the door
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// A second run at this place at a lower level, played and recorded alike: shows what isn't linear
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, conflicts_with = "noise")]
    pub quieter: Option<PathBuf>,
    /// What the dial was turned down by for --quieter, dB: if the second is lower by less, a limiter acted on the first
    #[arg(long, value_name = "DB", requires = "quieter", allow_negative_numbers = true, value_parser = decibels)]
    pub quieter_by: Option<f64>,
    /// A second run at this place with noise of another seed: shows distortion, and both are averaged
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, requires = "noise")]
    pub second_seed: Option<PathBuf>,
    /// Correct the microphone by this text file: frequency in Hz, dB, and perhaps degrees
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub correct_microphone: Option<PathBuf>,
    /// Correct the input that recorded the reference by this text file, in the same form
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, requires = "reference")]
    pub correct_reference: Option<PathBuf>,
    /// Recording of a calibrator on the microphone, at the same gain: levels in dB SPL
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub calibrator: Option<PathBuf>,
    /// Sound pressure level of the calibrator, dB
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 94.0,
        requires = "calibrator",
        allow_negative_numbers = true, value_parser = decibels)]
    pub calibrator_spl: f64,
    /// Sound pressure level of a sine that reaches full scale, dB, where no calibrator was recorded
    #[arg(long, value_name = "DB", conflicts_with = "calibrator", allow_negative_numbers = true, value_parser = decibels)]
    pub full_scale_spl: Option<f64>,
    /// The signal is noise: average its periods, or segments of noise that doesn't repeat
    #[arg(long, requires = "reference")]
    pub noise: bool,
    /// Length of a segment of noise that doesn't repeat, s: eight times the longest decay (a period is found)
    #[arg(long, value_name = "S", default_value_t = 10.0, requires = "noise", allow_negative_numbers = true, value_parser = seconds)]
    pub segment: f64,
    /// Length of the response after the emission, s [default: as the recording allows]
    #[arg(long, value_name = "S", conflicts_with = "noise", allow_negative_numbers = true, value_parser = seconds)]
    pub length: Option<f64>,
    /// Folder for the responses, each named like its recording
    #[arg(long, value_name = "DIR", default_value = "responses", value_hint = ValueHint::DirPath)]
    pub out: PathBuf,
    /// Replace files of these names
    #[arg(long)]
    pub force: bool,
    /// No summary; errors only
    #[arg(long)]
    pub quiet: bool,
}

/// Most sweeps that `excite` takes by hand.
pub const MOST_REPEATS: usize = 20;

fn repeats(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(count @ 1..=MOST_REPEATS) => Ok(count),
        _ => Err(format!("must be 1 to {MOST_REPEATS}")),
    }
}
