//! The first sheet of states that nothing is compared with: the modes to treat first.

use super::content::Content;
use super::tails::{self, ROWS, Row, Tail, bar, chart_axis};
use super::words::{hertz, seconds, shown};
use crate::language::{Message, number, say};
use crate::table::{ModeRow, Treatment, treatments};
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
    let first = treatments(modes).into_iter().next();
    match first.as_ref().and_then(|first| Some((first, first.modes[0].t60.ok()?))) {
        Some((first, t60)) => {
            let key = match first.modes.len() {
                // A range has no two frequencies of which one could be the slower.
                2 if first.broadband_hz.is_none() => "alone.found-slower",
                0 | 1 => "alone.found",
                _ => "alone.found-longest",
            };
            let (n, time) = (claimed.len(), seconds(t60.value));
            say!(key, n = n, hz = what(first), time = time)
        }
        None => say!("alone.found-inaudible", n = claimed.len()),
    }
}

/// What is treated: a mode, modes within one bandwidth, or a range.
fn what(treatment: &Treatment<'_>) -> Message {
    if let Some((low, high)) = treatment.broadband_hz {
        return say!("alone.broadband", low = number(low, 0), high = number(high, 0));
    }
    let rising = treatment.rising();
    let frequencies = rising.iter().filter_map(|m| Some(hertz(m.frequency.ok()?.value)));
    Message::row(frequencies, " + ")
}

fn alone_chart(content: &Content<'_>, modes: &[&ModeRow]) -> Markup {
    let first = first_treatments(modes, ROWS);
    let rows: Vec<Row> = first.iter().map(|treatment| alone_row(content, treatment)).collect();
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
                @for (row, treatment) in rows.iter().zip(&first) {
                    li { div.plain {
                        span.hz { (row.label) }
                        span.waves { (stands(content, treatment)) }
                        span.bar { (PreEscaped(bar(row, longest_s))) }
                        span.times { (row.before.map(|t| content.say(&seconds(t.value_s))).unwrap_or_default()) }
                        span.outcome { (row.outcome) }
                    } }
                }
            }
        }
    }
}

/// Where the mode stands; of a range how many modes it holds.
fn stands(content: &Content<'_>, treatment: &Treatment<'_>) -> String {
    match treatment.broadband_hz {
        Some(_) => content.say(&say!("alone.modes", n = treatment.modes.len())),
        None => content.say(&slowest(treatment, content.stands(treatment.modes[0]))),
    }
}

/// Where the mode stands; of several which of them rings the time that is shown, and where that one stands.
fn slowest(treatment: &Treatment<'_>, stands: Option<Message>) -> Message {
    let [slowest, _, ..] = treatment.modes.as_slice() else { return stands.unwrap_or_default() };
    let Ok(frequency) = slowest.frequency else { return stands.unwrap_or_default() };
    let hz = hertz(frequency.value);
    match stands {
        Some(stands) => say!("alone.slowest-stands", hz = hz, stands = stands),
        None => say!("alone.slowest", hz = hz),
    }
}

/// What to treat first, at most `most`, in rising frequency.
pub(super) fn first_treatments<'a>(modes: &[&'a ModeRow], most: usize) -> Vec<Treatment<'a>> {
    let mut first = treatments(modes);
    first.truncate(most);
    first.sort_by_key(|treatment| treatment.modes[0].mode);
    first
}

/// The slowest mode of each.
pub(super) fn to_treat<'a>(modes: &[&'a ModeRow], most: usize) -> Vec<&'a ModeRow> {
    first_treatments(modes, most).iter().map(|treatment| treatment.modes[0]).collect()
}

/// What the chart draws of a treatment in one state: its slowest mode.
pub(super) fn alone_row(content: &Content<'_>, treatment: &Treatment<'_>) -> Row {
    let slowest = treatment.modes[0];
    Row {
        label: content.say(&what(treatment)),
        outcome: content.say(&say!("alone.treat", rank = number(f64::from(treatment.rank), 0))),
        before: slowest.t60.ok().and_then(Tail::of),
        after: None,
        threshold_s: slowest.threshold_t60_s.ok(),
    }
}
