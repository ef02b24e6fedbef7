//! `stillroom excite`: a test signal as an audio file.

use super::args::{ExciteArgs, NoiseColour};
use super::{Exit, Failed, excite_length, screen, write};
use std::path::{Path, PathBuf};
use stillroom::excitation::{Colour, Description, Noise, Plan, Question, SignalError, Sweep};
use stillroom::output::OutputError;
use stillroom::output::audio::{SampleForm, write_wav};
use stillroom::output::file::{Existing, put};

/// Runs the command.
pub fn run(args: &ExciteArgs) -> Result<Exit, Failed> {
    let plan = plan(args).map_err(Failed::usage)?;
    let sized = plan.map_or_else(|| args.clone(), |plan| as_planned(args, &plan));
    let args = &sized;
    let signal = signal(args).map_err(Failed::usage)?;
    excite_length::check(args, signal.part_s(), plan.is_some())?;
    let path = args.out.clone().unwrap_or_else(|| PathBuf::from(signal.file_name()));
    let beside = Description::path_beside(&path);
    if !args.force && beside.exists() {
        return Err(Failed::usage(OutputError::Exists { path: beside }));
    }
    let samples = signal.samples().map_err(Failed::usage)?.repeat(args.repeats);
    write_wav(&path, &samples, args.rate, SampleForm::Integer24, args.force).map_err(Failed::usage)?;
    let seconds = samples.len() as f64 / f64::from(args.rate);
    let how = signal.words(args.repeats);
    screen::line(&format!("{}: {how}, {seconds:.1} s in all, {} Hz.", write::shown(&path), args.rate));
    let described = describe(args, &samples, &path);
    let text = described.text().map_err(Failed::nothing)?;
    put(&beside, text.as_bytes(), Existing::replaced_if(args.force)).map_err(Failed::usage)?;
    let decibels = |ratio: f64| format!("{:.1}", 20.0 * ratio.log10()).replace('-', "−");
    screen::paragraph(&format!(
        "Peak {} dB, rms {} dB of full scale, crest factor {} dB. Described in {}: keep both together.",
        decibels(described.peak),
        decibels(described.rms),
        decibels(described.crest()),
        write::shown(&beside)
    ));
    plan.iter().for_each(|plan| screen::paragraph(&expectation(plan)));
    CAUTION.iter().for_each(|text| screen::paragraph(text));
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

/// What the question asks for, if one was asked.
fn plan(args: &ExciteArgs) -> Result<Option<Plan>, SignalError> {
    let Some((lowest_hz, longest_t60_s)) = args.lowest_mode.zip(args.longest_t60) else { return Ok(None) };
    let asked = Question { lowest_hz, longest_t60_s, noise_under_db: args.noise_under, to_hz: args.to };
    Ok(Some(if args.noise.is_some() { asked.noise()? } else { asked.sweeps()? }))
}

/// The arguments with what the plan says.
fn as_planned(args: &ExciteArgs, plan: &Plan) -> ExciteArgs {
    let mut planned = args.clone();
    planned.from = (10.0 * plan.from_hz).round() / 10.0;
    planned.seconds = Some(plan.seconds);
    if args.noise.is_some() {
        planned.periods = plan.repeats + 1;
    } else {
        (planned.repeats, planned.tail) = (plan.repeats, plan.tail_s);
    }
    planned
}

fn expectation(plan: &Plan) -> String {
    let expected = plan.peak_to_noise_db;
    if plan.is_enough() {
        return format!(
            "Expect a peak-to-noise of about {expected:.0} dB at the lowest mode; T30 needs 45 dB."
        );
    }
    format!(
        "Expect no more than about {expected:.0} dB of peak-to-noise at the lowest mode, and T30 needs 45 dB: play \
         louder if loudspeaker and neighbours bear it, or wait for less noise."
    )
}

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

/// What is played.
enum Signal {
    Sweep(Sweep),
    Noise(Noise),
}

impl Signal {
    /// Samples of one sweep, or of all periods of noise.
    fn samples(&self) -> Result<Vec<f64>, SignalError> {
        match self {
            Self::Sweep(sweep) => sweep.samples(),
            Self::Noise(noise) => noise.samples(),
        }
    }

    /// How long one of its parts takes, s: a sweep with its silence, or a period.
    fn part_s(&self) -> f64 {
        match self {
            Self::Sweep(sweep) => sweep.lasts_s(),
            Self::Noise(noise) => noise.period_s,
        }
    }

    fn file_name(&self) -> &'static str {
        match self {
            Self::Sweep(_) => "sweep.wav",
            Self::Noise(_) => "noise.wav",
        }
    }

    fn words(&self, repeats: usize) -> String {
        match self {
            Self::Noise(Noise { periods, period_s, from_hz, to_hz, .. }) => {
                format!("{periods} periods of noise of {period_s} s, {from_hz} to {to_hz} Hz")
            }
            Self::Sweep(Sweep { seconds, from_hz, to_hz, .. }) => {
                let sweeps = if repeats == 1 { "a sweep".to_owned() } else { format!("{repeats} sweeps") };
                format!("{sweeps} of {seconds} s, {from_hz} to {to_hz} Hz")
            }
        }
    }
}

/// The signal as asked for, every setting in its range.
fn signal(args: &ExciteArgs) -> Result<Signal, SignalError> {
    let peak = 10_f64.powf(-args.below / 20.0);
    let rate_hz = f64::from(args.rate);
    if let Some(colour) = args.noise {
        let noise = Noise {
            colour: if colour == NoiseColour::Pink { Colour::Pink } else { Colour::White },
            from_hz: args.from,
            to_hz: args.to,
            period_s: args.seconds.unwrap_or(Noise::default().period_s),
            periods: args.periods,
            rate_hz,
            peak,
            seed: args.seed,
        };
        return noise.check().map(|()| Signal::Noise(noise));
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
    sweep.check().map(|()| Signal::Sweep(sweep))
}
