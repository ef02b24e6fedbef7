//! The measurement against its standards, and targets.

use super::content::Content;
use super::listing::{self, number, plain, text};
use super::words::shown;
use crate::procedure;
use maud::{Markup, html};

/// The section on targets; nothing where none was set.
pub(super) fn targets(content: &Content<'_>) -> Markup {
    let rows = content.results.comparison.as_ref().map(|c| c.targets.as_slice()).unwrap_or_default();
    if rows.is_empty() {
        return html! {};
    }
    let heads = [
        text("state"),
        text("place"),
        number("band or resonance, Hz"),
        number("value, s"),
        number("lower end, s"),
        number("upper end, s"),
        number("limit, s"),
        text("kept"),
        text("remarks"),
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
                row.position.to_string(),
                hz.map(|f| plain(f, 1)).unwrap_or_default(),
                seconds(row.value_s),
                seconds(row.low_s),
                seconds(row.high_s),
                row.limit_s.map(|s| plain(s, 3)).unwrap_or_default(),
                row.met.to_owned(),
                listing::flags(&row.flags),
            ]
        })
        .collect();
    let count = |word: &str| rows.iter().filter(|r| r.met == word).count();
    html! {
        section #targets {
            h2 { "Targets" }
            p { (count("yes")) " kept, " (count("no")) " missed, " (count("unsure")) " undecided: there the 95 % interval lies on both sides of the limit." }
            (listing::table("Decay times against their limits", &heads, &cells))
        }
    }
}

/// The section on the procedure.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let heads = [
        text("state"),
        text("standard"),
        text("clause"),
        listing::sentence("requirement"),
        text("found"),
        text("limit"),
        text("met"),
        listing::sentence("what a miss affects"),
    ];
    let rows: Vec<Vec<String>> = content
        .results
        .checks
        .iter()
        .map(|c| {
            vec![
                c.state.to_string(),
                c.standard.to_owned(),
                c.clause.to_owned(),
                c.requirement.clone(),
                c.found.clone(),
                c.limit.clone(),
                c.met.to_owned(),
                c.affects.clone(),
            ]
        })
        .collect();
    html! {
        section #procedure {
            h2 { "The measurement against its standards" }
            p { "A small room often can’t meet everything that standards written for larger ones ask for. This list informs; it refuses nothing. “Unknown” means that neither the data nor the notes say." }
            ul {
                @for state in content.states() { li { b { bdi { (shown(&state.name)) } } ": " (procedure::summary(&state.checks)) "." } }
            }
            @if !rows.is_empty() {
                details.table { summary { "Every requirement" } (listing::table("Requirements and what was found", &heads, &rows)) }
            }
        }
    }
}
