//! What became of the modes in one sentence: what changed by name, the others counted and pooled, and up to
//! which frequency single modes can be told at all.

use super::facts::ChangeSettings;
use super::outcome::{ChainFindings, Counted, ModeChange, Ratio, Verdict};
use crate::estimate::SD_PER_95;
use crate::flag::Flag;
use crate::language::{Message, number, say, signed};

/// Modes that the sentence names one by one.
const NAMED: usize = 3;
/// A mode's change counts as told for the range of the sentence if half its interval is at most this. No source.
const TOLD: f64 = 0.25;
/// Least modes that a pooled statement rests on.
const LEAST_POOLED: usize = 3;

/// The sentence, and what stood in the way. `at_units`: modes before that a unit stands at.
pub(super) fn summary(
    modes: &[ModeChange],
    at_units: &[usize],
    chain: &ChainFindings,
    settings: &ChangeSettings,
) -> Message {
    let before = modes.iter().filter(|m| m.before.is_some()).count();
    if before == 0 {
        return say!("modes-change.none-before");
    }
    let mut parts = changed(modes);
    parts.extend(open(modes, at_units));
    parts.extend(others(modes, at_units));
    parts.extend(also(modes));
    if chain.moved_loudspeaker {
        parts.push(say!("modes-change.moved-loudspeaker"));
    }
    if chain.gain.is_none() && settings.same_chain != Some(true) {
        parts.push(say!("modes-change.gain-unknown"));
    }
    if parts.is_empty() {
        return Message::default();
    }
    say!("modes-change.summary", parts = Message::row(parts, "; "))
}

/// What the sentence counts, up to where it tells of single modes; `None` where it tells of none.
pub(super) fn counted(modes: &[ModeChange], at_units: &[usize]) -> Option<Counted> {
    let up_to_hz = limit_hz(modes)?;
    let count = |of: &dyn Fn(&ModeChange) -> bool| modes.iter().filter(|m| of(m)).count();
    let is = |verdict: Verdict| count(&|m| m.verdict == verdict);
    let unsure = |m: &ModeChange| m.verdict == Verdict::Unsure && m.before.is_some();
    Some(Counted {
        shorter: is(Verdict::Shorter) + is(Verdict::Gone),
        longer: is(Verdict::Longer),
        as_before: count(&as_before),
        undecided: count(&|m| unsure(m) && (hz(m) <= up_to_hz || is_open(m, at_units))),
        others: is(Verdict::Chain) + is(Verdict::New),
        up_to_hz,
    })
}

/// The highest mode of which something is told: a verdict, or how far its decay can have changed.
fn limit_hz(modes: &[ModeChange]) -> Option<f64> {
    let told = |m: &&ModeChange| {
        m.verdict != Verdict::Unsure || moved_untold(m) || (m.before.is_some() && is_told(m))
    };
    modes.iter().filter(told).map(hz).reduce(f64::max)
}

/// Whether it is single and its decay known well enough.
fn is_told(mode: &ModeChange) -> bool {
    let single = !mode.flags.has(Flag::NotPredicted);
    single && known(mode).is_some_and(|r| r.high - r.low <= 2.0 * TOLD)
}

/// Whether its decay changed beyond doubt, but not whether the room did it.
fn moved_untold(mode: &ModeChange) -> bool {
    let moved = |r: Ratio| r.high < 1.0 || r.low > 1.0;
    let untold = mode.verdict == Verdict::Unsure && mode.flags.has(Flag::ChainUntold);
    untold && mode.before.is_some() && mode.ringing().is_some_and(moved)
}

/// Whether it has no verdict and is yet named, as it is what the treatment was for.
fn is_open(mode: &ModeChange, at_units: &[usize]) -> bool {
    let at_unit = mode.before.is_some_and(|own| at_units.contains(&own));
    moved_untold(mode) || (at_unit && mode.verdict == Verdict::Unsure)
}

