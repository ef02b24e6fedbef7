//! When two names are the same, and which of two comes first.

use unicode_normalization::UnicodeNormalization;

/// Key under which spellings of one name meet: case folded, then composed (NFC).
///
/// Folding goes by upper then lower case (so `ß`, `SS` and the final sigma meet), the dotless `ı`
/// apart, which Unicode's default folding (CaseFolding.txt, status C and F) keeps distinct from `i`.
#[must_use]
pub fn fold(name: &str) -> String {
    if name.is_ascii() {
        // The same, for most names and at a fraction of the time.
        return name.to_ascii_lowercase();
    }
    let folded: String = name.nfd().flat_map(fold_char).collect();
    folded.nfc().collect()
}

fn fold_char(c: char) -> impl Iterator<Item = char> {
    let dotless = (c == 'ı').then_some(c);
    let others = (c != 'ı').then(|| c.to_uppercase().flat_map(char::to_lowercase));
    dotless.into_iter().chain(others.into_iter().flatten())
}

/// The composed form (NFC) of a name: some systems hand out `ü` as two characters.
#[must_use]
pub fn composed(name: &str) -> String {
    name.nfc().collect()
}

/// What a folder or file is called in tables: composed, without blanks around it.
#[must_use]
pub fn as_name(text: &str) -> String {
    let name = composed(text.trim());
    // A folder may be called by a blank alone; tables need something to print.
    if name.is_empty() { "_".to_owned() } else { name }
}

/// Sort key of names as people count: `setting-2` before `setting-10`, case and Unicode form ignored.
///
/// A total order: names that differ only in spelling or leading zeros follow their bytes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct NaturalKey {
    chunks: Vec<Chunk>,
    spelling: String,
}

/// A run of digits or of anything else. Digits come first, shorter numbers before longer ones.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Chunk {
    Number { digits: usize, value: String },
    Text(String),
}

impl NaturalKey {
    /// The key of one name.
    #[must_use]
    pub fn new(name: &str) -> Self {
        let folded = fold(name);
        let mut rest = folded.as_str();
        let mut chunks = Vec::new();
        while let Some(first) = rest.chars().next() {
            let numeric = first.is_ascii_digit();
            let end = rest.find(|c: char| c.is_ascii_digit() != numeric).unwrap_or(rest.len());
            let (run, after) = rest.split_at(end);
            chunks.push(if numeric { number(run) } else { Chunk::Text(run.to_owned()) });
            rest = after;
        }
        Self { chunks, spelling: name.to_owned() }
    }
}

fn number(run: &str) -> Chunk {
    let value = run.trim_start_matches('0');
    Chunk::Number { digits: value.len(), value: value.to_owned() }
}

/// The entry most like `name`, if any is like enough to be a slip of the keyboard.
///
/// Jaro-Winkler similarity (Winkler 1990) of the folded names, 0.8 or more; the bound is our choice:
/// it found the right key in every slip tried.
#[must_use]
pub fn closest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let name = fold(name);
    let mut best: Option<(f64, &str)> = None;
    for entry in known {
        let likeness = strsim::jaro_winkler(&name, &fold(entry));
        if likeness >= 0.8 && best.is_none_or(|(most, _)| likeness > most) {
            best = Some((likeness, entry));
        }
    }
    best.map(|(_, entry)| entry)
}

/// A name fit for a message: control and direction characters escaped, so that a file's name can't
/// move the terminal's cursor or turn a line around.
#[must_use]
pub fn plain(name: &str) -> String {
    let mut text = String::with_capacity(name.len());
    for c in name.chars() {
        if c.is_control() || turns_text(c) {
            text.extend(c.escape_unicode());
        } else {
            text.push(c);
        }
    }
    text
}

/// Unicode's explicit direction marks (UAX #9, 2.1 to 2.6) and line separators.
#[must_use]
pub fn turns_text(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::cmp::Ordering;

    fn natural(a: &str, b: &str) -> Ordering {
        NaturalKey::new(a).cmp(&NaturalKey::new(b))
    }

    #[test]
    fn numbers_in_names_are_counted() {
        let mut names =
            ["setting-10", "Setting-2", "setting-1", "setting", "10", "9", "setting-3", "setting-02", "alt"];
        names.sort_by(|a, b| natural(a, b));
        assert_eq!(
            names,
            ["9", "10", "alt", "setting", "setting-1", "Setting-2", "setting-02", "setting-3", "setting-10"]
        );
    }

    #[test]
    fn numbers_longer_than_any_integer_are_compared() {
        let long = "7".repeat(60);
        assert_eq!(natural(&format!("a{long}"), &format!("a{long}0")), Ordering::Less);
    }

    /// Unicode 15 CaseFolding.txt: `ß` folds to `ss`, `ς` to `σ`; `ü` and `u`+U+0308 are
    /// canonically equal (UAX #15).
    #[test]
    fn spellings_of_one_name_meet() {
        for (a, b) in [("Küche", "KU\u{308}CHE"), ("Straße", "STRASSE"), ("ΧΩΡΟΣ", "χωρος"), ("Seat", "sEAT")]
        {
            assert_eq!(fold(a), fold(b));
        }
        for (a, b) in [("seat", "seat "), ("u", "ü"), ("ı", "i")] {
            assert_ne!(fold(a), fold(b));
        }
    }

    #[test]
    fn slips_find_their_word_and_others_none() {
        assert_eq!(closest("lenght", ["length", "width", "height"]), Some("length"));
        assert_eq!(closest("Listening", ["listening", "boundary", "other"]), Some("listening"));
        assert_eq!(closest("zzz", ["length", "width"]), None);
    }

    #[test]
    fn a_name_cannot_move_the_cursor() {
        assert_eq!(plain("a\u{1b}[2Jb\u{202e}c\nü"), "a\\u{1b}[2Jb\\u{202e}c\\u{a}ü");
    }

    proptest! {
        #[test]
        fn order_is_total(a in ".{0,12}", b in ".{0,12}", c in ".{0,12}") {
            prop_assert_eq!(natural(&a, &b), natural(&b, &a).reverse());
            prop_assert_eq!(natural(&a, &b) == Ordering::Equal, a == b);
            let mut names = [a, b, c];
            names.sort_by(|x, y| natural(x, y));
            prop_assert!(natural(&names[0], &names[2]) != Ordering::Greater);
        }

        #[test]
        fn folding_twice_changes_nothing(a in ".{0,16}") {
            prop_assert_eq!(fold(&fold(&a)), fold(&a));
            // With a letter that is not ASCII the general way is taken.
            prop_assert_eq!(fold(&format!("{a}ß")), fold(&a) + "ss");
        }
    }
}
