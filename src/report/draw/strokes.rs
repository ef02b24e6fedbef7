//! Letters as strokes, so that a figure becomes pixels on a machine without any font: plotter lettering,
//! drawn for this program.
//!
//! Each letter is a few strokes on a grid: a character for x, one for y (base 36), a blank between
//! strokes. The base line is y = 4, capitals end at 18, small letters at 14, tails at 0. SVG files and
//! the page carry the text itself; here a letter that is not in the table is a box, an accent a dot.

use unicode_normalization::UnicodeNormalization;

/// Grid units in an em: capitals are 0.72 em high.
const UNITS: f64 = 14.0 / 0.72;
/// Free space after a letter, units.
const SPACE: f64 = 3.0;
/// Base line, units.
const BASE: f64 = 4.0;
/// What stands for a letter that is not in the table.
const BOX: &str = "04848i0i04";

/// A text as polylines, its origin at the start of its base line, y downwards, for an em of `size`.
pub(super) fn lettered(text: &str, size: f64) -> (Vec<Vec<[f64; 2]>>, f64) {
    let unit = size / UNITS;
    let (mut lines, mut x) = (Vec::new(), 0.0);
    for c in text.nfd() {
        if unicode_normalization::char::is_combining_mark(c) {
            let at = [x - (SPACE + 3.5) * unit, -(18.0 - BASE + 1.0) * unit];
            lines.push(vec![at, [at[0], at[1] - unit]]);
            continue;
        }
        if c == ' ' || c == '\u{a0}' {
            x += 6.0 * unit;
            continue;
        }
        let glyph: Vec<Vec<[f64; 2]>> = strokes(c).split(' ').map(points).filter(|s| !s.is_empty()).collect();
        let width = glyph.iter().flatten().map(|p| p[0]).fold(0.0, f64::max);
        let place = |p: &[f64; 2]| [x + p[0] * unit, (BASE - p[1]) * unit];
        lines.extend(glyph.iter().map(|stroke| stroke.iter().map(place).collect()));
        x += (width + SPACE) * unit;
    }
    (lines, (x - SPACE * unit).max(0.0))
}

/// Pairs of base-36 digits as points; what is no such pair is left out.
fn points(stroke: &str) -> Vec<[f64; 2]> {
    let digits: Vec<Option<u32>> = stroke.chars().map(|c| c.to_digit(36)).collect();
    let pair = |p: &[Option<u32>]| Some([f64::from(p[0]?), f64::from(p[1]?)]);
    digits.chunks_exact(2).filter_map(pair).collect()
}

/// The strokes of a letter.
fn strokes(c: char) -> &'static str {
    LETTERS.iter().find(|(letter, _)| *letter == c).map_or(BOX, |(_, strokes)| strokes)
}

