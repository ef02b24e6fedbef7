//! Shapes as pixels: lines by their distance, areas by their coverage, both softened at the edge.

use super::strokes::lettered;
use super::{Anchor, Drawing, Ink, Line, Pixels, Shape};

/// Slices of a row of pixels in which an area's edge is looked for.
const SLICES: usize = 4;
/// Width of a letter's strokes, of its em.
const LETTER_WIDTH: f64 = 0.085;

/// A picture while it is drawn: red, green, blue.
pub(super) struct Canvas {
    width: usize,
    height: usize,
    rgb: Vec<[f32; 3]>,
}

/// How much of each pixel of a part of the canvas is covered.
struct Cover {
    left: usize,
    top: usize,
    width: usize,
    share: Vec<f32>,
}

impl Canvas {
    /// The drawing, `scale` pixels a unit, on the light paper.
    pub fn of(drawing: &Drawing, scale: f64) -> Self {
        // No picture beyond what a sheet of paper holds, whatever a drawing says.
        let side = |length: f64| {
            let pixels = (length * scale).ceil();
            if pixels >= 1.0 { pixels.min(8_000.0) as usize } else { 1 }
        };
        let (width, height) = (side(drawing.width), side(drawing.height));
        let paper = Ink::Paper.light().map(f32::from);
        let mut canvas = Self { width, height, rgb: vec![paper; width * height] };
        drawing.shapes.iter().for_each(|shape| canvas.shape(shape, scale));
        canvas
    }

    /// The finished picture.
    pub fn into_pixels(self) -> Pixels {
        let byte = |c: f32| c.round().clamp(0.0, 255.0) as u8;
        let rgba = self.rgb.iter().flat_map(|[r, g, b]| [byte(*r), byte(*g), byte(*b), 255]).collect();
        Pixels { width: self.width, height: self.height, rgba }
    }

    fn shape(&mut self, shape: &Shape, scale: f64) {
        let big = |p: &[f64; 2]| [p[0] * scale, p[1] * scale];
        match shape {
            Shape::Path { points, closed, line, fill } => {
                let mut points: Vec<[f64; 2]> = points.iter().map(big).collect();
                if let Some((ink, density)) = fill {
                    self.area(&points, *ink, *density);
                }
                if *closed {
                    points.extend(points.first().copied());
                }
                if let Some(line) = line {
                    self.line(&points, *line, scale);
                }
            }
            Shape::Circle { at, radius, line, fill } => {
                self.disc(big(at), radius * scale, *line, *fill, scale)
            }
            Shape::Text { at, text, size, anchor, ink, turned } => {
                self.text(big(at), text, size * scale, *anchor, *ink, *turned);
            }
            Shape::Image { at, size, pixels } => self.image(big(at), big(size), pixels),
        }
    }

