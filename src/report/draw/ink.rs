//! The few colours that all figures and the page share, light and dark.

/// What a line or a text stands for; the page's style sheet gives it its colour, light or dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// What is read.
    Text,
    /// Labels and notes.
    Quiet,
    /// Axes and ticks.
    Rule,
    /// The state before.
    Before,
    /// The state after.
    After,
    /// A limit.
    Limit,
    /// The ground.
    Paper,
}

impl Ink {
    /// All inks.
    pub const ALL: [Ink; 7] =
        [Ink::Text, Ink::Quiet, Ink::Rule, Ink::Before, Ink::After, Ink::Limit, Ink::Paper];

    /// Name in the style sheet; red, green, blue on a light ground and on a dark one.
    fn looks(self) -> (&'static str, [u8; 3], [u8; 3]) {
        match self {
            Ink::Text => ("text", [0x22, 0x26, 0x2b], [0xec, 0xea, 0xe4]),
            Ink::Quiet => ("quiet", [0x58, 0x5e, 0x66], [0xb0, 0xb4, 0xba]),
            Ink::Rule => ("rule", [0xb9, 0xb6, 0xac], [0x5a, 0x5f, 0x66]),
            Ink::Before => ("before", [0xa2, 0x45, 0x16], [0xf2, 0xa2, 0x72]),
            Ink::After => ("after", [0x0f, 0x5f, 0x7d], [0x74, 0xc6, 0xe2]),
            Ink::Limit => ("limit", [0x6b, 0x2f, 0x78], [0xd9, 0xa6, 0xe6]),
            Ink::Paper => ("paper", [0xff, 0xfe, 0xfb], [0x1a, 0x1d, 0x21]),
        }
    }

    /// Name in the style sheet.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.looks().0
    }

    /// Red, green, blue on a light ground: the page by day, print, files.
    #[must_use]
    pub fn light(self) -> [u8; 3] {
        self.looks().1
    }

    /// Red, green, blue on a dark ground: the page by night.
    #[must_use]
    pub fn dark(self) -> [u8; 3] {
        self.looks().2
    }
}

/// A colour as style sheets and SVG write it.
#[must_use]
pub fn hex([r, g, b]: [u8; 3]) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast ratio as defined in WCAG 2.2 (W3C Recommendation, 2023).
    fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
        let luminance = |colour: [u8; 3]| {
            let [r, g, b] = colour.map(|c| {
                let c = f64::from(c) / 255.0;
                if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (high, low) = (luminance(a).max(luminance(b)), luminance(a).min(luminance(b)));
        (high + 0.05) / (low + 0.05)
    }

    /// WCAG 2.2, 1.4.3: 4.5 to 1 for text. Black on white is 21 by the same definition.
    #[test]
    fn text_reads_on_both_grounds() {
        assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
        for ink in [Ink::Text, Ink::Quiet, Ink::Before, Ink::After, Ink::Limit] {
            assert!(contrast(ink.light(), Ink::Paper.light()) >= 4.5, "{} by day", ink.name());
            assert!(contrast(ink.dark(), Ink::Paper.dark()) >= 4.5, "{} by night", ink.name());
        }
    }
}
