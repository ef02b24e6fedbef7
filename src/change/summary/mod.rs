//! What became of the modes in one sentence: what changed by name, the others counted and pooled, and up to
//! which frequency single modes can be told at all.

mod sorted;

use super::facts::ChangeSettings;
use super::outcome::{ChainFindings, Counted, ModeChange, Verdict};
use crate::estimate::SD_PER_95;
use crate::flag::Flag;
use crate::language::{Message, number, say, signed};
use sorted::{Sorted, as_before, hz, is_level_by_chain, is_told, known};

/// Modes that the sentence names one by one.
const NAMED: usize = 3;
/// Least modes that a pooled statement rests on.
const LEAST_POOLED: usize = 3;

/// The sentence, and what stood in the way. `at_units`: modes before that a unit stands at; `places`: those of the state that
/// has fewer.
pub(super) fn summary(
    modes: &[ModeChange],
    at_units: &[usize],
    places: usize,
    chain: &ChainFindings,
    settings: &ChangeSettings,
) -> Message {
    if modes.iter().all(|m| m.before.is_none()) {
        return say!("modes-change.none-before");
    }
    let sorted = Sorted::new(modes, at_units);
    let mut parts = changed(&sorted);
    parts.extend(open(&sorted));
    parts.extend(others(&sorted, places));
    parts.extend(also(&sorted));
    parts.extend(above(&sorted));
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
    Sorted::new(modes, at_units).counted()
}

/// "33 Hz rings 35 % shorter", or how many do; empty where none changed.
fn changed(sorted: &Sorted<'_>) -> Vec<Message> {
    [(Verdict::Shorter, &sorted.shorter), (Verdict::Gone, &sorted.gone), (Verdict::Longer, &sorted.longer)]
        .into_iter()
        .filter(|(_, modes)| !modes.is_empty())
        .map(|(verdict, modes)| change(verdict, modes))
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
fn open(sorted: &Sorted<'_>) -> Vec<Message> {
    let way = |shorter: bool| -> Vec<&ModeChange> {
        let is = |m: &&ModeChange| m.ringing().is_some_and(|r| (r.value < 1.0) == shorter);
        sorted.unless_chain.iter().copied().filter(is).collect()
    };
    let ways = [(Verdict::Shorter, way(true)), (Verdict::Longer, way(false))];
    let ways = ways.into_iter().filter(|(_, modes)| !modes.is_empty());
    let unless_chain =
        ways.map(|(verdict, modes)| say!("modes-change.unless-chain", told = change(verdict, &modes)));
    let at_unit = sorted.at_unit.iter().map(|m| {
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
    unless_chain.chain(at_unit).collect()
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

/// Of those that were there before and didn't change: how many ring as before, all of them pooled.
fn others(sorted: &Sorted<'_>, places: usize) -> Vec<Message> {
    let (within, above) = (sorted.within.as_slice(), sorted.above.as_slice());
    if sorted.limit_hz.is_none() {
        return match above.len() {
            0 => Vec::new(),
            n if above.iter().any(|m| !m.flags.has(Flag::Overlapping)) => {
                vec![say!("modes-change.all-untold", n = n)]
            }
            n if places < 2 => vec![say!("modes-change.none-single-one-position", n = n)],
            n => vec![say!("modes-change.none-single", n = n, causes = causes(above))],
        };
    }
    let some_named = sorted.names_some();
    match within {
        [] => Vec::new(),
        [only] if as_before(only) => vec![say!("modes-change.one-as-before", mode = hertz(only))],
        [only] => vec![say!("modes-change.one-undecided", mode = hertz(only))],
        all if some_named && !all.iter().any(|m| as_before(m) || is_told(m)) => {
            vec![say!("modes-change.others-untold", n = number(all.len() as f64, 0))]
        }
        all => vec![rest_of(all, some_named)],
    }
}

/// Why none of these can be told singly.
fn causes(modes: &[&ModeChange]) -> Message {
    let causes: [(&str, &[Flag]); 3] = [
        ("modes-change.overlap", &[Flag::Overlapping]),
        ("modes-change.short-records", &[Flag::ShortRecord, Flag::LongForRecord]),
        ("modes-change.wide-intervals", &[Flag::WideInterval]),
    ];
    let has = |flags: &[Flag]| modes.iter().any(|m| flags.iter().any(|flag| m.flags.has(*flag)));
    let found = causes.into_iter().filter(|(_, flags)| has(flags));
    Message::row(found.map(|(key, _)| Message::new(key, Vec::new())), ", ")
}

/// From where on single modes can no longer be told.
fn above(sorted: &Sorted<'_>) -> Option<Message> {
    let limit_hz = sorted.limit_hz?;
    match sorted.above.as_slice() {
        [] => None,
        [one] => Some(say!("modes-change.one-above", mode = hertz(one))),
        _ => Some(say!("modes-change.above", hz = number(limit_hz, 1))),
    }
}

/// "of the other 43 up to 173.9 Hz, 24 ring as before, 19 can’t be told one by one; mean change of all 43: −0.1 ± 0.3 %"
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
        .filter(|m| m.verdict != Verdict::Chain || is_level_by_chain(m))
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
    let n = number(logs.len() as f64, 0);
    let (value, half) = (signed(100.0 * mean.exp_m1(), 1), number(100.0 * half, 1));
    Some(if logs.len() == modes.len() {
        say!("modes-change.together", n = n, value = value, half = half)
    } else {
        say!("modes-change.of-them-together", n = n, value = value, half = half)
    })
}

/// What changed in level only: by name and size, or counted.
fn level_only(changed: &[&ModeChange]) -> Option<Message> {
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
fn also(sorted: &Sorted<'_>) -> Vec<Message> {
    let counted = [
        (
            sorted.of(Verdict::Chain).filter(|m| is_level_by_chain(m)).count(),
            "modes-change.also-level-by-chain",
        ),
        (sorted.of(Verdict::Chain).filter(|m| !is_level_by_chain(m)).count(), "modes-change.also-chain"),
        (sorted.of(Verdict::New).count(), "modes-change.also-new"),
        (sorted.of(Verdict::Unsure).filter(|m| m.before.is_none()).count(), "modes-change.also-undecided"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, key)| say!(key, n = n));
    let level: Vec<&ModeChange> = sorted.of(Verdict::LevelOnly).collect();
    level_only(&level).into_iter().chain(counted).collect()
}

fn hertz(mode: &ModeChange) -> Message {
    say!("modes-change.hertz", hz = number(hz(mode), 1))
}

#[cfg(test)]
mod tests;
