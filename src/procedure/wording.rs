//! Numbers and lists as words.

/// A ratio of powers in decibels, as text.
pub(super) fn decibel(ratio: f64) -> String {
    format!("{:.1} dB", 10.0 * ratio.log10())
}

/// A length in metres, as text.
pub(super) fn metres(length_m: f64) -> String {
    format!("{length_m:.2} m")
}

/// A frequency, as bands are called: no decimals from 100 Hz, one below.
pub(super) fn hertz(frequency_hz: f64) -> String {
    if frequency_hz < 99.95 { format!("{frequency_hz:.1} Hz") } else { format!("{frequency_hz:.0} Hz") }
}

/// `1 file`, `2 files`; irregular plurals are those of the nouns used here.
pub(super) fn count(number: usize, noun: &str) -> String {
    if number == 1 { format!("1 {noun}") } else { format!("{number} {}", plural(noun)) }
}

/// The same with small numbers as words, for sentences.
pub(super) fn counted(number: usize, noun: &str) -> String {
    const WORDS: [&str; 12] =
        ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"];
    let digits = count(number, noun);
    match number.checked_sub(1).and_then(|i| WORDS.get(i)) {
        Some(word) => digits.replacen(&number.to_string(), word, 1),
        None => digits,
    }
}

/// The plural of a noun phrase whose head may have a tail (`band short of …`).
fn plural(noun: &str) -> String {
    let heads = [("entry for", "entries for"), ("word on", "words on")];
    if let Some((one, many)) = heads.iter().find(|(one, _)| noun.starts_with(one)) {
        return noun.replacen(one, many, 1);
    }
    for tail in [" to ", " short of ", " limited by ", " without ", " cut ", " of ", " at ", " in "] {
        if let Some((head, rest)) = noun.split_once(tail) {
            return format!("{head}s{tail}{rest}");
        }
    }
    format!("{noun}s")
}

/// The first few of a list, and how many more there are.
pub(super) fn few(items: &[String]) -> String {
    const SHOWN: usize = 4;
    match items.len() {
        0..=SHOWN => items.join(", "),
        all => format!("{} and {} more", items[..SHOWN].join(", "), all - SHOWN),
    }
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn joined(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_lists() {
        assert_eq!(count(1, "microphone distance"), "1 microphone distance");
        assert_eq!(count(2, "microphone distance"), "2 microphone distances");
        assert_eq!(count(2, "distance to the source"), "2 distances to the source");
        assert_eq!(count(3, "band short of decay range"), "3 bands short of decay range");
        assert_eq!(count(2, "entry for the report"), "2 entries for the report");
        assert_eq!(counted(2, "microphone height"), "two microphone heights");
        assert_eq!(counted(13, "microphone height"), "13 microphone heights");
        assert_eq!(decibel(1e3), "30.0 dB");
        assert_eq!((hertz(63.0957).as_str(), hertz(125.89).as_str()), ("63.1 Hz", "126 Hz"));
        let names: Vec<String> = ["a", "b", "c", "d", "e"].map(String::from).to_vec();
        assert_eq!(few(&names), "a, b, c, d and 1 more");
        assert_eq!(joined(&names[..3]), "a, b and c");
        assert_eq!(joined(&names[..1]), "a");
    }
}
