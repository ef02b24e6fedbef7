//! Sentences of the advice: reasons, effects, cautions.

use super::facts::TakeFacts;
use super::outcome::{Finding, Next};
use crate::estimate::Estimate;
use crate::session::Unit;

/// A dial's setting without idle zeros.
pub(super) fn setting(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// How far to move a unit that doesn't show, Hz: about the bandwidth of a mode of one second. Common practice, no source.
pub(super) const FEEL_HZ: f64 = 2.0;

pub(super) const NOTHING: &str =
    "the records are too short to fit the spectrum round the mode: export longer responses";
pub(super) const CHECK_FAILS: &str = "the two poles fail the check that one mode and one unit leave over: something \
     else is at work here, another mode near by, a second unit, or a change of the room between baseline and take";
pub(super) const MEASURE_OTHER: &str = "Move the unit's frequency by 1 Hz and measure again; if the check still fails, measure the empty room anew.";
pub(super) const WEAK: &str = "the coupling doesn't stand out of its own error: the unit is too far off in frequency, \
     too damped, or stands where the mode has little pressure";
pub(super) const CLOSE_ADVICE: &str = "Compare T60 of takes with the frequency moved by 0.5 Hz up and down; this model can't say which way is better.";
pub(super) const TURN_DOWN: &str =
    "Turn it down: with its own pole this near to no damping it rings by itself. ";

/// Two modes nearer to each other than the unit's coupling.
pub(super) fn close(nearest_hz: f64, g_per_s: f64) -> String {
    format!(
        "another mode lies {nearest_hz:.1} Hz away, nearer than the coupling ({:.1} Hz): the unit works on both at \
         once, and two poles don't describe that",
        g_per_s / std::f64::consts::TAU
    )
}

/// Several modes, and their poles don't fit the model of them all with one unit.
pub(super) fn crowd(nearest_hz: f64) -> String {
    format!(
        "another mode lies {nearest_hz:.1} Hz away, and the poles that all of them became don't fit one unit among them: \
         the unit works on more than was seen, or something else changed"
    )
}

/// The baseline holds the unit.
pub(super) fn off_is_a_resonator(state: &str) -> String {
    format!(
        "in the state {state} the unit stood there, switched off or not, and so was a resonator already: measure with \
         the unit out of the room (or name such a state as the baseline) to identify it"
    )
}

/// Around a mode whose poles can't be told from a unit's, what rings longest counts, hertz.
pub(super) const AROUND_HZ: f64 = 3.0;

/// What a change did, without identification.
pub(super) fn effect(before: Option<Estimate>, after: Option<Estimate>) -> String {
    before.zip(after).map_or_else(
        || "Effect only, and it can't be told.".to_owned(),
        |(before, after)| {
            format!(
                "Effect only: T60 of what rings longest within {AROUND_HZ:.0} Hz of the mode went from {:.2} s to {:.2} s.",
                before.value, after.value
            )
        },
    )
}

/// Why one pole tells nothing.
pub(super) fn one_pole_reason(switched_off: bool) -> String {
    let off = if switched_off { " (a unit that is switched off is still a resonator)" } else { "" };
    format!(
        "one pole only stands out here: the unit is damped far too much, too weak or far off in frequency, and one pole \
         can't tell which{off}"
    )
}

/// The unit is known to be far off in frequency.
pub(super) fn far_off(step_hz: f64, damped: bool) -> (String, Next) {
    let factor = if damped { 0.5 } else { 1.0 };
    let damping = if damped { ", halve its damping" } else { "" };
    let way = if step_hz > 0.0 { "Raise" } else { "Lower" };
    let text = format!("{way} its frequency by {:.1} Hz{damping} and measure again.", step_hz.abs());
    (text, Next { frequency_change_hz: Some(step_hz), damping_factor: Some(factor), dials: Vec::new() })
}

/// One pole where the best setting is.
pub(super) fn met(best_t60_s: f64) -> (Option<String>, Next) {
    let text = format!(
        "Leave it as it is: the two poles have met, which is the best setting or very near it ({best_t60_s:.2} s by the \
         other takes); a finer look needs less damping."
    );
    (Some(text), Next { frequency_change_hz: Some(0.0), damping_factor: Some(1.0), dials: Vec::new() })
}

/// Where nothing of a unit shows in the mode.
pub(super) fn untreated(mode_hz: f64, units: &[Unit], label: Option<(&str, f64)>) -> (String, String) {
    let named = label.map_or_else(String::new, |(name, hz)| format!(" ({name} is tuned to {hz:.1} Hz)"));
    let reason = format!(
        "no absorber is to be seen at this mode: frequency and T60 are what they were without one{named}"
    );
    let show = format!(
        "tuned within 2 Hz of {mode_hz:.1} Hz, with little damping in it, standing where the mode has pressure (a corner)"
    );
    let advice = match units.first() {
        None => format!("Nothing to turn here. A take with a unit {show}, would show what it does."),
        Some(unit) => format!(
            "Nothing to turn here if {} is for another mode. If it is for this one: a take with it {show}, would show \
             what it does.",
            unit.name
        ),
    };
    (reason, advice)
}

/// What is known where one pole shows.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct OnePole {
    /// The mode's decay changed by more than a tenth.
    pub decay_moved: bool,
    /// Change of the unit's frequency that leads to the mode by the unit's label, hertz.
    pub by_label_hz: Option<f64>,
    /// … by the side to which the mode's own pole went.
    pub by_shift_hz: Option<f64>,
}

