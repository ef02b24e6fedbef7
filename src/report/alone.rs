//! The first sheet of states that nothing is compared with: the modes to treat first.

use super::answer::{ROWS, axis, bar};
use super::content::Content;
use super::tails::{self, Row, Tail};
use super::words::{self, counted, hertz, seconds, shown};
use crate::table::ModeRow;
use maud::{Markup, PreEscaped, html};

/// The sheet of states that nothing is compared with.
pub(super) fn alone(content: &Content<'_>) -> Markup {
    html! {
        @for state in content.states() {
            @let modes = content.modes_of(&state.name);
            h3 { bdi { (shown(&state.name)) } }
            p.verdict { (alone_sentence(&modes)) }
            (alone_chart(&modes))
        }
    }
}

fn alone_sentence(modes: &[&ModeRow]) -> String {
    let claimed: Vec<_> = modes.iter().filter(|m| m.kind == "mode").collect();
    if claimed.is_empty() {
        return "No resonance that this measurement can stand behind.".to_owned();
    }
    let first = claimed.iter().find(|m| m.priority == Some(1)).and_then(|m| {
        let (hz, t60) = (m.frequency.ok()?, m.t60.ok()?);
        Some(format!("; the one to treat first is {}, which rings {}", hertz(hz.value), seconds(t60.value)))
    });
    format!(
        "{} found{}.",
        counted(claimed.len(), "resonance"),
        first.unwrap_or_else(|| "; none is heard to ring longer than the published threshold".to_owned())
    )
}

fn alone_chart(modes: &[&ModeRow]) -> Markup {
    let first = to_treat(modes);
    let rows: Vec<Row> = first.iter().map(|m| alone_row(m)).collect();
    if rows.is_empty() {
        return html! {};
    }
    let longest_s = tails::longest_s(&rows);
    html! {
        figure.tails {
            figcaption {
                b { "The resonances to treat first: how long each rings on after the sound stops." }
                " Each wedge falls as the sound does and ends 60 dB down; its point is soft where the time is uncertain. "
                span.key-limit { "Dashed: from here on trained listeners heard a difference." }
            }
            div.axis aria-hidden="true" { div.head { "frequency, half waves" } div.bar { (PreEscaped(axis(longest_s))) } }
            ol.rows {
                @for (row, mode) in rows.iter().zip(&first) {
                    li { div.plain {
                        span.hz { (row.label) }
                        span.waves { (words::half_waves(&mode.axes).unwrap_or_default()) }
                        span.bar { (PreEscaped(bar(row, longest_s))) }
                        span.times { (row.before.map(|t| seconds(t.value_s)).unwrap_or_default()) }
                        span.outcome { (row.outcome) }
                    } }
                }
            }
        }
    }
}

/// The modes to treat first, in rising frequency.
pub(super) fn to_treat<'a>(modes: &[&'a ModeRow]) -> Vec<&'a ModeRow> {
    let mut first: Vec<&ModeRow> = modes.iter().filter(|m| m.priority.is_some()).copied().collect();
    first.sort_by_key(|m| m.priority);
    first.truncate(ROWS);
    first.sort_by_key(|m| m.mode);
    first
}

/// What the chart draws of a mode in one state.
pub(super) fn alone_row(mode: &ModeRow) -> Row {
    Row {
        label: mode.frequency.map(|f| hertz(f.value)).unwrap_or_default(),
        outcome: mode.priority.map(|p| format!("treat no. {p}")).unwrap_or_default(),
        before: mode.t60.ok().and_then(Tail::of),
        after: None,
        threshold_s: mode.threshold_t60_s.ok(),
    }
}
