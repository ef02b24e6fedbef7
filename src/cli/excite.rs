//! `stillroom excite`: a test signal as an audio file.

use super::args::{ExciteArgs, NoiseColour};
use super::{Exit, Failed, screen, write};
use std::path::{Path, PathBuf};
use stillroom::excitation::{Colour, Description, Noise, SignalError, Sweep};
use stillroom::output::OutputError;
use stillroom::output::audio::{SampleForm, write_wav, write_whole};

/// Runs the command.
pub fn run(args: &ExciteArgs) -> Result<Exit, Failed> {
    let (once, name, how) = signal(args).map_err(Failed::usage)?;
    let samples = once.repeat(args.repeats);
    let path = args.out.clone().unwrap_or_else(|| PathBuf::from(name));
    let beside = Description::path_beside(&path);
    if !args.force && beside.exists() {
        return Err(Failed::usage(OutputError::Exists { path: beside }));
    }
    write_wav(&path, &samples, args.rate, SampleForm::Integer24, args.force).map_err(Failed::usage)?;
    let seconds = samples.len() as f64 / f64::from(args.rate);
    screen::line(&format!("{}: {how}, {seconds:.1} s in all, {} Hz.", write::shown(&path), args.rate));
    let described = describe(args, &samples, &path);
    let text = described.text().map_err(Failed::nothing)?;
    write_whole(&beside, text.as_bytes(), args.force).map_err(Failed::usage)?;
    let decibels = |ratio: f64| 20.0 * ratio.log10();
    screen::line(&format!(
        "Peak {:.1} dB, rms {:.1} dB of full scale, crest {:.1} dB. Described in {}: keep both together.",
        decibels(described.peak),
        decibels(described.rms),
        decibels(described.crest()),
        write::shown(&beside)
    ));
    CAUTION.iter().for_each(|text| screen::line(text));
    Ok(Exit::Done)
}

/// Common practice, no source, but for the time base (ISO 18233:2006, annex B).
const CAUTION: [&str; 3] = [
    "Start with the volume down and raise it step by step. A loudspeaker that moves far at low frequencies \
     can be damaged before it sounds loud; a vented one has no hold below its tuning.",
    "Protect your hearing, let nobody stand near the loudspeaker, and warn who lives next door.",
    "Record from before the signal until the ringing is gone, with no limiter, no automatic gain, and the \
     signal itself on a second channel if there is one.",
];

fn describe(args: &ExciteArgs, samples: &[f64], path: &Path) -> Description {
    let kind = if args.noise.is_some() { "noise" } else { "sweep" };
    let mut described = Description::of(kind, samples, f64::from(args.rate));
    described.file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    described.range_hz = [args.from, args.to];
    let usual = if args.noise.is_some() { Noise::default().period_s } else { Sweep::default().seconds };
    described.seconds = args.seconds.unwrap_or(usual);
    let repeats = if args.noise.is_some() { args.periods } else { args.repeats };
    described.repeats = u32::try_from(repeats).unwrap_or(u32::MAX);
    described
}

fn signal(args: &ExciteArgs) -> Result<(Vec<f64>, &'static str, String), SignalError> {
    let peak = 10_f64.powf(-args.below / 20.0);
    let rate_hz = f64::from(args.rate);
    let range = format!("{} to {} Hz", args.from, args.to);
    if let Some(colour) = args.noise {
        let noise = Noise {
            colour: if colour == NoiseColour::Pink { Colour::Pink } else { Colour::White },
            from_hz: args.from,
            to_hz: args.to,
            period_s: args.seconds.unwrap_or(Noise::default().period_s),
            periods: args.periods,
            rate_hz,
            peak,
            ..Noise::default()
        };
        let how = format!("{} periods of noise of {} s, {range}", noise.periods, noise.period_s);
        return Ok((noise.samples()?, "noise.wav", how));
    }
    let sweep = Sweep {
        from_hz: args.from,
        to_hz: args.to,
        seconds: args.seconds.unwrap_or(Sweep::default().seconds),
        tail_s: args.tail,
        rate_hz,
        peak,
        ..Sweep::default()
    };
    let how = format!("a sweep of {} s, {range}", sweep.seconds);
    Ok((sweep.samples()?, "sweep.wav", how))
}