/// "33 Hz rings 35 % shorter", or how many do; empty where none changed.
fn changed(modes: &[ModeChange]) -> Vec<Message> {
    [Verdict::Shorter, Verdict::Gone, Verdict::Longer]
        .into_iter()
        .map(|verdict| (verdict, modes.iter().filter(|m| m.verdict == verdict).collect::<Vec<_>>()))
        .filter(|(_, modes)| !modes.is_empty())
        .map(|(verdict, modes)| change(verdict, &modes))
        .collect()
}

/// All that changed one way.
fn change(verdict: Verdict, modes: &[&ModeChange]) -> Message {
    match verdict {
        Verdict::Gone if modes.len() == 1 => say!("modes-change.is-gone", modes = list(modes)),
        Verdict::Gone => say!("modes-change.are-gone", modes = list(modes)),
        _ if modes.len() <= NAMED => {
            let named = modes
                .iter()
                .map(|m| say!("modes-change.rings", mode = hertz(m), size = size(&[*m], verdict)));
            Message::row(named, ", ")
        }
        _ => say!("modes-change.ring", modes = list(modes), size = size(modes, verdict)),
    }
}

/// What has no verdict and is yet named: changes that a filter may have made, and modes that a unit stands at.
fn open(modes: &[ModeChange], at_units: &[usize]) -> Vec<Message> {
    let way = |shorter: bool| -> Vec<&ModeChange> {
        let is = |m: &&ModeChange| m.ringing().is_some_and(|r| (r.value < 1.0) == shorter);
        modes.iter().filter(|m| moved_untold(m)).filter(is).collect()
    };
    let ways = [(Verdict::Shorter, way(true)), (Verdict::Longer, way(false))];
    let ways = ways.into_iter().filter(|(_, modes)| !modes.is_empty());
    let by_chain =
        ways.map(|(verdict, modes)| say!("modes-change.unless-chain", told = change(verdict, &modes)));
    let at_unit = modes.iter().filter(|m| is_open(m, at_units) && !moved_untold(m)).map(|m| {
        let Some(ratio) = m.ringing().filter(|_| is_told(m)) else {
            return say!("modes-change.at-unit", mode = hertz(m));
        };
        let percent = |ratio: f64| signed(100.0 * (ratio - 1.0), 0);
        say!(
            "modes-change.at-unit-within",
            mode = hertz(m),
            low = percent(ratio.low),
            high = percent(ratio.high)
        )
    });
    by_chain.chain(at_unit).collect()
}

/// "33.2 Hz", "7 modes from 33.2 to 94.7 Hz".
fn list(modes: &[&ModeChange]) -> Message {
    match modes {
        [one] => hertz(one),
        _ => say!(
            "modes-change.list",
            n = modes.len(),
            from = number(hz(modes[0]), 1),
            to = hertz(modes[modes.len() - 1])
        ),
    }
}

/// "35 % shorter", "12 to 40 % shorter".
fn size(modes: &[&ModeChange], verdict: Verdict) -> Message {
    let percent = modes.iter().filter_map(|m| Some(100.0 * (m.ringing()?.value - 1.0).abs()));
    let (least, most) = percent.fold((f64::INFINITY, 0.0_f64), |(a, b), x| (a.min(x), b.max(x)));
    let word = match verdict {
        Verdict::Shorter => say!("modes-change.shorter"),
        _ => say!("modes-change.longer"),
    };
    match (least.is_finite(), most - least < 0.5) {
        (false, _) => word,
        (true, true) => say!("modes-change.by", most = number(most, 0), word = word),
        (true, false) => {
            say!("modes-change.by-between", least = number(least, 0), most = number(most, 0), word = word)
        }
    }
}

