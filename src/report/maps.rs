//! Level over time and frequency: one flat map a state, all on one scale of colours.

use super::content::Content;
use super::draw::{Anchor, Drawing, Ink, Line, Pixels, Scale, svg};
use super::spectra::{common, gain_db};
use crate::curves::{Grid, LevelMap, level_map};
use crate::language::{Language, Message, number, say};
use crate::state::StateResult;
use maud::{Markup, PreEscaped, html};

/// What the colours span below the loudest point, dB.
const RANGE_DB: f64 = 60.0;
/// Step of the colours, dB: finer ones can't be told apart and only fill the file.
const STEP_DB: f64 = 1.5;
/// Longest time shown, s.
const LONGEST_S: f64 = 2.5;
/// Most states side by side.
const STATES: usize = 4;

/// The section; nothing without a low end.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let figures = figures(content);
    if figures.is_empty() {
        return html! {};
    }
    html! {
        section #maps {
            h2 { (content.text("maps.head")) }
            p { (content.text("maps.about")) }
            div.panels { @for (k, figure) in figures.iter().enumerate() {
                figure { (PreEscaped(svg::inline(figure, &format!("map-{k}")))) }
            } }
        }
    }
}

/// One figure a state.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let maps = maps(content);
    let level = |power: f64, gain_db: f64| super::words::decibels(power) - gain_db;
    let top = maps
        .iter()
        .flat_map(|(_, map, gain)| map.power.iter().map(|p| level(*p, *gain)))
        .fold(f64::MIN, f64::max);
    let draw = |(k, (state, map, gain)): (usize, &(&StateResult, LevelMap, f64))| {
        let below = |power: f64| top - level(power, *gain);
        figure(content.language(), k, (state, map), &below)
    };
    maps.iter().enumerate().map(draw).collect()
}

/// The baseline and the last states after it, or the first states of all.
fn maps<'a>(content: &Content<'a>) -> Vec<(&'a StateResult, LevelMap, f64)> {
    let pairs = content.pairs();
    let states: Vec<(&StateResult, Option<&StateResult>, f64)> = match pairs.last() {
        Some(last) => {
            let after = pairs.iter().rev().take(STATES - 1).rev();
            std::iter::once((last.before, Some(last.after), 0.0))
                .chain(after.map(|pair| (pair.after, Some(pair.before), pair.gain_db())))
                .collect()
        }
        None => content.states().take(STATES).map(|s| (s, None, gain_db(content))).collect(),
    };
    let grid = grid(content, states.iter().map(|s| s.0));
    let make = |(state, other, gain): (&'a StateResult, Option<&StateResult>, f64)| {
        Some((state, level_map(&common(state, other), &grid)?, gain))
    };
    states.into_iter().filter_map(make).collect()
}

fn grid<'a>(content: &Content<'_>, states: impl Iterator<Item = &'a StateResult>) -> Grid {
    let lows = states.flat_map(|s| &s.places).map(|p| &p.response.low).filter(|low| !low.samples.is_empty());
    let records = lows.map(|low| low.samples.len() as f64 / low.rate_hz - low.onset_s);
    let span_s = records.fold(LONGEST_S, f64::min).max(0.2);
    let (from_hz, to_hz) = content.mapped_hz();
    Grid { from_hz, to_hz, rows: 120, span_s, columns: 150, blur_s: 0.065 }
}

fn figure(
    language: &Language,
    k: usize,
    (state, map): (&StateResult, &LevelMap),
    below: &dyn Fn(f64) -> f64,
) -> Drawing {
    let mut drawing = Drawing::new(&format!("map-{}", k + 1), &state.name, 300.0, 300.0);
    let (first, last) = (map.frequency_hz[0], map.frequency_hz[map.frequency_hz.len() - 1]);
    let x = Scale::linear(0.0, map.time_s[map.time_s.len() - 1], 38.0, 290.0);
    let y = Scale::log(first, last, 216.0, 10.0);
    drawing.image([x.start, y.end], [x.end - x.start, y.start - y.end], picture(map, below));
    drawing.frame([x.start, y.end], [x.end - x.start, y.start - y.end], Line::new(Ink::Quiet, 1.0), None);
    for value in y.ticks(6).values {
        drawing.line(vec![[x.start - 4.0, y.at(value)], [x.start, y.at(value)]], Line::new(Ink::Quiet, 1.0));
        drawing.text(
            [x.start - 7.0, y.at(value) + 4.0],
            &format!("{value:.0}"),
            11.0,
            Anchor::End,
            Ink::Quiet,
        );
    }
    let ticks = x.ticks(5);
    for value in &ticks.values {
        let text = language.value(&number(*value, ticks.decimals));
        drawing.tick([x.at(*value), y.start], (16.0, 11.0), &text);
    }
    let name = super::words::shortened(&state.name, 14);
    drawing.text(
        [x.start, y.start + 34.0],
        &language.say(&say!("axis.map", state = name)),
        11.0,
        Anchor::Start,
        Ink::Quiet,
    );
    key(language, &mut drawing, [x.start, y.start + 46.0], x.end - x.start);
    let spoken = say!("spoken.map", state = state.name.as_str(), db = number(RANGE_DB, 0));
    drawing.description = language.say(&spoken);
    drawing
}

/// Colour of a level so many decibels below the loudest: the scale of Nuñez, Anderton & Renslow (PLoS
/// ONE 13 (2018) e0199239), even in lightness for all kinds of colour vision; loud is light.
fn colour(below_db: f64) -> [u8; 4] {
    let step = (below_db / STEP_DB).round().max(0.0) * STEP_DB;
    let share = (1.0 - step / RANGE_DB).clamp(0.0, 1.0);
    let found = colorous::CIVIDIS.eval_continuous(share);
    [found.r, found.g, found.b, 255]
}

/// High frequencies above.
fn picture(map: &LevelMap, below: &dyn Fn(f64) -> f64) -> Pixels {
    let width = map.time_s.len();
    let rgba = map.power.chunks(width).rev().flatten().flat_map(|p| colour(below(*p))).collect();
    Pixels { width, height: map.frequency_hz.len(), rgba }
}

fn key(language: &Language, drawing: &mut Drawing, [x, y]: [f64; 2], width: f64) {
    let steps = (RANGE_DB / STEP_DB) as usize;
    let rgba = (0..=steps).flat_map(|k| colour(RANGE_DB - STEP_DB * k as f64)).collect();
    drawing.image([x, y], [width, 10.0], Pixels { width: steps + 1, height: 1, rgba });
    for (share, text, anchor) in [
        (0.0, say!("unit.decibels", db = number(-RANGE_DB, 0)), Anchor::Start),
        (0.5, Message::plain(number(-0.5 * RANGE_DB, 0)), Anchor::Middle),
        (1.0, say!("axis.loudest"), Anchor::End),
    ] {
        drawing.text([x + share * width, y + 23.0], &language.say(&text), 11.0, anchor, Ink::Quiet);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Loud is light, and lightness falls all the way: relative luminance (WCAG 2.2's definition, linear
    /// parts weighted) never rises with falling level.
    #[test]
    fn colours_fall_in_lightness() {
        let luminance = |[r, g, b, _]: [u8; 4]| {
            let linear = |c: u8| (f64::from(c) / 255.0).powf(2.2);
            0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b)
        };
        let all: Vec<f64> = (0..=60).map(|db| luminance(colour(f64::from(db)))).collect();
        assert!(all.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9), "{all:?}");
        assert!(all[0] > 0.6 && all[60] < 0.05);
        assert_eq!(colour(f64::NAN), colour(0.0), "no panic on what is no number");
    }
}
