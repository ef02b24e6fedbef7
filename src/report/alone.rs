//! The first sheet of states that nothing is compared with: the modes to treat first.

use super::content::Content;
use super::tails::{self, ROWS, Row, Tail, bar, chart_axis};
use super::words::{hertz, seconds, shown};
use crate::language::{Message, number, say};
use crate::table::{ModeRow, in_order_of_treatment};
use maud::{Markup, PreEscaped, html};

/// The sheet of states that nothing is compared with.
pub(super) fn alone(content: &Content<'_>) -> Markup {
    html! {
        @for state in content.states() {
            @let modes = content.modes_of(&state.name);
            h3 { bdi { (shown(&state.name)) } }
            p.verdict { (content.say(&alone_sentence(&modes))) }
            (alone_chart(content, &modes))
        }
    }
}

fn alone_sentence(modes: &[&ModeRow]) -> Message {
    let claimed: Vec<_> = modes.iter().filter(|m| m.kind == "mode").collect();
    if claimed.is_empty() {
        return say!("alone.none");
    }
    let first = in_order_of_treatment(modes).first().and_then(|m| {
        let (hz, t60) = (m.frequency.ok()?, m.t60.ok()?);
        Some((hertz(hz.value), seconds(t60.value)))
    });
    match first {
        Some((hz, time)) => say!("alone.found", n = claimed.len(), hz = hz, time = time),
        None => say!("alone.found-inaudible", n = claimed.len()),
    }
}

fn alone_chart(content: &Content<'_>, modes: &[&ModeRow]) -> Markup {
    let first = to_treat(modes, ROWS);
    let rows: Vec<Row> = first.iter().map(|m| alone_row(content, m)).collect();
    if rows.is_empty() {
        return html! {};
    }
    let longest_s = tails::longest_s(&rows);
    html! {
        figure.tails {
            figcaption {
                b { (content.text("alone.title")) }
                " " (content.text("chart.wedge")) " "
                span.key-limit { (content.text("chart.threshold")) }
            }
            (chart_axis(content, longest_s))
            ol.rows {
                @for (row, mode) in rows.iter().zip(&first) {
                    li { div.plain {
                        span.hz { (row.label) }
                        span.waves { (content.stands(mode).map(|m| content.say(&m)).unwrap_or_default()) }
                        span.bar { (PreEscaped(bar(row, longest_s))) }
                        span.times { (row.before.map(|t| content.say(&seconds(t.value_s))).unwrap_or_default()) }
                        span.outcome { (row.outcome) }
                    } }
                }
            }
        }
    }
}

/// The modes to treat first, at most `most`, in rising frequency.
pub(super) fn to_treat<'a>(modes: &[&'a ModeRow], most: usize) -> Vec<&'a ModeRow> {
    let mut first = in_order_of_treatment(modes);
    first.truncate(most);
    first.sort_by_key(|m| m.mode);
    first
}

/// What the chart draws of a mode in one state.
pub(super) fn alone_row(content: &Content<'_>, mode: &ModeRow) -> Row {
    Row {
        label: mode.frequency.map(|f| content.say(&hertz(f.value))).unwrap_or_default(),
        outcome: mode
            .priority
            .map(|p| content.say(&say!("alone.treat", rank = number(f64::from(p), 0))))
            .unwrap_or_default(),
        before: mode.t60.ok().and_then(Tail::of),
        after: None,
        threshold_s: mode.threshold_t60_s.ok(),
    }
}
