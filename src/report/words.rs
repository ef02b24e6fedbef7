//! The words that report and screen share, in plain language.

use crate::table::number;
use std::borrow::Cow;

/// Text as it may be shown: each control character, and each that turns the writing direction of what
/// follows (Unicode, UAX #9: embeddings, overrides, isolates, marks), becomes U+FFFD.
#[must_use]
pub fn shown(text: &str) -> Cow<'_, str> {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{61c}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let bad = |c: char| c.is_control() || turns(c) || matches!(c, '\u{2028}' | '\u{2029}');
    if !text.chars().any(bad) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().map(|c| if bad(c) { '\u{FFFD}' } else { c }).collect())
}

/// What a verdict's word in the tables is called in the report: a mark, which never stands alone, and
/// plain words.
#[must_use]
pub fn verdict(word: &str) -> (&'static str, &'static str) {
    match word {
        "gone" => ("○", "gone"),
        "shorter" => ("▼", "shorter"),
        "longer" => ("▲", "longer"),
        "chain" => ("◇", "measuring chain"),
        "level-only" => ("↕", "level only"),
        "unchanged" => ("=", "as before"),
        "new" => ("+", "new"),
        _ => ("?", "can’t tell"),
    }
}

/// `2 0 1` as "2 × length, 1 × height"; `None` for anything that names no mode.
#[must_use]
pub fn half_waves(axes: &str) -> Option<String> {
    let numbers: Vec<u32> = axes.split(' ').map(str::parse).collect::<Result<_, _>>().ok()?;
    let sides = numbers.iter().zip(["length", "width", "height"]).filter(|(n, _)| **n > 0);
    let along: Vec<String> = sides.map(|(n, side)| format!("{n} × {side}")).collect();
    (numbers.len() == 3 && !along.is_empty()).then(|| along.join(", "))
}

/// A count with its noun: "1 place", "3 places".
#[must_use]
pub fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

/// Hertz for reading: "33.2 Hz".
#[must_use]
pub fn hertz(value: f64) -> String {
    format!("{value:.1} Hz")
}

/// Seconds for reading: "1.69 s".
#[must_use]
pub fn seconds(value: f64) -> String {
    format!("{value:.2} s")
}

/// A value with half its 95 % interval, never finer than `least`; the bare value where nothing is known of it.
#[must_use]
pub fn plus_minus(estimate: crate::estimate::Estimate, least: f64) -> String {
    let spread = estimate.sd.map(|sd| (crate::estimate::SD_PER_95 * sd).max(least));
    spread
        .and_then(|spread| number::plus_minus(estimate.value, spread))
        .unwrap_or_else(|| format!("{:.2}", estimate.value))
}

/// A number with a true minus sign; a rounded zero has none.
#[must_use]
pub fn signed(value: f64, digits: usize) -> String {
    let text = format!("{value:+.digits$}");
    if text.chars().all(|c| !c.is_ascii_digit() || c == '0') {
        return text.trim_start_matches(['+', '-']).to_owned();
    }
    text.replace('-', "\u{2212}")
}

/// Names in a row: "a", "a and b", "a, b and c".
#[must_use]
pub fn joined(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// A text of at most `width` characters: a longer one loses its middle, as names differ at their ends.
#[must_use]
pub fn shortened(text: &str, width: usize) -> String {
    let length = text.chars().count();
    if length <= width {
        return text.to_owned();
    }
    let kept = width.saturating_sub(1);
    let (head, tail) = (kept.div_ceil(3), kept - kept.div_ceil(3));
    text.chars().take(head).chain(['…']).chain(text.chars().skip(length - tail)).collect()
}

/// A place: its position, and the source where there is one.
#[must_use]
pub fn place(position: &str, source: &str) -> String {
    if source.is_empty() { position.to_owned() } else { format!("{position} (source {source})") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;
    use crate::table::words::VERDICTS;

    #[test]
    fn every_verdict_has_a_mark_and_words_of_its_own() {
        let all: std::collections::BTreeSet<_> = VERDICTS.iter().map(|(word, _)| verdict(word)).collect();
        assert_eq!(all.len(), VERDICTS.len());
    }

    #[test]
    fn half_waves_in_words() {
        for (axes, text) in [
            ("1 0 0", Some("1 × length")),
            ("2 0 1", Some("2 × length, 1 × height")),
            ("0 3 0", Some("3 × width")),
            ("0 0 0", None),
            ("", None),
            ("1 0", None),
            ("a b c", None),
        ] {
            assert_eq!(half_waves(axes).as_deref(), text, "{axes}");
        }
    }

    #[test]
    fn numbers_and_lists_by_hand() {
        assert_eq!(signed(-1.25, 1), "\u{2212}1.2");
        assert_eq!(signed(0.04, 1), "0.0");
        assert_eq!(signed(2.0, 0), "+2");
        assert_eq!(joined(&["a".into(), "b".into(), "c".into()]), "a, b and c");
        assert_eq!(counted(1, "mode"), "1 mode");
        assert_eq!((shortened("setting-10", 7), shortened("a", 3)), ("se…g-10".into(), "a".into()));
        assert_eq!(plus_minus(Estimate::new(1.694, 0.005), 0.01), "1.694 ± 0.010");
        assert_eq!(plus_minus(Estimate::exact(1.694), 0.01), "1.69");
    }

    #[test]
    fn what_commands_a_screen_is_replaced() {
        assert_eq!(shown("a\u{202e}b\u{1b}[31m\u{2066}"), "a\u{FFFD}b\u{FFFD}[31m\u{FFFD}");
        assert!(matches!(shown("Tür 1 – שלום"), Cow::Borrowed(_)));
    }
}
