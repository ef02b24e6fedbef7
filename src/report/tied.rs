//! A number and its unit stay on one line.
//!
//! Done on the finished page and not in the sentences: those go to tables and screens too, where a no-break space would
//! be a word that nobody finds; a unit may follow its number across a tag (`<b>174</b> Hz`), in a text of the user's, or
//! in the sentence of a translation. Only this page's own markup is read: maud escapes `<` in text, and of tags whose content
//! isn't text for readers there are `style`, `script` and `code`.

/// Units that follow a number after a blank (SI brochure, 5.4.3).
const UNITS: [&str; 9] = ["Hz", "kHz", "%", "s", "ms", "m", "m³", "dB", "°C"];
/// U+00A0: as wide as the blank, without a break.
const NO_BREAK: char = '\u{a0}';

/// The page with a no-break space between each number and its unit; what is no text for readers stays as it is.
pub(super) fn tied(page: &str) -> String {
    let mut tied = String::with_capacity(page.len() + page.len() / 64);
    let (mut rest, mut last) = (page, ' ');
    while !rest.is_empty() {
        let end = if rest.starts_with('<') {
            let of = |name: &str| rest.starts_with(&format!("<{name}"));
            let whole = ["style", "script", "code"].into_iter().find(|name| of(name));
            let close = whole.map_or_else(|| ">".to_owned(), |name| format!("</{name}>"));
            rest.find(&close).map_or(rest.len(), |at| at + close.len())
        } else {
            rest.find('<').unwrap_or(rest.len())
        };
        let (part, after) = rest.split_at(end);
        if part.starts_with('<') {
            tied.push_str(part);
        } else {
            for (at, c) in part.char_indices() {
                let before_unit = c == ' ' && last.is_ascii_digit() && starts_with_unit(&part[at + 1..]);
                tied.push(if before_unit { NO_BREAK } else { c });
                last = c;
            }
        }
        rest = after;
    }
    tied
}

fn starts_with_unit(text: &str) -> bool {
    let is = |unit: &&str| {
        text.strip_prefix(*unit).is_some_and(|rest| !rest.starts_with(|c: char| c.is_alphanumeric()))
    };
    UNITS.iter().any(is)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_stay_with_their_numbers() {
        for (text, expected) in [
            ("<p>55 % shorter</p>", "<p>55\u{a0}% shorter</p>"),
            ("<b>174</b> Hz, 2 m³", "<b>174</b>\u{a0}Hz, 2\u{a0}m³"),
            ("1.25 kHz: 0.6 s; 5 seats, 3 modes", "1.25\u{a0}kHz: 0.6\u{a0}s; 5 seats, 3 modes"),
            (
                "<style>a{margin:1 s}</style><i title=\"5 s\">5 s</i>",
                "<style>a{margin:1 s}</style><i title=\"5 s\">5\u{a0}s</i>",
            ),
            ("seat 2 Hz", "seat 2\u{a0}Hz"),
            ("a < b", "a < b"),
        ] {
            assert_eq!(tied(text), expected);
        }
    }
}
