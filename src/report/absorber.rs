//! Tuned absorbers: what each does now, its best setting, and what to change next.

use super::content::Content;
use super::draw::{Drawing, Ink, svg};
use super::listing::plain;
use super::tails::{self, Row, Tail};
use super::words::{hertz, joined, plus_minus, seconds, shown, signed};
use crate::absorber::{Finding, Tuning};
use crate::estimate::Estimate;
use crate::modes::LN_1000;
use crate::table::AbsorberRow;
use maud::{Markup, PreEscaped, html};

/// The section; nothing where no absorber was looked at.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows = &content.results.absorber;
    if rows.is_empty() {
        return html! {};
    }
    let tunings = content.compared.map(|c| c.absorbers.as_slice()).unwrap_or_default();
    html! {
        section #absorber {
            h2 { "The tuned absorber" }
            p { "A tuned absorber is a second resonator beside the room’s. It helps most when its own frequency meets the room’s and its damping takes up what the room hands over; "
                "too little or too much of either leaves the room ringing. Its own frequency is given as it stands in this room, with the resonance taken out of account: it is not the frequency in free air." }
            @for (k, tuning) in tunings.iter().enumerate() { (one_mode(k, tuning)) }
            @for row in rows { (one(row)) }
            @for caution in cautions(tunings) { p.note { bdi { (shown(&caution)) } } }
        }
    }
}

/// The takes of one mode in a picture and a sentence.
fn one_mode(k: usize, tuning: &Tuning) -> Markup {
    html! {
        @if let Some(text) = gain(tuning) { p.lead { bdi { (shown(&text)) } } }
        @if let Some(figure) = figure(k, tuning) {
            figure { (PreEscaped(svg::wide(&figure, &format!("absorber-{k}")))) }
        }
    }
}

/// What the best take gained, and what is still to be gained.
fn gain(tuning: &Tuning) -> Option<String> {
    let Some(best) = tuning.best else {
        let known = tuning.takes.iter().any(|take| take.t60_s.is_some());
        return known.then(|| {
            format!(
                "At {} no setting rings clearly shorter than the room without the unit.",
                hertz(tuning.mode_hz.value)
            )
        });
    };
    let best = tuning.takes.get(best)?;
    let now = best.t60_s?.value;
    let mut text = format!(
        "At {} the room rings {} without the unit and {now:.2} s with it",
        hertz(tuning.mode_hz.value),
        seconds(tuning.before_t60_s.value),
    );
    if tuning.takes.len() > 1 {
        text.push_str(&format!(" in the best take so far, {}", best.state));
    }
    match best.values.map(|v| v.best_t60_s) {
        Some(reach) => {
            text.push_str(&format!("; its best setting would bring {} s.", plus_minus(reach, 0.01)))
        }
        None => text.push('.'),
    }
    Some(text)
}

/// One row a take.
fn figure(k: usize, tuning: &Tuning) -> Option<Drawing> {
    let rows: Vec<Row> = tuning
        .takes
        .iter()
        .zip(&tuning.ranks)
        .filter_map(|(take, rank)| row(tuning.before_t60_s, take, *rank))
        .collect();
    let title = format!("Takes of the absorber on {}", hertz(tuning.mode_hz.value));
    let legend = [(Ink::Before, "above: without".to_owned()), (Ink::After, "below: as set".to_owned())];
    let foot = "dashed mark: what the best setting would reach";
    (!rows.is_empty()).then(|| tails::figure(&format!("absorber-{}", k + 1), &title, &rows, &legend, foot))
}

fn row(before: Estimate, take: &Finding, rank: Option<usize>) -> Option<Row> {
    let after = Tail::of(take.t60_s?)?;
    Some(Row {
        label: super::words::shortened(&take.state, 18),
        outcome: rank.map(|r| format!("{}, rank {r}", seconds(after.value_s))).unwrap_or_default(),
        before: Tail::of(before),
        after: Some(after),
        threshold_s: take.values.map(|v| v.best_t60_s.value),
    })
}

/// The pictures as figures of their own.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let tunings = content.compared.map(|c| c.absorbers.as_slice()).unwrap_or_default();
    tunings.iter().enumerate().filter_map(|(k, tuning)| figure(k, tuning)).collect()
}

/// What to mind, each once.
fn cautions(tunings: &[Tuning]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for caution in tunings.iter().flat_map(|t| &t.cautions) {
        if !all.contains(caution) {
            all.push(caution.clone());
        }
    }
    all
}

fn one(row: &AbsorberRow) -> Markup {
    let at = row.mode_frequency_hz.map(|hz| format!(" on {}", hertz(hz))).unwrap_or_default();
    html! {
        article.absorber {
            h3 { bdi { (shown(&row.state)) } @if !row.unit.is_empty() { " · unit " bdi { (shown(&row.unit)) } } (at) }
            @if let Some(advice) = &row.advice { p { bdi { (shown(advice)) } } }
            (facts(row))
            @if let Some(reason) = &row.reason { p.note { bdi { (shown(reason)) } } }
        }
    }
}

fn facts(row: &AbsorberRow) -> Markup {
    let time = |decay: Option<f64>| decay.filter(|d| *d > 0.0).map(|d| seconds(LN_1000 / d));
    let dials: Vec<String> =
        row.next_dials.iter().map(|(name, v)| format!("{name} {}", plain(*v, 3))).collect();
    let list: [(&str, Option<String>); 9] = [
        (
            "Its own frequency now, as it stands in this room",
            row.loaded_frequency.map(|f| format!("{} Hz", plus_minus(f, 0.01))),
        ),
        ("Best frequency", row.best_frequency_hz.map(|hz| format!("{hz:.2} Hz"))),
        ("How long it would ring by itself now", time(row.loaded_decay_per_s)),
        ("Best", time(row.best_decay_per_s)),
        ("Strength of coupling to the room", row.coupling_per_s.map(|g| format!("{g:.2} per second"))),
        ("The resonance at its best setting would ring", row.best_t60_s.map(seconds)),
        ("Change its frequency by", row.next_frequency_change_hz.map(|hz| format!("{} Hz", signed(hz, 2)))),
        ("Multiply its damping by", row.next_damping_factor.map(|f| format!("{f:.2}"))),
        ("Dials to try next", (!dials.is_empty()).then(|| joined(&dials))),
    ];
    html! { dl.facts { @for (name, value) in list { @if let Some(value) = value { div { dt { (name) } dd { bdi { (shown(&value)) } } } } } } }
}
