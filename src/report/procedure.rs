//! The measurement against its standards, and targets.

use super::content::Content;
use super::listing::{self, number, plain, text};
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
    let heads = [
        text("head.state"),
        text("head.place"),
        number("head.band-or-resonance"),
        number("head.value"),
        number("head.lower"),
        number("head.upper"),
        number("head.limit-s"),
        text("head.kept"),
        text("head.remarks"),
    ];
    let seconds = |v: Option<Result<f64, _>>| v.map(|v| listing::decimal(v, 3)).unwrap_or_default();
    let cells: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            let mode = row.mode.and_then(|m| {
                content.modes_of(&row.state).iter().find(|r| r.mode == m).and_then(|r| r.frequency.ok())
            });
            let hz = row.band_hz.or(mode.map(|f| f.value));
            vec![
                row.state.to_string(),
                content.say(&average(&row.position)),
                hz.map(|f| plain(f, 1)).unwrap_or_default(),
                seconds(row.value_s),
                seconds(row.low_s),
                seconds(row.high_s),
                row.limit_s.map(|s| limit(s, row.flags.has(Flag::LowerLimit))).unwrap_or_default(),
                content.say(&met(row.met)),
                listing::flags(&row.flags),
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
            (listing::table(content.language(), &content.text("targets.table"), &heads, &cells))
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
    let heads = [
        text("head.state"),
        text("head.standard"),
        text("head.clause"),
        listing::sentence("head.requirement"),
        text("head.found"),
        text("head.limit"),
        text("head.met"),
        listing::sentence("head.affects"),
    ];
    let rows: Vec<Vec<String>> = content
        .results
        .checks
        .iter()
        .map(|c| {
            vec![
                c.state.to_string(),
                c.standard.to_owned(),
                clause(content, c.clause),
                content.say(&c.requirement),
                content.say(&c.found),
                content.say(&c.limit),
                content.say(&met(c.met)),
                content.say(&c.affects),
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
                (listing::folded(content.language(), (&summary, &label), &heads, &rows, ("checks.csv", false)))
            }
        }
    }
}
