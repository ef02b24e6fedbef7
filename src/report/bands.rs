//! Decay in bands: the average with its spread over the places, and the tolerance mask.

use super::content::Content;
use super::draw::{Anchor, Drawing, Ink, Line, Scale, svg};
use super::listing::{self, Row, decimal, number, plain, text};
use super::rich::{name, said};
use super::words::seconds;
use crate::criterion::{limits, mask_mean_s};
use crate::filter::nominal_hz;
use crate::flag::Flag;
use crate::language::{Message, number as digits, say};
use crate::table::BandRow;
use maud::{Markup, PreEscaped, html};

/// One state's band decays, ready to draw.
#[derive(Debug, Clone)]
struct Series {
    name: String,
    points: Vec<Point>,
}

/// One band.
#[derive(Debug, Clone, Copy)]
struct Point {
    hz: f64,
    /// Average T20, s.
    mean_s: f64,
    /// Least and greatest of the places, s.
    range_s: Option<(f64, f64)>,
    /// Whether every place has a value; an average over fewer compares with nothing.
    whole: bool,
}

/// The section.
pub(super) fn section(content: &Content<'_>) -> Markup {
    html! {
        section #bands {
            h2 { (content.text("bands.head")) }
            p { (content.text("bands.about")) }
            @if let Some(figure) = figure(content) { figure { (PreEscaped(svg::wide(&figure, "bands-figure"))) (mask_note(content)) } }
            (table(content))
        }
    }
}

fn mask_note(content: &Content<'_>) -> Markup {
    match mask_mean(content) {
        Some((state, mean)) => html! { figcaption {
            span.key-limit { (content.text("bands.dashed")) " " }
            (content.rich("bands.mask", &[("mean", said(content.language(), &seconds(mean))), ("state", name(&state))]))
        } },
        None => html! {},
    }
}

/// The figure; `None` where no band has a value.
pub(super) fn figure(content: &Content<'_>) -> Option<Drawing> {
    let (names, series) = series(content);
    let most = series
        .iter()
        .flat_map(|s| s.points.iter().map(|p| p.range_s.map_or(p.mean_s, |r| r.1.min(1.6 * p.mean_s))))
        .fold(0.0, f64::max);
    if most <= 0.0 {
        return None;
    }
    let mut drawing = Drawing::new("bands", &content.text("figure.bands"), 760.0, 330.0);
    let x = Scale::log(17.8, 22_400.0, 60.0, 745.0);
    let y = Scale::linear(0.0, (most * 5.0).ceil() / 5.0, 275.0, 40.0);
    frame(content, &mut drawing, &x, &y);
    mask(&mut drawing, content, &x, &y);
    for (k, one) in series.iter().enumerate() {
        let ink = if k == 0 && series.len() > 1 { Ink::Before } else { Ink::After };
        draw_series(&mut drawing, &x, &y, one, ink, k);
    }
    drawing.description = spoken(content, &series);
    legend(&mut drawing, &names);
    Some(drawing)
}

/// Baseline and last state, or the only one.
fn series(content: &Content<'_>) -> (Vec<String>, Vec<Series>) {
    let names: Vec<String> = match content.pairs().last() {
        Some(pair) => vec![pair.before.name.clone(), pair.after.name.clone()],
        None => content.states().take(1).map(|s| s.name.clone()).collect(),
    };
    let series = names.iter().map(|name| of_state(content, name)).collect();
    (names, series)
}

fn of_state(content: &Content<'_>, state: &str) -> Series {
    let average = content.average_of(state);
    let own: Vec<&BandRow> = content
        .results
        .bands
        .iter()
        .filter(|r| &*r.state == state && !matches!(&*r.position, "*" | "listening"))
        .collect();
    let point = |row: &&BandRow| {
        let t20 = row.t20.ok()?.value;
        let here = own.iter().filter(|r| r.band_hz.total_cmp(&row.band_hz).is_eq());
        let values: Vec<f64> = here.filter_map(|r| Some(r.t20.ok()?.value)).collect();
        let range = values.iter().copied().reduce(f64::min).zip(values.iter().copied().reduce(f64::max));
        let whole = !row.flags.has(Flag::SomePositions);
        Some(Point { hz: row.band_hz, mean_s: t20, range_s: range, whole })
    };
    Series { name: state.to_owned(), points: average.iter().filter_map(point).collect() }
}

fn frame(content: &Content<'_>, drawing: &mut Drawing, x: &Scale, y: &Scale) {
    for (hz, label) in [
        (31.5, "31.5"),
        (63.0, "63"),
        (125.0, "125"),
        (250.0, "250"),
        (500.0, "500"),
        (1e3, "1k"),
        (2e3, "2k"),
        (4e3, "4k"),
        (8e3, "8k"),
        (16e3, "16k"),
    ] {
        drawing.tick([x.at(hz), y.start], (18.0, 12.0), &content.language().decimal(label));
    }
    let label = |value, decimals| content.language().value(&digits(value, decimals));
    drawing.rules((x, y), 5, (6.0, 12.0), label);
    drawing.text([402.0, y.start + 38.0], &content.text("axis.band"), 12.0, Anchor::Middle, Ink::Quiet);
    drawing.turned([18.0, 0.5 * (y.start + y.end)], &content.text("axis.t20"), 12.0, Ink::Quiet);
}

