//! `stillroom excite`: a test signal as an audio file.

use super::args::{ExciteArgs, NoiseColour};
use super::{Exit, Failed, screen, write};
use std::path::PathBuf;
use stillroom::excitation::{Colour, Noise, SignalError, Sweep};
use stillroom::output::audio::{SampleForm, write_wav};

/// Runs the command.
pub fn run(args: &ExciteArgs) -> Result<Exit, Failed> {
    let (samples, name, how) = signal(args).map_err(Failed::usage)?;
    let path = args.out.clone().unwrap_or_else(|| PathBuf::from(name));
    write_wav(&path, &samples, args.rate, SampleForm::Integer24, args.force).map_err(Failed::usage)?;
    let seconds = samples.len() as f64 / f64::from(args.rate);
    screen::line(&format!("{}: {how}, {seconds:.1} s in all, {} Hz.", write::shown(&path), args.rate));
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
