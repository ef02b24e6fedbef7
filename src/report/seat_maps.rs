//! What each listening position hears: its spectrum, and how it dies away, before and after on one scale.

use super::content::Content;
use super::draw::{Anchor, Drawing, Ink, Line, Pixels, Scale, svg};
use super::spectra::gain_db;
use super::words;
use crate::curves::{Grid, PlaceMap, Spectrum, place_map, spectrum};
use crate::flag::Flag;
use crate::language::{Message, number, say};
use crate::session::Role;
use crate::state::{PlaceResult, StateResult};
use maud::{Markup, PreEscaped, html};
use std::f64::consts::TAU;

/// Most places that are drawn.
const SHOWN: usize = 8;
/// What the shades span below the loudest point, dB, and their step.
const RANGE_DB: f64 = 50.0;
const STEP_DB: f64 = 5.0;
/// What the spectrum spans, dB.
const SPECTRUM_DB: f64 = 45.0;
/// A point is drawn where its power is so many times the background's. The power of noise behind a narrow filter falls
/// off as e^−x: one point of 20 000 of it stands out so far.
const STANDS_OUT: f64 = 10.0;
/// Longest and shortest time shown, s.
const SPAN_S: (f64, f64) = (2.5, 0.3);
/// Width of the window in time, one standard deviation, s.
const BLUR_S: f64 = 0.065;
/// Points of the spectra, and of a map along frequency and time.
const POINTS: usize = 400;
const GRID: (usize, usize) = (220, 64);

/// One state at a place.
struct Side<'a> {
    state: &'a StateResult,
    ink: Ink,
    spectrum: Spectrum,
    map: PlaceMap,
    gain_db: f64,
    normalised: bool,
}

/// A place with its states.
struct Seat<'a> {
    name: Message,
    sides: Vec<Side<'a>>,
}

/// The section; nothing where no listening position has a low end that shows its background.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let (seats, left_out) = seats(content);
    if seats.is_empty() {
        return html! {};
    }
    // Full width at half height of a Gaussian: 2.355 standard deviations.
    let (hz, s) = (2.355 / (TAU * BLUR_S), 2.355 * BLUR_S);
    let normalised = seats.iter().flat_map(|seat| &seat.sides).any(|side| side.normalised);
    html! {
        section #listening {
            h2 { (content.text("seat-maps.head")) }
            p { (content.say(&say!("seat-maps.about", hz = number(hz, 0), s = number(s, 2)))) }
            @if normalised { p { (content.text("seat-maps.normalised")) } }
            @if !left_out.is_empty() { p { (content.say(&say!("seat-maps.left-out", places = left_out))) } }
            @for (k, seat) in seats.iter().enumerate() {
                div.seat {
                    h3 { (content.say(&seat.name)) }
                    figure { (PreEscaped(svg::wide(&figure(content, k, seat), &format!("seat-{k}")))) }
                }
            }
        }
    }
}

/// One figure a place.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    seats(content).0.iter().enumerate().map(|(k, seat)| figure(content, k, seat)).collect()
}

/// The listening positions that both states of the last pair have, and those for which there is no room.
fn seats<'a>(content: &Content<'a>) -> (Vec<Seat<'a>>, Vec<Message>) {
    let pairs = content.pairs();
    let states: Vec<(&StateResult, Ink, f64)> = match pairs.last() {
        Some(pair) => vec![(pair.before, Ink::Before, 0.0), (pair.after, Ink::After, gain_db(content))],
        None => content.states().take(1).map(|state| (state, Ink::After, 0.0)).collect(),
    };
    let Some((first, ..)) = states.first() else { return (Vec::new(), Vec::new()) };
    let mut found = Vec::new();
    let mut left_out = Vec::new();
    for place in &first.places {
        let place = &place.response.place;
        if content.session.role(&place.position) != Role::Listening {
            continue;
        }
        let own = |state: &'a StateResult| state.places.iter().find(|p| p.response.place == *place);
        let name = words::place(&place.position, &place.source);
        if found.len() == SHOWN {
            left_out.push(name);
            continue;
        }
        let sides = states.iter().map(|&(state, ink, gain)| side(content, (state, ink, gain), own(state)?));
        found.extend(sides.collect::<Option<Vec<_>>>().map(|sides| Seat { name, sides }));
    }
    (found, left_out)
}

