//! Where each resonance lives: the room from above with its pressure pattern, and how strongly each
//! place hears it, before and after.

use super::content::{Content, Pair};
use super::draw::place::beside;
use super::draw::{Anchor, Area, Drawing, Ink, Line, Pixels, svg};
use super::rich::name;
use super::words::{hertz, shown};
use crate::language::{Message, Value, number, say};
use crate::room::{AirMode, Enclosure};
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
            h2 { (content.text("plans.head")) }
            @if figures.is_empty() {
                p { (content.text(missing(content))) }
            } @else {
                p { (content.text("plans.about")) " " (content.text("plans.discs")) " "
                    @if !content.pairs().is_empty() {
                        span.key-before { (content.text("plans.ring")) } ", " span.key-after { (content.text("plans.disc")) }
                    } @else {
                        span.key-before { (content.text("plans.ring-alone")) }
                    }
                    ". " (content.text("plans.strip")) }
                div.panels { @for (k, figure) in figures.iter().enumerate() {
                    figure { (PreEscaped(svg::inline(figure, &format!("plan-{k}")))) }
                } }
                (list(content, &spots))
            }
        }
    }
}

fn missing(content: &Content<'_>) -> &'static str {
    let known = content.session.room.dimensions_m.is_some() || content.session.plan.is_some();
    match known {
        true => "plans.no-agreement",
        false if content.session.has_manifest => "plans.no-lengths",
        false => "plans.no-manifest",
    }
}

/// What the numbers on the plan are.
fn list(content: &Content<'_>, spots: &[Spot<'_>]) -> Markup {
    let what = |role: Role| match role {
        Role::Listening => "plans.seat",
        Role::Boundary => "plans.boundary",
        Role::Other => "plans.other",
    };
    html! {
        ul.places {
            @for spot in spots { li { b { (spot.number) } " " bdi { (shown(spot.name)) } ", " (content.text(what(spot.role))) } }
            @for source in content.session.sources.iter().filter(|s| s.at_m.is_some()) { li { b { "◣" } " " (content.rich("plans.loudspeaker", &[("name", name(&source.name))])) } }
            @for unit in units(content) { li { b { "■" } " " (content.rich(if unit.powered { "plans.absorber" } else { "plans.absorber-off" }, &[("name", name(&unit.name))])) } }
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
    /// The room's mode that it is, in the room's list; `None` where it is none of them.
    pattern: Option<(&'a Enclosure, usize)>,
    /// Frequency and what became of it.
    label: String,
    /// Its half waves in words, or between what it stands.
    waves: String,
    before: Option<&'a ModeRow>,
    after: Option<&'a ModeRow>,
}

/// One figure a named mode.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let Some(floor) = Floor::of(content.session) else { return Vec::new() };
    let spots = spots(content.session);
    let chosen = chosen(content);
    chosen.iter().enumerate().map(|(k, mode)| figure(k, content, &floor, &spots, mode)).collect()
}

/// The modes of the first sheet's chart: those that changed, and those to treat first.
fn chosen<'a>(content: &Content<'a>) -> Vec<Lives<'a>> {
    match content.pairs().last() {
        Some(pair) => {
            pair.that_matter(SHOWN).into_iter().filter_map(|row| of_pair(content, pair, row)).collect()
        }
        None => {
            let each = SHOWN.div_ceil(content.states().count().max(1));
            content
                .states()
                .flat_map(|s| super::alone::to_treat(&content.modes_of(&s.name), each))
                .filter_map(|m| lives(content, Some(m), None, None))
                .take(SHOWN)
                .collect()
        }
    }
}

fn of_pair<'a>(content: &Content<'a>, pair: &Pair<'a>, row: &crate::table::ChangeRow) -> Option<Lives<'a>> {
    let outcome = super::answer::outcome(row);
    lives(content, pair.mode_before(row), pair.mode_after(row), Some(outcome))
}

