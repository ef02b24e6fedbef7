//! From an identified unit to the step that helps most, its uncertainty considered.
//!
//! The best setting is a cusp: a tenth of a hertz off it, or a tenth too much damping, costs more than
//! what a vague take knows. So a step is judged by the T60 to be *expected* after it, over what the
//! take leaves open; and where that is poor, the advice is to identify with little damping first.

use super::coupled::{Resonator, best_t60_s, slower_t60_s};
use super::group::Group;
use super::join::{Cluster, State};
use super::outcome::Next;
use crate::language::{Message, Value, number, say};
use nalgebra::{Cholesky, DMatrix, DVector};
use std::f64::consts::TAU;

/// A step is good enough to be the last if T60 after it may be expected within this of the best.
const GOOD: f64 = 1.12;
/// A setting is left alone if a step would gain less than this share of T60.
const LITTLE: f64 = 0.04;
/// Share of the best extra damping at which a take places the unit well.
const IDENTIFY: f64 = 0.35;
/// A step of frequency larger than this changes the load by the other modes: look once more before the end.
const FAR_HZ: f64 = 1.0;
/// A factor on damping between these leaves it alone.
const SAME_DAMPING: (f64, f64) = (0.98, 1.02);
/// Damping advised for the end, as a share of the best: too much costs five times what too little does.
const SHARES: [f64; 13] = [0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.84, 0.88, 0.91, 0.93, 0.95, 0.97];

/// What to do.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Advice {
    pub next: Next,
    pub text: Message,
}

impl Advice {
    /// Whether it brings more damping to the unit.
    pub(super) fn raises_damping(&self) -> bool {
        self.next.damping_factor.is_some_and(|factor| factor > SAME_DAMPING.1)
    }
}

