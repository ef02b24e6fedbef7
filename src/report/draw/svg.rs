//! Shapes as SVG 1.1 (W3C Recommendation, 2011): coordinates to a tenth of a pixel, text escaped.

use super::{Anchor, Drawing, Ink, Line, MARK, Shape, data_uri, hex};
use std::fmt::Write as _;

/// Where colours come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Colours {
    /// Classes of the page's style sheet.
    Classes,
    /// The light ones, in the file itself.
    Light,
}

/// The figure for the page: colours by class, title and description for screen readers.
///
/// `id`: unique in the page.
#[must_use]
pub fn inline(drawing: &Drawing, id: &str) -> String {
    let mut text = format!(
        "<svg class=\"figure\" viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\
         <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
        place(drawing.width),
        place(drawing.height),
        escaped(&drawing.title),
        escaped(&drawing.description),
    );
    shapes(&mut text, drawing, Colours::Classes);
    text.push_str("</svg>");
    text
}

/// A wide figure for the page: on a narrow screen it keeps its size and scrolls.
#[must_use]
pub fn wide(drawing: &Drawing, id: &str) -> String {
    format!(
        "<div class=\"scroll wide\" tabindex=\"0\" role=\"region\" aria-label=\"{}\">{}</div>",
        escaped(&drawing.title),
        inline(drawing, id)
    )
}

/// The figure for the page where the text beside it says it all: hidden from screen readers.
#[must_use]
pub fn ornament(drawing: &Drawing) -> String {
    let mut text = format!(
        "<svg class=\"figure\" viewBox=\"0 0 {} {}\" aria-hidden=\"true\" focusable=\"false\">",
        place(drawing.width),
        place(drawing.height)
    );
    shapes(&mut text, drawing, Colours::Classes);
    text.push_str("</svg>");
    text
}

/// The figure as a file of its own, with the fonts that the reader's machine has: on light ground, or on
/// dark where a browser shows it to a reader who prefers that.
#[must_use]
pub fn file(drawing: &Drawing) -> String {
    let (width, height) = (place(drawing.width), place(drawing.height));
    let mut text = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<!-- {MARK} -->\n<svg xmlns=\"http://www.w3.org/2000/svg\" \
         xmlns:xlink=\"http://www.w3.org/1999/xlink\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"Helvetica, Arial, sans-serif\">\n\
         <title>{}</title>\n<desc>{}</desc>\n<style>{}</style>\n<rect width=\"100%\" height=\"100%\" fill=\"{}\"/>\n",
        escaped(&drawing.title),
        escaped(&drawing.description),
        dark_rules(),
        hex(Ink::Paper.light()),
    );
    shapes(&mut text, drawing, Colours::Light);
    text.push_str("</svg>\n");
    text
}

/// Rules that put each light colour's dark counterpart in its place (Media Queries Level 5, `prefers-color-scheme`);
/// a program that knows no style sheets shows the light ones.
fn dark_rules() -> String {
    let rules: String = Ink::ALL
        .iter()
        .map(|ink| (hex(ink.light()), hex(ink.dark())))
        .map(|(light, dark)| {
            format!("[fill=\"{light}\"]{{fill:{dark}}}[stroke=\"{light}\"]{{stroke:{dark}}}")
        })
        .collect();
    format!("@media (prefers-color-scheme:dark){{{rules}}}")
}

fn shapes(text: &mut String, drawing: &Drawing, colours: Colours) {
    for shape in &drawing.shapes {
        // Writing into a String can't fail.
        let _ = one(text, shape, colours);
        if colours == Colours::Light {
            text.push('\n');
        }
    }
}

fn one(out: &mut String, shape: &Shape, colours: Colours) -> std::fmt::Result {
    match shape {
        Shape::Path { points, closed, line, fill } => {
            write!(out, "<path d=\"{}\"{}/>", path(points, *closed), paint(*line, *fill, colours))
        }
        Shape::Circle { at: [x, y], radius, line, fill } => write!(
            out,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"{}/>",
            place(*x),
            place(*y),
            place(*radius),
            paint(*line, *fill, colours)
        ),
        Shape::Text { at: [x, y], text, size, anchor, ink, turned } => {
            let (x, y) = (place(*x), place(*y));
            let turn = if *turned { format!(" transform=\"rotate(-90 {x} {y})\"") } else { String::new() };
            write!(
                out,
                "<text x=\"{x}\" y=\"{y}\" font-size=\"{}\"{}{}{turn}>{}</text>",
                place(*size),
                match anchor {
                    Anchor::Start => "",
                    Anchor::Middle => " text-anchor=\"middle\"",
                    Anchor::End => " text-anchor=\"end\"",
                },
                fill_of(Some((*ink, 1.0)), colours).unwrap_or_default(),
                escaped(text)
            )
        }
        Shape::Image { at: [x, y], size: [w, h], pixels } => {
            let key = if colours == Colours::Light { "xlink:href" } else { "href" };
            write!(
                out,
                "<image x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" preserveAspectRatio=\"none\" \
                 image-rendering=\"pixelated\" {key}=\"{}\"/>",
                place(*x),
                place(*y),
                place(*w),
                place(*h),
                data_uri(pixels)
            )
        }
    }
}

fn path(points: &[[f64; 2]], closed: bool) -> String {
    let mut text = String::with_capacity(12 * points.len());
    for (k, [x, y]) in points.iter().enumerate() {
        text.push(if k == 0 { 'M' } else { 'L' });
        text.push_str(&place(*x));
        text.push(' ');
        text.push_str(&place(*y));
    }
    if closed {
        text.push('Z');
    }
    text
}