fn lives<'a>(
    content: &Content<'a>,
    before: Option<&'a ModeRow>,
    after: Option<&'a ModeRow>,
    outcome: Option<Message>,
) -> Option<Lives<'a>> {
    let named = [before, after].into_iter().flatten().find(|row| content.listed(row).is_some());
    let pattern = named.and_then(|row| content.listed(row));
    let hz = before.or(after)?.frequency.ok()?.value;
    let label = match outcome {
        Some(outcome) => content.say(&say!("figure.mode", hz = hertz(hz), what = outcome)),
        None => content.say(&hertz(hz)),
    };
    let waves = named.and_then(|row| content.stands(row)).unwrap_or_else(|| say!("plans.unnamed"));
    Some(Lives { pattern, label, waves: content.say(&waves), before, after })
}

/// The room from above.
struct Floor {
    /// Corners, metres, in the order of a walk round it.
    corners_m: Vec<[f64; 2]>,
    /// Least x and y.
    low_m: [f64; 2],
    /// Extent along x and y.
    size_m: [f64; 2],
    height_m: f64,
}

impl Floor {
    fn of(session: &Session) -> Option<Self> {
        let (corners_m, height_m) = match (&session.plan, session.room.dimensions_m) {
            (Some(plan), _) => (plan.corners_m.clone(), plan.height_m),
            (None, Some([l, w, h])) => (vec![[0.0, 0.0], [l, 0.0], [l, w], [0.0, w]], h),
            (None, None) => return None,
        };
        let end = |k: usize, pick: fn(f64, f64) -> f64| corners_m.iter().map(|c| c[k]).reduce(pick);
        let low_m = [end(0, f64::min)?, end(1, f64::min)?];
        let size_m = [end(0, f64::max)? - low_m[0], end(1, f64::max)? - low_m[1]];
        Some(Self { low_m, size_m, corners_m, height_m })
    }

    /// How its sides are called: those of a box, or the extent of a plan.
    fn sides(&self, content: &Content<'_>) -> [String; 2] {
        let keys = if content.session.plan.is_some() {
            ["axis.along-x", "axis.along-y"]
        } else {
            ["axis.length", "axis.width"]
        };
        [0, 1].map(|k| side(content, keys[k], self.size_m[k]))
    }
}

fn side(content: &Content<'_>, key: &'static str, m: f64) -> String {
    // Differences of corners: to the millimetre.
    let m = (1000.0 * m).round() / 1000.0;
    content.say(&say!(key, m = Value::Number(m.to_string())))
}

/// The room on the paper: its outline on its pattern, with the sides' lengths.
fn ground(drawing: &mut Drawing, content: &Content<'_>, floor: &Floor, mode: &Lives<'_>, area: &Area) {
    let (left, top) = (area.left, area.top);
    let (w, h) = (area.right - left, area.bottom - top);
    if let Some((air, index)) = mode.pattern {
        drawing.image([left, top], [w, h], pattern(floor, air, index));
    }
    let corner = |[x, y]: [f64; 2]| {
        [
            left + w * (x - floor.low_m[0]) / floor.size_m[0],
            top + h - h * (y - floor.low_m[1]) / floor.size_m[1],
        ]
    };
    let outline = floor.corners_m.iter().map(|c| corner(*c)).collect();
    drawing.outline(outline, Line::new(Ink::Text, 1.5));
    let [along, across] = floor.sides(content);
    drawing.text([left + 0.5 * w, top + h + 18.0], &along, 11.0, Anchor::Middle, Ink::Quiet);
    drawing.turned([left - 7.0, top + 0.5 * h], &across, 11.0, Ink::Quiet);
    let half_waves = mode.pattern.map_or(0, |(air, index)| upwards_of(&air.modes[index]));
    if half_waves > 0 {
        let label = side(content, "axis.height", floor.height_m);
        upwards(drawing, [left + w + 16.0, top], h, (half_waves, &label));
    }
}

/// Half waves along the height.
fn upwards_of(mode: &AirMode) -> u32 {
    mode.standing.map_or_else(|| mode.axes.map_or(0, |axes| axes[2]), |standing| standing.height)
}