const LETTERS: &[(char, &str)] = &[
    ('0', "2464878f6i2i0f0724"),
    ('1', "1e4i44"),
    ('2', "0f2i6i8g8d0484"),
    ('3', "0g2i6i8g8d6b3b 6b8986642406"),
    ('4', "646i0888"),
    ('5', "8i1i0c2d6d8b87642406"),
    ('6', "7i4i1e0a07246487896c2c09"),
    ('7', "0i8i34"),
    ('8', "2b0d0g2i6i8g8d6b2b0906246486896b"),
    ('9', "1444788c8f6i2i0f0d2a6a8d"),
    ('A', "044i84 2969"),
    ('B', "040i6i8g8d6b0b 6b89866404"),
    ('C', "8g6i2i0f07246486"),
    ('D', "040i5i8f875404"),
    ('E', "8i0i0484 0b6b"),
    ('F', "8i0i04 0b6b"),
    ('G', "8g6i2i0f072464878b5b"),
    ('H', "040i 848i 0b8b"),
    ('I', "040i"),
    ('J', "6i67442406"),
    ('K', "040i 8i0a 3c84"),
    ('L', "0i0484"),
    ('M', "040i59aia4"),
    ('N', "040i848i"),
    ('O', "2474979f7i2i0f0724"),
    ('P', "040i6i8g8c6a0a"),
    ('Q', "2474979f7i2i0f0724 6894"),
    ('R', "040i6i8g8c6a0a 4a84"),
    ('S', "8g6i2i0g0d2b6b8986642406"),
    ('T', "0i8i 4i44"),
    ('U', "0i072464878i"),
    ('V', "0i448i"),
    ('W', "0i346e94ci"),
    ('X', "048i 0i84"),
    ('Y', "0i4b8i 4b44"),
    ('Z', "0i8i0484"),
    ('a', "7c5e2e0c06245476 7e74"),
    ('b', "0i04 0c2e5e7c76542406"),
    ('c', "7c5e2e0c06245476"),
    ('d', "7i74 7c5e2e0c06245476"),
    ('e', "09797c5e2e0c06245475"),
    ('f', "5i4i2g24 0e5e"),
    ('g', "7e72502001 7c5e2e0c06245476"),
    ('h', "0i04 0c2e5e7c74"),
    ('i', "0e04 0h0i"),
    ('j', "3e321000 3h3i"),
    ('k', "0i04 6e09 2b74"),
    ('l', "0i04"),
    ('m', "0e04 0c2e3e5c54 5c7e8eaca4"),
    ('n', "0e04 0c2e5e7c74"),
    ('o', "2454767c5e2e0c0624"),
    ('p', "0e00 0c2e5e7c76542406"),
    ('q', "7e70 7c5e2e0c06245476"),
    ('r', "0e04 0b2e4e"),
    ('s', "6d5e1e0d0a19596865541405"),
    ('t', "2i263454 0e5e"),
    ('u', "0e06245476 7e74"),
    ('v', "0e347e"),
    ('w', "0e345c74ae"),
    ('x', "0e74 047e"),
    ('y', "0e34 7e2000"),
    ('z', "0e7e0474"),
    ('.', "0405"),
    (',', "1502"),
    (':', "0405 0c0d"),
    (';', "1502 1c1d"),
    ('-', "0b5b"),
    ('\u{2212}', "0b8b"),
    ('–', "0b8b"),
    ('+', "0b8b 4f47"),
    ('=', "0d8d 0989"),
    ('±', "0c8c 4g48 0484"),
    ('×', "168e 1e86"),
    ('→', "0b9b 6e9b68"),
    ('·', "0b0c"),
    ('°', "1i3i4g3e1e0g1i"),
    ('(', "3j1f1703"),
    (')', "0j2f2703"),
    ('[', "3j0j0333"),
    (']', "0j3j3303"),
    ('/', "037j"),
    ('|', "030j"),
    ('%', "048i 1f1i3i3f1f 5457777454"),
    ('\'', "0i0e"),
    ('’', "0i0e"),
    ('"', "0i0e 3i3e"),
    ('“', "0i0e 3i3e"),
    ('”', "0i0e 3i3e"),
    ('?', "0f2i5i7g7d3a38 3435"),
    ('!', "0i08 0405"),
    ('_', "0383"),
    ('#', "243i 647i 0c8c 0787"),
    ('*', "3h3b 0g6c 0c6g"),
    ('&', "841f2i4i5f0907245487"),
    ('@', "8c6e4d3a485778 8e8798acag6i2i0f072494"),
    ('<', "7e0b78"),
    ('>', "0e7b08"),
    ('▼', "0e8e440e"),
    ('▲', "044e8404"),
    ('○', "2454767c5e2e0c0624"),
    ('◇', "0b4f8b470b"),
    ('↕', "3i34 1f3i5f 173457"),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Capitals are 0.72 em high, and a text is as wide as its letters and the space between them.
    #[test]
    fn a_line_of_letters_has_its_size() {
        let (lines, width) = lettered("HH", 100.0);
        let top = lines.iter().flatten().map(|p| p[1]).fold(0.0, f64::min);
        assert!((top + 72.0).abs() < 1e-9, "{top}");
        assert!((width - 19.0 * 100.0 / UNITS).abs() < 1e-9, "{width}");
        assert_eq!(lettered("", 12.0), (Vec::new(), 0.0));
    }

    /// Every letter that figures use has strokes of two points or more; an unknown one is a box.
    #[test]
    fn every_letter_is_drawn() {
        for c in ('a'..='z').chain('A'..='Z').chain('0'..='9').chain("−±×→·().,:?=▼▲".chars()) {
            assert!(lettered(&c.to_string(), 12.0).0.iter().all(|s| s.len() > 1), "{c}");
            assert_ne!(strokes(c), BOX, "{c}");
        }
        assert!(!lettered("\u{5e9}", 12.0).0.is_empty());
        assert_eq!(lettered("ü", 12.0).0.len(), lettered("u", 12.0).0.len() + 1);
    }
}
