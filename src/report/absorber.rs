//! Tuned absorbers: what each does now, its best setting, and what to change next.

use super::content::Content;
use super::draw::{Drawing, Ink, svg};
use super::rich::{name, said};
use super::tails::{self, Frame, Row, Tail};
use super::words::{hertz, plus_minus, seconds};
use crate::absorber::{Finding, Tuning, from_one};
use crate::estimate::Estimate;
use crate::language::{Message, Value, number, say, signed};
use crate::modes::LN_1000;
use crate::table::AbsorberRow;
use maud::{Markup, PreEscaped, html};
use std::f64::consts::TAU;

/// The section; nothing where no absorber was looked at.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows = &content.results.absorber;
    if rows.is_empty() {
        return html! {};
    }
    let tunings = content.compared.map(|c| c.absorbers.as_slice()).unwrap_or_default();
    html! {
        section #absorber {
            h2 { (content.text("tuned.head")) }
            p { (content.text("tuned.about")) }
            @for (k, tuning) in tunings.iter().enumerate() { (one_mode(content, k, tuning)) }
            @for row in rows { (one(content, row)) }
            @for caution in cautions(tunings) { p.note { (said(content.language(), caution)) } }
        }
    }
}

/// The takes of one mode in a picture and a sentence.
fn one_mode(content: &Content<'_>, k: usize, tuning: &Tuning) -> Markup {
    html! {
        @if let Some(text) = gain(tuning) { p.lead { (said(content.language(), &text)) } }
        @if let Some(figure) = figure(content, k, tuning) {
            figure { (PreEscaped(svg::wide(&figure, &format!("absorber-{k}")))) }
        }
    }
}

/// What the best take gained, and what is still to be gained.
fn gain(tuning: &Tuning) -> Option<Message> {
    let hz = hertz(tuning.mode_hz.value);
    let Some(best) = tuning.best else {
        let known = tuning.takes.iter().any(|take| take.t60_s.is_some());
        return known.then(|| say!("tuned.none-shorter", hz = hz, before = tuning.before()));
    };
    let best = tuning.takes.get(best)?;
    let (without, with) = (seconds(tuning.before_t60_s.value), seconds(best.t60_s?.value));
    let several = tuning.takes.len() > 1;
    let key = match (tuning.before_units.is_empty(), several) {
        (true, false) => "tuned.rings",
        (true, true) => "tuned.rings-best",
        // "With the unit" it is in both states.
        (false, false) => "tuned.rings-in",
        (false, true) => "tuned.rings-best-in",
    };
    let (before, state) = (tuning.before(), best.state.as_str());
    let rings = say!(key, hz = hz, before = before, without = without, with = with, state = state);
    Some(match best.values.map(|v| v.best_t60_s) {
        Some(reach) => {
            let reach = Value::Number(plus_minus(reach));
            say!("tuned.and-would-bring", rings = rings, reach = reach)
        }
        None => say!("tuned.and-no-more", rings = rings),
    })
}

/// Legend of the upper bars.
fn above(tuning: &Tuning) -> Message {
    if tuning.before_units.is_empty() {
        return say!("legend.above-without");
    }
    say!("legend.above", before = tuning.before_state.as_str())
}

/// One row a take.
fn figure(content: &Content<'_>, k: usize, tuning: &Tuning) -> Option<Drawing> {
    let rows: Vec<Row> = tuning
        .takes
        .iter()
        .zip(&tuning.ranks)
        .filter_map(|(take, rank)| row(content, tuning.before_t60_s, take, *rank))
        .collect();
    let frame = Frame {
        name: format!("absorber-{}", k + 1),
        title: content.say(&say!("figure.takes", hz = hertz(tuning.mode_hz.value))),
        legend: vec![
            (Ink::Before, content.say(&above(tuning))),
            (Ink::After, content.text("legend.below-as-set")),
        ],
        foot: content.text("figure.best-setting"),
    };
    (!rows.is_empty()).then(|| tails::figure(content.language(), frame, &rows))
}