fn side<'a>(
    content: &Content<'_>,
    (state, ink, gain_db): (&'a StateResult, Ink, f64),
    place: &PlaceResult,
) -> Option<Side<'a>> {
    let (from_hz, to_hz) = content.mapped_hz();
    let (rows, columns) = GRID;
    let grid = Grid { from_hz, to_hz, rows, span_s: SPAN_S.0, columns, blur_s: BLUR_S };
    let last_s = place_map(place, &grid)?.last_s(STANDS_OUT)?;
    Some(Side {
        state,
        ink,
        spectrum: spectrum(&[place], from_hz, to_hz, POINTS)?,
        map: place_map(place, &Grid { span_s: last_s.max(SPAN_S.1), ..grid })?,
        gain_db,
        normalised: place.response.flags.has(Flag::Normalised),
    })
}

impl Side<'_> {
    fn decibels(&self, power: f64) -> f64 {
        words::decibels(power) - self.gain_db
    }

    /// The loudest point of its map, dB.
    fn top_db(&self) -> f64 {
        self.map.map.power.iter().map(|p| self.decibels(*p)).fold(f64::MIN, f64::max)
    }
}

/// Height of the spectrum, of a second of the maps, and the gaps, in pixels.
const TALL: f64 = 130.0;
const SECOND: f64 = 90.0;
const GAP: f64 = 12.0;

fn figure(content: &Content<'_>, k: usize, seat: &Seat<'_>) -> Drawing {
    let spans: Vec<f64> =
        seat.sides.iter().map(|s| s.map.map.time_s.last().copied().unwrap_or(0.0)).collect();
    let maps: f64 = spans.iter().map(|span| SECOND * span + GAP).sum();
    let name = content.say(&seat.name);
    let mut drawing = Drawing::new(&format!("seat-{}", k + 1), &name, 760.0, 10.0 + TALL + GAP + maps + 62.0);
    let (from_hz, to_hz) = content.mapped_hz();
    let x = Scale::log(from_hz, to_hz, 50.0, 748.0);
    level(content, &mut drawing, seat, &x);
    let mut top = 10.0 + TALL + GAP;
    let loudest = seat.sides.iter().map(Side::top_db).fold(f64::MIN, f64::max);
    for (side, span) in seat.sides.iter().zip(spans) {
        let zero = if side.normalised { side.top_db() } else { loudest };
        let y = Scale::linear(0.0, span, top, top + SECOND * span);
        map(content, &mut drawing, (side, zero), &x, &y);
        top = y.end + GAP;
    }
    let bottom = top - GAP;
    for value in x.ticks(8).values {
        drawing.text([x.at(value), bottom + 16.0], &format!("{value:.0}"), 12.0, Anchor::Middle, Ink::Quiet);
    }
    let middle = 0.5 * (x.start + x.end);
    drawing.text([middle, bottom + 32.0], &content.text("axis.frequency"), 12.0, Anchor::Middle, Ink::Quiet);
    key(content, &mut drawing, seat, [x.start, bottom + 44.0]);
    let spoken = say!("spoken.seat", place = name.as_str(), db = number(RANGE_DB, 0));
    drawing.description = content.say(&spoken);
    drawing
}

/// The spectra, one over the other.
fn level(content: &Content<'_>, drawing: &mut Drawing, seat: &Seat<'_>, x: &Scale) {
    let peak =
        |side: &Side<'_>| side.spectrum.power.iter().map(|p| side.decibels(*p)).fold(f64::MIN, f64::max);
    let top = seat.sides.iter().map(peak).fold(f64::MIN, f64::max);
    let ceiling = (top / 5.0).ceil() * 5.0;
    let y = Scale::linear(ceiling - SPECTRUM_DB, ceiling, 10.0 + TALL, 10.0);
    drawing.rules((x, &y), 4, (6.0, 12.0), |value, _| super::listing::plain(value, 0));
    for value in x.ticks(8).values {
        drawing.line(vec![[x.at(value), y.start], [x.at(value), y.end]], Line::new(Ink::Rule, 0.6));
    }
    drawing.turned([12.0, 0.5 * (y.start + y.end)], &content.text("axis.level"), 12.0, Ink::Quiet);
    for side in &seat.sides {
        let points = side.spectrum.frequency_hz.iter().zip(&side.spectrum.power);
        let points = points.map(|(f, p)| [x.at(*f), y.at(side.decibels(*p))]).collect();
        drawing.line(points, Line::of_state(side.ink));
    }
}