/// Before: open circles on a dashed line; after: filled ones. The two stand a little apart.
fn draw_series(drawing: &mut Drawing, x: &Scale, y: &Scale, series: &Series, ink: Ink, k: usize) {
    let open = ink == Ink::Before;
    let side = if open { -2.0 } else { 2.0 } * f64::from(u8::from(k > 0 || open));
    let points: Vec<[f64; 2]> = series.points.iter().map(|p| [x.at(p.hz) + side, y.at(p.mean_s)]).collect();
    for (point, value) in points.iter().zip(&series.points) {
        if let Some((low, high)) = value.range_s {
            drawing.line(vec![[point[0], y.at(low)], [point[0], y.at(high)]], Line::new(ink, 1.0));
        }
    }
    let line = if open { Line::dashed(ink, 1.2, 5.0, 3.0) } else { Line::new(ink, 1.2) };
    let joined: Vec<[f64; 2]> =
        points.iter().zip(&series.points).filter(|(_, p)| p.whole).map(|(at, _)| *at).collect();
    if joined.len() > 1 {
        drawing.line(joined, line);
    }
    for (point, value) in points.iter().zip(&series.points) {
        let fill = if open { (Ink::Paper, 1.0) } else { (ink, 1.0) };
        let radius = if value.whole { 3.2 } else { 1.8 };
        drawing.circle(*point, radius, Some(Line::new(ink, 1.4)), Some(fill));
    }
}

fn legend(drawing: &mut Drawing, names: &[String]) {
    let mut x = 60.0;
    for (k, name) in names.iter().enumerate() {
        let open = k == 0 && names.len() > 1;
        let ink = if open { Ink::Before } else { Ink::After };
        let fill = if open { (Ink::Paper, 1.0) } else { (ink, 1.0) };
        drawing.circle([x + 6.0, 18.0], 4.0, Some(Line::new(ink, 1.4)), Some(fill));
        let name = super::words::shortened(name, 36);
        drawing.text([x + 16.0, 22.0], &name, 13.0, Anchor::Start, ink);
        x += 46.0 + 7.5 * name.chars().count() as f64;
    }
}

/// Mean T20 of 200 Hz to 4 kHz of the last state shown, which the mask goes round.
fn mask_mean(content: &Content<'_>) -> Option<(String, f64)> {
    let (_, series) = series(content);
    let last = series.last()?;
    Some((last.name.clone(), mask_mean_s(last.points.iter().map(|p| (p.hz, p.mean_s)))?))
}

fn mask(drawing: &mut Drawing, content: &Content<'_>, x: &Scale, y: &Scale) {
    let Some((_, mean)) = mask_mean(content) else { return };
    // Nominal thirds of the figure's range, and the corners of its steps.
    let hz: Vec<f64> = (0..=210).map(|k| 63.0 * (8000.0f64 / 63.0).powf(f64::from(k) / 210.0)).collect();
    let line = Line::dashed(Ink::Limit, 1.2, 3.0, 3.0);
    let upper = hz.iter().filter_map(|f| Some([x.at(*f), y.at(limits(mean, *f)?.upper_s)])).collect();
    drawing.line(upper, line);
    let lower = hz.iter().filter_map(|f| Some([x.at(*f), y.at(limits(mean, *f)?.lower_s?)])).collect();
    drawing.line(lower, line);
}

fn spoken(content: &Content<'_>, series: &[Series]) -> String {
    let point = |p: &Point| {
        let nominal = nominal_hz(p.hz);
        let hz = say!("unit.hertz", hz = digits(nominal, usize::from(nominal.fract() > 0.01)));
        Message::row([hz, seconds(p.mean_s)], " ")
    };
    let one = |s: &Series| {
        let values = Message::row(s.points.iter().map(point), ", ");
        say!("spoken.state", state = s.name.as_str(), said = values)
    };
    content.say(&Message::row(series.iter().map(one), " "))
}

/// Averages of all states, band by band.
fn table(content: &Content<'_>) -> Markup {
    let states: Vec<_> = content.states().collect();
    let rows: Vec<Row> = states
        .iter()
        .flat_map(|state| content.average_of(&state.name))
        .map(|row| {
            let spread = |r: &crate::estimate::Reading| r.map(super::words::plus_minus).unwrap_or_default();
            let nominal = nominal_hz(row.band_hz);
            vec![
                (text("head.state"), row.state.to_string()),
                (number("head.band"), plain(nominal, usize::from(nominal.fract() > 0.01))),
                (number("head.edt"), decimal(row.edt_s, 3)),
                (number("head.t20"), spread(&row.t20)),
                (number("head.t30"), spread(&row.t30)),
                (number("head.c50"), decimal(row.c50_db, 1)),
                (number("head.level"), decimal(row.level_db, 1)),
                (number("head.level-over-noise"), decimal(row.peak_to_noise_db, 1)),
                (text("head.remarks"), listing::flags(&row.flags)),
            ]
        })
        .collect();
    let (summary, label) = (html! { (content.text("bands.numbers")) }, content.text("bands.table"));
    listing::folded(content.language(), (&summary, &label), &rows, ("bands.csv", false))
}
