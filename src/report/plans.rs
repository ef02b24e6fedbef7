//! Where each resonance lives: the room from above with its pressure pattern, and how strongly each
//! place hears it, before and after.

use super::content::{Content, Pair};
use super::draw::{Anchor, Drawing, Ink, Line, Pixels, svg};
use super::words::{half_waves, hertz, shown};
use crate::room::shape;
use crate::session::{Role, Session, Unit};
use crate::table::ModeRow;
use maud::{Markup, PreEscaped, html};

/// Resonances that are drawn.
const SHOWN: usize = 6;
/// Width of the room on the paper.
const WIDTH: f64 = 222.0;

/// A place on the plan with its number.
struct Spot<'a> {
    number: usize,
    name: &'a str,
    at_m: [f64; 3],
    role: Role,
}

/// The section; where the manifest gives no lengths it says what is missing.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let figures = figures(content);
    let spots = spots(content.session);
    html! {
        section #room {
            h2 { "Where each resonance lives" }
            @if figures.is_empty() {
                p { (missing(content)) }
            } @else {
                p { "The room from above. The denser the shade, the higher the pressure: there the resonance is loud, there a loudspeaker drives it, and there an absorber for it works. Where no shade is, it can’t be heard. "
                    "A disc’s size tells how strongly a place hears the resonance beside the place that hears it most: "
                    span.key-before { "ring: before" } ", " span.key-after { "disc: after" } ". A resonance with half waves along the height has its pattern upwards too: the strip at the right is the wall, floor below." }
                div.panels { @for (k, figure) in figures.iter().enumerate() {
                    figure { (PreEscaped(svg::inline(figure, &format!("plan-{k}")))) }
                } }
                (list(content, &spots))
            }
        }
    }
}

fn missing(content: &Content<'_>) -> &'static str {
    if content.session.room.dimensions_m.is_none() {
        "Not drawn: session.toml gives no length, width and height of a rectangular room."
    } else {
        "Not drawn: no resonance agrees in frequency and shape with a rectangular room of these lengths."
    }
}

/// What the numbers on the plan are.
fn list(content: &Content<'_>, spots: &[Spot<'_>]) -> Markup {
    let what = |role: Role| match role {
        Role::Listening => "seat",
        Role::Boundary => "at a boundary",
        Role::Other => "other",
    };
    html! {
        ul.places {
            @for spot in spots { li { b { (spot.number) } " " bdi { (shown(spot.name)) } ", " (what(spot.role)) } }
            @for source in content.session.sources.iter().filter(|s| s.at_m.is_some()) { li { b { "◣" } " loudspeaker " bdi { (shown(&source.name)) } } }
            @for unit in units(content) { li { b { "■" } " absorber " bdi { (shown(&unit.name)) } @if !unit.powered { ", switched off" } } }
        }
    }
}

/// Absorbers of the last state compared, or of the last state at all.
fn units<'a>(content: &Content<'a>) -> Vec<&'a Unit> {
    let name = match content.pairs().last() {
        Some(pair) => Some(pair.after.name.clone()),
        None => content.states().last().map(|s| s.name.clone()),
    };
    let state = name.and_then(|name| content.session.state(&name));
    state.map(|s| s.units.iter().filter(|u| u.at_m.is_some()).collect()).unwrap_or_default()
}

fn spots(session: &Session) -> Vec<Spot<'_>> {
    let placed = session.positions.iter().filter_map(|p| Some((p, p.at_m?)));
    placed
        .enumerate()
        .map(|(k, (p, at_m))| Spot { number: k + 1, name: &p.name, at_m, role: p.role })
        .collect()
}

/// What a figure needs to know of a mode.
struct Lives<'a> {
    axes: [u32; 3],
    /// Frequency and what became of it.
    label: String,
    /// Its half waves in words.
    waves: String,
    before: Option<&'a ModeRow>,
    after: Option<&'a ModeRow>,
}

/// One figure a named mode.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let Some(dimensions_m) = content.session.room.dimensions_m else { return Vec::new() };
    let spots = spots(content.session);
    let chosen = chosen(content);
    chosen.iter().enumerate().map(|(k, mode)| figure(k, content, dimensions_m, &spots, mode)).collect()
}

fn chosen<'a>(content: &Content<'a>) -> Vec<Lives<'a>> {
    let mut found: Vec<Lives<'a>> = match content.pairs().last() {
        Some(pair) => pair.that_matter(usize::MAX).into_iter().filter_map(|row| of_pair(pair, row)).collect(),
        None => content
            .states()
            .flat_map(|s| super::alone::to_treat(&content.modes_of(&s.name)))
            .filter_map(|m| lives(Some(m), None, ""))
            .collect(),
    };
    found.truncate(SHOWN);
    found
}

