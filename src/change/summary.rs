//! What became of the modes in one sentence: what changed by name, the others counted and pooled, and up to
//! which frequency single modes can be told at all.

use super::facts::ChangeSettings;
use super::outcome::{ChainFindings, ModeChange, Ratio, Verdict};
use crate::estimate::SD_PER_95;
use crate::flag::Flag;

/// Modes that the sentence names one by one.
const NAMED: usize = 3;
/// A mode's change counts as told for the range of the sentence if half its interval is at most this. No source.
const TOLD: f64 = 0.25;
/// Least modes that a pooled statement rests on.
const LEAST_POOLED: usize = 3;

/// The sentence, and what stood in the way.
pub(super) fn summary(modes: &[ModeChange], chain: &ChainFindings, settings: &ChangeSettings) -> String {
    let before = modes.iter().filter(|m| m.before.is_some()).count();
    if before == 0 {
        return "No mode before to compare.".to_string();
    }
    let mut parts = vec![changed(modes), others(modes)];
    parts.extend(also(modes));
    if chain.moved_loudspeaker {
        parts.push("the loudspeaker seems to have moved, so levels say nothing about the room".into());
    }
    if chain.gain.is_none() && settings.same_chain != Some(true) {
        parts.push("the gain between the states is unknown, so levels are not compared".into());
    }
    parts.retain(|part| !part.is_empty());
    let text = parts.join("; ");
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).chain(['.']).collect())
}

/// "33 Hz rings 35 % shorter", or how many do; empty where none changed.
fn changed(modes: &[ModeChange]) -> String {
    let of = |verdict: Verdict| modes.iter().filter(|m| m.verdict == verdict).collect::<Vec<_>>();
    let groups =
        [(of(Verdict::Shorter), "shorter"), (of(Verdict::Gone), "gone"), (of(Verdict::Longer), "longer")];
    let parts = groups.iter().filter(|(modes, _)| !modes.is_empty()).map(|(modes, word)| match *word {
        "gone" => format!("{} {} gone", list(modes), if modes.len() == 1 { "is" } else { "are" }),
        _ if modes.len() <= NAMED => {
            let named = modes.iter().map(|m| format!("{} rings {}", hertz(m), size(&[*m], word)));
            named.collect::<Vec<_>>().join(", ")
        }
        _ => format!("{} ring {}", list(modes), size(modes, word)),
    });
    parts.collect::<Vec<_>>().join("; ")
}

/// "33.2 Hz", "33.2 and 41.0 Hz", "7 modes from 33 to 95 Hz".
fn list(modes: &[&ModeChange]) -> String {
    match modes {
        [one] => hertz(one),
        _ => format!("{} modes from {:.0} to {}", modes.len(), hz(modes[0]), hertz(modes[modes.len() - 1])),
    }
}

/// "35 % shorter", "12 to 40 % shorter".
fn size(modes: &[&ModeChange], word: &str) -> String {
    let percent = modes.iter().filter_map(|m| Some(100.0 * (m.t60_ratio?.ok()?.value - 1.0).abs()));
    let (least, most) = percent.fold((f64::INFINITY, 0.0_f64), |(a, b), x| (a.min(x), b.max(x)));
    match (least.is_finite(), most - least < 0.5) {
        (false, _) => word.to_owned(),
        (true, true) => format!("{most:.0} % {word}"),
        (true, false) => format!("{least:.0} to {most:.0} % {word}"),
    }
}

/// Of those that were there before and didn't change: how many ring as before, all of them pooled, and where single
/// modes can no longer be told.
fn others(modes: &[ModeChange]) -> String {
    let is_changed =
        |m: &&ModeChange| matches!(m.verdict, Verdict::Shorter | Verdict::Gone | Verdict::Longer);
    let rest: Vec<&ModeChange> = modes.iter().filter(|m| m.before.is_some() && !is_changed(m)).collect();
    let single = |m: &ModeChange| !m.flags.has(Flag::Overlapping);
    let told = |m: &&ModeChange| single(m) && known(m).is_some_and(|r| r.high - r.low <= 2.0 * TOLD);
    let Some(last) = rest.iter().rposition(told) else {
        return if rest.is_empty() {
            String::new()
        } else if modes.iter().any(|m| is_changed(&m)) {
            format!("of the other {} none can be told", rest.len())
        } else {
            format!("whether any of {} single modes rings shorter or longer can’t be told", rest.len())
        };
    };
    let (within, above) = rest.split_at(last + 1);
    let steady = within.iter().filter(|m| m.verdict == Verdict::Unchanged || m.verdict == Verdict::LevelOnly);
    let of = if modes.iter().any(|m| is_changed(&m)) { "of the other" } else { "of" };
    let mut text = format!(
        "{of} {} up to {}, {} as before",
        within.len(),
        hertz(within[within.len() - 1]),
        match steady.count() {
            0 => "none is shown to ring".to_owned(),
            1 => "1 rings".to_owned(),
            n if n == within.len() => "all ring".to_owned(),
            n => format!("{n} ring"),
        }
    );
    if !modes.iter().any(|m| m.verdict == Verdict::Longer) {
        text.push_str(" and none clearly longer");
    }
    if let Some(pooled) = pooled(within) {
        text.push_str(&format!(" (together {pooled})"));
    }
    if !above.is_empty() {
        text.push_str(&format!("; the {} above can’t be told singly: see the bands", above.len()));
    }
    text
}

