//! A signal that is longer than its recording may be is refused before it is written, with what to do instead.

use super::Failed;
use super::args::{ExciteArgs, MOST_REPEATS};
use stillroom::recovery::{TooLong, longest_signal_s};

/// Refuses a signal whose recording could not be read: one part of it (a sweep with its silence, a period of noise)
/// takes `part_s`. `sized`: its length was chosen by the program.
pub fn check(args: &ExciteArgs, part_s: f64, sized: bool) -> Result<(), Failed> {
    let seconds = parts(args) as f64 * part_s;
    let advice = |error: TooLong| {
        let ways = [several(args, part_s, sized), slower(args, seconds, sized)];
        let ways: Vec<String> = ways.into_iter().flatten().collect();
        format!("{error}\n  do       {}", ways.join("; or "))
    };
    TooLong::check(seconds, args.rate).map_err(|error| Failed::usage(advice(error)))
}

/// Sweeps or periods that are played.
fn parts(args: &ExciteArgs) -> usize {
    if args.noise.is_some() { args.periods } else { args.repeats }
}

/// Fewer parts, recorded more than once; the takes of a position are averaged.
fn several(args: &ExciteArgs, part_s: f64, sized: bool) -> Option<String> {
    let fit = (longest_signal_s(args.rate) / part_s).max(0.0) as usize;
    let (option, most, idle) = match args.noise {
        // The first period only brings the room into its steady state.
        Some(_) => ("--periods", fit, 1),
        None => ("--repeats", fit.min(MOST_REPEATS), 0),
    };
    if most <= idle {
        return Some("write a shorter one (--seconds)".to_owned());
    }
    let wanted = parts(args) - idle;
    let recordings = wanted.div_ceil(most - idle);
    let each = wanted.div_ceil(recordings) + idle;
    let settings = if sized { by_hand(args) } else { String::new() };
    Some(format!(
        "write fewer at a time ({settings}{option} {each}), and record them {recordings} times as takes of one position"
    ))
}

/// The options that say what was chosen, in the place of those that asked for it.
fn by_hand(args: &ExciteArgs) -> String {
    let seconds = args.seconds.map_or(String::new(), |seconds| format!("--seconds {seconds} "));
    let tail = if args.noise.is_some() { String::new() } else { format!("--tail {} ", args.tail) };
    format!(
        "without --lowest-mode, --longest-t60 and --noise-under, but with --from {} {seconds}{tail}",
        args.from
    )
}

/// Rates that recorders offer, Hz, the highest first.
const RATES_HZ: [u32; 7] = [96_000, 48_000, 44_100, 32_000, 22_050, 16_000, 8_000];

/// A lower rate at which a recording holds the whole signal, and the range that such a rate carries.
fn slower(args: &ExciteArgs, seconds: f64, sized: bool) -> Option<String> {
    let highest_hz = |rate: u32| (0.45 * f64::from(rate)).floor().min(args.to);
    // What a signal is sized for has to stand an octave under its highest frequency.
    let least = if sized { args.lowest_mode.map(|hz| 2.0 * hz) } else { None }.unwrap_or(1.5 * args.from);
    let fits = |rate: &&u32| {
        **rate < args.rate && seconds <= longest_signal_s(**rate) && highest_hz(**rate) >= least
    };
    let rate = *RATES_HZ.iter().find(fits)?;
    let to = if highest_hz(rate) < args.to { format!(" --to {}", highest_hz(rate)) } else { String::new() };
    Some(format!("write and record it at a lower rate (--rate {rate}{to})"))
}