/// The step by a unit's label, if that is more than 1 Hz off the mode.
pub(super) fn by_label_hz(units: &[Unit], mode_hz: f64) -> Option<f64> {
    units.iter().find_map(|u| u.tuned_hz).map(|hz| mode_hz - hz).filter(|step| step.abs() > 1.0)
}

/// What to do with one pole.
pub(super) fn one_pole(known: OnePole) -> (String, Next) {
    let step = known.by_label_hz.or(known.by_shift_hz);
    let next = Next { frequency_change_hz: step, damping_factor: Some(0.5), dials: Vec::new() };
    let text = match (known.by_label_hz, known.by_shift_hz) {
        (Some(step), _) => format!(
            "By its label the unit is {:.1} Hz off the mode: move it by {step:+.1} Hz, halve its damping and measure again.",
            step.abs()
        ),
        (None, Some(step)) => {
            let (side, way) = if step > 0.0 { ("below", "raise") } else { ("above", "lower") };
            format!(
                "The mode's own frequency went {}, so the unit lies {side} it, how far is a guess: {way} its frequency \
                 by {:.1} Hz, halve its damping and measure again.",
                if step > 0.0 { "up" } else { "down" },
                step.abs()
            )
        }
        (None, None) if known.decay_moved => {
            "Halve its damping and measure again; the two poles that then show place the unit.".to_owned()
        }
        (None, None) => {
            format!(
                "Halve its damping and measure again; if still nothing shows, move its frequency by {FEEL_HZ} Hz one way, \
                 then the other."
            )
        }
    };
    (text, next)
}

/// The unit that works on a mode: the only one, or the one tuned nearest.
pub(super) fn unit(units: &[Unit], mode_hz: f64) -> Option<&Unit> {
    match units {
        [] => None,
        [only] => Some(only),
        several => {
            let tuned: Vec<(&Unit, f64)> = several.iter().filter_map(|u| Some((u, u.tuned_hz?))).collect();
            if tuned.len() < several.len() {
                return None;
            }
            let nearest = tuned.iter().min_by(|a, b| (a.1 - mode_hz).abs().total_cmp(&(b.1 - mode_hz).abs()));
            nearest.map(|u| u.0)
        }
    }
}

/// Words in a unit's note that say it is heavy or hangs.
const HEAVY: [&str; 8] = ["kg", "heavy", "lb", "ceiling", "overhead", "hang", "hung", "suspend"];
/// From this height of its middle a unit stands overhead, metres. Our own bound: above a seated head.
const OVERHEAD_M: f64 = 1.7;

/// What to mind, each once.
pub(super) fn cautions(takes: &[TakeFacts<'_>], findings: &[Finding]) -> Vec<String> {
    let moves = findings.iter().any(|f| {
        f.next.frequency_change_hz.is_some_and(|hz| hz.abs() > 0.0)
            || f.next.damping_factor.is_some_and(|x| (x - 1.0).abs() > 0.0)
    });
    let again = findings.iter().any(|f| f.advice.as_ref().is_some_and(|a| a.contains("easure again")));
    let units = || takes.iter().flat_map(|t| t.units);
    let heavy = units().any(|u| {
        let note = u.note.as_deref().unwrap_or_default().to_lowercase();
        HEAVY.iter().any(|word| note.split(|c: char| !c.is_alphabetic()).any(|w| w.starts_with(word)))
    });
    let overhead = units().any(|u| u.at_m.is_some_and(|at| at[2] > OVERHEAD_M));
    let mut said = Vec::new();
    if moves && (heavy || overhead) {
        said.push(
            "Something heavy or overhead is to be changed: have it held by fixings made for its load, work with a second \
             person and nobody under it, and follow local codes; a licensed professional decides on fixings."
                .to_owned(),
        );
    }
    if moves && units().any(|u| u.powered) {
        said.push(
            "If the unit is mains-powered: switch it off and unplug it before opening or moving it; work inside it and \
             fixed wiring are for a licensed electrician. Keep to the fire rating of what is added."
                .to_owned(),
        );
    }
    if again {
        said.push(
            "Loud low tones: protect your hearing, keep sweeps short, warn the neighbours, and stay within what the \
             loudspeaker bears at low frequencies."
                .to_owned(),
        );
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A mode that nothing was brought to gets no step, and is told what would show one.
    #[test]
    fn an_untreated_mode_says_so() {
        let (reason, advice) = untreated(66.4, &[], None);
        assert!(reason.contains("no absorber is to be seen"), "{reason}");
        assert!(advice.contains("66.4 Hz") && !advice.contains("alve"), "{advice}");
    }
}