/// Of those that were there before and didn't change: how many ring as before, all of them pooled, and where single
/// modes can no longer be told.
fn others(modes: &[ModeChange], at_units: &[usize]) -> Vec<Message> {
    let is_changed = |m: &ModeChange| matches!(m.verdict, Verdict::Shorter | Verdict::Gone | Verdict::Longer);
    let is_named = |m: &ModeChange| is_changed(m) || is_open(m, at_units);
    let rest: Vec<&ModeChange> = modes.iter().filter(|m| m.before.is_some() && !is_named(m)).collect();
    let Some(limit_hz) = limit_hz(modes) else {
        return match rest.len() {
            0 => Vec::new(),
            n if rest.iter().any(|m| !m.flags.has(Flag::NotPredicted)) => {
                vec![say!("modes-change.all-untold", n = n)]
            }
            n => vec![say!("modes-change.none-single", n = n)],
        };
    };
    let (within, above): (Vec<&ModeChange>, Vec<&ModeChange>) =
        rest.into_iter().partition(|m| hz(m) <= limit_hz);
    let some_named = modes.iter().any(is_named);
    let mut parts = match within.as_slice() {
        [] => Vec::new(),
        [only] if as_before(only) => vec![say!("modes-change.one-as-before", mode = hertz(only))],
        [only] => vec![say!("modes-change.one-undecided", mode = hertz(only))],
        all if some_named && !all.iter().any(|m| as_before(m) || is_told(m)) => {
            vec![say!("modes-change.others-untold", n = number(all.len() as f64, 0))]
        }
        all => vec![rest_of(all, some_named)],
    };
    match above.as_slice() {
        [] => {}
        [one] => parts.push(say!("modes-change.one-above", mode = hertz(one))),
        _ => parts.push(say!("modes-change.above", hz = number(limit_hz, 1))),
    }
    parts
}

fn as_before(mode: &ModeChange) -> bool {
    matches!(mode.verdict, Verdict::Unchanged | Verdict::LevelOnly)
}

/// "of the other 43 up to 173.9 Hz, 24 ring as before, 19 can’t be told one by one (43 together −0.1 ± 0.3 %)"
fn rest_of(within: &[&ModeChange], some_named: bool) -> Message {
    let count = |of: fn(&ModeChange) -> bool| within.iter().filter(|m| of(m)).count();
    let (steady, untold) = (count(as_before), count(|m| m.verdict == Verdict::Unsure));
    let (n, to) = (number(within.len() as f64, 0), hertz(within[within.len() - 1]));
    let pooled = pooled(within).unwrap_or_default();
    if steady == within.len() {
        let key = if some_named { "modes-change.all-others-as-before" } else { "modes-change.all-as-before" };
        return say!(key, n = n, to = to, pooled = pooled);
    }
    let ring = match steady {
        0 => say!("modes-change.none-as-before"),
        n => say!("modes-change.n-as-before", n = n),
    };
    let undecided = if untold > 0 { say!("modes-change.undecided", n = untold) } else { Message::default() };
    let key = if some_named { "modes-change.of-the-others" } else { "modes-change.of-all" };
    say!(key, n = n, to = to, ring = ring, undecided = undecided, pooled = pooled)
}

/// "−0.3 ± 0.8 %": the mean change of T60 of modes, each weighted by what is known of it, with the larger of what
/// their intervals and their scatter say of that mean.
fn pooled(modes: &[&ModeChange]) -> Option<Message> {
    let logs: Vec<(f64, f64)> = modes
        .iter()
        .filter(|m| m.verdict != Verdict::Chain)
        .filter_map(|m| known(m))
        .map(|r| (r.value.ln(), (r.high / r.low).ln() / (2.0 * SD_PER_95)))
        .filter(|(_, sd)| *sd > 0.0)
        .collect();
    if logs.len() < LEAST_POOLED {
        return None;
    }
    let weight: f64 = logs.iter().map(|(_, sd)| 1.0 / (sd * sd)).sum();
    let mean = logs.iter().map(|(log, sd)| log / (sd * sd)).sum::<f64>() / weight;
    let chi2: f64 = logs.iter().map(|(log, sd)| ((log - mean) / sd).powi(2)).sum();
    let widened = (chi2 / (logs.len() as f64 - 1.0)).max(1.0);
    let half = SD_PER_95 * (widened / weight).sqrt();
    let key =
        if logs.len() == modes.len() { "modes-change.together" } else { "modes-change.of-them-together" };
    Some(say!(
        key,
        n = number(logs.len() as f64, 0),
        value = signed(100.0 * mean.exp_m1(), 1),
        half = number(100.0 * half, 1)
    ))
}