    fn blend(&mut self, cover: &Cover, ink: Ink, density: f64) {
        let colour = ink.light().map(f32::from);
        for (k, share) in cover.share.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            let (x, y) = (cover.left + k % cover.width, cover.top + k / cover.width);
            let weight = share.min(1.0) * density as f32;
            for (now, new) in self.rgb[y * self.width + x].iter_mut().zip(colour) {
                *now += weight * (new - *now);
            }
        }
    }

    /// The part of the canvas round some points; `None` where they lie outside or are no numbers.
    fn part(&self, points: &[[f64; 2]], reach: f64) -> Option<Cover> {
        if points.iter().flatten().any(|v| !v.is_finite()) {
            return None;
        }
        let edge = |axis: usize| {
            let values = points.iter().map(|p| p[axis]);
            Some((values.clone().reduce(f64::min)? - reach, values.reduce(f64::max)? + reach))
        };
        let ((left, right), (top, bottom)) = (edge(0)?, edge(1)?);
        let clip = |v: f64, most: usize| v.clamp(0.0, most as f64) as usize;
        let (x0, x1) = (clip(left.floor(), self.width), clip(right.ceil(), self.width));
        let (y0, y1) = (clip(top.floor(), self.height), clip(bottom.ceil(), self.height));
        (x1 > x0 && y1 > y0).then(|| Cover {
            left: x0,
            top: y0,
            width: x1 - x0,
            share: vec![0.0; (x1 - x0) * (y1 - y0)],
        })
    }

    fn area(&mut self, points: &[[f64; 2]], ink: Ink, density: f64) {
        let Some(mut cover) = self.part(points, 0.0) else { return };
        cover.fill(points);
        self.blend(&cover, ink, density);
    }

    fn line(&mut self, points: &[[f64; 2]], line: Line, scale: f64) {
        let width = line.width * scale;
        let Some(mut cover) = self.part(points, width + 1.0) else { return };
        match line.dash {
            None => cover.stroke(points, width),
            Some([dash, gap]) => {
                dashes(points, dash * scale, gap * scale).iter().for_each(|piece| cover.stroke(piece, width));
            }
        }
        self.blend(&cover, line.ink, 1.0);
    }

    fn disc(&mut self, at: [f64; 2], radius: f64, line: Option<Line>, fill: Option<(Ink, f64)>, scale: f64) {
        let reach = radius + line.map_or(0.0, |l| l.width * scale) + 1.0;
        if let (Some((ink, density)), Some(mut cover)) = (fill, self.part(&[at], reach)) {
            cover.each(|p| radius + 0.5 - distance(p, at));
            self.blend(&cover, ink, density);
        }
        if let (Some(line), Some(mut cover)) = (line, self.part(&[at], reach)) {
            let half = 0.5 * line.width * scale;
            cover.each(|p| half + 0.5 - (distance(p, at) - radius).abs());
            self.blend(&cover, line.ink, 1.0);
        }
    }

    fn text(&mut self, at: [f64; 2], text: &str, size: f64, anchor: Anchor, ink: Ink, turned: bool) {
        let (lines, width) = lettered(&crate::report::words::shown(text), size);
        let back = match anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => 0.5 * width,
            Anchor::End => width,
        };
        let place = |p: &[f64; 2]| {
            let (x, y) = (p[0] - back, p[1]);
            if turned { [at[0] + y, at[1] - x] } else { [at[0] + x, at[1] + y] }
        };
        for line in lines {
            let points: Vec<[f64; 2]> = line.iter().map(place).collect();
            let Some(mut cover) = self.part(&points, size * LETTER_WIDTH + 1.0) else { continue };
            cover.stroke(&points, size * LETTER_WIDTH);
            self.blend(&cover, ink, 1.0);
        }
    }

    fn image(&mut self, at: [f64; 2], size: [f64; 2], pixels: &Pixels) {
        let Some(cover) = self.part(&[at, [at[0] + size[0], at[1] + size[1]]], 0.0) else { return };
        if pixels.rgba.len() < 4 * pixels.width * pixels.height || pixels.width == 0 || pixels.height == 0 {
            return;
        }
        for k in 0..cover.share.len() {
            let (x, y) = (cover.left + k % cover.width, cover.top + k / cover.width);
            let share = |v: usize, start: f64, length: f64| (v as f64 + 0.5 - start) / length;
            let column = (share(x, at[0], size[0]) * pixels.width as f64).max(0.0) as usize;
            let row = (share(y, at[1], size[1]) * pixels.height as f64).max(0.0) as usize;
            let from = 4 * (row.min(pixels.height - 1) * pixels.width + column.min(pixels.width - 1));
            let weight = f32::from(pixels.rgba[from + 3]) / 255.0;
            for (now, new) in self.rgb[y * self.width + x].iter_mut().zip(&pixels.rgba[from..from + 3]) {
                *now += weight * (f32::from(*new) - *now);
            }
        }
    }
}

impl Cover {
    fn each(&mut self, inside: impl Fn([f64; 2]) -> f64) {
        for (k, share) in self.share.iter_mut().enumerate() {
            let p = [(self.left + k % self.width) as f64 + 0.5, (self.top + k / self.width) as f64 + 0.5];
            *share = share.max(inside(p).clamp(0.0, 1.0) as f32);
        }
    }

    /// Pixels by their distance to the line; where pieces meet, the nearer counts, not both.
    fn stroke(&mut self, points: &[[f64; 2]], width: f64) {
        for piece in points.windows(2) {
            let reach = 0.5 * width + 1.0;
            let (x0, x1) = (piece[0][0].min(piece[1][0]) - reach, piece[0][0].max(piece[1][0]) + reach);
            let (y0, y1) = (piece[0][1].min(piece[1][1]) - reach, piece[0][1].max(piece[1][1]) + reach);
            let rows = self.share.len() / self.width;
            let clip =
                |v: f64, start: usize, most: usize| (v - start as f64).clamp(0.0, most as f64) as usize;
            for row in clip(y0, self.top, rows)..clip(y1.ceil(), self.top, rows) {
                for column in clip(x0, self.left, self.width)..clip(x1.ceil(), self.left, self.width) {
                    let p = [(self.left + column) as f64 + 0.5, (self.top + row) as f64 + 0.5];
                    let inside = 0.5 * width.max(1.0) + 0.5 - to_piece(p, piece[0], piece[1]);
                    // A line thinner than a pixel is fainter, not thinner.
                    let share = (inside.clamp(0.0, 1.0) * width.min(1.0)) as f32;
                    let now = &mut self.share[row * self.width + column];
                    *now = now.max(share);
                }
            }
        }
    }

