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

/// The rows of a state that are counted, by what became of them: the bands where people listen if that is known, else over all
/// places, and the resonances.
pub(super) struct Counted<'a> {
    pub kept: Vec<&'a TargetRow>,
    pub missed: Vec<&'a TargetRow>,
    pub unsure: Vec<&'a TargetRow>,
    /// Without a decay time.
    pub unknown: Vec<&'a TargetRow>,
    /// Whether bands that are not counted stand beside them, over all places.
    pub beside: bool,
}

impl<'a> Counted<'a> {
    pub(super) fn new(rows: &'a [TargetRow], state: &str) -> Self {
        let of_state = || rows.iter().filter(|row| *row.state == *state);
        let at = |position: &str| of_state().any(|row| &*row.position == position);
        let wanted = ["listening", "*"].into_iter().find(|position| at(position));
        let is_counted = |row: &&TargetRow| row.mode.is_some() || wanted.is_none_or(|w| &*row.position == w);
        let (known, unknown): (Vec<&TargetRow>, _) =
            of_state().filter(is_counted).partition(|row| row.value_s.is_some_and(|value| value.is_ok()));
        let with = |word: &str| known.iter().filter(|row| row.met == word).copied().collect();
        let beside = at("listening") && at("*");
        Self { kept: with("yes"), missed: with("no"), unsure: with("unsure"), unknown, beside }
    }

    /// Those with a decay time.
    fn judged(&self) -> usize {
        self.kept.len() + self.missed.len() + self.unsure.len()
    }

    fn bands_alone(&self) -> bool {
        let all = [&self.kept, &self.missed, &self.unsure, &self.unknown].into_iter().flatten();
        all.into_iter().all(|row| row.mode.is_none())
    }
}

/// Whether a state keeps it.
fn line(content: &Content<'_>, rows: &[TargetRow], state: &str) -> Option<(&'static str, Message)> {
    let counted = Counted::new(rows, state);
    let judged = counted.judged();
    let names = |rows: &[&TargetRow]| {
        let mut named: Vec<Message> = rows.iter().take(NAMED).map(|row| name(content, row)).collect();
        if rows.len() > NAMED {
            named.push(say!("target.more", n = rows.len() - NAMED));
        }
        named
    };
    if judged == 0 {
        return (!counted.unknown.is_empty()).then(|| ("?", say!("target.unknown")));
    }
    let of = |rows: &[&TargetRow]| number(rows.len() as f64, 0);
    let all = number(judged as f64, 0);
    let bands_alone = counted.bands_alone();
    let Counted { kept, missed, unsure, .. } = counted;
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
