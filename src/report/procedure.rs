//! The measurement against its standards, and targets.

use super::content::Content;
use super::listing::{self, Row, number, plain, text};
use super::target::Counted;
use super::words::shown;
use crate::flag::Flag;
use crate::language::{Message, number as number_of, say};
use crate::procedure;
use crate::table::TargetRow;
use maud::{Markup, html};

/// The section on targets; nothing where none was set.
pub(super) fn targets(content: &Content<'_>) -> Markup {
    let rows = content.results.comparison.as_ref().map(|c| c.targets.as_slice()).unwrap_or_default();
    if rows.is_empty() {
        return html! {};
    }
    let seconds = |v: Option<Result<f64, _>>| v.map(|v| listing::decimal(v, 3)).unwrap_or_default();
    let cells: Vec<Row> = rows
        .iter()
        .map(|row| {
            let mode = row.mode.and_then(|m| {
                content.modes_of(&row.state).iter().find(|r| r.mode == m).and_then(|r| r.frequency.ok())
            });
            let hz = row.band_hz.or(mode.map(|f| f.value));
            vec![
                (text("head.state"), row.state.to_string()),
                (text("head.place"), content.say(&average(&row.position))),
                (number("head.band-or-resonance"), hz.map(|f| plain(f, 1)).unwrap_or_default()),
                (number("head.value"), seconds(row.value_s)),
                (number("head.lower"), seconds(row.low_s)),
                (number("head.upper"), seconds(row.high_s)),
                (
                    number("head.limit-s"),
                    row.limit_s.map(|s| limit(s, row.flags.has(Flag::LowerLimit))).unwrap_or_default(),
                ),
                (text("head.kept"), content.say(&met(row.met))),
                (text("head.remarks"), listing::flags(&row.flags)),
            ]
        })
        .collect();
    let states: Vec<(&str, Counted<'_>)> =
        content.states().map(|s| (s.name.as_str(), Counted::new(rows, &s.name))).collect();
    html! {
        section #targets {
            h2 { (content.text("targets.head")) }
            ul { @for (state, counted) in &states { li { b { bdi { (shown(state)) } } ": " (content.say(&sum(counted))) } } }
            p { (content.text(if states.iter().any(|s| s.1.beside) { "targets.about-twice" } else { "targets.about" })) }
            (listing::table(content.language(), &content.text("targets.table"), &cells))
        }
    }
}

/// What became of the rows of a state, as the first sheet counts them, and of those without a value.
fn sum(counted: &Counted<'_>) -> Message {
    let of = |rows: &[&TargetRow]| number_of(rows.len() as f64, 0);
    let (kept, missed) = (of(&counted.kept), of(&counted.missed));
    let (undecided, unknown) = (of(&counted.unsure), of(&counted.unknown));
    say!("targets.counted", kept = kept, missed = missed, undecided = undecided, unknown = unknown)
}

/// A longest decay time, or where the mask's lower limit is nearer a shortest.
fn limit(limit_s: f64, lower: bool) -> String {
    format!("{} {}", if lower { "≥" } else { "≤" }, plain(limit_s, 3))
}

/// Whether something is met, by its word in the tables.
fn met(word: &str) -> Message {
    match word {
        "yes" => say!("word.yes"),
        "no" => say!("word.no"),
        "unsure" => say!("word.unsure"),
        _ => say!("word.unknown"),
    }
}

/// A position, or the average that stands for several.
fn average(position: &str) -> Message {
    match position {
        "*" => say!("place.all"),
        "listening" => say!("place.all-listening"),
        name => Message::plain(name),
    }
}

/// Clause of a standard: its number, or words.
fn clause(content: &Content<'_>, clause: &str) -> String {
    match clause {
        "table 1" => content.text("checks.table-1"),
        "low-frequency procedure" => content.text("checks.low-frequency"),
        number => number.to_owned(),
    }
}

/// The section on the procedure.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows: Vec<Row> = content
        .results
        .checks
        .iter()
        .map(|c| {
            vec![
                (text("head.state"), c.state.to_string()),
                (text("head.standard"), c.standard.to_owned()),
                (text("head.clause"), clause(content, c.clause)),
                (listing::sentence("head.requirement"), content.say(&c.requirement)),
                (text("head.found"), content.say(&c.found)),
                (text("head.limit"), content.say(&c.limit)),
                (text("head.met"), content.say(&met(c.met))),
                (listing::sentence("head.affects"), content.say(&c.affects)),
            ]
        })
        .collect();
    html! {
        section #procedure {
            h2 { (content.text("checks.head")) }
            p { (content.text("checks.about")) }
            ul {
                @for state in content.states() { li { b { bdi { (shown(&state.name)) } } ": " (content.say(&procedure::summary(&state.checks))) "." } }
            }
            @if !rows.is_empty() {
                @let (summary, label) = (html! { (content.text("checks.every")) }, content.text("checks.table"));
                (listing::folded(content.language(), (&summary, &label), &rows, ("checks.csv", false)))
            }
        }
    }
}
