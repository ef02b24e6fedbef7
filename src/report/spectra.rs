//! The mean spectrum of the low end, before and after, with the resonances marked.

use super::content::{Content, Pair, frequency};
use super::draw::{Anchor, Area, Drawing, Ink, Line, Scale, svg};
use super::words::{self, hertz};
use crate::change::DirectSound;
use crate::curves::{Spectrum, spectrum};
use crate::language::{Message, number, say, signed};
use crate::state::{PlaceResult, StateResult};
use maud::{Markup, PreEscaped, html};

/// Points over the figure's width.
const POINTS: usize = 520;
/// What is shown below the highest peak, dB.
const RANGE_DB: f64 = 50.0;

/// A state's spectrum in decibels, the chain's gain taken off.
struct Curve<'a> {
    state: &'a StateResult,
    ink: Ink,
    spectrum: Spectrum,
    gain_db: f64,
}

/// The section; nothing without a low end.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let Some(figure) = figure(content) else { return html! {} };
    html! {
        section #spectrum {
            h2 { (content.text("spectrum.head")) }
            p { (content.text("spectrum.about")) }
            figure { (PreEscaped(svg::wide(&figure, "spectrum-figure")))
                @if let Some(pair) = content.pairs().last() {
                    figcaption { span.key-before { (content.rich("spectrum.dashed", &pair.names())) } ". "
                        span.key-after { (content.rich("spectrum.unbroken", &pair.names())) } ". "
                        (content.say(&gain_note(pair.changes.chain.direct_sound()))) }
                } }
        }
    }
}

/// What was taken for a change of gain, or why nothing was.
fn gain_note(found: DirectSound) -> Message {
    match found {
        DirectSound::Unknown => say!("spectrum.gain-unknown"),
        DirectSound::Same => say!("spectrum.gain-same"),
        DirectSound::Gain(db) => say!("spectrum.gain-taken-off", db = signed(db, 1)),
        DirectSound::AsStated(db) => say!("spectrum.gain-as-stated", db = signed(db, 1)),
    }
}

/// Places that both states have, or all of a single state.
pub(super) fn common<'a>(state: &'a StateResult, other: Option<&StateResult>) -> Vec<&'a PlaceResult> {
    let both = |p: &&PlaceResult| other.is_none_or(|o| o.has(&p.response.place));
    state.places.iter().filter(both).collect()
}

/// Decibels by which the chain's gain rose between the states of the last pair.
pub(super) fn gain_db(content: &Content<'_>) -> f64 {
    content.pairs().last().map_or(0.0, Pair::gain_db)
}

fn curves<'a>(content: &Content<'a>) -> Vec<Curve<'a>> {
    let (from, to) = (content.results.settings.modes_from_hz, content.results.settings.modes_to_hz);
    let make = |state: &'a StateResult, other: Option<&StateResult>, ink: Ink, gain_db: f64| {
        let spectrum = spectrum(&common(state, other), from, to, POINTS)?;
        Some(Curve { state, ink, spectrum, gain_db })
    };
    match content.pairs().last() {
        Some(pair) => [
            make(pair.before, Some(pair.after), Ink::Before, 0.0),
            make(pair.after, Some(pair.before), Ink::After, gain_db(content)),
        ]
        .into_iter()
        .flatten()
        .collect(),
        None => content.states().next().and_then(|s| make(s, None, Ink::After, 0.0)).into_iter().collect(),
    }
}

/// The figure.
pub(super) fn figure(content: &Content<'_>) -> Option<Drawing> {
    let curves = curves(content);
    let decibels = |c: &Curve<'_>, p: f64| words::decibels(p) - c.gain_db;
    let top = curves
        .iter()
        .flat_map(|c| c.spectrum.power.iter().map(|p| decibels(c, *p)))
        .reduce(f64::max)
        .filter(|top| top.is_finite())?;
    let settings = &content.results.settings;
    let mut drawing = Drawing::new("spectrum", &content.text("figure.spectrum"), 760.0, 330.0);
    let x = Scale::log(settings.modes_from_hz, settings.modes_to_hz, 50.0, 748.0);
    let ceiling = (top / 5.0).ceil() * 5.0;
    let y = Scale::linear(ceiling - RANGE_DB, ceiling, 250.0, 14.0);
    frame(content, &mut drawing, &x, &y);
    for curve in &curves {
        let points = curve.spectrum.frequency_hz.iter().zip(&curve.spectrum.power);
        let points = points.map(|(f, p)| [x.at(*f), y.at(decibels(curve, *p))]).collect();
        drawing.line(points, Line::of_state(curve.ink));
    }
    for (k, curve) in curves.iter().enumerate() {
        let at = [x.start + 10.0, y.end + 14.0 + 18.0 * k as f64];
        drawing.line(vec![at, [at[0] + 26.0, at[1]]], Line::of_state(curve.ink));
        let name = words::shortened(&curve.state.name, 20);
        drawing.text([at[0] + 32.0, at[1] + 4.0], &name, 12.0, Anchor::Start, curve.ink);
    }
    resonances(&mut drawing, content, &x, y.start);
    drawing.description = content.say(&spoken(content, &curves));
    Some(drawing)
}

