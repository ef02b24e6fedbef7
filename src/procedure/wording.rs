//! Numbers and lists as words.

use crate::filter::nominal_hz;
use crate::language::{Message, number, say};

/// Items of a list that are named.
pub(super) const SHOWN: usize = 4;

/// A ratio of powers in decibels, as text.
pub(super) fn decibel(ratio: f64) -> String {
    format!("{:.1} dB", 10.0 * ratio.log10())
}

/// The nominal frequency of a band: no decimals but where it has one (31.5 Hz).
pub(super) fn band_hertz(centre_hz: f64) -> String {
    band(centre_hz).to_string()
}

/// A frequency of a mode: no decimals from 100 Hz, one below.
pub(super) fn hertz(frequency_hz: f64) -> String {
    if frequency_hz < 99.95 { format!("{frequency_hz:.1} Hz") } else { format!("{frequency_hz:.0} Hz") }
}

/// The first few of a list, and how many more there are.
pub(super) fn few(items: &[String]) -> String {
    crate::language::few(items, SHOWN)
}

/// The first few of a list of messages, and how many more there are.
pub(super) fn first_few(mut items: Vec<Message>) -> Message {
    let more = items.len().saturating_sub(SHOWN);
    items.truncate(SHOWN);
    shortest(items, more)
}

/// Messages one after another, and how many more there are.
pub(super) fn shortest(items: Vec<Message>, more: usize) -> Message {
    let listed = Message::row(items, ", ");
    if more == 0 { listed } else { say!("list.more", items = listed, more = number(more as f64, 0)) }
}

/// A length in metres.
pub(super) fn length(length_m: f64) -> Message {
    say!("unit.metres", m = number(length_m, 2))
}

/// The nominal frequency of a band.
pub(super) fn band(centre_hz: f64) -> Message {
    let nominal = nominal_hz(centre_hz);
    say!("unit.hertz", hz = number(nominal, usize::from(nominal.fract() > 0.01)))
}

/// A ratio of powers in decibels.
pub(super) fn decibels(ratio: f64) -> Message {
    say!("unit.decibels", db = number(10.0 * ratio.log10(), 1))
}

/// A name with a value.
pub(super) fn named(name: &str, value: Message) -> Message {
    say!("list.named", name = name, value = value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_lists() {
        assert_eq!(decibel(1e3), "30.0 dB");
        assert_eq!((hertz(63.0957).as_str(), hertz(125.89).as_str()), ("63.1 Hz", "126 Hz"));
        let bands = [31.62, 63.0957, 125.89, 6309.6].map(band_hertz);
        assert_eq!(bands, ["31.5 Hz", "63 Hz", "125 Hz", "6300 Hz"]);
        let names: Vec<String> = ["a", "b", "c", "d", "e"].map(String::from).to_vec();
        assert_eq!(few(&names), "a, b, c, d and 1 more");
        let messages: Vec<Message> = names.iter().map(|n| Message::plain(n.as_str())).collect();
        assert_eq!(first_few(messages), "a, b, c, d and 1 more");
    }
}
