//! What became of the modes in one sentence: what changed by name, the others counted and pooled, and up to
//! which frequency single modes can be told at all.

use super::facts::ChangeSettings;
use super::outcome::{ChainFindings, ModeChange, Ratio, Verdict};
use crate::estimate::SD_PER_95;
use crate::flag::Flag;
use crate::language::{Message, number, say, signed};

/// Modes that the sentence names one by one.
const NAMED: usize = 3;
/// A mode's change counts as told for the range of the sentence if half its interval is at most this. No source.
const TOLD: f64 = 0.25;
/// Least modes that a pooled statement rests on.
const LEAST_POOLED: usize = 3;

/// The sentence, and what stood in the way.
pub(super) fn summary(modes: &[ModeChange], chain: &ChainFindings, settings: &ChangeSettings) -> Message {
    let before = modes.iter().filter(|m| m.before.is_some()).count();
    if before == 0 {
        return say!("modes-change.none-before");
    }
    let mut parts = changed(modes);
    parts.extend(others(modes));
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

/// "33 Hz rings 35 % shorter", or how many do; empty where none changed.
fn changed(modes: &[ModeChange]) -> Vec<Message> {
    let of = |verdict: Verdict| modes.iter().filter(|m| m.verdict == verdict).collect::<Vec<_>>();
    let one = |verdict: Verdict, modes: &[&ModeChange]| match verdict {
        Verdict::Gone if modes.len() == 1 => say!("modes-change.is-gone", modes = list(modes)),
        Verdict::Gone => say!("modes-change.are-gone", modes = list(modes)),
        _ if modes.len() <= NAMED => {
            let named = modes
                .iter()
                .map(|m| say!("modes-change.rings", mode = hertz(m), size = size(&[*m], verdict)));
            Message::row(named, ", ")
        }
        _ => say!("modes-change.ring", modes = list(modes), size = size(modes, verdict)),
    };
    [Verdict::Shorter, Verdict::Gone, Verdict::Longer]
        .into_iter()
        .map(|verdict| (verdict, of(verdict)))
        .filter(|(_, modes)| !modes.is_empty())
        .map(|(verdict, modes)| one(verdict, &modes))
        .collect()
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
fn others(modes: &[ModeChange]) -> Vec<Message> {
    let is_changed =
        |m: &&ModeChange| matches!(m.verdict, Verdict::Shorter | Verdict::Gone | Verdict::Longer);
    let rest: Vec<&ModeChange> = modes.iter().filter(|m| m.before.is_some() && !is_changed(m)).collect();
    let some_changed = modes.iter().any(|m| is_changed(&m));
    let single = |m: &ModeChange| !m.flags.has(Flag::NotPredicted);
    let told = |m: &&ModeChange| single(m) && known(m).is_some_and(|r| r.high - r.low <= 2.0 * TOLD);
    let Some(last) = rest.iter().rposition(told) else {
        return match (rest.len(), some_changed) {
            (0, _) => Vec::new(),
            (n, true) => vec![say!("modes-change.others-untold", n = n)],
            (n, false) if rest.iter().any(|m| single(m)) => vec![say!("modes-change.all-untold", n = n)],
            (n, false) => vec![say!("modes-change.none-single", n = n)],
        };
    };
    let (within, above) = rest.split_at(last + 1);
    let mut parts = vec![match within {
        [only] if as_before(only) => say!("modes-change.one-as-before", mode = hertz(only)),
        [only] => say!("modes-change.one-undecided", mode = hertz(only)),
        _ => counted(within, some_changed),
    }];
    match above {
        [] => {}
        [one] => parts.push(say!("modes-change.one-above", mode = hertz(one))),
        _ => parts.push(say!("modes-change.above", hz = number(hz(within[last]), 0))),
    }
    parts
}

fn as_before(mode: &ModeChange) -> bool {
    matches!(mode.verdict, Verdict::Unchanged | Verdict::LevelOnly)
}

/// "of the other 43 up to 173.9 Hz, 24 ring as before, 19 can’t be told one by one (43 together −0.1 ± 0.3 %)"
fn counted(within: &[&ModeChange], some_changed: bool) -> Message {
    let count = |of: fn(&ModeChange) -> bool| within.iter().filter(|m| of(m)).count();
    let (steady, untold) = (count(as_before), count(|m| m.verdict == Verdict::Unsure));
    let (n, to) = (number(within.len() as f64, 0), hertz(within[within.len() - 1]));
    let pooled = pooled(within).unwrap_or_default();
    if steady == within.len() {
        let key =
            if some_changed { "modes-change.all-others-as-before" } else { "modes-change.all-as-before" };
        return say!(key, n = n, to = to, pooled = pooled);
    }
    let ring = match steady {
        0 => say!("modes-change.none-as-before"),
        n => say!("modes-change.n-as-before", n = n),
    };
    let undecided = if untold > 0 { say!("modes-change.undecided", n = untold) } else { Message::default() };
    let key = if some_changed { "modes-change.of-the-others" } else { "modes-change.of-all" };
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
    Some(say!(
        "modes-change.together",
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
        summary(modes, &chain, &ChangeSettings::default())
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