fn paint(line: Option<Line>, fill: Option<(Ink, f64)>, colours: Colours) -> String {
    let filled = fill_of(fill, colours);
    match colours {
        Colours::Light => {
            filled.unwrap_or_else(|| " fill=\"none\"".to_owned())
                + &line
                    .map_or_else(String::new, |l| format!(" stroke=\"{}\"{}", hex(l.ink.light()), width(l)))
        }
        Colours::Classes => {
            let mut classes = Vec::new();
            classes.push(fill.map_or_else(|| "f-none".to_owned(), |(ink, _)| format!("f-{}", ink.name())));
            classes.extend(line.map(|l| format!("s-{}", l.ink.name())));
            let density = fill.filter(|(_, d)| *d < 1.0);
            let density = density.map_or_else(String::new, |(_, d)| format!(" fill-opacity=\"{}\"", two(d)));
            format!(" class=\"{}\"{density}{}", classes.join(" "), line.map(width).unwrap_or_default())
        }
    }
}

fn fill_of(fill: Option<(Ink, f64)>, colours: Colours) -> Option<String> {
    let (ink, density) = fill?;
    let mut text = match colours {
        Colours::Light => format!(" fill=\"{}\"", hex(ink.light())),
        Colours::Classes => format!(" class=\"f-{}\"", ink.name()),
    };
    if density < 1.0 {
        let _ = write!(text, " fill-opacity=\"{}\"", two(density));
    }
    Some(text)
}

fn width(line: Line) -> String {
    let dash = line.dash.map_or_else(String::new, |[dash, gap]| {
        format!(" stroke-dasharray=\"{} {}\"", place(dash), place(gap))
    });
    format!(" stroke-width=\"{}\"{dash}", place(line.width))
}

/// A length to a tenth, without a needless zero; what is no number becomes 0.
fn place(value: f64) -> String {
    let rounded = if value.is_finite() { (value * 10.0).round() / 10.0 } else { 0.0 };
    // No negative zero.
    format!("{}", rounded + 0.0)
}

fn two(value: f64) -> String {
    format!("{}", (value.clamp(0.0, 1.0) * 100.0).round() / 100.0)
}

/// Text as it may stand in XML: markup escaped; characters that XML 1.0 doesn't allow, and those that
/// would turn the writing direction of what follows, become U+FFFD.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in crate::report::words::shown(text).chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::draw::Pixels;

    fn sample(label: &str) -> Drawing {
        let mut drawing = Drawing::new("x", label, 100.0, 50.0);
        drawing.description = label.to_owned();
        drawing.line(vec![[0.04, 1.0], [f64::NAN, 2.06]], Line::dashed(Ink::Rule, 1.0, 4.0, 2.5));
        drawing.area(vec![[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]], Ink::Before, 0.25);
        drawing.circle([5.0, 5.0], 2.0, None, Some((Ink::After, 1.0)));
        drawing.text([1.0, 2.0], label, 12.0, Anchor::End, Ink::Text);
        drawing.turned([3.0, 4.0], label, 12.0, Ink::Quiet);
        drawing.image([0.0, 0.0], [10.0, 10.0], Pixels { width: 1, height: 1, rgba: vec![1, 2, 3, 4] });
        drawing
    }

    /// Names that would end an attribute, open an element or turn the writing direction stay text.
    #[test]
    fn malicious_names_stay_text() {
        let evil = "\"'></svg><script>alert(1)</script>&\u{202e}\u{1}";
        for text in [inline(&sample(evil), "a"), file(&sample(evil))] {
            assert!(!text.contains("<script"), "{text}");
            assert!(!text.contains('\u{202e}') && !text.contains('\u{1}'));
            assert_eq!(text.matches("</svg>").count(), 1);
            assert!(text.contains("&quot;&#39;&gt;&lt;/svg&gt;&lt;script&gt;"));
        }
    }

    /// What is drawn, letter by letter: the layer's own form (SVG 1.1, chapters 8 to 11).
    #[test]
    fn shapes_by_hand() {
        let page = inline(&sample("n"), "a");
        for part in [
            "<svg class=\"figure\" viewBox=\"0 0 100 50\" role=\"img\" aria-labelledby=\"a-t a-d\">",
            "<path d=\"M0 1L0 2.1\" class=\"f-none s-rule\" stroke-width=\"1\" stroke-dasharray=\"4 2.5\"/>",
            "<path d=\"M0 0L1 0L1 1Z\" class=\"f-before\" fill-opacity=\"0.25\"/>",
            "<circle cx=\"5\" cy=\"5\" r=\"2\" class=\"f-after\"/>",
            "<text x=\"1\" y=\"2\" font-size=\"12\" text-anchor=\"end\" class=\"f-text\">n</text>",
            "transform=\"rotate(-90 3 4)\">n</text>",
            "href=\"data:image/png;base64,",
        ] {
            assert!(page.contains(part), "{part}\n{page}");
        }
        let file = file(&sample("n"));
        assert!(file.starts_with("<?xml"));
        assert!(file.contains("fill=\"none\" stroke=\"#b9b6ac\" stroke-width=\"1\""), "{file}");
        assert!(!file.contains("class="), "a file carries its own colours");
        assert!(file.contains("@media (prefers-color-scheme:dark){"), "{file}");
        assert!(file.contains("[stroke=\"#b9b6ac\"]{stroke:#5a5f66}"), "{file}");
        assert!(!page.contains("style="), "a page's policy allows no style attributes");
    }
}
