use super::*;
use crate::language::{number, say};
use std::path::Path;

/// What all texts of `src/` outside its tests hold between quotes.
fn quoted() -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let text = std::fs::read_to_string(path).unwrap();
                let code = text.split("#[cfg(test)]").next().unwrap_or_default();
                found.extend(code.split('"').map(str::to_owned));
            }
        }
    }
    found
}

/// Endings of files, whose names look like keys.
const ENDINGS: [&str; 5] = ["toml", "csv", "wav", "json", "html"];

fn of_flag(key: &str) -> bool {
    key.starts_with("flag.") || key.starts_with("advice.")
}

#[test]
fn every_sentence_is_said_somewhere_and_none_is_missing() {
    let quoted = quoted();
    let english = Language::english();
    let parts: BTreeSet<&str> = english.keys().filter_map(|key| Some(key.split_once('.')?.0)).collect();
    let unused: Vec<&str> = english.keys().filter(|key| !of_flag(key) && !quoted.contains(*key)).collect();
    assert!(unused.is_empty(), "said nowhere: {unused:?}");
    let is_key = |text: &&String| {
        let name = |part: &str| {
            !part.is_empty() && part.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        };
        text.split_once('.')
            .is_some_and(|(part, rest)| parts.contains(part) && name(rest) && !ENDINGS.contains(&rest))
    };
    let missing: Vec<&String> =
        quoted.iter().filter(is_key).filter(|text| english.keys().all(|key| key != text.as_str())).collect();
    assert!(missing.is_empty(), "without a sentence: {missing:?}");
}

#[test]
fn german_has_every_key_and_the_same_values() {
    let (german, missing) =
        Language::read(include_str!("../de.toml")).unwrap_or_else(|faults| panic!("{faults:#?}"));
    assert!(missing.is_empty(), "{missing:?}");
    assert_eq!(Some(&german), Language::known("de"));
    assert!(parsed(include_str!("../en.toml")).1.is_empty());
    let (english, lacking) = Language::read(include_str!("../../../docs/reference/report-en.toml")).unwrap();
    assert_eq!((&english, lacking.len()), (Language::english(), 0), "as the reference writes it, it is read");
}

/// What is the same word or unit in both languages, and nothing else.
#[test]
fn german_sentences_are_german() {
    let german = Language::known("de").unwrap();
    let same =
        german.keys().filter(|key| german.sentences.get(*key) == Language::english().sentences.get(*key));
    let words = |key: &&str| {
        let text: String = german
            .pieces(key, None)
            .iter()
            .filter_map(|p| if let Piece::Words(w) = p { Some(*w) } else { None })
            .collect();
        text.split(|c: char| !c.is_alphabetic()).filter(|word| word.chars().count() > 3).count() > 0
    };
    let alike: Vec<&str> = same.filter(words).collect();
    assert_eq!(alike, ["part.absorber", "visit.signal"]);
}

#[test]
fn sentences_by_hand() {
    let german = Language::known("de").unwrap();
    let list: Vec<String> = ["a", "b", "c"].map(str::to_owned).to_vec();
    let moved = say!("limits.moved-microphone", places = list);
    assert_eq!(
        german.say(&moved),
        "Die Lautstärke an a, b und c: Das Mikrofon scheint bewegt worden zu sein."
    );
    assert_eq!(moved, "Loudness at a, b and c: the microphone seems to have moved.");
    assert_eq!(german.say(&say!("unit.hertz", hz = number(33.21, 1))), "33,2 Hz");
    assert_eq!(say!("procedure.unanswered", line = "x", n = 1), "x; 1 not stated in session.toml");
    assert_eq!(say!("alone.modes", n = 1), "1 resonance");
    assert_eq!(say!("alone.modes", n = 2), "2 resonances");
    assert_eq!(say!("miss.microphone-distance", n = Value::Spelled(2)), "two microphone distances");
    assert_eq!(say!("miss.microphone-distance", n = Value::Spelled(13)), "13 microphone distances");
    assert_eq!(say!("modes-change.summary", parts = "a; b"), "A; b.");
}

#[test]
fn braces_that_are_no_value_stay() {
    assert_eq!(
        pieces("a {b|upper} {c"),
        [Piece::Words("a "), Piece::Hole("b", Some(true)), Piece::Words(" {c")]
    );
    assert_eq!(pieces(""), []);
}
