//! A tuning on the screen: the takes by rank, what each unit does, and the step to take.

use super::screen;
use stillroom::absorber::{Finding, Tuning, units_for};
use stillroom::estimate::{Estimate, SD_PER_95};
use stillroom::report::words::plus_minus;

/// Prints it.
pub fn tuning(tuning: &Tuning) {
    screen::heading(&format!(
        "Mode at {:.2} Hz: T60 {} s {}",
        tuning.mode_hz.value,
        spread(tuning.before_t60_s),
        tuning.before()
    ));
    let mut order: Vec<usize> = (0..tuning.takes.len()).collect();
    order.sort_by_key(|k| (tuning.ranks[*k].unwrap_or(usize::MAX), *k));
    let mut rows: Vec<Vec<String>> = order.iter().map(|k| line(tuning, *k)).collect();
    let before = order.iter().filter(|k| tuning.ranks[**k].is_some_and(|r| r <= tuning.before_rank)).count();
    rows.insert(before, untreated(tuning));
    screen::table(&["setting", "rank", "T60, s", "rings, s", "unit, Hz", "damping, %", "best, s"], &rows);
    screen::paragraph(
        "T60: of the slower of mode and unit. Rings: until both together are 60 dB down. Unit: its frequency \
         installed here. Damping: in per cent of the best. Best: T60 at the unit's best setting.",
    );
    if tuning.best.is_none() && tuning.takes.iter().any(|take| take.t60_s.is_some()) {
        screen::paragraph(&format!("No setting rings clearly shorter than {}.", tuning.before()));
    }
    if let Some(best) = tuning.best {
        let name = &tuning.takes[best].state;
        let tied: Vec<&str> = (0..tuning.takes.len())
            .filter(|k| *k != best && tuning.ranks[*k] == Some(1))
            .map(|k| tuning.takes[k].state.as_str())
            .collect();
        let rest = if tied.is_empty() {
            String::new()
        } else {
            format!(" (too close to {} to call)", tied.join(", "))
        };
        screen::paragraph(&format!("Best so far: {name}{rest}."));
    }
    for finding in &tuning.takes {
        if let Some(reason) = &finding.reason {
            screen::paragraph(&format!("{}: can't tell the unit's setting: {reason}.", finding.state));
        }
        if let Some(advice) = &finding.advice {
            screen::paragraph(&format!("{}: {advice}", finding.state));
        }
    }
    for caution in &tuning.cautions {
        screen::paragraph(&format!("Safety: {caution}"));
    }
}

/// Places that the screen names.
const PLACES: usize = 4;

/// The unit at other places, and how many of it reach a target.
pub fn elsewhere(tuning: &Tuning, target_t60_s: Option<f64>) {
    let times = || tuning.placements.iter().take(PLACES).map(|p| p.t60_s);
    let (least, most) = times().fold((f64::INFINITY, 0.0_f64), |(a, b), t| (a.min(t), b.max(t)));
    let alike = tuning.placements.len() > 1 && most - least < 0.01;
    if alike {
        let here = tuning.best.and_then(|best| tuning.takes[best].values).map(|v| v.best_t60_s.value);
        screen::paragraph(&format!(
            "Another corner would not help: T60 {least:.2} s in each, retuned there{}.",
            here.map_or(String::new(), |s| format!("; {s:.2} s at its best where it stands"))
        ));
    }
    for place in tuning.placements.iter().take(if alike { 0 } else { PLACES }) {
        let other = place.other.filter(|(_, factor)| (factor - 1.0).abs() > 0.01).map(|(hz, factor)| {
            let percent = format!("{:+.0}", 100.0 * (factor - 1.0)).replace('-', "−");
            format!("; the mode at {hz:.1} Hz changes by {percent} %")
        });
        screen::paragraph(&format!(
            "At {} (retuned there): T60 {:.2} s{}.",
            place.name,
            place.t60_s,
            other.unwrap_or_default()
        ));
    }
    if tuning.placements.iter().take(PLACES).any(|p| p.at_m[2] > 1.7) {
        screen::paragraph(
            "Safety: nothing heavy goes overhead without fixings made for its load; follow local codes, and \
             leave the \
             fixings to a licensed professional.",
        );
    }
    let Some(target) = target_t60_s else { return };
    let count = tuning.coupling_per_s().and_then(|g| units_for(tuning.mode, g.value, target));
    screen::paragraph(&match count {
        Some(1) => format!("One such unit at its best reaches {target:.2} s."),
        Some(n) => format!(
            "{n} such units, each at as good a place and with the damping that suits them together, would reach \
             {target:.2} s."
        ),
        None => format!("How many such units would reach {target:.2} s, this measurement can't tell."),
    });
}

/// The row of the baseline: of the room without the unit, or of a state with units of its own, by its name.
fn untreated(tuning: &Tuning) -> Vec<String> {
    let dash = || "–".to_owned();
    let name = match tuning.before_units.as_slice() {
        [] => "(without)".to_owned(),
        _ => screen::shortened(&tuning.before_state, 14),
    };
    vec![
        name,
        shared(tuning, tuning.before_rank),
        spread(tuning.before_t60_s),
        format!("{:.2}", tuning.before_t60_s.value),
        dash(),
        dash(),
        dash(),
    ]
}

/// A rank, with a sign if others share it.
fn shared(tuning: &Tuning, rank: usize) -> String {
    let all = tuning.ranks.iter().flatten().chain([&tuning.before_rank]);
    if all.filter(|r| **r == rank).count() > 1 { format!("{rank}=") } else { rank.to_string() }
}

fn line(tuning: &Tuning, k: usize) -> Vec<String> {
    let finding: &Finding = &tuning.takes[k];
    let dash = || "–".to_owned();
    let rank = tuning.ranks[k].map(|rank| shared(tuning, rank));
    let values = finding.values;
    vec![
        screen::shortened(&finding.state, 14),
        rank.unwrap_or_else(dash),
        finding.t60_s.map_or_else(dash, spread),
        finding.ring_s.map_or_else(dash, |s| format!("{:.2}", s.value)),
        values.map_or_else(dash, |v| spread(v.loaded_hz)),
        values
            .map_or_else(dash, |v| format!("{:.0}", 100.0 * v.loaded_decay_per_s.value / v.best_decay_per_s)),
        values.map_or_else(dash, |v| format!("{:.2}", v.best_t60_s.value)),
    ]
}

/// A value with half its 95 % interval, where that is known; a dash where the interval reaches down to zero: nothing is known.
pub fn spread(estimate: Estimate) -> String {
    if estimate.sd.is_some_and(|sd| SD_PER_95 * sd >= estimate.value.abs()) {
        return "–".to_owned();
    }
    plus_minus(estimate)
}