fn of_pair<'a>(pair: &Pair<'a>, row: &crate::table::ChangeRow) -> Option<Lives<'a>> {
    lives(pair.mode_before(row), pair.mode_after(row), &format!(": {}", super::answer::outcome(row)))
}

fn lives<'a>(before: Option<&'a ModeRow>, after: Option<&'a ModeRow>, outcome: &str) -> Option<Lives<'a>> {
    let named = before.filter(|m| !m.axes.is_empty()).or(after)?;
    let numbers: Vec<u32> = named.axes.split(' ').map(str::parse).collect::<Result<_, _>>().ok()?;
    let axes = *numbers.first_chunk::<3>()?;
    let hz = before.or(after)?.frequency.ok()?.value;
    let label = format!("{}{outcome}", hertz(hz));
    Some(Lives { axes, label, waves: half_waves(&named.axes)?, before, after })
}

fn figure(
    k: usize,
    content: &Content<'_>,
    dimensions_m: [f64; 3],
    spots: &[Spot<'_>],
    mode: &Lives<'_>,
) -> Drawing {
    let [length, width, height] = dimensions_m;
    let scale = (WIDTH / length).min(200.0 / width);
    let (w, h) = (length * scale, width * scale);
    let (left, top) = (22.0, 48.0);
    let mut drawing = Drawing::new(
        &format!("room-{}", k + 1),
        &format!("{}: {}", mode.label, mode.waves),
        300.0,
        top + h + 34.0,
    );
    let paper = |at: [f64; 3]| [left + at[0] * scale, top + h - at[1] * scale];
    drawing.text([left - 10.0, 15.0], &mode.label, 13.0, Anchor::Start, Ink::Text);
    drawing.text([left - 10.0, 31.0], &mode.waves, 11.0, Anchor::Start, Ink::Quiet);
    drawing.image([left, top], [w, h], pattern(dimensions_m, mode.axes));
    drawing.frame([left, top], [w, h], Line::new(Ink::Text, 1.5), None);
    drawing.text(
        [left + 0.5 * w, top + h + 18.0],
        &format!("length {length} m"),
        11.0,
        Anchor::Middle,
        Ink::Quiet,
    );
    drawing.turned([left - 7.0, top + 0.5 * h], &format!("width {width} m"), 11.0, Ink::Quiet);
    if mode.axes[2] > 0 {
        upwards(&mut drawing, [left + w + 16.0, top], h, mode.axes[2], height);
    }
    for source in content.session.sources.iter().filter_map(|s| s.at_m) {
        let [x, y] = paper(source);
        drawing.area(vec![[x - 6.0, y - 6.0], [x - 6.0, y + 6.0], [x + 6.0, y + 6.0]], Ink::Text, 1.0);
    }
    for unit in units(content).iter().filter_map(|u| u.at_m) {
        let [x, y] = paper(unit);
        drawing.frame([x - 5.0, y - 5.0], [10.0, 10.0], Line::new(Ink::Limit, 1.5), Some((Ink::Limit, 1.0)));
    }
    places(&mut drawing, content, spots, mode, &paper);
    drawing.description = spoken(content, spots, mode);
    drawing
}

/// Pressure over the floor: |cos(nπx/L) cos(mπy/W)| as opacity.
fn pattern(dimensions_m: [f64; 3], [n, m, _]: [u32; 3]) -> Pixels {
    let (width, height) = (56_usize, 42_usize);
    let mut rgba = Vec::with_capacity(4 * width * height);
    for row in (0..height).rev() {
        for column in 0..width {
            let at = [
                dimensions_m[0] * (column as f64 + 0.5) / width as f64,
                dimensions_m[1] * (row as f64 + 0.5) / height as f64,
                0.0,
            ];
            rgba.extend(grey(shape(dimensions_m, [n, m, 0], at)));
        }
    }
    Pixels { width, height, rgba }
}

/// A grey that shows on light and on dark ground, as dense as the pressure.
fn grey(pressure: f64) -> [u8; 4] {
    [110, 116, 130, (150.0 * pressure.abs().clamp(0.0, 1.0)).round() as u8]
}

/// The wall as a strip: pressure from floor to ceiling.
fn upwards(drawing: &mut Drawing, at: [f64; 2], tall: f64, half_waves: u32, height_m: f64) {
    let rows = 42_usize;
    let value =
        |k: usize| (f64::from(half_waves) * std::f64::consts::PI * (k as f64 + 0.5) / rows as f64).cos();
    let rgba = (0..rows).rev().flat_map(|k| grey(value(k))).collect();
    drawing.image(at, [14.0, tall], Pixels { width: 1, height: rows, rgba });
    drawing.frame(at, [14.0, tall], Line::new(Ink::Quiet, 1.0), None);
    drawing.turned([at[0] + 28.0, at[1] + 0.5 * tall], &format!("height {height_m} m"), 11.0, Ink::Quiet);
}

/// Every place with its number, ring and disc.
fn places(
    drawing: &mut Drawing,
    content: &Content<'_>,
    spots: &[Spot<'_>],
    mode: &Lives<'_>,
    paper: &dyn Fn([f64; 3]) -> [f64; 2],
) {
    let (before, after) = (heard(content, mode.before), heard(content, mode.after));
    let most = before.iter().chain(&after).map(|(_, a)| *a).fold(0.0, f64::max);
    let radius = |of: &[(String, f64)], name: &str| {
        let strongest = of
            .iter()
            .filter(|(n, _)| crate::session::same_name(n, name))
            .map(|(_, a)| *a)
            .reduce(f64::max)?;
        (most > 0.0).then(|| 11.0 * (strongest / most).sqrt().max(0.15))
    };
    for spot in spots {
        let at = paper(spot.at_m);
        if let Some(r) = radius(&after, spot.name) {
            drawing.circle(at, r, None, Some((Ink::After, 0.85)));
        }
        if let Some(r) = radius(&before, spot.name) {
            drawing.circle(at, r, Some(Line::new(Ink::Before, 1.8)), None);
        }
    }
    let units: Vec<[f64; 2]> = units(content).iter().filter_map(|u| Some(paper(u.at_m?))).collect();
    for (spot, [x, y]) in spots.iter().zip(labels(spots, &units, paper)) {
        drawing.text([x, y], &spot.number.to_string(), 12.0, Anchor::Start, Ink::Text);
    }
}

/// Where the numbers stand: at the upper right of their place, moved on where something stands already.
fn labels(spots: &[Spot<'_>], units: &[[f64; 2]], paper: &dyn Fn([f64; 3]) -> [f64; 2]) -> Vec<[f64; 2]> {
    let mut taken: Vec<[f64; 2]> = units.iter().map(|[x, y]| [x - 5.0, y + 5.0]).collect();
    for spot in spots {
        let [x, y] = paper(spot.at_m);
        let mut at = [x + 9.0, (y - 7.0).max(48.0)];
        while taken.iter().any(|t| (t[0] - at[0]).abs() < 13.0 && (t[1] - at[1]).abs() < 12.0) {
            at[0] += 13.0;
        }
        taken.push(at);
    }
    taken.split_off(units.len())
}

/// How strongly each position hears a mode of a state, a ratio of pressures; several sources count by their strongest.
fn heard(content: &Content<'_>, mode: Option<&ModeRow>) -> Vec<(String, f64)> {
    let Some(mode) = mode else { return Vec::new() };
    let gain_db = match content.pairs().last() {
        Some(pair) if *pair.after.name == *mode.state => super::spectra::gain_db(content),
        _ => 0.0,
    };
    let own = content.results.mode_levels.iter().filter(|r| r.state == mode.state && r.mode == mode.mode);
    own.filter_map(|r| Some((r.position.to_string(), 10f64.powf((r.level.ok()?.value - gain_db) / 20.0))))
        .collect()
}

fn spoken(content: &Content<'_>, spots: &[Spot<'_>], mode: &Lives<'_>) -> String {
    let before = heard(content, mode.before);
    let most = before.iter().map(|(_, a)| *a).fold(0.0, f64::max);
    let told: Vec<String> = spots
        .iter()
        .filter_map(|spot| {
            let here =
                before.iter().filter(|(n, _)| crate::session::same_name(n, spot.name)).map(|(_, a)| *a);
            let level = 20.0 * (here.reduce(f64::max)? / most).log10();
            Some(format!("{} {level:.0} dB", spot.name))
        })
        .collect();
    format!(
        "Plan of the room with the pressure of the resonance {}. Beside the loudest place, before: {}.",
        mode.label,
        told.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// cos(πx/L): full at both end walls, nothing in the middle (Kuttruff, Room Acoustics, chapter 3).
    #[test]
    fn the_pattern_is_full_at_the_walls() {
        let pixels = pattern([5.0, 4.0, 3.0], [1, 0, 0]);
        let alpha = |x: usize, y: usize| pixels.rgba[4 * (y * pixels.width + x) + 3];
        assert!(alpha(0, 0) >= 149 && alpha(55, 41) >= 149);
        assert!(alpha(27, 20) < 6 && alpha(28, 20) < 6);
    }

    #[test]
    fn numbers_at_one_place_stand_side_by_side() {
        let spot = |number| Spot { number, name: "a", at_m: [1.0, 1.0, 1.0], role: Role::Other };
        let at = labels(&[spot(1), spot(2), spot(3)], &[[30.0, 88.0]], &|m| [10.0 * m[0], 100.0 * m[1]]);
        assert!(at.len() == 3 && at.windows(2).all(|pair| pair[1][0] - pair[0][0] >= 13.0), "{at:?}");
        assert!(at.iter().all(|p| (p[0] - 25.0).abs() >= 13.0), "none on the unit: {at:?}");
    }
}
