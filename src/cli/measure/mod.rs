//! `stillroom measure`: plays the signal, records it, and says at once whether to keep the take.

mod ask;
mod place;
mod sound;
mod take;

use super::args::MeasureArgs;
use super::{Exit, Failed, interrupt, screen};
use ask::ask;
use place::Place;
use sound::{Sound, Wanted};
use stillroom::excitation::Sweep;
use stillroom::measure::{Inputs, Limits, Probe, SoundDevice, levels, next_places, probe_of};
use take::{Live, Verdict};

/// Before the first sound. Common practice, no source.
const CAUTION: [&str; 3] = [
    "Loud low tones damage hearing and loudspeakers before they sound loud. Protect your hearing, keep \
     everybody away \
     from the loudspeaker, and warn who lives next door.",
    "Turn the amplifier down before the first tone. A loudspeaker that moves far, rattles or smells is overloaded: \
     press Ctrl-C. A vented one has no hold below its tuning.",
    "Switch off limiters, automatic gain, noise suppression and monitoring of the microphone through the \
     loudspeaker.",
];

/// Runs the command.
pub fn run(args: &MeasureArgs) -> Result<Exit, Failed> {
    if args.list {
        return sound::list().map(|()| Exit::Done);
    }
    let Some(path) = &args.path else { return Err(Failed::usage("name the folder of a state")) };
    check(args)?;
    let place = Place::of(path)?;
    let (microphone, reference) = (args.channel.get() - 1, args.reference.map(|channel| channel.get() - 1));
    let mut device = Sound::open(&Wanted {
        input: args.input.as_deref().or(args.device.as_deref()),
        output: args.output.as_deref().or(args.device.as_deref()),
        rate_hz: args.rate,
        inputs: 1 + microphone.max(reference.unwrap_or(0)),
        plays: args.output_channel.get() - 1,
    })
    .map_err(Failed::usage)?;
    screen::paragraph(&device.words());
    CAUTION.iter().for_each(|text| screen::paragraph(text));
    let rate_hz = f64::from(device.rate_hz());
    let mut limits = Limits::new(rate_hz, microphone);
    limits.reference = reference;
    limits.mean_square = mean_square(args);
    let (from_hz, to_hz) = (args.signal.from, args.signal.to);
    let (seconds, tail_s) = (args.signal.seconds, args.signal.tail);
    let sweep = Sweep { from_hz, to_hz, seconds, tail_s, rate_hz, ..Sweep::default() };
    sweep.samples().map_err(Failed::usage)?;
    let mut live =
        Live { args, device: &mut device, sweep, inputs: Inputs { microphone, reference }, limits, place };
    match level(&mut live)? {
        Some(level_db) => takes(&mut live, level_db),
        None if interrupt::asked() => Ok(Exit::Interrupted),
        None => Ok(Exit::Nothing),
    }
}

fn check(args: &MeasureArgs) -> Result<(), Failed> {
    if args.reference == Some(args.channel) {
        return Err(Failed::usage("--channel and --reference name the same channel"));
    }
    let wrong =
        |name: &str, db: f64| Failed::usage(format!("{name}: {db} dB of full scale\n  allowed  -80 to 0 dB"));
    for (name, level) in [("--level", args.level), ("--limit", Some(args.limit))] {
        if let Some(db) = level.filter(|db| !(-80.0..=0.0).contains(db)) {
            return Err(wrong(name, db));
        }
    }
    if let Some(db) = args.full_scale_spl.filter(|db| !(60.0..=200.0).contains(db)) {
        return Err(Failed::usage(format!("--full-scale-spl: {db} dB SPL\n  allowed  60 to 200 dB")));
    }
    match args.level {
        Some(db) if db > args.limit => Err(Failed::usage(format!(
            "--level {db} is over the limit of {} dB\n  do       raise --limit too if loudspeaker and hearing \
             bear it",
            args.limit
        ))),
        _ => Ok(()),
    }
}

/// The limit of sound pressure as a mean square at the input: a sine at full scale has one half.
fn mean_square(args: &MeasureArgs) -> Option<f64> {
    let (limit, full_scale) = args.limit_spl.zip(args.full_scale_spl)?;
    Some(0.5 * 10_f64.powf((limit - full_scale) / 10.0))
}

