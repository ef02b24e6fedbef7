//! The row of a mode: its ringing drawn as it is heard, a wedge that runs out at 60 dB down.
//!
//! A free decay is a straight line in decibels, so a wedge from full height at the end of the sound to
//! nothing at T60 is the decay itself. Before lies above the line, after below it: colour is not the
//! only carrier. The point of the wedge is soft over the 95 % interval; a mark shows from which decay
//! time on trained listeners heard a difference.

use super::content::Content;
use super::draw::svg;
use super::draw::{Anchor, Drawing, Ink, Line, Scale};
use super::words;
use crate::estimate::Estimate;
use crate::language::{Language, Message, number, say};
use maud::{Markup, PreEscaped, html};

/// How long one mode rings in one state, with the ends of the 95 % interval, seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tail {
    pub value_s: f64,
    pub low_s: f64,
    pub high_s: f64,
}

impl Tail {
    /// A decay time with its interval; without a standard deviation the interval is the value.
    pub(super) fn of(t60: Estimate) -> Option<Self> {
        let (low, high) = t60.interval_95().unwrap_or((t60.value, t60.value));
        let usable = t60.value.is_finite() && t60.value > 0.0 && low.is_finite() && high.is_finite();
        usable.then(|| Self { value_s: t60.value, low_s: low.max(0.0), high_s: high })
    }
}

/// One row of the chart.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Row {
    /// What the mode is called.
    pub label: String,
    /// What became of it, in a word or two.
    pub outcome: String,
    pub before: Option<Tail>,
    pub after: Option<Tail>,
    pub threshold_s: Option<f64>,
}

/// Longest time that the chart of these rows has to show: values in full, intervals as far as half beyond.
pub(super) fn longest_s(rows: &[Row]) -> f64 {
    let tails = rows.iter().flat_map(|row| [row.before, row.after]).flatten();
    let most = tails.map(|tail| tail.high_s.clamp(tail.value_s, 1.5 * tail.value_s)).fold(0.2, f64::max);
    let step = if most > 4.0 { 1.0 } else { 0.25 };
    (most * 1.02 / step).ceil() * step
}

/// Steps in which the point of a wedge fades.
const FADES: u32 = 8;

/// Draws one row round the height `mid`, each wedge `height` high at its start.
pub(super) fn draw(drawing: &mut Drawing, scale: &Scale, mid: f64, height: f64, row: &Row) {
    drawing.line(vec![[scale.start, mid], [scale.end, mid]], Line::new(Ink::Rule, 1.0));
    for (tail, ink, side) in [(row.before, Ink::Before, -1.0), (row.after, Ink::After, 1.0)] {
        if let Some(tail) = tail {
            wedge(drawing, scale, mid + side * 0.7, side * height, &tail, ink);
        }
    }
    if let Some(threshold_s) = row.threshold_s.filter(|t| *t < scale.to) {
        let x = scale.at(threshold_s);
        drawing.line(
            vec![[x, mid - height - 2.0], [x, mid + height + 2.0]],
            Line::dashed(Ink::Limit, 1.6, 3.0, 2.0),
        );
    }
}

fn wedge(drawing: &mut Drawing, scale: &Scale, base: f64, height: f64, tail: &Tail, ink: Ink) {
    let start = scale.at(0.0);
    let triangle = |t: f64| vec![[start, base], [start, base + height], [scale.at(t), base]];
    for k in 0..FADES {
        let share = (f64::from(k) + 0.5) / f64::from(FADES);
        let t = tail.low_s + share * (tail.high_s - tail.low_s);
        drawing.area(triangle(t), ink, 0.8 / f64::from(FADES));
    }
    drawing.line(vec![[start, base + height], [scale.at(tail.value_s), base]], Line::new(ink, 1.4));
}

/// The time axis above or below the rows.
pub(super) fn axis(language: &Language, drawing: &mut Drawing, scale: &Scale, y: f64, size: f64) {
    let ticks = scale.ticks(((scale.end - scale.start) / 60.0) as usize);
    for value in &ticks.values {
        let x = scale.at(*value);
        drawing.line(vec![[x, y], [x, y + 4.0]], Line::new(Ink::Quiet, 1.0));
        let text = if value.abs() < 1e-9 {
            language.say(&say!("unit.seconds", s = number(0.0, 0)))
        } else {
            language.value(&number(*value, ticks.decimals))
        };
        drawing.text([x, y - 4.0], &text, size, Anchor::Middle, Ink::Quiet);
    }
}

/// What stands round the rows of a figure.
pub(super) struct Frame {
    pub name: String,
    pub title: String,
    /// What each colour means.
    pub legend: Vec<(Ink, String)>,
    /// What the dashed mark means.
    pub foot: String,
}