/// What changed in level only: by name and size, or counted.
fn level_only(modes: &[ModeChange]) -> Option<Message> {
    let changed: Vec<&ModeChange> = modes.iter().filter(|m| m.verdict == Verdict::LevelOnly).collect();
    let named = |m: &&ModeChange| {
        let level = m.level_ratio?.ok()?;
        Some(say!("modes-change.level", mode = hertz(m), db = signed(20.0 * level.value.log10(), 1)))
    };
    match changed.len() {
        0 => None,
        n if n > NAMED => Some(say!("modes-change.also-level-only", n = n)),
        n => Some(match changed.iter().map(named).collect::<Option<Vec<_>>>() {
            Some(named) => say!("modes-change.level-only", modes = Message::row(named, ", ")),
            None => say!("modes-change.also-level-only", n = n),
        }),
    }
}

/// What else happened, counted.
fn also(modes: &[ModeChange]) -> Vec<Message> {
    let count = |verdict: Verdict| modes.iter().filter(|m| m.verdict == verdict).count();
    let undecided_after = modes.iter().filter(|m| m.verdict == Verdict::Unsure && m.before.is_none()).count();
    let counted = [
        (count(Verdict::Chain), "modes-change.also-chain"),
        (count(Verdict::New), "modes-change.also-new"),
        (undecided_after, "modes-change.also-undecided"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, key)| say!(key, n = n));
    level_only(modes).into_iter().chain(counted).collect()
}

fn known(mode: &ModeChange) -> Option<Ratio> {
    mode.t60_ratio?.ok()
}

fn hz(mode: &ModeChange) -> f64 {
    mode.before_values.or(mode.after_values).map_or(0.0, |v| v.frequency_hz)
}

