//! A language's file: its sentences by key, and what is wrong with it.

use super::message::{Message, Value};
use crate::flag::Flag;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

static ENGLISH: LazyLock<Language> =
    LazyLock::new(|| Language::of_text(include_str!("en.toml")).with_flags());
static GERMAN: LazyLock<Language> = LazyLock::new(|| Language::of_text(include_str!("de.toml")));

/// Table of the file that holds what is no sentence: `tag` and `decimal`.
const ABOUT: &str = "language";

/// Numbers from one that sentences spell out.
const SPELLED: [&str; 12] = [
    "spelled.one",
    "spelled.two",
    "spelled.three",
    "spelled.four",
    "spelled.five",
    "spelled.six",
    "spelled.seven",
    "spelled.eight",
    "spelled.nine",
    "spelled.ten",
    "spelled.eleven",
    "spelled.twelve",
];

/// Sentences of one language.
#[derive(Debug, Clone, PartialEq)]
pub struct Language {
    tag: String,
    decimal: String,
    sentences: BTreeMap<String, Sentence>,
}

/// One sentence, or its two forms where it counts something.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Sentence {
    One(String),
    Counted { one: String, other: String },
}

/// A part of a sentence: words, or the name of the value that goes there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece<'a> {
    /// Words.
    Words(&'a str),
    /// A value, its first letter turned upper (`true`) or lower (`false`) or left as it is.
    Hole(&'a str, Option<bool>),
}

/// Something wrong in a language's file.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Fault {
    /// Where it stands, a byte of the text.
    pub at: usize,
    /// What is wrong with which key.
    pub what: String,
    /// What may stand there.
    pub allowed: String,
    /// The key that was written and is unknown.
    pub unknown: Option<String>,
}

impl Language {
    /// English: what tables and screens speak.
    #[must_use]
    pub fn english() -> &'static Language {
        &ENGLISH
    }

    /// A language that this program brings, by its tag.
    #[must_use]
    pub fn known(tag: &str) -> Option<&'static Language> {
        match tag {
            "en" => Some(&ENGLISH),
            "de" => Some(&GERMAN),
            _ => None,
        }
    }

    /// Tags of the languages that this program brings.
    pub const KNOWN: [&'static str; 2] = ["en", "de"];

    /// A language from its file, with the keys of English that it lacks.
    ///
    /// # Errors
    /// All that is wrong: no TOML, unknown keys, values that are no sentence, other `{names}` than English has.
    pub fn read(text: &str) -> Result<(Self, Vec<String>), Vec<Fault>> {
        let (read, mut faults) = parsed(text);
        let english = Language::english();
        for (key, at) in &read.places {
            match (english.sentences.get(key), read.language.sentences.get(key)) {
                (Some(known), Some(own)) if known.holes() != own.holes() => faults.push(Fault {
                    at: *at,
                    what: format!("`{key}` has other places for values than English has"),
                    allowed: list_of_holes(known),
                    unknown: None,
                }),
                (None, Some(_)) => faults.push(Fault {
                    at: *at,
                    what: format!("unknown key `{key}`"),
                    allowed: String::new(),
                    unknown: Some(key.clone()),
                }),
                _ => {}
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let missing = english.keys().filter(|key| !read.language.sentences.contains_key(*key));
        let missing = missing.map(str::to_owned).collect();
        Ok((read.language, missing))
    }

    /// A language from a text that tests hold to be right.
    fn of_text(text: &str) -> Self {
        parsed(text).0.language
    }

    /// Tag of the page (BCP 47), as in `de`.
    #[must_use]
    pub fn tag(&self) -> &str {
        &self.tag
    }

    /// Keys of all sentences.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.sentences.keys().map(String::as_str)
    }

    /// A sentence without values.
    #[must_use]
    pub fn text(&self, key: &'static str) -> String {
        self.say(&Message::new(key, Vec::new()))
    }

    /// A message as a sentence.
    #[must_use]
    pub fn say(&self, message: &Message) -> String {
        if message.key().is_empty() {
            return message.values().iter().map(|(_, value)| self.value(value)).collect();
        }
        let mut text = String::new();
        for piece in self.pieces(message.key(), message.count()) {
            match piece {
                Piece::Words(words) => text.push_str(words),
                Piece::Hole(name, case) => {
                    let value = message.values().iter().find(|(own, _)| *own == name);
                    text.push_str(&cased(&value.map(|(_, v)| self.value(v)).unwrap_or_default(), case));
                }
            }
        }
        text
    }

    /// The parts of a sentence; English ones where this language lacks it, the key itself where none has it.
    #[must_use]
    pub fn pieces<'a>(&'a self, key: &'a str, count: Option<usize>) -> Vec<Piece<'a>> {
        let found = self.sentences.get(key).or_else(|| Language::english().sentences.get(key));
        match found {
            Some(Sentence::One(text)) => pieces(text),
            Some(Sentence::Counted { one, other }) => pieces(if count == Some(1) { one } else { other }),
            None => vec![Piece::Words(key)],
        }
    }

    /// Digits with this language's decimal sign.
    #[must_use]
    pub fn decimal(&self, digits: &str) -> String {
        digits.replace('.', &self.decimal)
    }

    /// A value as it stands in a sentence.
    #[must_use]
    pub fn value(&self, value: &Value) -> String {
        match value {
            Value::Number(digits) => self.decimal(digits),
            Value::Count(n) => n.to_string(),
            Value::Spelled(n) => match n.checked_sub(1).and_then(|k| SPELLED.get(k)) {
                Some(key) => self.text(key),
                None => n.to_string(),
            },
            Value::Text(text) => text.clone(),
            Value::Say(message) => self.say(message),
            Value::List(values) => match values.as_slice() {
                [] => String::new(),
                [one] => self.value(one),
                [most @ .., last] => {
                    let most: Vec<String> = most.iter().map(|v| self.value(v)).collect();
                    self.say(&super::say!("list.and", most = most.join(", "), last = self.value(last)))
                }
            },
            Value::Row(values, between) => {
                let parts: Vec<String> = values.iter().map(|v| self.value(v)).collect();
                parts.join(between)
            }
        }
    }

    /// Flags' own English sentences.
    fn with_flags(mut self) -> Self {
        for flag in Flag::ALL {
            let mut put = |part: &str, text: &str| {
                self.sentences.insert(format!("{part}.{}", flag.word()), Sentence::One(text.to_owned()));
            };
            put("flag", flag.sentence());
            if !flag.advice().is_empty() {
                put("advice", flag.advice());
            }
        }
        self
    }
}

impl Sentence {
    fn forms(&self) -> Vec<&str> {
        match self {
            Sentence::One(text) => vec![text],
            Sentence::Counted { one, other } => vec![one, other],
        }
    }

    /// Names of all its values.
    fn holes(&self) -> BTreeSet<&str> {
        let all = self.forms().into_iter().flat_map(pieces);
        all.filter_map(|piece| if let Piece::Hole(name, _) = piece { Some(name) } else { None }).collect()
    }
}

fn list_of_holes(sentence: &Sentence) -> String {
    let names: Vec<String> = sentence.holes().into_iter().map(|name| format!("{{{name}}}")).collect();
    if names.is_empty() { "a sentence without values".to_owned() } else { names.join(" ") }
}

/// A sentence cut at its values. What stands in braces and is no name stays as it is.
fn pieces(text: &str) -> Vec<Piece<'_>> {
    let (mut found, mut rest) = (Vec::new(), text);
    while let Some((words, (name, after))) =
        rest.split_once('{').and_then(|(words, more)| Some((words, more.split_once('}')?)))
    {
        if !words.is_empty() {
            found.push(Piece::Words(words));
        }
        found.push(match name.split_once('|') {
            Some((name, case)) => Piece::Hole(name, Some(case == "upper")),
            None => Piece::Hole(name, None),
        });
        rest = after;
    }
    if !rest.is_empty() {
        found.push(Piece::Words(rest));
    }
    found
}

