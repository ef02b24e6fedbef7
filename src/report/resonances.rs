//! All resonances of all states, and all changes, in tables.

use super::content::Content;
use super::listing::{self, Head, decimal, number, plain, text};
use super::words::{self, plus_minus};
use crate::table::{ChangeRow, ModeRow};
use maud::{Markup, html};

/// No spread is shown finer than this, Hz or s: nobody turns a dial by less.
const LEAST_SPREAD: f64 = 0.01;

/// The section.
pub(super) fn section(content: &Content<'_>) -> Markup {
    html! {
        section #tables {
            h2 { "All resonances in numbers" }
            p { "± is half the 95 % interval. “Treat” is the order of treatment: long, loud and heard at many seats comes first. "
                "“Half waves” count along length, width and height, where frequency and shape agree with a rectangular room. "
                "The same with all digits stands in the tables that came with this report." }
            @for pair in content.pairs() {
                (listing::table(
                    &format!("What became of each resonance, {} to {}", pair.before.name, pair.after.name),
                    &CHANGES,
                    &pair.rows.iter().map(|row| change(row)).collect::<Vec<_>>(),
                ))
            }
            @for state in content.states() {
                @let rows: Vec<_> = content.modes_of(&state.name).into_iter().map(mode).collect();
                @if !rows.is_empty() {
                    details.table { summary { "Resonances of the state " bdi { (words::shown(&state.name)) } }
                        (listing::table(&format!("Resonances, {}", state.name), &MODES, &rows)) }
                }
            }
        }
    }
}

const CHANGES: [Head; 11] = [
    number("Hz before"),
    number("Hz after"),
    number("T60 before, s"),
    number("T60 after, s"),
    number("rings before, s"),
    number("rings after, s"),
    number("change of T60, %"),
    number("change of level, dB"),
    text("verdict"),
    listing::sentence("why"),
    text("remarks"),
];

fn change(row: &ChangeRow) -> Vec<String> {
    let hz = |f: Option<f64>| f.map(|f| plain(f, 2)).unwrap_or_default();
    let time =
        |t: Option<crate::estimate::Estimate>| t.map(|t| plus_minus(t, LEAST_SPREAD)).unwrap_or_default();
    let ring = |r: Option<Result<f64, _>>| r.map(|r| decimal(r, 2)).unwrap_or_default();
    let interval = |i: Option<Result<crate::table::Interval, _>>, digits: usize| match i {
        Some(Ok(i)) => {
            format!("{} ({} to {})", plain(i.value, digits), plain(i.low, digits), plain(i.high, digits))
        }
        _ => String::new(),
    };
    let (mark, word) = words::verdict(row.verdict);
    vec![
        hz(row.before_hz),
        hz(row.after_hz),
        time(row.before_t60),
        time(row.after_t60),
        ring(row.before_ring_s),
        ring(row.after_ring_s),
        interval(row.t60_change, 0),
        interval(row.level_change, 1),
        format!("{mark} {word}"),
        row.reason.clone(),
        listing::flags(&row.flags),
    ]
}

const MODES: [Head; 11] = [
    number("no."),
    number("treat"),
    text("taken for"),
    number("frequency, Hz"),
    number("T60, s"),
    number("Q"),
    number("level, dB"),
    number("seen at"),
    text("half waves"),
    number("audible if it rings longer than, s"),
    text("remarks"),
];

fn mode(row: &ModeRow) -> Vec<String> {
    let spread = |r: &crate::estimate::Reading| r.map(|e| plus_minus(e, LEAST_SPREAD)).unwrap_or_default();
    let kind = match row.kind {
        "mode" => "the room",
        "loudspeaker" => "the measuring chain",
        "hum" => "a steady tone",
        _ => "unsure",
    };
    vec![
        row.mode.to_string(),
        row.priority.map(|p| p.to_string()).unwrap_or_default(),
        kind.to_owned(),
        spread(&row.frequency),
        spread(&row.t60),
        decimal(row.q, 1),
        decimal(row.level_db, 1),
        row.positions.to_string(),
        row.axes.to_string(),
        decimal(row.threshold_t60_s, 2),
        listing::flags(&row.flags),
    ]
}
