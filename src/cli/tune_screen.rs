//! A tuning on the screen: the takes by rank, what each unit does, and the step to take.

use super::screen;
use stillroom::absorber::{Finding, Tuning};
use stillroom::estimate::{Estimate, SD_PER_95};
use stillroom::table::number;

/// No spread is shown finer than this.
const LEAST_SPREAD: f64 = 0.01;

/// Prints it.
pub fn tuning(tuning: &Tuning) {
    screen::heading(&format!(
        "Mode at {:.2} Hz: T60 {} s without the unit",
        tuning.mode_hz.value,
        spread(tuning.before_t60_s)
    ));
    let mut order: Vec<usize> = (0..tuning.takes.len()).collect();
    order.sort_by_key(|k| (tuning.ranks[*k].unwrap_or(usize::MAX), *k));
    let rows: Vec<Vec<String>> = order.iter().map(|k| line(tuning, *k)).collect();
    screen::table(&["take", "rank", "T60, s", "rings, s", "its own, Hz", "damped, %", "at best, s"], &rows);
    screen::paragraph(
        "T60 of the slower half; it rings until 60 dB down for good. Its own: the unit's frequency in this \
         room. Damped: of its best damping. At best: T60 of the mode at the unit's best setting.",
    );
    if let Some(best) = tuning.best {
        let name = &tuning.takes[best].state;
        let tied: Vec<&str> = (0..tuning.takes.len())
            .filter(|k| *k != best && tuning.ranks[*k] == Some(1))
            .map(|k| tuning.takes[k].state.as_str())
            .collect();
        let rest = if tied.is_empty() {
            String::new()
        } else {
            format!(" (not to be told from {} by this measurement)", tied.join(", "))
        };
        screen::paragraph(&format!("Best so far: {name}{rest}."));
    }
    for finding in &tuning.takes {
        if let Some(advice) = &finding.advice {
            screen::paragraph(&format!("{}: {advice}", finding.state));
        }
        if let Some(reason) = &finding.reason {
            screen::paragraph(&format!("{}: can't tell: {reason}.", finding.state));
        }
    }
    for caution in &tuning.cautions {
        screen::paragraph(&format!("Care: {caution}"));
    }
}

fn line(tuning: &Tuning, k: usize) -> Vec<String> {
    let finding: &Finding = &tuning.takes[k];
    let dash = || "–".to_owned();
    let rank = tuning.ranks[k].map(|rank| {
        let shared = tuning.ranks.iter().filter(|r| **r == Some(rank)).count() > 1;
        if shared { format!("{rank}=") } else { rank.to_string() }
    });
    let values = finding.values;
    vec![
        screen::shortened(&finding.state, 14),
        rank.unwrap_or_else(dash),
        finding.t60_s.map_or_else(dash, spread),
        finding.ring_s.map_or_else(dash, |s| format!("{s:.2}")),
        values.map_or_else(dash, |v| spread(v.loaded_hz)),
        values
            .map_or_else(dash, |v| format!("{:.0}", 100.0 * v.loaded_decay_per_s.value / v.best_decay_per_s)),
        values.map_or_else(dash, |v| format!("{:.2}", v.best_t60_s.value)),
    ]
}

fn spread(estimate: Estimate) -> String {
    estimate
        .sd
        .and_then(|sd| number::plus_minus(estimate.value, (SD_PER_95 * sd).max(LEAST_SPREAD)))
        .unwrap_or_else(|| format!("{:.2}", estimate.value))
}