fn cased(text: &str, case: Option<bool>) -> String {
    let mut letters = text.chars();
    match (case, letters.next()) {
        (Some(true), Some(first)) => first.to_uppercase().chain(letters).collect(),
        (Some(false), Some(first)) => first.to_lowercase().chain(letters).collect(),
        _ => text.to_owned(),
    }
}

/// A file as it was read.
struct Read {
    language: Language,
    /// Keys and where they stand.
    places: Vec<(String, usize)>,
}

fn parsed(text: &str) -> (Read, Vec<Fault>) {
    let language = Language { tag: "en".into(), decimal: ".".into(), sentences: BTreeMap::new() };
    let mut read = Read { language, places: Vec::new() };
    let mut faults = Vec::new();
    match DeTable::parse(text) {
        Err(error) => faults.push(Fault {
            at: error.span().map_or(0, |span| span.start),
            what: format!("not a language file: {}", error.message()),
            allowed: "TOML: tables like [answer], lines like key = \"sentence\"".into(),
            unknown: None,
        }),
        Ok(document) => {
            for (part, value) in document.get_ref() {
                match value.get_ref() {
                    DeValue::Table(entries) => table(&mut read, &mut faults, part.get_ref(), entries),
                    _ => faults.push(no_sentence(value, part.get_ref(), "a table of sentences")),
                }
            }
        }
    }
    (read, faults)
}

fn table(read: &mut Read, faults: &mut Vec<Fault>, part: &str, entries: &DeTable<'_>) {
    for (name, value) in entries {
        let key = format!("{part}.{}", name.get_ref());
        let text = |value: &Spanned<DeValue<'_>>| value.get_ref().as_str().map(str::to_owned);
        let sentence = match value.get_ref() {
            DeValue::String(text) => Some(Sentence::One(text.to_string())),
            DeValue::Table(forms) if forms.len() == 2 => {
                let form = |wanted: &str| forms.get(wanted).and_then(text);
                form("one").zip(form("other")).map(|(one, other)| Sentence::Counted { one, other })
            }
            _ => None,
        };
        match (part, &**name.get_ref(), sentence) {
            (ABOUT, "tag", Some(Sentence::One(tag))) if is_tag(&tag) => read.language.tag = tag,
            (ABOUT, "decimal", Some(Sentence::One(sign))) if matches!(&*sign, "." | ",") => {
                read.language.decimal = sign;
            }
            (ABOUT, "tag", _) => faults.push(no_sentence(value, &key, "a language's tag, like \"de\"")),
            (ABOUT, "decimal", _) => faults.push(no_sentence(value, &key, "\".\" or \",\"")),
            (_, _, Some(sentence)) => {
                read.places.push((key.clone(), name.span().start));
                read.language.sentences.insert(key, sentence);
            }
            _ => faults.push(no_sentence(value, &key, "a sentence, or { one = …, other = … }")),
        }
    }
}

/// Letters, digits and hyphens (BCP 47, 2.1), as it goes into the page.
fn is_tag(tag: &str) -> bool {
    (2..=35).contains(&tag.len()) && tag.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
}

fn no_sentence(value: &Spanned<DeValue<'_>>, key: &str, allowed: &str) -> Fault {
    Fault {
        at: value.span().start,
        what: format!("`{key}` can't be used"),
        allowed: allowed.into(),
        unknown: None,
    }
}

#[cfg(test)]
mod tests;
