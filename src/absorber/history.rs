//! What earlier takes say about a step: where it made the ringing longer, back to the better setting.

use super::outcome::{Finding, Next};
use super::words::FEEL_HZ;
use crate::language::{Message, number, say};

/// A take rings longer than another if the whole intervals say so, or by this factor where they are wide.
const LONGER: f64 = 1.1;

/// Replaces the advice of takes that show too little and ring longer than an earlier one; `dials` are each take's.
pub(super) fn back(findings: &mut [Finding], dials: &[Vec<(String, f64)>]) {
    for k in 1..findings.len() {
        // A step that is known goes before the way back.
        let open = findings[k].values.is_none() && findings[k].next.frequency_change_hz.is_none();
        if !open {
            continue;
        }
        let better = (0..k).filter(|j| longer(&findings[k], &findings[*j]));
        let best = better.min_by(|a, b| t60(&findings[*a]).total_cmp(&t60(&findings[*b])));
        if let Some(best) = best {
            let next = way_back(findings, k, best, dials);
            let halved = if next.damping_factor.is_some() {
                say!("absorber.back-twice-the-damping")
            } else {
                Message::default()
            };
            let state = findings[best].state.as_str();
            let text = say!("absorber.back", state = state, halved = halved, hz = number(FEEL_HZ, 0));
            findings[k].advice = Some(text);
            findings[k].next = next;
        } else if let Some((from, to)) = tried(findings, k) {
            let (from, to) = (findings[from].state.as_str(), findings[to].state.as_str());
            let text = say!("absorber.halving-tried", from = from, to = to, hz = number(FEEL_HZ, 0));
            findings[k].advice = Some(text);
            findings[k].next = Next::default();
        } else if halved_in_vain(findings, k) {
            let state = findings[k - 1].state.as_str();
            let text = say!("absorber.halved-in-vain", state = state, hz = number(FEEL_HZ, 0));
            findings[k].advice = Some(text);
            findings[k].next = Next { frequency_change_hz: Some(FEEL_HZ), ..Next::default() };
        }
    }
}

/// Whether the take before this one was to halve the damping, which changed nothing, and this one is to do it again.
fn halved_in_vain(findings: &[Finding], k: usize) -> bool {
    let (now, before) = (&findings[k], &findings[k - 1]);
    let alone = before.next.frequency_change_hz.is_none();
    halving(now) && halving(before) && alone && !longer(now, before) && !longer(before, now)
}

fn t60(finding: &Finding) -> f64 {
    finding.t60_s.map_or(f64::INFINITY, |t| t.value)
}

/// Whether one rings longer than another, beyond what the takes leave open.
fn longer(one: &Finding, other: &Finding) -> bool {
    let (Some(a), Some(b)) = (one.t60_s, other.t60_s) else { return false };
    let (Some((a_low, _)), Some((_, b_high))) = (a.interval_95(), b.interval_95()) else { return false };
    b_high < a_low || (a.value > LONGER * b.value && b_high < a.value)
}

fn halving(finding: &Finding) -> bool {
    finding.values.is_none() && finding.next.damping_factor == Some(0.5)
}

/// The setting of an earlier take: its dials, or twice the damping if the step from it was to halve it.
fn way_back(findings: &[Finding], k: usize, best: usize, dials: &[Vec<(String, f64)>]) -> Next {
    let known = dials[best].clone();
    let halved = known.is_empty() && best + 1 == k && halving(&findings[best]);
    let halved = halved && findings[best].next.frequency_change_hz.is_none();
    Next { frequency_change_hz: None, damping_factor: halved.then_some(2.0), dials: known }
}

/// An earlier take that rang like this one, and the one after it that rang longer, where halving was advised.
fn tried(findings: &[Finding], k: usize) -> Option<(usize, usize)> {
    let alike = |j: usize| !longer(&findings[k], &findings[j]) && !longer(&findings[j], &findings[k]);
    let worse = |j: usize| j + 1 < k && longer(&findings[j + 1], &findings[j]);
    let found =
        halving(&findings[k]).then(|| (0..k).find(|j| halving(&findings[*j]) && alike(*j) && worse(*j)));
    found.flatten().map(|j| (j, j + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;

    fn take(state: &str, t60_s: f64) -> Finding {
        Finding {
            t60_s: Some(Estimate::new(t60_s, 0.01)),
            advice: Some(say!("absorber.halve")),
            next: Next { damping_factor: Some(0.5), ..Next::default() },
            ..Finding::of(state)
        }
    }

    /// Halved, longer, back again: then something else than halving once more.
    #[test]
    fn a_step_that_made_it_longer_is_taken_back_and_not_repeated() {
        let mut takes = [take("one", 1.2), take("two", 1.5), take("three", 1.205)];
        back(&mut takes, &[const { Vec::new() }; 3]);
        assert_eq!(takes[0].next.damping_factor, Some(0.5));
        assert_eq!(takes[1].next.damping_factor, Some(2.0));
        assert!(takes[1].advice.as_ref().unwrap().contains("go back"), "{:?}", takes[1].advice);
        assert_eq!(takes[2].next, Next::default());
        assert!(takes[2].advice.as_ref().unwrap().contains("was tried"), "{:?}", takes[2].advice);
    }

    /// Halved once and nothing changed: the frequency is next, not another half.
    #[test]
    fn halving_that_showed_nothing_is_not_repeated() {
        let mut takes = [take("one", 1.2), take("two", 1.203)];
        back(&mut takes, &[const { Vec::new() }; 2]);
        assert_eq!(takes[0].next.damping_factor, Some(0.5));
        assert_eq!(takes[1].next, Next { frequency_change_hz: Some(2.0), ..Next::default() });
        assert!(takes[1].advice.as_ref().unwrap().contains("leave the damping"), "{:?}", takes[1].advice);
    }

    /// With dials the way back is exact.
    #[test]
    fn the_way_back_is_by_the_dials_where_they_are_known() {
        let mut takes = [take("one", 1.2), take("two", 1.5)];
        let dial = |x: f64| vec![("depth".to_owned(), x)];
        back(&mut takes, &[dial(3.0), dial(5.0)]);
        assert_eq!(takes[1].next.dials, dial(3.0));
        assert_eq!(takes[1].next.damping_factor, None);
    }

    /// 1.05 ± 0.01 s is longer than 1.00 ± 0.01 s, whole intervals apart though by less than a tenth; 1.01 s is not.
    #[test]
    fn whole_intervals_apart_are_longer() {
        assert!(longer(&take("one", 1.05), &take("other", 1.0)));
        assert!(!longer(&take("one", 1.01), &take("other", 1.0)));
        assert!(!longer(&take("one", 1.0), &take("other", 1.05)));
    }
}