    /// Pixels by how much of them lies inside the closed line (even-odd rule).
    fn fill(&mut self, points: &[[f64; 2]]) {
        let rows = self.share.len() / self.width;
        for slice in 0..rows * SLICES {
            let y = self.top as f64 + (slice as f64 + 0.5) / SLICES as f64;
            let mut crossings: Vec<f64> = points
                .iter()
                .zip(points.iter().cycle().skip(1))
                .filter(|(a, b)| (a[1] <= y) != (b[1] <= y))
                .map(|(a, b)| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
                .collect();
            crossings.sort_by(f64::total_cmp);
            for span in crossings.chunks_exact(2) {
                self.add_span(slice / SLICES, span[0], span[1]);
            }
        }
    }

    fn add_span(&mut self, row: usize, from: f64, to: f64) {
        let (from, to) = (from - self.left as f64, to - self.left as f64);
        let first = from.max(0.0) as usize;
        let last = (to.ceil().max(0.0) as usize).min(self.width);
        for column in first..last {
            let inside = to.min(column as f64 + 1.0) - from.max(column as f64);
            self.share[row * self.width + column] += inside.max(0.0) as f32 / SLICES as f32;
        }
    }
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn to_piece(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let square = dx * dx + dy * dy;
    let along = if square > 0.0 { ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / square } else { 0.0 };
    let along = along.clamp(0.0, 1.0);
    distance(p, [a[0] + along * dx, a[1] + along * dy])
}

/// A line cut into dashes.
fn dashes(points: &[[f64; 2]], dash: f64, gap: f64) -> Vec<Vec<[f64; 2]>> {
    if !(dash > 0.0 && gap > 0.0) {
        return vec![points.to_vec()];
    }
    let (mut pieces, mut left, mut drawing) = (Vec::new(), dash, true);
    let mut now: Vec<[f64; 2]> = points.first().copied().into_iter().collect();
    for pair in points.windows(2) {
        let length = distance(pair[0], pair[1]);
        let mut done = 0.0;
        while length - done > left {
            done += left;
            let share = done / length;
            let at = [
                pair[0][0] + share * (pair[1][0] - pair[0][0]),
                pair[0][1] + share * (pair[1][1] - pair[0][1]),
            ];
            now.push(at);
            if drawing {
                pieces.push(std::mem::take(&mut now));
            }
            (drawing, left, now) = if drawing { (false, gap, vec![at]) } else { (true, dash, vec![at]) };
        }
        left -= length - done;
        now.push(pair[1]);
    }
    if drawing && now.len() > 1 {
        pieces.push(now);
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(canvas: &Canvas, x: usize, y: usize) -> [u8; 3] {
        canvas.rgb[y * canvas.width + x].map(|c| c.round() as u8)
    }

    /// Pixels inside are the ink, outside the paper; an edge through the middle of a pixel half of each.
    #[test]
    fn areas_lines_and_discs_by_hand() {
        let mut drawing = Drawing::new("a", "a", 20.0, 20.0);
        drawing.area(vec![[2.0, 2.0], [10.5, 2.0], [10.5, 10.0], [2.0, 10.0]], Ink::Text, 1.0);
        drawing.line(vec![[0.0, 14.5], [20.0, 14.5]], Line::new(Ink::Before, 1.0));
        drawing.circle([16.0, 6.0], 3.0, None, Some((Ink::After, 1.0)));
        let canvas = Canvas::of(&drawing, 1.0);
        let (paper, text) = (Ink::Paper.light(), Ink::Text.light());
        assert_eq!(at(&canvas, 5, 5), text);
        assert_eq!(at(&canvas, 1, 5), paper);
        let half = at(&canvas, 10, 5);
        for k in 0..3 {
            assert!(
                (f64::from(half[k]) - 0.5 * (f64::from(paper[k]) + f64::from(text[k]))).abs() < 1.5,
                "{half:?}"
            );
        }
        assert_eq!((at(&canvas, 9, 14), at(&canvas, 9, 16)), (Ink::Before.light(), paper));
        assert_eq!((at(&canvas, 16, 6), at(&canvas, 19, 9)), (Ink::After.light(), paper));
    }

    /// Lengths worked by hand: dashes of 3 with gaps of 2 on a line of 10 round a corner.
    #[test]
    fn dashes_have_their_lengths() {
        let pieces = dashes(&[[0.0, 0.0], [6.0, 0.0], [6.0, 4.0]], 3.0, 2.0);
        assert_eq!(pieces, [vec![[0.0, 0.0], [3.0, 0.0]], vec![[5.0, 0.0], [6.0, 0.0], [6.0, 2.0]]]);
    }

    #[test]
    fn nothing_breaks_it() {
        let mut drawing = Drawing::new("a", "a", f64::NAN, 1e9);
        drawing.line(vec![[f64::NAN, 0.0], [1e12, 5.0]], Line::dashed(Ink::Text, 1.0, 0.0, 0.0));
        drawing.area(vec![], Ink::Text, 1.0);
        drawing.text([-50.0, f64::INFINITY], "שלום ü <>", 12.0, Anchor::End, Ink::Text);
        drawing.image([0.0, 0.0], [5.0, 5.0], Pixels { width: 3, height: 3, rgba: vec![0; 4] });
        assert_eq!(Canvas::of(&drawing, 2.0).into_pixels().width, 1);
    }
}