fn hertz(mode: &ModeChange) -> Message {
    say!("modes-change.hertz", hz = number(hz(mode), 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::change::ModeValues;
    use crate::estimate::Estimate;

    fn mode(frequency_hz: f64, verdict: Verdict, percent: f64, half: f64) -> ModeChange {
        let sd = half / 100.0 / SD_PER_95;
        // One pole before and after: its ringing is its T60.
        let ratio = Some(Ok(Ratio::from_log((1.0 + percent / 100.0).ln(), sd)));
        ModeChange {
            before_values: Some(ModeValues { frequency_hz, t60_s: Estimate::new(1.0, 0.01) }),
            t60_ratio: ratio,
            ring_ratio: ratio,
            ..ModeChange::sample(verdict)
        }
    }

    fn said(modes: &[ModeChange]) -> Message {
        let chain = ChainFindings { gain: Some(Estimate::exact(1.0)), ..ChainFindings::default() };
        summary(modes, &[], &chain, &ChangeSettings::default())
    }

    /// What overlaps is not counted among single modes, however narrow its interval came out.
    #[test]
    fn the_range_of_single_modes_ends_where_they_overlap() {
        let mut modes = vec![mode(33.0, Verdict::Shorter, -35.0, 2.0)];
        modes.extend([70.0, 90.0].map(|hz| mode(hz, Verdict::Unchanged, 0.0, 2.0)));
        let mut beyond = mode(150.0, Verdict::Unsure, 1.0, 3.0);
        beyond.flags.add(Flag::NotPredicted);
        modes.push(beyond);
        let text = said(&modes);
        assert!(text.contains("the other 2 up to 90.0 Hz ring as before"), "{text}");
        assert!(text.contains("150.0 Hz can’t be told by itself: read the bands"), "{text}");
    }

    /// A verdict stands above the last of the others that is told: the range reaches up to it.
    #[test]
    fn nothing_with_a_verdict_lies_above_the_range() {
        let mut modes = vec![
            mode(34.0, Verdict::Unchanged, 0.0, 2.0),
            mode(38.5, Verdict::Unchanged, 0.0, 2.0),
            mode(45.0, Verdict::Unsure, 1.0, 80.0),
            mode(52.3, Verdict::Shorter, -26.0, 7.0),
        ];
        modes.extend([60.0, 70.0].map(|hz| mode(hz, Verdict::Unsure, 0.0, 80.0)));
        assert_eq!(
            said(&modes),
            "52.3 Hz rings 26 % shorter; of the other 3 up to 45.0 Hz, 2 ring as before, 1 can’t be told by itself \
             (3 together 0.0 ± 1.4 %); above 52.3 Hz read the bands."
        );
        let counted = counted(&modes, &[]).unwrap();
        assert_eq!((counted.shorter, counted.as_before, counted.undecided), (1, 2, 1));
        // All told lies under the verdict: nothing is left above it.
        assert!(!said(&modes[..4]).contains("read the bands"), "{}", said(&modes[..4]));
    }

    /// The mode that a unit stands at is named where it has no verdict, and stays out of what the others are together; so
    /// does a change that a filter may have made.
    #[test]
    fn what_the_treatment_was_for_is_named_without_a_verdict() {
        let mut treated = mode(34.5, Verdict::Unsure, -22.0, 2.4);
        treated.before = Some(7);
        let others = [43.0, 55.2, 67.0].map(|hz| mode(hz, Verdict::Unchanged, 0.0, 2.0));
        let mut modes = vec![treated];
        modes.extend(others);
        let rest = "the other 3 up to 67.0 Hz ring as before (3 together 0.0 ± 1.2 %).";
        let chain = ChainFindings { gain: Some(Estimate::exact(1.0)), ..ChainFindings::default() };
        let at_unit = summary(&modes, &[7], &chain, &ChangeSettings::default());
        assert_eq!(
            at_unit,
            format!("Whether 34.5 Hz, where the unit stands, rings shorter or longer can’t be told (−24 to −20 %); {rest}")
                .as_str()
        );
        modes[0].flags.add(Flag::ChainUntold);
        assert_eq!(
            said(&modes),
            format!("34.5 Hz rings 22 % shorter, unless a filter in the measuring chain did it (undecided); {rest}")
                .as_str()
        );
        assert_eq!(counted(&modes, &[]).unwrap().undecided, 1);
    }

    /// One that is left is named, several are no number without a noun.
    #[test]
    fn others_of_which_nothing_is_told() {
        let treated = mode(97.4, Verdict::Shorter, -39.0, 11.0);
        let untold = |hz| mode(hz, Verdict::Unsure, 0.0, 80.0);
        assert_eq!(
            said(&[untold(66.0), treated.clone()]),
            "97.4 Hz rings 39 % shorter; whether 66.0 Hz rings as before can’t be told."
        );
        assert_eq!(
            said(&[untold(66.0), untold(77.0), treated]),
            "97.4 Hz rings 39 % shorter; whether any of the other 2 rings as before can’t be told."
        );
    }

    /// No single mode: nothing is counted.
    #[test]
    fn where_nothing_is_told_nothing_is_counted() {
        assert_eq!(counted(&[mode(50.0, Verdict::Unsure, 5.0, 90.0)], &[]), None);
    }

    /// Pooled by hand: weights 1, 1, 1/4 of ±2, ±2, ±4 %: mean ln = (0.00995 − 0.01005 + 0.25·0.0198)/2.25 = 0.0022,
    /// ±1.33 % from the weights, times √(2.76/2) for their scatter.
    #[test]
    fn one_treated_mode_and_the_others() {
        let modes = [
            mode(33.2, Verdict::Shorter, -35.0, 1.6),
            mode(44.3, Verdict::Unchanged, 1.0, 2.0),
            mode(66.4, Verdict::Unchanged, -1.0, 2.0),
            mode(130.1, Verdict::Unsure, 2.0, 4.0),
            mode(150.0, Verdict::Unsure, 10.0, 80.0),
        ];
        assert_eq!(
            said(&modes),
            "33.2 Hz rings 35 % shorter; of the other 3 up to 130.1 Hz, 2 ring as before, 1 can’t be told by itself \
             (3 together +0.2 ± 1.6 %); 150.0 Hz can’t be told by itself: read the bands."
        );
    }

    #[test]
    fn nothing_told_is_said_of_the_modes_alone() {
        let modes = [mode(50.0, Verdict::Unsure, 5.0, 90.0), mode(60.0, Verdict::Unsure, 5.0, 90.0)];
        assert_eq!(
            said(&modes),
            "The data can’t tell whether any of 2 single modes rings shorter or longer."
        );
        assert_eq!(said(&[]), "The state before shows no mode to compare.");
    }

    /// T60 of the slower pole is not what the ear hears of a mode that a unit splits.
    #[test]
    fn ringing_is_what_the_sentence_gives() {
        let mut split = mode(33.2, Verdict::Shorter, -34.0, 2.0);
        split.ring_ratio = Some(Ok(Ratio::from_log(0.65_f64.ln(), 0.01)));
        assert_eq!(said(&[split]), "33.2 Hz rings 35 % shorter.");
    }

    #[test]
    fn a_single_other_mode_is_named() {
        let treated = mode(33.2, Verdict::Shorter, -35.0, 1.6);
        let other = |verdict| [treated.clone(), mode(44.3, verdict, 1.0, 2.0)];
        assert_eq!(said(&other(Verdict::Unchanged)), "33.2 Hz rings 35 % shorter; 44.3 Hz rings as before.");
        assert_eq!(
            said(&other(Verdict::Unsure)),
            "33.2 Hz rings 35 % shorter; whether 44.3 Hz rings as before can’t be told."
        );
    }

    #[test]
    fn where_no_row_is_single_none_is_counted_as_one() {
        let mut all = [70.0, 90.0].map(|hz| mode(hz, Verdict::Unsure, 0.0, 90.0));
        all.iter_mut().for_each(|m| m.flags.add(Flag::NotPredicted));
        assert_eq!(
            said(&all),
            "No single mode can be established here: 2 candidates, all overlapping; read the bands."
        );
    }

    #[test]
    fn many_changes_are_counted_and_a_longer_one_is_named() {
        let mut modes: Vec<ModeChange> =
            (0..5).map(|k| mode(30.0 + f64::from(k), Verdict::Shorter, -10.0 - f64::from(k), 3.0)).collect();
        modes.push(mode(60.0, Verdict::Longer, 22.0, 5.0));
        assert_eq!(
            said(&modes),
            "5 modes from 30.0 to 34.0 Hz ring 10 to 14 % shorter; 60.0 Hz rings 22 % longer."
        );
    }

    /// What changed in level only rings as before: it is named among those that do, with its size.
    #[test]
    fn a_change_of_level_is_told_with_its_size() {
        let mut louder = mode(94.7, Verdict::LevelOnly, 0.0, 2.0);
        louder.level_ratio = Some(Ok(Ratio::from_log(10_f64.powf(0.05).ln(), 0.01)));
        let all =
            [mode(33.2, Verdict::Shorter, -35.0, 1.6), mode(44.3, Verdict::Unchanged, 0.0, 2.0), louder];
        assert_eq!(
            said(&all),
            "33.2 Hz rings 35 % shorter; the other 2 up to 94.7 Hz ring as before; 94.7 Hz (+1.0 dB) changed in level only."
        );
    }
}