/// The level to measure at, risen to step by step; `None` where the user ended it.
fn level(live: &mut Live<'_>) -> Result<Option<f64>, Failed> {
    if let (Some(db), true) = (live.args.level, live.args.yes) {
        return Ok(Some(db));
    }
    screen::heading("Level");
    let probe = probe_of(&live.sweep);
    let highest_db = live.args.level.unwrap_or(live.args.limit);
    let mut reached = None;
    for level_db in levels(highest_db) {
        let go = if reached.is_none() {
            "Enter plays"
        } else {
            "Enter plays louder, m measures at the level before"
        };
        let question = format!(
            "  Next a sweep of {:.0} s at {level_db:.0} dB of full scale: {go}, q ends.",
            probe.seconds
        );
        match ask(&question).as_deref() {
            Some("") => {}
            Some("m") if reached.is_some() => return Ok(reached),
            _ => return Ok(None),
        }
        let (heard, judged) = live.played(&probe, level_db)?;
        if interrupt::asked() {
            return Ok(None);
        }
        if heard.stopped.is_some() {
            let (found, advice) = judged.again.unwrap_or_default();
            screen::warning(&format!("at {level_db:.0} dB {found}; {advice}"));
            return Ok(reached.filter(|db| confirmed(*db)));
        }
        let microphone = heard.channels.get(live.inputs.microphone).map(Vec::as_slice).unwrap_or_default();
        let seen = Probe::of(&judged, microphone, &live.sweep);
        screen::paragraph(&words(&seen, judged.latency_s));
        reached = Some(level_db);
    }
    Ok(reached.filter(|db| confirmed(*db)))
}

fn confirmed(level_db: f64) -> bool {
    ask(&format!("  Enter measures at {level_db:.0} dB of full scale, q ends.")).as_deref() == Some("")
}

fn words(seen: &Probe, latency_s: Option<f64>) -> String {
    let peak_db = 20.0 * seen.peak.max(1e-10).log10();
    let late = latency_s.map_or(String::new(), |s| format!(" {:.1} ms late.", 1e3 * s));
    let expected = match seen.expected {
        None => "not heard over the noise yet".to_owned(),
        Some((hz, db)) if seen.is_enough() => {
            format!("enough: the full sweep will give {db:.0} dB over the noise at {hz:.0} Hz")
        }
        Some((hz, db)) => {
            format!("the full sweep will give {db:.0} dB over the noise at {hz:.0} Hz; T30 needs 45")
        }
    };
    format!("Microphone: peak {peak_db:.0} dB of full scale; {expected}.{late}")
}

/// Take after take.
fn takes(live: &mut Live<'_>, level_db: f64) -> Result<Exit, Failed> {
    let (mut kept, mut again) = (0, 0);
    let mut said = live.args.position.clone();
    while let Some(position) = said.take().or_else(|| next(live)) {
        match live.take(&position, level_db)? {
            Verdict::Keep => kept += 1,
            Verdict::Again => again += 1,
            Verdict::Interrupted => return Ok(Exit::Interrupted),
        }
        if live.args.position.is_some() {
            break;
        }
    }
    Ok(match (kept, again) {
        _ if interrupt::asked() => Exit::Interrupted,
        (0, _) => Exit::Nothing,
        (_, 0) => Exit::Done,
        _ => Exit::Partial,
    })
}

/// Asks where the microphone stands now.
fn next(live: &Live<'_>) -> Option<String> {
    let source = live.args.source.as_deref().unwrap_or_default();
    let places = next_places(&live.place.session, source, &live.place.measured(live.args.source.as_deref()));
    screen::line("");
    let question = match places.first() {
        Some(place) => {
            let at = place.at_m.map_or(String::new(), |[x, y, z]| format!(" at {x:.2} {y:.2} {z:.2} m"));
            screen::paragraph(&format!("Next: {}{at}: {}", place.name, place.reason));
            format!("  Microphone there? Enter measures {}, another name that one, q ends.", place.name)
        }
        None => "  Where does the microphone stand? A name measures it, q ends.".to_owned(),
    };
    loop {
        let said = ask(&question)?;
        match (said.as_str(), places.first()) {
            ("q", _) => return None,
            ("", Some(place)) => return Some(place.name.clone()),
            ("", None) => {}
            (name, _) => return Some(name.to_owned()),
        }
    }
}