/// "−0.3 ± 0.8 %": the mean change of T60 of modes, each weighted by what is known of it, with the larger of what
/// their intervals and their scatter say of that mean.
fn pooled(modes: &[&ModeChange]) -> Option<String> {
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
    let sign = |x: f64| format!("{x:+.1}").replace('-', "−");
    let value = 100.0 * mean.exp_m1();
    let value = if value.abs() < 0.05 { "0.0".to_owned() } else { sign(value) };
    Some(format!("{value} ± {:.1} %", 100.0 * half))
}

/// What else happened, counted.
fn also(modes: &[ModeChange]) -> Vec<String> {
    let count = |verdict: Verdict| modes.iter().filter(|m| m.verdict == verdict).count();
    let undecided_after = modes.iter().filter(|m| m.verdict == Verdict::Unsure && m.before.is_none()).count();
    [
        (count(Verdict::Chain), "explained by the measuring chain"),
        (count(Verdict::LevelOnly), "changed in level only"),
        (count(Verdict::New), "new"),
        (undecided_after, "seen only after, undecided"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{n} {what}"))
    .collect()
}

fn known(mode: &ModeChange) -> Option<Ratio> {
    mode.t60_ratio?.ok()
}

fn hz(mode: &ModeChange) -> f64 {
    mode.before_values.or(mode.after_values).map_or(0.0, |v| v.frequency_hz)
}

fn hertz(mode: &ModeChange) -> String {
    format!("{:.1} Hz", hz(mode))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::change::ModeValues;
    use crate::estimate::Estimate;

    fn mode(frequency_hz: f64, verdict: Verdict, percent: f64, half: f64) -> ModeChange {
        let sd = half / 100.0 / SD_PER_95;
        ModeChange {
            before_values: Some(ModeValues { frequency_hz, t60_s: Estimate::new(1.0, 0.01) }),
            t60_ratio: Some(Ok(Ratio::from_log((1.0 + percent / 100.0).ln(), sd))),
            ..ModeChange::sample(verdict)
        }
    }

    fn said(modes: &[ModeChange]) -> String {
        let chain = ChainFindings { gain: Some(Estimate::exact(1.0)), ..ChainFindings::default() };
        summary(modes, &chain, &ChangeSettings::default())
    }

    /// What overlaps is not counted among single modes, however narrow its interval came out.
    #[test]
    fn the_range_of_single_modes_ends_where_they_overlap() {
        let mut modes = vec![mode(33.0, Verdict::Shorter, -35.0, 2.0)];
        modes.extend([70.0, 90.0].map(|hz| mode(hz, Verdict::Unchanged, 0.0, 2.0)));
        let mut beyond = mode(150.0, Verdict::Unsure, 1.0, 3.0);
        beyond.flags.add(Flag::Overlapping);
        modes.push(beyond);
        let text = said(&modes);
        assert!(text.contains("of the other 2 up to 90.0 Hz") && text.contains("the 1 above"), "{text}");
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
            "33.2 Hz rings 35 % shorter; of the other 3 up to 130.1 Hz, 2 ring as before and none clearly longer \
             (together +0.2 ± 1.6 %); the 1 above can’t be told singly: see the bands."
        );
    }

    #[test]
    fn nothing_told_is_said_of_the_modes_alone() {
        let modes = [mode(50.0, Verdict::Unsure, 5.0, 90.0), mode(60.0, Verdict::Unsure, 5.0, 90.0)];
        assert_eq!(said(&modes), "Whether any of 2 single modes rings shorter or longer can’t be told.");
        assert_eq!(said(&[]), "No mode before to compare.");
    }

    #[test]
    fn many_changes_are_counted_and_a_longer_one_is_named() {
        let mut modes: Vec<ModeChange> =
            (0..5).map(|k| mode(30.0 + f64::from(k), Verdict::Shorter, -10.0 - f64::from(k), 3.0)).collect();
        modes.push(mode(60.0, Verdict::Longer, 22.0, 5.0));
        assert_eq!(
            said(&modes),
            "5 modes from 30 to 34.0 Hz ring 10 to 14 % shorter; 60.0 Hz rings 22 % longer."
        );
    }
}