fn figure(k: usize, content: &Content<'_>, floor: &Floor, spots: &[Spot<'_>], mode: &Lives<'_>) -> Drawing {
    let [length, width] = floor.size_m;
    let scale = (WIDTH / length).min(200.0 / width);
    let (w, h) = (length * scale, width * scale);
    let (left, top) = (22.0, 48.0);
    let mut drawing = Drawing::new(
        &format!("room-{}", k + 1),
        &format!("{}: {}", mode.label, mode.waves),
        300.0,
        top + h + 34.0,
    );
    let paper =
        |at: [f64; 3]| [left + (at[0] - floor.low_m[0]) * scale, top + h - (at[1] - floor.low_m[1]) * scale];
    drawing.text([left - 10.0, 15.0], &mode.label, 13.0, Anchor::Start, Ink::Text);
    drawing.text([left - 10.0, 31.0], &mode.waves, 11.0, Anchor::Start, Ink::Quiet);
    let room = Area { left, top, right: left + w, bottom: top + h };
    ground(&mut drawing, content, floor, mode, &room);
    let marks = Marks {
        sources: content.session.sources.iter().filter_map(|s| Some(paper(s.at_m?))).collect(),
        units: units(content).iter().filter_map(|u| Some(paper(u.at_m?))).collect(),
        room,
    };
    for [x, y] in &marks.sources {
        drawing.area(vec![[x - 6.0, y - 6.0], [x - 6.0, y + 6.0], [x + 6.0, y + 6.0]], Ink::Text, 1.0);
    }
    for [x, y] in &marks.units {
        let at = [x - 5.0, y - 5.0];
        drawing.frame(at, [10.0, 10.0], Line::new(Ink::Limit, 1.5), Some((Ink::Limit, 1.0)));
    }
    let at: Vec<[f64; 2]> = spots.iter().map(|spot| paper(spot.at_m)).collect();
    places(&mut drawing, spots, &at, &radii(content, spots, mode), &marks);
    drawing.description = content.say(&spoken(content, spots, mode));
    drawing
}

/// Pressure over the floor as opacity; outside the room nothing.
fn pattern(floor: &Floor, air: &Enclosure, index: usize) -> Pixels {
    let (width, height) = (56_usize, 42_usize);
    let mut rgba = Vec::with_capacity(4 * width * height);
    let [x, y] = floor.size_m;
    for row in (0..height).rev() {
        for column in 0..width {
            let at = [
                floor.low_m[0] + x * (column as f64 + 0.5) / width as f64,
                floor.low_m[1] + y * (row as f64 + 0.5) / height as f64,
                0.0,
            ];
            rgba.extend(grey(if air.holds(at) { air.shape(index, at) } else { 0.0 }));
        }
    }
    Pixels { width, height, rgba }
}

/// A grey that shows on light and on dark ground, as dense as the pressure.
fn grey(pressure: f64) -> [u8; 4] {
    [110, 116, 130, (150.0 * pressure.abs().clamp(0.0, 1.0)).round() as u8]
}

/// The wall as a strip: pressure from floor to ceiling.
fn upwards(drawing: &mut Drawing, at: [f64; 2], tall: f64, (half_waves, label): (u32, &str)) {
    let rows = 42_usize;
    let value =
        |k: usize| (f64::from(half_waves) * std::f64::consts::PI * (k as f64 + 0.5) / rows as f64).cos();
    let rgba = (0..rows).rev().flat_map(|k| grey(value(k))).collect();
    drawing.image(at, [14.0, tall], Pixels { width: 1, height: rows, rgba });
    drawing.frame(at, [14.0, tall], Line::new(Ink::Quiet, 1.0), None);
    drawing.turned([at[0] + 28.0, at[1] + 0.5 * tall], label, 11.0, Ink::Quiet);
}

/// What stands on a plan beside the places.
struct Marks {
    sources: Vec<[f64; 2]>,
    units: Vec<[f64; 2]>,
    /// The room itself, which numbers don't leave.
    room: Area,
}

