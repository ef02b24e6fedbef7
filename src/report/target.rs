//! Does the room keep its target? One line a state, for the end of the first sheet.

use super::content::Content;
use super::words::{hertz, seconds, shown};
use crate::language::{Message, Value, number, say};
use crate::table::TargetRow;
use maud::{Markup, html};

/// Bands and modes that a line names.
const NAMED: usize = 4;

/// The lines; nothing where no target was set.
pub(super) fn sheet(content: &Content<'_>) -> Markup {
    let rows = content.results.comparison.as_ref().map(|c| c.targets.as_slice()).unwrap_or_default();
    if rows.is_empty() {
        return html! {};
    }
    let settings = &content.results.settings;
    let target = match (&settings.target_mask, settings.target_t60_s) {
        (Some(mask), _) => match mask.strip_suffix(" s").and_then(|mask| mask.split_once(" round ")) {
            Some((mask, mean)) => {
                let mean = Value::Number(mean.to_owned());
                say!("target.mask-round", mask = mask, mean = say!("unit.seconds", s = mean))
            }
            None => say!("target.mask", mask = mask.as_str()),
        },
        (None, Some(limit_s)) => say!("target.limit", limit = seconds(limit_s)),
        (None, None) => say!("target.times"),
    };
    let states: Vec<&str> = content.states().map(|s| s.name.as_str()).collect();
    let told = states.iter().filter_map(|state| Some((*state, line(content, rows, state)?)));
    html! {
        div.target {
            h3 { (content.say(&target)) }
            ul {
                @for (state, (mark, text)) in told {
                    li { b { bdi { (shown(state)) } ": " } span.mark aria-hidden="true" { (mark) } " " (content.say(&text)) }
                }
            }
        }
    }
}

/// Whether a state keeps it: where people listen if that is known, else over all places.
fn line(content: &Content<'_>, rows: &[TargetRow], state: &str) -> Option<(&'static str, Message)> {
    let of_state: Vec<&TargetRow> = rows.iter().filter(|row| *row.state == *state).collect();
    let at = |position: &str| of_state.iter().any(|row| &*row.position == position);
    let wanted = ["listening", "*"].into_iter().find(|position| at(position));
    let counted = |row: &&&TargetRow| row.mode.is_some() || wanted.is_none_or(|w| &*row.position == w);
    let counted: Vec<&TargetRow> = of_state.iter().filter(counted).copied().collect();
    let known = |row: &&&TargetRow| row.value_s.is_some_and(|value| value.is_ok());
    let with =
        |word: &str| counted.iter().filter(|row| row.met == word).filter(known).copied().collect::<Vec<_>>();
    let (kept, missed, unsure) = (with("yes"), with("no"), with("unsure"));
    let judged = kept.len() + missed.len() + unsure.len();
    let names = |rows: &[&TargetRow]| {
        let mut named: Vec<Message> = rows.iter().take(NAMED).map(|row| name(content, row)).collect();
        if rows.len() > NAMED {
            named.push(say!("target.more", n = rows.len() - NAMED));
        }
        named
    };
    if judged == 0 {
        return (!counted.is_empty()).then(|| ("?", say!("target.unknown")));
    }
    let of = |rows: &[&TargetRow]| number(rows.len() as f64, 0);
    let all = number(judged as f64, 0);
    let bands_alone = counted.iter().all(|row| row.mode.is_none());
    Some(if !missed.is_empty() {
        let key = if bands_alone { "target.missed-bands" } else { "target.missed" };
        ("✗", say!(key, missed = of(&missed), all = all, names = names(&missed)))
    } else if unsure.is_empty() {
        ("✓", say!(if bands_alone { "target.kept-bands" } else { "target.kept" }, all = all))
    } else {
        ("?", say!("target.undecided", kept = of(&kept), names = names(&unsure)))
    })
}

fn name(content: &Content<'_>, row: &TargetRow) -> Message {
    let mode = row.mode.and_then(|m| {
        content.modes_of(&row.state).iter().find(|r| r.mode == m).and_then(|r| r.frequency.ok())
    });
    match (row.band_hz, mode) {
        (Some(hz), _) => say!("target.band", hz = number(crate::filter::nominal_hz(hz), 0)),
        (None, Some(frequency)) => hertz(frequency.value),
        (None, None) => say!("target.resonance"),
    }
}