/// One map: time downwards, its state's name in the corner where the record has ended.
fn map(
    content: &Content<'_>,
    drawing: &mut Drawing,
    (side, zero_db): (&Side<'_>, f64),
    x: &Scale,
    y: &Scale,
) {
    let size = [x.end - x.start, y.end - y.start];
    drawing.image([x.start, y.start], size, picture(side, zero_db));
    drawing.frame([x.start, y.start], size, Line::new(Ink::Quiet, 1.0), None);
    let ticks = y.ticks(((y.end - y.start) / 40.0).max(1.0) as usize);
    for value in ticks.values.iter().filter(|value| **value > 0.0) {
        let at = y.at(*value);
        drawing.line(vec![[x.start - 4.0, at], [x.start, at]], Line::new(Ink::Quiet, 1.0));
        let text = content.language().value(&number(*value, ticks.decimals));
        drawing.text([x.start - 7.0, at + 4.0], &text, 12.0, Anchor::End, Ink::Quiet);
    }
    let name = words::shortened(&side.state.name, 20);
    drawing.text([x.end - 8.0, y.end - 8.0], &name, 12.0, Anchor::End, side.ink);
}

/// A map's pixels: frequency to the right, time downwards.
fn picture(side: &Side<'_>, zero_db: f64) -> Pixels {
    let map = &side.map.map;
    let (width, height) = (map.frequency_hz.len(), map.time_s.len());
    let mut rgba = Vec::with_capacity(4 * width * height);
    for column in 0..height {
        for row in 0..width {
            let below = zero_db - side.decibels(map.power[row * height + column]);
            let seen = side.map.stands_out(row, column, STANDS_OUT);
            rgba.extend(if seen { shade(side.ink, below) } else { [0; 4] });
        }
    }
    Pixels { width, height, rgba }
}

/// The state's colour, the denser the louder, in steps; between its light and its dark ink, so that it shows on both.
fn shade(ink: Ink, below_db: f64) -> [u8; 4] {
    let step = (below_db / STEP_DB).floor().max(0.0) * STEP_DB;
    let share = 1.0 - step / RANGE_DB;
    if below_db.is_nan() || share <= 0.0 {
        return [0; 4];
    }
    let (light, dark) = (ink.light(), ink.dark());
    let [r, g, b] = [0, 1, 2].map(|k| ((2 * u16::from(light[k]) + u16::from(dark[k])) / 3) as u8);
    [r, g, b, (255.0 * share.min(1.0)).round() as u8]
}

/// The steps of the shade.
fn key(content: &Content<'_>, drawing: &mut Drawing, seat: &Seat<'_>, [x, y]: [f64; 2]) {
    let steps = (RANGE_DB / STEP_DB) as usize;
    let width = 18.0;
    for (line, side) in seat.sides.iter().enumerate() {
        let rgba = (0..steps).flat_map(|k| shade(side.ink, STEP_DB * k as f64)).collect();
        let at = [x, y + 8.0 * line as f64];
        drawing.image(at, [width * steps as f64, 7.0], Pixels { width: steps, height: 1, rgba });
    }
    let text = content.say(&say!("seat-maps.below", db = number(RANGE_DB, 0)));
    let end = x + width * steps as f64 + 8.0;
    drawing.text([end, y + 8.0], &format!("0 … {text}"), 12.0, Anchor::Start, Ink::Quiet);
    let time = content.text("seat-maps.seconds");
    drawing.text([748.0, y + 8.0], &format!("↓ {time}"), 12.0, Anchor::End, Ink::Quiet);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The louder the denser, in equal steps down to nothing at the range's end; no number shows nothing.
    #[test]
    fn shades_fall_in_steps() {
        let density: Vec<u8> = (0..=50).map(|db| shade(Ink::After, f64::from(db))[3]).collect();
        assert_eq!((density[0], density[4], density[50]), (255, 255, 0));
        assert!(density.windows(2).all(|pair| pair[1] <= pair[0]));
        assert_eq!(density.iter().collect::<std::collections::BTreeSet<_>>().len(), 11);
        assert_eq!(shade(Ink::Before, f64::NAN), [0; 4]);
    }
}
