//! The words that report and screen share, in plain language.

use crate::language::{Message, number, say};
use crate::session::turns_text;
use crate::table::number as printed;
use std::borrow::Cow;

/// So far under the place where it was loudest a resonance is near a null, dB. Common practice, no source.
pub(super) const NULL_DB: f64 = 20.0;

/// Text as it may be shown: each control character, and each that turns the writing direction of what
/// follows (Unicode, UAX #9: embeddings, overrides, isolates, marks), becomes U+FFFD.
#[must_use]
pub fn shown(text: &str) -> Cow<'_, str> {
    let bad = |c: char| c.is_control() || turns_text(c);
    if !text.chars().any(bad) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().map(|c| if bad(c) { '\u{FFFD}' } else { c }).collect())
}

/// What a verdict's word in the tables is called in the report: a mark, which never stands alone, and
/// plain words.
#[must_use]
pub fn verdict(word: &str) -> (&'static str, Message) {
    match word {
        "gone" => ("○", say!("verdict.gone")),
        "shorter" => ("▼", say!("verdict.shorter")),
        "longer" => ("▲", say!("verdict.longer")),
        "chain" => ("◇", say!("verdict.chain")),
        "level-only" => ("↕", say!("verdict.level-only")),
        "unchanged" => ("=", say!("verdict.unchanged")),
        "new" => ("+", say!("verdict.new")),
        _ => ("?", say!("verdict.unsure")),
    }
}

/// `2 0 1` as "mode (2,0,1)"; `None` for anything that names no mode.
#[must_use]
pub fn half_waves(axes: &str) -> Option<Message> {
    let numbers: Vec<u32> = axes.split(' ').map(str::parse).collect::<Result<_, _>>().ok()?;
    let [length, width, height] = <[u32; 3]>::try_from(numbers).ok()?.map(|n| number(f64::from(n), 0));
    let named = axes != "0 0 0";
    named.then(|| say!("waves.mode", length = length, width = width, height = height))
}

/// Hertz for reading: "33.2 Hz".
#[must_use]
pub fn hertz(value: f64) -> Message {
    say!("unit.hertz", hz = number(value, 1))
}

/// A power in decibels, with a floor far under all that is shown.
pub(super) fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}

/// Seconds for reading: "1.69 s".
#[must_use]
pub fn seconds(value: f64) -> Message {
    say!("unit.seconds", s = number(value, 2))
}

/// A value with half its 95 % interval, to two decimals at most; the bare value where nothing is known of it.
#[must_use]
pub fn plus_minus(estimate: crate::estimate::Estimate) -> String {
    estimate
        .sd
        .and_then(|sd| printed::spread(estimate.value, crate::estimate::SD_PER_95 * sd))
        .unwrap_or_else(|| format!("{:.2}", estimate.value))
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
pub fn place(position: &str, source: &str) -> Message {
    if source.is_empty() {
        Message::plain(position)
    } else {
        say!("place.of-source", place = position, source = source)
    }
}

/// Places by their names.
#[must_use]
pub fn places(of: &[(String, String)]) -> Vec<String> {
    of.iter().map(|(position, source)| place(position, source).to_string()).collect()
}

/// What a position is for, by its word in the tables.
#[must_use]
pub fn role(word: &str) -> Message {
    match word {
        "listening" => say!("place.listening"),
        "boundary" => say!("place.boundary"),
        _ => say!("place.other"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;
    use crate::table::words::VERDICTS;

    #[test]
    fn every_verdict_has_a_mark_and_words_of_its_own() {
        let said = |(word, _): &(&str, &str)| (verdict(word).0, verdict(word).1.to_string());
        let all: std::collections::BTreeSet<_> = VERDICTS.iter().map(said).collect();
        assert_eq!(all.len(), VERDICTS.len());
    }

    /// One word for one thing: what a file's name calls `@source` is a loudspeaker to the reader, in every sentence.
    #[test]
    fn a_loudspeaker_is_called_nothing_else() {
        assert_eq!(place("seat", "left"), "seat (loudspeaker left)");
        let file = include_str!("../language/en.toml");
        let said =
            file.lines().filter(|line| !line.starts_with('#')).filter_map(|line| line.split_once(" = "));
        for (key, text) in said {
            let own = text.replace("{source}", "").replace("{sources}", "");
            let named =
                own.split(|c: char| !c.is_alphabetic()).any(|word| matches!(word, "source" | "sources"));
            assert!(!named, "{key} = {text}");
        }
    }

    #[test]
    fn a_mode_of_a_box_by_its_indices() {
        for (axes, text) in [
            ("1 0 0", Some("mode (1,0,0)")),
            ("2 0 1", Some("mode (2,0,1)")),
            ("0 0 0", None),
            ("", None),
            ("1 0", None),
            ("a b c", None),
        ] {
            assert_eq!(half_waves(axes).map(|m| m.to_string()).as_deref(), text, "{axes}");
        }
    }

    #[test]
    fn numbers_and_lists_by_hand() {
        assert_eq!(hertz(33.21), "33.2 Hz");
        assert_eq!(seconds(1.694), "1.69 s");
        assert_eq!((shortened("setting-10", 7), shortened("a", 3)), ("se…g-10".into(), "a".into()));
        // 0.005 is the least that is shown, and carries no thousandth.
        assert_eq!(plus_minus(Estimate::new(1.694, 0.002)), "1.69 ± 0.01");
        assert_eq!(plus_minus(Estimate::new(0.7914, 0.0123)), "0.79 ± 0.02");
        assert_eq!(plus_minus(Estimate::new(12.34, 0.7)), "12.3 ± 1.4");
        assert_eq!(plus_minus(Estimate::exact(1.694)), "1.69");
    }

    #[test]
    fn what_commands_a_screen_is_replaced() {
        assert_eq!(shown("a\u{202e}b\u{1b}[31m\u{2066}"), "a\u{FFFD}b\u{FFFD}[31m\u{FFFD}");
        assert!(matches!(shown("Tür 1 – שלום"), Cow::Borrowed(_)));
    }
}
