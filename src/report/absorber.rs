//! Tuned absorbers: what each does now, its best setting, and what to change next.

use super::content::Content;
use super::listing::plain;
use super::words::{hertz, joined, plus_minus, seconds, shown};
use crate::modes::LN_1000;
use crate::table::AbsorberRow;
use maud::{Markup, html};

/// The section; nothing where no absorber was identified.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows = &content.results.absorber;
    if rows.is_empty() {
        return html! {};
    }
    html! {
        section #absorber {
            h2 { "The tuned absorber" }
            p { "A tuned absorber is a second resonator beside the room’s. It helps most when its own frequency meets the room’s and its damping takes up what the room hands over; "
                "too little or too much of either leaves the room ringing. Its own frequency is given as it stands in this room, with the resonance taken out of account: it is not the frequency in free air." }
            @for row in rows { (one(row)) }
        }
    }
}

fn one(row: &AbsorberRow) -> Markup {
    let at = row.mode_frequency_hz.map(|hz| format!(" on {}", hertz(hz))).unwrap_or_default();
    html! {
        article.absorber {
            h3 { bdi { (shown(&row.state)) } @if !row.unit.is_empty() { " · unit " bdi { (shown(&row.unit)) } } (at) }
            @if let Some(advice) = &row.advice { p.lead { bdi { (shown(advice)) } } }
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
        (
            "Change its frequency by",
            row.next_frequency_change_hz.map(|hz| format!("{} Hz", super::words::signed(hz, 2))),
        ),
        ("Multiply its damping by", row.next_damping_factor.map(|f| format!("{f:.2}"))),
        ("Dials to try next", (!dials.is_empty()).then(|| joined(&dials))),
    ];
    html! { dl.facts { @for (name, value) in list { @if let Some(value) = value { div { dt { (name) } dd { bdi { (shown(&value)) } } } } } } }
}
