//! How the numbers came about, what the remarks mean, and what to take care of.

use super::content::Content;
use super::rich::{name, said};
use crate::flag::{Flag, Flags};
use crate::language::{Message, Value, number, say, signed};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// What was done, step by step.
const STEPS: [&str; 7] = [
    "method.takes",
    "method.bands",
    "method.resonances",
    "method.names",
    "method.changes",
    "method.audibility",
    "method.rings",
];

/// The section on the method. Terms of the trade's mathematics stand here and nowhere else.
pub(super) fn section(content: &Content<'_>) -> Markup {
    html! {
        section #method {
            h2 { (content.text("method.head")) }
            ol { @for key in STEPS { li { (content.text(key)) } } }
            (settings(content))
            (left_over(content))
            (remarks(content))
        }
    }
}

fn settings(content: &Content<'_>) -> Markup {
    let s = &content.results.settings;
    let hz = |hz: f64| Value::Number(hz.to_string());
    let bands = if s.bands == "octave" { say!("settings.octaves") } else { say!("settings.thirds") };
    let range = say!("settings.range", from = hz(s.modes_from_hz), to = hz(s.modes_to_hz));
    let chain = match s.same_chain {
        Some(true) => say!("settings.chain-same"),
        Some(false) => say!("settings.chain-changed"),
        None => say!("settings.chain-unstated"),
    };
    let instant = match s.time_base.as_deref() {
        Some("emission") => say!("settings.emission"),
        Some("arrival") => say!("settings.arrival"),
        Some(other) => Message::plain(other),
        None => say!("settings.from-data"),
    };
    // `tune` judges nothing by it.
    let judged = content.results.comparison.as_ref().is_some_and(|c| !c.targets.is_empty());
    let longest = if s.target_t60_s.is_some() && !judged { "settings.to-reach" } else { "settings.longest" };
    let channel = s.channels.clone().unwrap_or_else(|| s.channel.to_string());
    let list: [(&str, Message); 6] = [
        ("settings.bands", bands),
        ("settings.resonances", if s.with_modes { range } else { say!("settings.left-out") }),
        ("settings.chain", chain),
        ("settings.instant", instant),
        (longest, s.target_t60_s.map_or_else(|| say!("settings.none"), super::words::seconds)),
        ("settings.channel", Message::plain(channel)),
    ];
    html! {
        h3 { (content.text("settings.head")) }
        dl.facts { @for (key, value) in list { div { dt { (content.text(key)) } dd { (said(content.language(), &value)) } } } }
    }
}

/// How well the resonances explain the records, state by state.
fn left_over(content: &Content<'_>) -> Markup {
    let lines: Vec<(String, Message)> = content
        .states()
        .filter_map(|state| {
            let rows = content.results.fits.iter().filter(|row| *row.state == *state.name);
            let all: Vec<Result<f64, Flag>> = rows.map(|row| row.residual_over_noise_db).collect();
            let limit = content.results.fits.iter().find(|row| *row.state == *state.name)?.single_modes_to_hz;
            let range = match limit {
                Ok(hz) => say!("left-over.up-to", hz = number(hz, 0)),
                Err(_) => say!("left-over.nowhere"),
            };
            let line = say!("left-over.state", spread = spread(&all), range = range);
            (!all.is_empty()).then(|| (state.name.clone(), line))
        })
        .collect();
    html! {
        @if !lines.is_empty() {
            h3 { (content.text("left-over.head")) }
            p { (content.text("left-over.about")) }
            dl.facts { @for (state, text) in lines { div { dt { (name(&state)) } dd { (content.say(&text)) } } } }
        }
    }
}

/// Least and largest of some levels, and how many there are none of.
fn spread(levels: &[Result<f64, Flag>]) -> Message {
    let known: Vec<f64> = levels.iter().filter_map(|level| level.ok()).collect();
    let missing = levels.len() - known.len();
    let low = known.iter().copied().fold(f64::INFINITY, f64::min);
    let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let range = match known.len() {
        0 => return say!("left-over.unknown"),
        1 => say!("unit.decibels", db = signed(low, 1)),
        _ => say!("left-over.between", low = signed(low, 1), high = signed(high, 1)),
    };
    if missing == 0 { range } else { say!("left-over.unknown-at", range = range, n = missing) }
}

/// The remarks that occur in this report, each with its meaning.
fn remarks(content: &Content<'_>) -> Markup {
    let found = occurring(content);
    let text =
        |part: &str, flag: Flag| content.say(&Message::new(format!("{part}.{}", flag.word()), Vec::new()));
    html! {
        h3 { (content.text("remarks.head")) }
        @if found.is_empty() { p { (content.text("remarks.none")) } }
        dl.remarks {
            @for flag in found {
                div { dt { code { (flag.word()) } } dd { (text("flag", flag)) @if !flag.advice().is_empty() { " " (text("advice", flag)) } } }
            }
        }
    }
}

fn occurring(content: &Content<'_>) -> BTreeSet<Flag> {
    let r = content.results;
    let mut found = BTreeSet::new();
    let mut add = |flags: &Flags| found.extend(flags.iter());
    content.states().flat_map(|s| content.average_of(&s.name)).for_each(|row| add(&row.flags));
    r.modes.iter().for_each(|row| add(&row.flags));
    if let Some(c) = &r.comparison {
        c.changes.iter().for_each(|row| add(&row.flags));
        c.position_changes.iter().for_each(|row| add(&row.flags));
        c.targets.iter().for_each(|row| add(&row.flags));
    }
    found
}

/// What to take care of.
const CAUTIONS: [&str; 5] =
    ["cautions.loud", "cautions.heavy", "cautions.mains", "cautions.fire", "cautions.codes"];

/// The section on safety.
pub(super) fn cautions(content: &Content<'_>) -> Markup {
    html! {
        section #cautions {
            h2 { (content.text("cautions.head")) }
            ul { @for key in CAUTIONS { li { (content.text(key)) } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_says_what_is_not_known() {
        let missing = Err(Flag::NoQuietEnd);
        assert_eq!(spread(&[Ok(-0.71), Ok(1.37)]), "\u{2212}0.7 to +1.4 dB");
        assert_eq!(spread(&[Ok(0.5), missing]), "+0.5 dB; not known at 1 place");
        assert_eq!(spread(&[missing]), "not known: no record shows its noise at the end");
    }
}
