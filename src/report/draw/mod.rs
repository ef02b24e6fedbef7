//! Figures as plain shapes, with three outlets: SVG inside the page (coloured by its style sheet), SVG
//! as a file, PNG as a file. Nothing here knows what is drawn.

mod axis;
mod ink;
pub mod place;
mod png;
mod raster;
mod strokes;
pub mod svg;

pub use self::png::{data_uri, encode, figure as png_file};
pub use axis::{Scale, Ticks};
pub use ink::{Ink, hex};
pub use place::Area;

/// Who drew it, in every file.
pub const MARK: &str = concat!("Software: ", env!("CARGO_PKG_NAME"));

/// A figure: its shapes in the order of drawing, in units of one pixel, y downwards.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// File name without ending; part of the ids in the page.
    pub name: String,
    /// What it shows, in a few words.
    pub title: String,
    /// What it shows in full sentences, for who can't see it.
    pub description: String,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// The shapes.
    pub shapes: Vec<Shape>,
}

/// One shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// Straight lines from point to point.
    Path {
        /// Corners.
        points: Vec<[f64; 2]>,
        /// Whether the last is joined to the first.
        closed: bool,
        /// How its line looks.
        line: Option<Line>,
        /// What it is filled with, and how densely (0 to 1).
        fill: Option<(Ink, f64)>,
    },
    /// A circle.
    Circle {
        /// Centre.
        at: [f64; 2],
        /// Radius.
        radius: f64,
        /// How its line looks.
        line: Option<Line>,
        /// What it is filled with, and how densely.
        fill: Option<(Ink, f64)>,
    },
    /// One line of text.
    Text {
        /// Where its base line is anchored.
        at: [f64; 2],
        /// What it says.
        text: String,
        /// Height of the letters' em.
        size: f64,
        /// Which part of it is at the anchor.
        anchor: Anchor,
        /// Colour.
        ink: Ink,
        /// Whether it runs upwards.
        turned: bool,
    },
    /// A picture, stretched without smoothing.
    Image {
        /// Upper left corner.
        at: [f64; 2],
        /// Width and height.
        size: [f64; 2],
        /// What it holds.
        pixels: Pixels,
    },
}

/// How a line looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Colour.
    pub ink: Ink,
    /// Width.
    pub width: f64,
    /// Lengths of dash and gap; none for an unbroken line.
    pub dash: Option<[f64; 2]>,
}

impl Line {
    /// An unbroken line.
    #[must_use]
    pub fn new(ink: Ink, width: f64) -> Self {
        Self { ink, width, dash: None }
    }

    /// A state's curve: broken before, unbroken after.
    #[must_use]
    pub fn of_state(ink: Ink) -> Self {
        if ink == Ink::Before { Self::dashed(ink, 1.4, 5.0, 2.5) } else { Self::new(ink, 1.6) }
    }

    /// A broken line.
    #[must_use]
    pub fn dashed(ink: Ink, width: f64, dash: f64, gap: f64) -> Self {
        Self { ink, width, dash: Some([dash, gap]) }
    }
}

/// Which part of a text is at its anchor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its start.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// A picture: red, green, blue, opacity; rows from above.
#[derive(Debug, Clone, PartialEq)]
pub struct Pixels {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Four bytes a pixel.
    pub rgba: Vec<u8>,
}

impl Drawing {
    /// An empty figure.
    #[must_use]
    pub fn new(name: &str, title: &str, width: f64, height: f64) -> Self {
        Self {
            name: name.to_owned(),
            title: title.to_owned(),
            description: String::new(),
            width,
            height,
            shapes: Vec::new(),
        }
    }

    /// Adds an open line.
    pub fn line(&mut self, points: Vec<[f64; 2]>, line: Line) {
        self.shapes.push(Shape::Path { points, closed: false, line: Some(line), fill: None });
    }

    /// Adds a filled area without an outline.
    pub fn area(&mut self, points: Vec<[f64; 2]>, ink: Ink, density: f64) {
        self.shapes.push(Shape::Path { points, closed: true, line: None, fill: Some((ink, density)) });
    }

    /// Adds a closed line without an area.
    pub fn outline(&mut self, points: Vec<[f64; 2]>, line: Line) {
        self.shapes.push(Shape::Path { points, closed: true, line: Some(line), fill: None });
    }

    /// Adds an outlined rectangle.
    pub fn frame(&mut self, at: [f64; 2], size: [f64; 2], line: Line, fill: Option<(Ink, f64)>) {
        let ([x, y], [w, h]) = (at, size);
        let points = vec![[x, y], [x + w, y], [x + w, y + h], [x, y + h]];
        self.shapes.push(Shape::Path { points, closed: true, line: Some(line), fill });
    }

    /// Adds a circle.
    pub fn circle(&mut self, at: [f64; 2], radius: f64, line: Option<Line>, fill: Option<(Ink, f64)>) {
        self.shapes.push(Shape::Circle { at, radius, line, fill });
    }

    /// Adds a text.
    pub fn text(&mut self, at: [f64; 2], text: &str, size: f64, anchor: Anchor, ink: Ink) {
        self.shapes.push(Shape::Text { at, text: text.to_owned(), size, anchor, ink, turned: false });
    }

    /// Adds a text that runs upwards.
    pub fn turned(&mut self, at: [f64; 2], text: &str, size: f64, ink: Ink) {
        let anchor = Anchor::Middle;
        self.shapes.push(Shape::Text { at, text: text.to_owned(), size, anchor, ink, turned: true });
    }

    /// Adds a picture.
    pub fn image(&mut self, at: [f64; 2], size: [f64; 2], pixels: Pixels) {
        self.shapes.push(Shape::Image { at, size, pixels });
    }

    /// Rules at about `most` ticks of the upright axis y across the level axis x, each labelled so far left of it in letters of
    /// some size. `label`: of a value with so many decimals.
    pub fn rules(
        &mut self,
        (x, y): (&Scale, &Scale),
        most: usize,
        (left, size): (f64, f64),
        label: impl Fn(f64, usize) -> String,
    ) {
        let ticks = y.ticks(most);
        for value in ticks.values {
            let at = y.at(value);
            self.line(vec![[x.start, at], [x.end, at]], Line::new(Ink::Rule, 0.6));
            let text = label(value, ticks.decimals);
            self.text([x.start - left, at + 4.0], &text, size, Anchor::End, Ink::Quiet);
        }
    }

    /// A tick under a level axis, labelled so far below it in letters of some size.
    pub fn tick(&mut self, [at, floor]: [f64; 2], (below, size): (f64, f64), label: &str) {
        self.line(vec![[at, floor], [at, floor + 4.0]], Line::new(Ink::Quiet, 1.0));
        self.text([at, floor + below], label, size, Anchor::Middle, Ink::Quiet);
    }
}