/// The whole chart as one figure.
pub(super) fn figure(language: &Language, frame: Frame, rows: &[Row]) -> Drawing {
    const ROW: f64 = 34.0;
    let height = 74.0 + ROW * rows.len() as f64 + 20.0;
    let mut drawing = Drawing::new(&frame.name, &frame.title, 760.0, height);
    let scale = Scale::linear(0.0, longest_s(rows), 150.0, 600.0);
    let mut x = 150.0;
    for (ink, text) in &frame.legend {
        drawing.frame([x, 12.0], [12.0, 10.0], Line::new(*ink, 1.0), Some((*ink, 0.8)));
        let text = words::shortened(text, 40);
        drawing.text([x + 18.0, 21.0], &text, 12.0, Anchor::Start, *ink);
        x += 40.0 + 6.6 * text.chars().count() as f64;
    }
    axis(language, &mut drawing, &scale, 50.0, 12.0);
    for (k, row) in rows.iter().enumerate() {
        let mid = 76.0 + ROW * k as f64;
        drawing.text([140.0, mid + 4.0], &row.label, 13.0, Anchor::End, Ink::Text);
        drawing.text([612.0, mid + 4.0], &row.outcome, 12.0, Anchor::Start, Ink::Text);
        draw(&mut drawing, &scale, mid, 12.0, row);
    }
    drawing.text([150.0, height - 8.0], &frame.foot, 12.0, Anchor::Start, Ink::Limit);
    drawing.description = rows.iter().map(|row| spoken(language, row)).collect::<Vec<_>>().join(" ");
    drawing
}

/// A row in words.
fn spoken(language: &Language, row: &Row) -> String {
    let time = |tail: Option<Tail>, key: &'static str| {
        let tail = tail?;
        let (low, high) = (number(tail.low_s, 2), number(tail.high_s, 2));
        Some(say!(key, value = words::seconds(tail.value_s), low = low, high = high))
    };
    let times = [time(row.before, "spoken.before"), time(row.after, "spoken.after")];
    let times = Message::row(times.into_iter().flatten(), ",");
    let (label, outcome) = (row.label.as_str(), row.outcome.as_str());
    language.say(&say!("spoken.row", label = label, times = times, outcome = outcome))
}

/// Rows that fit on the first printed sheet beside everything else.
pub(super) const ROWS: usize = 9;

/// The time axis over the rows.
pub(super) fn chart_axis(content: &Content<'_>, longest_s: f64) -> Markup {
    let mut drawing = Drawing::new("axis", "", 420.0, 24.0);
    let scale = Scale::linear(0.0, longest_s, 12.0, 404.0);
    axis(content.language(), &mut drawing, &scale, 19.0, 12.0);
    html! {
        div.axis aria-hidden="true" {
            div.head { (content.text("chart.head")) }
            div.bar { (PreEscaped(svg::ornament(&drawing))) }
        }
    }
}

pub(super) fn bar(row: &Row, longest_s: f64) -> String {
    let mut drawing = Drawing::new("bar", "", 420.0, 34.0);
    draw(&mut drawing, &Scale::linear(0.0, longest_s, 12.0, 404.0), 17.0, 13.0, row);
    svg::ornament(&drawing)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::draw::Shape;

    fn row(value_s: f64) -> Row {
        let tail = Tail { value_s, low_s: 0.9 * value_s, high_s: 1.1 * value_s };
        Row { label: "33.0 Hz".into(), outcome: "as before".into(), before: Some(tail), ..Row::default() }
    }

    /// The wedge ends where the decay time lies on the axis, before above the line and after below it.
    #[test]
    fn wedges_end_at_their_decay_time() {
        let scale = Scale::linear(0.0, 2.0, 0.0, 200.0);
        for (after, side) in [(false, -1.0), (true, 1.0)] {
            let mut drawing = Drawing::new("a", "a", 200.0, 40.0);
            let mut one = row(1.0);
            if after {
                std::mem::swap(&mut one.before, &mut one.after);
            }
            draw(&mut drawing, &scale, 20.0, 10.0, &one);
            let Some(Shape::Path { points, .. }) = drawing.shapes.last() else { panic!("a line") };
            assert!((points[1][0] - 100.0).abs() < 1e-9, "{points:?}");
            assert!((points[0][1] - 20.0) * side > 0.0, "{points:?}");
        }
    }

    #[test]
    fn the_axis_holds_all_values_and_no_wild_interval() {
        assert!((1.0..=1.5).contains(&longest_s(&[row(1.0)])));
        let wild = Row { after: Some(Tail { value_s: 1.0, low_s: 0.1, high_s: 40.0 }), ..Row::default() };
        assert!(longest_s(&[wild]) < 2.0);
        assert!(Tail::of(Estimate::exact(f64::NAN)).is_none());
        assert!(longest_s(&[]) > 0.0);
    }
}