/// The step from an identified take.
pub(super) fn advise(state: &State) -> Advice {
    if let Some(cluster) = &state.cluster {
        return among_others(state, cluster);
    }
    let best = best_decay(state);
    let best_factor = best / state.unit.decay_per_s.max(0.05);
    let step_hz = (state.mode.omega_per_s - state.unit.omega_per_s) / TAU;
    let here = expected(state, 0.0, state.unit.decay_per_s);
    let sd_hz = state.covariance[(2, 2)].sqrt() / TAU;
    let last = SHARES
        .iter()
        .filter_map(|share| {
            let decay = state.mode.decay_per_s + share * (best - state.mode.decay_per_s);
            Some((expected(state, step_hz, decay)?, decay))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((after, decay)) = last else { return less_damping(state, Some(step_hz), sd_hz) };
    let vague = after > GOOD || (step_hz.abs() > FAR_HZ && after > 0.0);
    let low = state.mode.decay_per_s + IDENTIFY * (best - state.mode.decay_per_s);
    if let Some(now) = here
        && now <= after * (1.0 + LITTLE)
        && step_hz.abs() < FAR_HZ
    {
        return leave(state, now);
    }
    if vague {
        // Little damping already, and still vague: better data, or the step as it is.
        if state.unit.decay_per_s <= 1.3 * low && after > GOOD && step_hz.abs() <= FAR_HZ {
            return go(state, (step_hz, decay), best_factor);
        }
        return less_damping(state, Some(step_hz), sd_hz);
    }
    go(state, (step_hz, decay), best_factor)
}

/// Advice where other modes lie near: the step is searched for.
fn among_others(state: &State, cluster: &Cluster) -> Advice {
    let sd_hz = state.covariance[(2, 2)].sqrt() / TAU;
    let rough = (state.mode.omega_per_s - state.unit.omega_per_s) / TAU;
    let found = best_of(cluster).and_then(|best| {
        let nodes = nodes(cluster)?;
        let mean = |step_hz: f64, factor: f64| mean_t60_s(&nodes, step_hz, factor);
        let starts = [(best.0, 0.93 * best.1), (best.0, 0.7 * best.1), (0.0, 1.0)];
        let ends = starts.into_iter().filter_map(|start| search(start, &mean));
        let (step_hz, factor, after) = ends.min_by(|a, b| a.2.total_cmp(&b.2))?;
        Some((step_hz, factor, after / best.2, best.1, mean(0.0, 1.0).map(|now| now / best.2)))
    });
    let Some((step_hz, factor, after, best, here)) = found else {
        return less_damping(state, Some(rough), sd_hz);
    };
    if let Some(now) = here
        && now <= after * (1.0 + LITTLE)
    {
        return leave(state, now);
    }
    let low = state.mode.decay_per_s + IDENTIFY * (best_decay(state) - state.mode.decay_per_s);
    let identified = state.unit.decay_per_s <= 1.3 * low && step_hz.abs() <= FAR_HZ;
    if (after > GOOD || step_hz.abs() > FAR_HZ) && !identified {
        return less_damping(state, Some(step_hz), sd_hz);
    }
    go(state, (step_hz, factor * state.unit.decay_per_s), best)
}

/// Step of frequency, Hz, factor on damping, and T60, s, of the best setting among near modes.
pub(super) fn best_of(cluster: &Cluster) -> Option<(f64, f64, f64)> {
    let (loaded, coupling) = cluster.group.loaded()?;
    let mode = cluster.group.modes[0].mode;
    let t60_s = |step_hz: f64, factor: f64| cluster.group.with_unit(step_hz, factor).t60_s();
    // Between modes there may be several hollows: from the unit as the target meets it, and as it is by itself.
    let bare = cluster.group.modes[0].coupling.max(coupling).max(0.0).sqrt();
    let ends =
        [(loaded, coupling.max(0.0).sqrt()), (cluster.group.unit, bare)].into_iter().flat_map(|(unit, g)| {
            let step_hz = (mode.omega_per_s - unit.omega_per_s) / TAU;
            [(0.0, 0.9), (-0.8, 0.6), (0.8, 0.6)].map(|(aside_hz, share)| {
                let decay = mode.decay_per_s + share * g;
                search((step_hz + aside_hz, decay / cluster.group.unit.decay_per_s.max(0.05)), &t60_s)
            })
        });
    ends.flatten().min_by(|a, b| a.2.total_cmp(&b.2))
}

/// Least of a function of step and factor by a pattern search: where, and how much.
fn search(start: (f64, f64), value: &dyn Fn(f64, f64) -> Option<f64>) -> Option<(f64, f64, f64)> {
    let mut here = (start.0, start.1.clamp(0.05, 20.0));
    let mut least = value(here.0, here.1)?;
    let (mut hz, mut share) = (0.5, 0.2);
    while hz > 0.004 {
        let ways = [(hz, 0.0), (-hz, 0.0), (0.0, share), (0.0, -share)];
        let mut moved = false;
        for (step, turn) in ways {
            let next = (here.0 + step, here.1 * (1.0 + turn));
            if let Some(found) = value(next.0, next.1).filter(|found| *found < least) {
                (here, least, moved) = (next, found, true);
            }
        }
        if !moved {
            (hz, share) = (0.6 * hz, 0.6 * share);
        }
    }
    Some((here.0, here.1, least))
}

/// What the takes leave open of unit and couplings: two points for each direction, all of one weight.
fn nodes(cluster: &Cluster) -> Option<Vec<Group>> {
    let mut matrix = cluster.covariance.clone();
    let size = matrix.nrows();
    for i in 0..size {
        matrix[(i, i)] += 1e-9 * (1.0 + matrix[(i, i)]);
    }
    let root = Cholesky::new(matrix)?.l() * (size as f64).sqrt();
    let moved = |(d, sign): (usize, f64)| {
        let mut group = cluster.group.clone();
        group.unit.omega_per_s += sign * root[(0, d)];
        group.unit.decay_per_s = (group.unit.decay_per_s + sign * root[(1, d)]).max(0.05);
        for (n, coupled) in group.modes.iter_mut().enumerate() {
            coupled.coupling += sign * root[(2 + n, d)];
        }
        group
    };
    Some((0..size).flat_map(|d| [(d, 1.0), (d, -1.0)]).map(moved).collect())
}

fn mean_t60_s(nodes: &[Group], step_hz: f64, factor: f64) -> Option<f64> {
    let all: Option<Vec<f64>> = nodes.iter().map(|group| group.with_unit(step_hz, factor).t60_s()).collect();
    Some(all?.iter().sum::<f64>() / nodes.len() as f64)
}

fn best_decay(state: &State) -> f64 {
    state.mode.decay_per_s + state.coupling.max(0.0).sqrt()
}

/// To the best setting, or as near as the data allow; `best`: the factor on damping that would lead there.
fn go(state: &State, (step_hz, decay): (f64, f64), best: f64) -> Advice {
    let factor = decay / state.unit.decay_per_s.max(0.05);
    let (frequency, damping) = (frequency_words(step_hz), damping_words(factor, best));
    let text = say!("absorber.go", frequency = frequency, damping = damping);
    let next = Next { frequency_change_hz: Some(step_hz), damping_factor: Some(factor), dials: Vec::new() };
    Advice { next, text }
}

/// The step that a setting of the dials makes.
pub(super) fn by_dials(step_hz: f64, factor: f64) -> Advice {
    let frequency = frequency_words(step_hz);
    let damping = match factor {
        f if f < SAME_DAMPING.0 => say!("absorber.damping-down-best", factor = number(f, 2)),
        f => damping_words(f, f),
    };
    let text = say!("absorber.go", frequency = frequency, damping = damping);
    let next = Next { frequency_change_hz: Some(step_hz), damping_factor: Some(factor), dials: Vec::new() };
    Advice { next, text }
}

/// Move the frequency, take damping out (or bring a little to a unit that hardly has any), measure again.
fn less_damping(state: &State, step_hz: Option<f64>, sd_hz: f64) -> Advice {
    let low = state.mode.decay_per_s + IDENTIFY * (best_decay(state) - state.mode.decay_per_s);
    let factor = (low / state.unit.decay_per_s.max(0.05)).clamp(0.15, 8.0);
    let much = state.unit.decay_per_s > 1.3 * low;
    let little = state.unit.decay_per_s < 0.3 * low;
    let step = step_hz.filter(|s| s.abs() > 0.05 && sd_hz < 2.5);
    let mut parts = Vec::new();
    parts.extend(step.map(frequency_words));
    if much {
        parts.push(say!("absorber.damping-down-now", factor = number(factor, 2)));
    } else if little {
        parts.push(say!("absorber.damping-up-now", factor = number(factor, 1)));
    }
    if parts.is_empty() {
        parts.push(say!("absorber.leave-unit"));
    }
    // Little damping is the reason for taking some out; beside a step that brings more it would speak against it.
    let key = if much { "absorber.less-damping" } else { "absorber.step-again" };
    let text = say!(key, parts = parts);
    let factor = if much || little { factor } else { 1.0 };
    let next = Next {
        frequency_change_hz: Some(step.unwrap_or(0.0)),
        damping_factor: Some(factor),
        dials: Vec::new(),
    };
    Advice { next, text }
}

/// Near enough.
fn leave(state: &State, now: f64) -> Advice {
    let best = best_t60_s(state.mode, state.coupling.max(0.0).sqrt());
    let percent = number(100.0 * (now - 1.0).max(0.01), 0);
    let text = say!("absorber.leave", percent = percent, best = number(best, 2));
    let next = Next { frequency_change_hz: Some(0.0), damping_factor: Some(1.0), dials: Vec::new() };
    Advice { next, text }
}

/// A step in hertz to the tenth, which is what its interval carries; a smaller step to the hundredth.
pub(crate) fn tenths(hertz: f64) -> Value {
    number(hertz, if hertz.abs() < 0.095 { 2 } else { 1 })
}

/// A factor above one to the tenth; near one to the hundredth, or it would say that nothing is to be done.
pub(crate) fn from_one(factor: f64) -> Value {
    number(factor, if (0.98..1.095).contains(&factor) || factor < 1.0 { 2 } else { 1 })
}

fn frequency_words(step_hz: f64) -> Message {
    match step_hz {
        s if s >= 0.005 => say!("absorber.raise-frequency", hz = tenths(s)),
        s if s <= -0.005 => say!("absorber.lower-frequency", hz = tenths(-s)),
        _ => say!("absorber.leave-frequency"),
    }
}

/// The step is held back on purpose ([`SHARES`]), so both are said.
fn damping_words(factor: f64, best: f64) -> Message {
    if factor > SAME_DAMPING.1 {
        let (shown, best) = (from_one(factor), from_one(best));
        if shown == best {
            return say!("absorber.damping-up-best", factor = shown);
        }
        say!("absorber.damping-up", factor = shown, best = best)
    } else if factor < SAME_DAMPING.0 {
        say!("absorber.damping-down", factor = number(factor, 2), best = number(best, 2))
    } else {
        say!("absorber.leave-damping")
    }
}

/// T60 over the best one to be expected with the frequency moved by `step_hz` and the decay constant
/// brought to `decay`: mean over what the estimate leaves open (its frequency, damping and coupling;
/// three nodes of Gauss and Hermite each).
pub(super) fn expected(state: &State, step_hz: f64, decay: f64) -> Option<f64> {
    let factor = decay / state.unit.decay_per_s.max(0.05);
    // The step is from the unit to the mode, so the mode's own error counts too.
    let c = &state.covariance;
    let off = c[(2, 2)] + c[(0, 0)] - 2.0 * c[(0, 2)];
    let rows = [(2, -1.0), (3, 0.0), (4, 0.0)];
    let cross = |i: usize, j: usize| {
        let value = c[(rows[i].0, rows[j].0)];
        if i == 0 && j == 0 {
            off
        } else if i == 0 {
            value - c[(0, rows[j].0)]
        } else if j == 0 {
            value - c[(rows[i].0, 0)]
        } else {
            value
        }
    };
    let mut matrix = DMatrix::from_fn(3, 3, cross);
    for i in 0..3 {
        matrix[(i, i)] += 1e-9 * (1.0 + matrix[(i, i)]);
    }
    let root = Cholesky::new(matrix)?.l();
    let (mut sum, mut weights) = (0.0, 0.0);
    for node in 0..27 {
        let turn = |d: u32| (node / 3_i32.pow(d)) % 3 - 1;
        let weight: f64 = (0..3).map(|d| if turn(d) == 0 { 2.0 / 3.0 } else { 1.0 / 6.0 }).product();
        let moved = &root * DVector::from_fn(3, |d, _| 3f64.sqrt() * f64::from(turn(d as u32)));
        let unit = Resonator {
            omega_per_s: state.unit.omega_per_s + moved[0] + TAU * step_hz,
            decay_per_s: (state.unit.decay_per_s + moved[1]).max(0.05) * factor,
        };
        let coupling = (state.coupling + moved[2]).max(0.01);
        let best = best_t60_s(state.mode, coupling.sqrt());
        let ratio = slower_t60_s(state.mode, unit, coupling)? / best;
        sum += weight * ratio;
        weights += weight;
    }
    Some(sum / weights).filter(|x| x.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn state(off_hz: f64, share: f64, sd_hz: f64) -> State {
        let (g, mode) = (10.0, Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 });
        let unit = Resonator { omega_per_s: TAU * (40.0 + off_hz), decay_per_s: 4.0 + share * g };
        let mut covariance = DMatrix::from_diagonal_element(5, 5, 1e-4);
        covariance[(2, 2)] = (TAU * sd_hz).powi(2);
        covariance[(4, 4)] = 1.0;
        State { mode, unit, coupling: g * g, covariance, cluster: None }
    }

    #[test]
    fn a_sharp_take_leads_to_the_best_and_stays_under_its_damping() {
        let advice = advise(&state(-0.4, 0.3, 0.01));
        assert!((advice.next.frequency_change_hz.unwrap() - 0.4).abs() < 1e-9);
        let factor = advice.next.damping_factor.unwrap();
        // 14 is the best decay constant; 0.9 to 0.97 of the extra damping is advised.
        assert!((13.0..13.8).contains(&(factor * 7.0)), "{factor}");
        assert!(advice.text.contains("Raise its frequency by 0.4 Hz"), "{}", advice.text);
        // 14 over 7: the step is smaller by less than is printed.
        assert!(
            advice.text.contains("for the next setting by 2.0 (more filling or resistance)"),
            "{}",
            advice.text
        );
        // 14 over 5: it is smaller, and says so.
        let text = advise(&state(-0.4, 0.1, 0.01)).text;
        assert!(text.contains("the best would be 2.8)") && !text.contains("setting by 2.8"), "{text}");
    }

    #[test]
    fn a_vague_take_leads_to_less_damping() {
        let advice = advise(&state(-0.4, 1.3, 0.5));
        assert!(advice.next.damping_factor.unwrap() < 0.6, "{advice:?}");
        assert!(advice.text.contains("measure again: with little damping"), "{}", advice.text);
    }

    /// The same sentence raised the damping and said that with little of it the frequency shows best.
    #[test]
    fn a_step_that_raises_the_damping_is_not_told_to_keep_it_low() {
        let advice = advise(&state(-3.0, -0.2, 0.02));
        assert!(advice.raises_damping(), "{advice:?}");
        assert_eq!(
            advice.text.to_string(),
            "Raise its frequency by 3.0 Hz and raise its damping to 3.8 times what it is, for now, then measure again."
        );
    }

    #[test]
    fn a_unit_far_off_is_moved_and_looked_at_again() {
        let advice = advise(&state(3.0, 0.9, 0.02));
        assert!((advice.next.frequency_change_hz.unwrap() + 3.0).abs() < 1e-9);
        assert!(advice.next.damping_factor.unwrap() < 0.7, "{advice:?}");
    }

    #[test]
    fn a_good_setting_is_left_alone() {
        let advice = advise(&state(0.01, 0.94, 0.05));
        assert_eq!(advice.next.frequency_change_hz, Some(0.0));
        assert_eq!(advice.next.damping_factor, Some(1.0));
    }

    /// The step is from the unit to the mode: what one of both is uncertain by counts as much as the other's.
    #[test]
    fn an_uncertain_mode_costs_as_much_as_an_uncertain_unit() {
        let with = |mode_hz: f64, unit_hz: f64| {
            let mut state = state(-0.4, 0.9, unit_hz);
            state.covariance[(0, 0)] = (TAU * mode_hz).powi(2);
            expected(&state, 0.4, 13.0).unwrap()
        };
        assert!((with(0.3, 0.02) / with(0.02, 0.3) - 1.0).abs() < 1e-9);
        assert!(with(0.3, 0.02) > 1.05 * with(0.02, 0.02));
    }
}