fn row(content: &Content<'_>, before: Estimate, take: &Finding, rank: Option<usize>) -> Option<Row> {
    let after = Tail::of(take.t60_s?)?;
    let ranked = |rank: usize| {
        let rank = number(rank as f64, 0);
        content.say(&say!("tuned.ranked", time = seconds(after.value_s), rank = rank))
    };
    Some(Row {
        label: super::words::shortened(&take.state, 18),
        outcome: rank.map(ranked).unwrap_or_default(),
        before: Tail::of(before),
        after: Some(after),
        threshold_s: take.values.map(|v| v.best_t60_s.value),
    })
}

/// The pictures as figures of their own.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let tunings = content.compared.map(|c| c.absorbers.as_slice()).unwrap_or_default();
    tunings.iter().enumerate().filter_map(|(k, tuning)| figure(content, k, tuning)).collect()
}

/// What to mind, each once.
fn cautions(tunings: &[Tuning]) -> Vec<&Message> {
    let mut all: Vec<&Message> = Vec::new();
    for caution in tunings.iter().flat_map(|t| &t.cautions) {
        if !all.contains(&caution) {
            all.push(caution);
        }
    }
    all
}

fn one(content: &Content<'_>, row: &AbsorberRow) -> Markup {
    let state = ("state", name(&row.state));
    let unit = ("unit", name(&row.unit));
    let hz = ("hz", html! { @if let Some(hz) = row.mode_frequency_hz { (content.say(&hertz(hz))) } });
    let head = match (row.unit.is_empty(), row.mode_frequency_hz) {
        (true, None) => state.1,
        (true, Some(_)) => content.rich("tuned.state-on", &[state, hz]),
        (false, None) => content.rich("tuned.state-unit", &[state, unit]),
        (false, Some(_)) => content.rich("tuned.state-unit-on", &[state, unit, hz]),
    };
    html! {
        article.absorber {
            h3 { (head) }
            @if let Some(advice) = &row.advice { p { (said(content.language(), advice)) } }
            (facts(content, row))
            @if let Some(reason) = &row.reason { p.note { (said(content.language(), &say!("tuned.reason", reason = reason.clone()))) } }
        }
    }
}

fn facts(content: &Content<'_>, row: &AbsorberRow) -> Markup {
    let time = |decay: Option<f64>| decay.filter(|d| *d > 0.0).map(|d| seconds(LN_1000 / d));
    let hz = |digits: Value| say!("unit.hertz", hz = digits);
    let dial =
        |(name, v): &(String, f64)| say!("absorber.dial", name = name.as_str(), setting = number(*v, 3));
    let dials: Vec<Message> = row.next_dials.iter().map(dial).collect();
    // Tuned alike and undamped, the two have the frequencies ω0 ± g/2 (absorber::coupled).
    let list: [(&str, Option<Message>); 9] = [
        ("tuned.own", row.loaded_frequency.map(|f| hz(Value::Number(plus_minus(f))))),
        ("tuned.best-frequency", row.best_frequency_hz.map(|f| hz(number(f, 2)))),
        ("tuned.own-time", time(row.loaded_decay_per_s)),
        ("tuned.best-time", time(row.best_decay_per_s)),
        ("tuned.coupling", row.coupling_per_s.map(|g| hz(number(g / TAU, 2)))),
        ("tuned.best-ring", row.best_t60_s.map(seconds)),
        (
            "tuned.change-frequency",
            row.next_frequency_change_hz.map(|f| hz(signed(f, if f.abs() < 0.095 { 2 } else { 1 }))),
        ),
        ("tuned.change-damping", row.next_damping_factor.map(|f| Message::plain(from_one(f)))),
        ("tuned.dials", (!dials.is_empty()).then(|| Message::plain(Value::from(dials)))),
    ];
    html! { dl.facts { @for (key, value) in list { @if let Some(value) = value { div { dt { (content.text(key)) } dd { (said(content.language(), &value)) } } } } } }
}
