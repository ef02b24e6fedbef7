//! Sentences of the advice: reasons, effects, cautions.

use super::facts::SettingFacts;
use super::outcome::{Finding, Next};
use crate::estimate::Estimate;
use crate::language::{Message, Value, number, say};
use crate::session::Unit;

/// A dial's setting without idle zeros.
pub(super) fn setting(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// How far to move a unit that doesn't show, Hz: about the bandwidth of a mode of one second. Common practice, no source.
pub(super) const FEEL_HZ: f64 = 2.0;

/// Two modes nearer to each other than the unit's coupling.
pub(super) fn close(nearest_hz: f64, g_per_s: f64) -> Message {
    let coupling = number(g_per_s / std::f64::consts::TAU, 1);
    say!("absorber.close", hz = number(nearest_hz, 1), coupling = coupling)
}

/// Several modes, and their poles don't fit the model of them all with one unit.
pub(super) fn crowd(nearest_hz: f64) -> Message {
    say!("absorber.crowd", hz = number(nearest_hz, 1))
}

/// The baseline holds the unit.
pub(super) fn off_is_a_resonator(state: &str) -> Message {
    say!("absorber.off-is-a-resonator", state = state)
}

/// Around a mode whose poles can't be told from a unit's, what rings longest counts, hertz.
pub(super) const AROUND_HZ: f64 = 3.0;

/// What a change did, without identification.
pub(super) fn effect(before: Option<Estimate>, after: Option<Estimate>) -> Message {
    match before.zip(after) {
        None => say!("absorber.effect-untold"),
        Some((before, after)) => say!(
            "absorber.effect",
            around = number(AROUND_HZ, 0),
            before = number(before.value, 2),
            after = number(after.value, 2)
        ),
    }
}

/// Why one pole tells nothing.
pub(super) fn one_pole_reason(switched_off: bool) -> Message {
    if switched_off { say!("absorber.one-pole-off") } else { say!("absorber.one-pole") }
}

/// The unit is known to be far off in frequency.
pub(super) fn far_off(step_hz: f64, damped: bool) -> (Message, Next) {
    let factor = if damped { 0.5 } else { 1.0 };
    let key = match (step_hz > 0.0, damped) {
        (true, true) => "absorber.raise-and-halve",
        (true, false) => "absorber.raise",
        (false, true) => "absorber.lower-and-halve",
        (false, false) => "absorber.lower",
    };
    let next = Next { frequency_change_hz: Some(step_hz), damping_factor: Some(factor), dials: Vec::new() };
    (say!(key, hz = number(step_hz.abs(), 1)), next)
}

/// T60 over the best within this is at the best setting as far as one pole tells, as it is for a last step's advice.
const AT_BEST: f64 = 1.12;

/// One pole where the best setting is, or near it.
pub(super) fn met(t60_s: f64, best_t60_s: f64) -> (Option<Message>, Next) {
    let next = Next { frequency_change_hz: Some(0.0), damping_factor: Some(1.0), dials: Vec::new() };
    let (over, time) = (t60_s / best_t60_s, number(best_t60_s, 2));
    let text = if over < AT_BEST {
        say!("absorber.met", time = time)
    } else {
        say!("absorber.met-near", percent = number(100.0 * (over - 1.0), 0), time = time)
    };
    (Some(text), next)
}

/// Where nothing of a unit shows in the mode.
pub(super) fn untreated(mode_hz: f64, units: &[Unit], label: Option<(&str, f64)>) -> (Message, Message) {
    let reason = match label {
        Some((name, hz)) => say!("absorber.untreated-labelled", unit = name, hz = number(hz, 1)),
        None => say!("absorber.untreated"),
    };
    let show = say!("absorber.would-show", hz = number(mode_hz, 1));
    let advice = match units.first() {
        None => say!("absorber.nothing-to-turn", show = show),
        Some(unit) => say!("absorber.nothing-to-turn-unit", unit = unit.name.as_str(), show = show),
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
    /// Other modes lie so near that this side says nothing.
    pub crowded: bool,
}

/// The unit labelled nearest a mode, and its label, hertz.
pub(super) fn label(units: &[Unit], mode_hz: f64) -> Option<(&str, f64)> {
    let labels = units.iter().filter_map(|u| Some((u.name.as_str(), u.tuned_hz?)));
    labels.min_by(|a, b| (a.1 - mode_hz).abs().total_cmp(&(b.1 - mode_hz).abs()))
}

/// The step by a unit's label, if that is more than 1 Hz off the mode.
pub(super) fn by_label_hz(units: &[Unit], mode_hz: f64) -> Option<f64> {
    label(units, mode_hz).map(|(_, hz)| mode_hz - hz).filter(|step| step.abs() > 1.0)
}

/// A unit so near the target is meant for it whatever lies beside, hertz: where a label names a mode. Our own choice.
pub(super) const MEANT_HZ: f64 = 4.0;

/// What to say instead of how to move a unit that stands at another mode of the baseline or at none near: such a step would
/// undo what it does there. `reach_hz`: farther from its mode no unit works.
pub(super) fn elsewhere(unit_hz: f64, mode_hz: f64, others_hz: &[f64], reach_hz: f64) -> Option<Message> {
    let off_hz = (unit_hz - mode_hz).abs();
    if off_hz > reach_hz {
        return Some(say!("absorber.not-meant", hz = number(unit_hz, 1)));
    }
    // Beside the target a unit may work on both, and a fit may misplace it between far modes.
    let theirs = |hz: &&f64| (*hz - unit_hz).abs() < MEANT_HZ && (*hz - mode_hz).abs() > MEANT_HZ;
    let others = others_hz.iter().filter(theirs).filter(|_| off_hz > MEANT_HZ);
    let other = others.min_by(|a, b| (*a - unit_hz).abs().total_cmp(&(*b - unit_hz).abs()))?;
    Some(say!("absorber.works-elsewhere", other = number(*other, 1), hz = number(mode_hz, 1)))
}

/// Why the take of such a unit tells nothing here.
pub(super) fn too_far(unit_hz: f64) -> Message {
    say!("absorber.too-far", hz = number(unit_hz, 1))
}

/// Whether a reason speaks of a unit that would be looked for at this mode.
pub(super) fn looks_for_it(reason: &Message) -> bool {
    ["absorber.one-pole", "absorber.one-pole-off", "absorber.weak"].contains(&reason.key())
}

/// What to do with one pole.
pub(super) fn one_pole(known: OnePole) -> (Message, Next) {
    let step = known.by_label_hz.or(known.by_shift_hz.filter(|_| !known.crowded));
    let next = Next { frequency_change_hz: step, damping_factor: Some(0.5), dials: Vec::new() };
    let text = match (known.by_label_hz, known.by_shift_hz) {
        (Some(step), _) => {
            // A plain hyphen for the minus, as in the tables.
            let move_by = Value::Number(format!("{step:+.1}"));
            say!("absorber.by-label", off = number(step.abs(), 1), step = move_by)
        }
        (None, Some(_)) if known.crowded => say!("absorber.shift-crowded", hz = number(FEEL_HZ, 0)),
        (None, Some(step)) => {
            let key = if step > 0.0 { "absorber.shifted-up" } else { "absorber.shifted-down" };
            say!(key, hz = number(step.abs(), 1))
        }
        (None, None) if known.decay_moved => say!("absorber.halve"),
        (None, None) => say!("absorber.halve-or-move", hz = number(FEEL_HZ, 0)),
    };
    (text, next)
}

/// Advice after which the tones are played again.
const AGAIN: [&str; 16] = [
    "absorber.check-fails-advice",
    "absorber.raise-and-halve",
    "absorber.raise",
    "absorber.lower-and-halve",
    "absorber.lower",
    "absorber.by-label",
    "absorber.shifted-up",
    "absorber.shifted-down",
    "absorber.shift-crowded",
    "absorber.halve",
    "absorber.halve-or-move",
    "absorber.less-damping",
    "absorber.step-again",
    "absorber.back",
    "absorber.halving-tried",
    "absorber.halved-in-vain",
];

/// Whether advice, or what it holds, is to measure again.
fn again(advice: &Message) -> bool {
    let inside = |(_, value): &(&str, Value)| matches!(value, Value::Say(inner) if again(inner));
    AGAIN.contains(&advice.key()) || advice.values().iter().any(inside)
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
pub(super) fn cautions(takes: &[SettingFacts<'_>], findings: &[Finding]) -> Vec<Message> {
    let moves = findings.iter().any(|f| {
        f.next.frequency_change_hz.is_some_and(|hz| hz.abs() > 0.0)
            || f.next.damping_factor.is_some_and(|x| (x - 1.0).abs() > 0.0)
    });
    let again = findings.iter().any(|f| f.advice.as_ref().is_some_and(again));
    let units = || takes.iter().flat_map(|t| t.units);
    let heavy = units().any(|u| {
        let note = u.note.as_deref().unwrap_or_default().to_lowercase();
        HEAVY.iter().any(|word| note.split(|c: char| !c.is_alphabetic()).any(|w| w.starts_with(word)))
    });
    let overhead = units().any(|u| u.at_m.is_some_and(|at| at[2] > OVERHEAD_M));
    let mut said = Vec::new();
    if moves && (heavy || overhead) {
        said.push(say!("absorber.caution-heavy"));
    }
    if moves && units().any(|u| u.powered) {
        said.push(say!("absorber.caution-mains"));
    }
    if again {
        said.push(say!("absorber.caution-loud"));
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
        assert!(reason.contains("no absorber shows"), "{reason}");
        assert!(advice.contains("66.4 Hz") && !advice.contains("alve"), "{advice}");
    }

    /// A unit that works on the mode at 30.5 Hz was to be moved by 90 Hz, or by 8 Hz to the next mode.
    #[test]
    fn a_unit_of_another_mode_stays_there() {
        let others = [30.5, 56.2];
        let said = |unit: f64, mode: f64| elsewhere(unit, mode, &others, 12.0).map(|m| m.to_string());
        assert_eq!(
            said(32.0, 122.4).as_deref(),
            Some("The unit stands at 32.0 Hz and is not meant for this mode.")
        );
        assert_eq!(
            said(32.4, 40.2).as_deref(),
            Some("The unit works on the mode at 30.5 Hz; retuning it to 40.2 Hz would give that up.")
        );
        // Nearer to the target than to any other, and so near that it is meant for it all the same.
        assert_eq!(said(36.0, 40.2), None);
        assert_eq!(said(32.0, 35.0), None);
        assert_eq!(elsewhere(32.0, 40.2, &[], 12.0), None);
        // In invented rooms: a mode beside the target, and a unit that the fit places where no mode is.
        assert_eq!(elsewhere(30.1, 34.5, &[33.7], 12.0), None);
        assert_eq!(elsewhere(25.9, 34.5, &[33.7], 12.0), None);
    }

    /// One pole without label or shift: with a decay that moved less damping is the step; without, it may be far off too.
    #[test]
    fn one_pole_that_stayed_may_be_far_off() {
        let said =
            |decay_moved: bool| one_pole(OnePole { decay_moved, ..OnePole::default() }).0.key().to_owned();
        assert_eq!([true, false].map(said), ["absorber.halve", "absorber.halve-or-move"]);
    }
}