fn frame(content: &Content<'_>, drawing: &mut Drawing, x: &Scale, y: &Scale) {
    drawing.rules((x, y), 5, (6.0, 12.0), |value, _| super::listing::plain(value, 0));
    for value in x.ticks(8).values {
        let at = x.at(value);
        drawing.line(vec![[at, y.start], [at, y.end]], Line::new(Ink::Rule, 0.6));
        drawing.text([at, y.start + 52.0], &format!("{value:.0}"), 12.0, Anchor::Middle, Ink::Quiet);
    }
    drawing.text(
        [0.5 * (x.start + x.end), y.start + 68.0],
        &content.text("axis.frequency"),
        12.0,
        Anchor::Middle,
        Ink::Quiet,
    );
    drawing.turned([12.0, 0.5 * (y.start + y.end)], &content.text("axis.level"), 12.0, Ink::Quiet);
}

/// Strokes for all resonances of the room, marks with numbers for those that changed, where there is room.
fn resonances(drawing: &mut Drawing, content: &Content<'_>, x: &Scale, floor: f64) {
    let inside = |hz: f64| hz >= x.from && hz <= x.to;
    let stroke = |drawing: &mut Drawing, hz: f64, ink: Ink| {
        drawing.line(vec![[x.at(hz), floor + 4.0], [x.at(hz), floor + 12.0]], Line::new(ink, 1.2));
    };
    let Some(pair) = content.pairs().pop() else {
        let modes = content.states().next().map(|s| content.modes_of(&s.name)).unwrap_or_default();
        let own = modes.iter().filter(|m| m.kind == "mode").filter_map(|m| m.frequency.ok());
        own.filter(|f| inside(f.value)).for_each(|f| stroke(drawing, f.value, Ink::Text));
        return;
    };
    let mut rows = pair.rows.clone();
    rows.sort_by(|a, b| frequency(a).total_cmp(&frequency(b)));
    let mut marks: Vec<(f64, String)> = Vec::new();
    for row in rows.into_iter().filter(|row| inside(frequency(row))) {
        let hz = frequency(row);
        let settled = matches!(row.verdict, "unchanged" | "unsure");
        stroke(drawing, hz, if settled { Ink::Quiet } else { Ink::After });
        if !settled {
            let (mark, _) = words::verdict(row.verdict);
            marks.push((x.at(hz), format!("{mark} {}", content.language().value(&number(hz, 1)))));
        }
    }
    for (at, text) in placed(&marks, x, floor).into_iter().zip(&marks) {
        if let Some(at) = at {
            drawing.text(at, &text.1, MARK_SIZE, Anchor::Start, Ink::After);
        }
    }
}

/// Height of the marks' letters.
const MARK_SIZE: f64 = 12.0;
/// Lines under the floor that marks may stand on.
const LINES: [f64; 2] = [25.0, 37.0];

/// Where the marks stand, from the left: under their place, on the first line that has room; `None` where none has.
fn placed(marks: &[(f64, String)], x: &Scale, floor: f64) -> Vec<Option<[f64; 2]>> {
    let mut taken: Vec<Area> = Vec::new();
    let place = |(at, text): &(f64, String)| {
        let width = Area::of_text([0.0, 0.0], text, MARK_SIZE, Anchor::Start).right;
        let left = (at - 0.5 * width).min(x.end + 8.0 - width);
        let on = |line: &f64| [left, floor + line];
        let area = |at: [f64; 2]| Area::of_text(at, text, MARK_SIZE, Anchor::Start);
        let free = LINES.iter().map(on).find(|at| taken.iter().all(|t| t.common(&area(*at)) <= 0.0));
        taken.extend(free.map(area));
        free
    };
    marks.iter().map(place).collect()
}

fn spoken(content: &Content<'_>, curves: &[Curve<'_>]) -> Message {
    let one = |c: &Curve<'_>| {
        let loudest = c.spectrum.power.iter().zip(&c.spectrum.frequency_hz).max_by(|a, b| a.0.total_cmp(b.0));
        loudest.map(|(_, hz)| say!("spoken.peak", state = c.state.name.as_str(), hz = hertz(*hz)))
    };
    let peaks: Vec<Message> = curves.iter().filter_map(one).collect();
    let changed: Vec<Message> = content
        .pairs()
        .last()
        .map(|pair| {
            pair.rows
                .iter()
                .filter(|r| !matches!(r.verdict, "unchanged" | "unsure"))
                .map(|r| hertz(frequency(r)))
                .collect()
        })
        .unwrap_or_default();
    let mut parts = vec![say!("spoken.spectrum")];
    parts.extend(peaks);
    if !changed.is_empty() {
        parts.push(say!("spoken.marked", modes = changed));
    }
    Message::row(parts, " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Marks a few hertz apart: none lies on another, the first ones stand, and none leaves the figure.
    #[test]
    fn marks_lie_on_no_other() {
        let x = Scale::log(15.0, 200.0, 50.0, 748.0);
        let marks: Vec<(f64, String)> =
            (0..40).map(|k| 20.0 + 4.5 * f64::from(k)).map(|hz| (x.at(hz), format!("▼ {hz:.1}"))).collect();
        let placed = placed(&marks, &x, 250.0);
        let areas: Vec<Area> = placed
            .iter()
            .zip(&marks)
            .filter_map(|(at, (_, text))| Some(Area::of_text((*at)?, text, MARK_SIZE, Anchor::Start)))
            .collect();
        for (k, a) in areas.iter().enumerate() {
            assert!(areas[k + 1..].iter().all(|b| a.common(b) <= 0.0), "{a:?}");
            assert!(a.right <= 760.0 && a.bottom < 250.0 + 52.0 - 9.0, "{a:?}");
        }
        assert!(placed[..6].iter().all(Option::is_some) && areas.len() > 15, "{}", areas.len());
    }
}