/// Radius of each place's ring (before) and disc (after), where it hears the mode.
fn radii(content: &Content<'_>, spots: &[Spot<'_>], mode: &Lives<'_>) -> Vec<[Option<f64>; 2]> {
    let (before, after) = (heard(content, mode.before), heard(content, mode.after));
    let most = before.iter().chain(&after).map(|(_, a)| *a).fold(0.0, f64::max);
    let radius = |of: &[(String, f64)], name: &str| {
        let own = of.iter().filter(|(n, _)| crate::session::same_name(n, name));
        let strongest = own.map(|(_, a)| *a).reduce(f64::max)?;
        (most > 0.0).then(|| 11.0 * (strongest / most).sqrt().max(0.15))
    };
    spots.iter().map(|spot| [radius(&before, spot.name), radius(&after, spot.name)]).collect()
}

/// Every place with its number, ring and disc.
fn places(
    drawing: &mut Drawing,
    spots: &[Spot<'_>],
    at: &[[f64; 2]],
    radii: &[[Option<f64>; 2]],
    marks: &Marks,
) {
    for (at, [ring, disc]) in at.iter().zip(radii) {
        if let Some(r) = disc {
            drawing.circle(*at, *r, None, Some((Ink::After, 0.85)));
        }
        if let Some(r) = ring {
            drawing.circle(*at, *r, Some(Line::new(Ink::Before, 1.8)), None);
        }
    }
    let largest: Vec<f64> =
        radii.iter().map(|both| both.iter().flatten().copied().fold(LEAST_RADIUS, f64::max)).collect();
    let numbers: Vec<usize> = spots.iter().map(|spot| spot.number).collect();
    let (numbers, at, largest) = stacked(&numbers, at, &largest);
    for ([x, y], number) in labels(&numbers, &at, &largest, marks).into_iter().zip(&numbers) {
        drawing.text([x, y], number, NUMBER_SIZE, Anchor::Start, Ink::Text);
    }
}

/// Height of the places' numbers.
const NUMBER_SIZE: f64 = 12.0;
/// Places nearer than this on the paper are one spot.
const SAME_SPOT: f64 = 1.0;
/// What a place takes at least that hears nothing.
const LEAST_RADIUS: f64 = 2.0;

/// Places one above the other are one spot on the plan, with one text: "4, 7".
fn stacked(numbers: &[usize], at: &[[f64; 2]], radii: &[f64]) -> (Vec<String>, Vec<[f64; 2]>, Vec<f64>) {
    let mut spots: Vec<(String, [f64; 2], f64)> = Vec::new();
    for ((number, at), radius) in numbers.iter().zip(at).zip(radii) {
        let same = |(_, [x, y], _): &&mut (String, [f64; 2], f64)| {
            (x - at[0]).abs().max((y - at[1]).abs()) < SAME_SPOT
        };
        match spots.iter_mut().find(same) {
            Some((text, _, most)) => {
                *text += &format!(", {number}");
                *most = most.max(*radius);
            }
            None => spots.push((number.to_string(), *at, *radius)),
        }
    }
    let at = spots.iter().map(|spot| spot.1).collect();
    let radii = spots.iter().map(|spot| spot.2).collect();
    (spots.into_iter().map(|spot| spot.0).collect(), at, radii)
}

/// Where the numbers stand: beside their place, off every disc, mark and other number.
fn labels(numbers: &[String], at: &[[f64; 2]], radii: &[f64], marks: &Marks) -> Vec<[f64; 2]> {
    let own: Vec<Area> = at.iter().zip(radii).map(|(at, r)| Area::round(*at, r + 1.0)).collect();
    let mut taken = own.clone();
    taken.extend(marks.sources.iter().chain(&marks.units).map(|at| Area::round(*at, 6.5)));
    let mut found = Vec::with_capacity(numbers.len());
    for (number, mark) in numbers.iter().zip(&own) {
        let place = beside(mark, number, NUMBER_SIZE, &taken, &marks.room);
        taken.push(Area::of_text(place, number, NUMBER_SIZE, Anchor::Start));
        found.push(place);
    }
    found
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

fn spoken(content: &Content<'_>, spots: &[Spot<'_>], mode: &Lives<'_>) -> Message {
    let before = heard(content, mode.before);
    let most = before.iter().map(|(_, a)| *a).fold(0.0, f64::max);
    let told: Vec<Message> = spots
        .iter()
        .filter_map(|spot| {
            let here =
                before.iter().filter(|(n, _)| crate::session::same_name(n, spot.name)).map(|(_, a)| *a);
            let level = 20.0 * (here.reduce(f64::max)? / most).log10();
            Some(say!("spoken.place-level", place = spot.name, db = number(level, 0)))
        })
        .collect();
    say!("spoken.plan", mode = mode.label.as_str(), places = Message::row(told, ", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// cos(πx/L): full at both end walls, nothing in the middle (Kuttruff, Room Acoustics, chapter 3).
    #[test]
    fn the_pattern_is_full_at_the_walls() {
        let air = Enclosure::rectangular([5.0, 4.0, 3.0], 20.0, 50.0).unwrap();
        let mut session = Session::new("box");
        session.room.dimensions_m = air.dimensions_m();
        let pixels = pattern(&Floor::of(&session).unwrap(), &air, 0);
        let alpha = |x: usize, y: usize| pixels.rgba[4 * (y * pixels.width + x) + 3];
        assert!(alpha(0, 0) >= 149 && alpha(55, 41) >= 149);
        assert!(alpha(27, 20) < 6 && alpha(28, 20) < 6);
    }

    /// A microphone in the lower and one in the upper corner: one spot, one text, the larger disc.
    #[test]
    fn places_one_above_the_other_share_their_text() {
        let at = [[23.7, 212.2], [95.3, 158.4], [23.7, 212.2]];
        let (numbers, spots, radii) = stacked(&[4, 5, 7], &at, &[7.8, 2.0, 11.0]);
        assert_eq!((numbers, spots), (vec!["4, 7".to_owned(), "5".to_owned()], at[..2].to_vec()));
        assert_eq!(radii, [11.0, 2.0]);
    }

    /// Ten places at random, some close together, with marks among them: no number lies on another, on a disc or on a
    /// mark, and none leaves the room.
    #[test]
    fn numbers_collide_with_nothing() {
        let room = Area { left: 22.0, top: 48.0, right: 244.0, bottom: 216.0 };
        let mut state = 7_u64;
        let mut chance = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(u32::MAX >> 1)
        };
        let numbers: Vec<String> = (1..=10).map(|n: u32| n.to_string()).collect();
        for _ in 0..300 {
            let mut spot = || [30.0 + 206.0 * chance(), 56.0 + 152.0 * chance()];
            let marks = Marks { sources: vec![spot()], units: vec![spot()], room };
            let mut at: Vec<[f64; 2]> = (0..10).map(|_| spot()).collect();
            at[1] = [at[0][0] + 3.0, at[0][1]];
            let radii: Vec<f64> = (0..10).map(|_| 2.0 + 9.0 * chance()).collect();
            let placed = labels(&numbers, &at, &radii, &marks);
            let texts: Vec<Area> = placed
                .iter()
                .zip(&numbers)
                .map(|(at, n)| Area::of_text(*at, n, NUMBER_SIZE, Anchor::Start))
                .collect();
            for (k, text) in texts.iter().enumerate() {
                let others = texts[k + 1..].iter().copied();
                let discs = at.iter().zip(&radii).map(|(at, r)| Area::round(*at, *r));
                let marks = marks.sources.iter().chain(&marks.units).map(|at| Area::round(*at, 6.0));
                for other in others.chain(discs).chain(marks) {
                    assert!(text.common(&other) <= 1e-9, "{text:?} {other:?}");
                }
                assert!(text.common(&room) > (text.right - text.left) * (text.bottom - text.top) - 1e-6);
            }
        }
    }
}
