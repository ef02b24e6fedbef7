//! One table of the manifest, read key by key; what is wrong is collected, not returned at once.

use std::cell::RefCell;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use toml::value::Datetime;

use super::source::{excerpt, line_at};
use crate::session::channels::{MOST, is_name, twice};
use crate::session::error::Problem;
use crate::session::length::{LengthError, parse_length};
use crate::session::order::{as_name, closest, plain};

type Value<'t> = Spanned<DeValue<'t>>;

/// The manifest's text and what was found wrong in it so far.
pub struct Reader<'t> {
    pub text: &'t str,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Reader<'t> {
    pub fn new(text: &'t str) -> Self {
        Self { text, problems: RefCell::default() }
    }

    /// What is wrong, by line.
    pub fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| problem.line);
        problems.dedup();
        problems
    }

    pub fn refuse(&self, span: Range<usize>, what: String, allowed: &str, advice: String) {
        let line = line_at(self.text, span.start);
        let found = excerpt(self.text, span);
        self.problems.borrow_mut().push(Problem { line, what, found, allowed: allowed.to_owned(), advice });
    }
}

/// Bounds of a number, ends included unless `above`.
#[derive(Clone, Copy)]
pub struct Bounds {
    pub low: f64,
    pub high: f64,
    /// `low` itself is out.
    pub above: bool,
    /// As a message says it.
    pub words: &'static str,
}

impl Bounds {
    fn hold(self, value: f64) -> bool {
        // No comparison with NaN holds, and no infinity is within two finite ends.
        value <= self.high && if self.above { value > self.low } else { value >= self.low }
    }
}

/// A value with the place where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed<T> {
    pub value: T,
    pub span: Range<usize>,
}

/// A table with its name for messages, like `[room]` or `[[states]]`.
#[derive(Clone, Copy)]
pub struct Table<'r, 't> {
    reader: &'r Reader<'t>,
    entries: &'r DeTable<'t>,
    name: &'r str,
    start: usize,
}

impl<'r, 't> Table<'r, 't> {
    /// The whole document; unknown keys are refused at once, as in every table.
    pub fn document(reader: &'r Reader<'t>, entries: &'r DeTable<'t>, keys: &[&str]) -> Self {
        Self { reader, entries, name: "", start: 0 }.checked(keys)
    }

    fn checked(self, keys: &[&str]) -> Self {
        for key in self.entries.keys() {
            let name = key.get_ref().as_ref();
            if !keys.contains(&name) {
                let advice = match closest(name, keys.iter().copied()) {
                    Some(near) => format!("write `{near}`, or leave the line out"),
                    None => "leave the line out; remarks go behind #".to_owned(),
                };
                let what = format!("unknown key `{}`{}", plain(name), self.place());
                self.reader.refuse(key.span(), what, &keys.join(", "), advice);
            }
        }
        self
    }

    fn place(&self) -> String {
        if self.name.is_empty() { String::new() } else { format!(" in {}", self.name) }
    }

    fn get(&self, key: &str) -> Option<&'r Value<'t>> {
        self.entries.iter().find(|(name, _)| name.get_ref() == key).map(|(_, value)| value)
    }

    fn refuse(&self, value: &Value<'_>, key: &str, fault: &str, allowed: &str, advice: &str) {
        let what = format!("`{key}`{} {fault}", self.place());
        self.reader.refuse(value.span(), what, allowed, advice.to_owned());
    }

    fn wrong_kind(&self, value: &Value<'_>, key: &str, wanted: &str, advice: &str) {
        let fault = format!("is {}", kind(value.get_ref()));
        self.refuse(value, key, &fault, wanted, advice);
    }

    /// Whether another key of this table reads like a slip for this one; it is refused already.
    pub fn has_slip_of(&self, key: &str, keys: &[&str]) -> bool {
        let mut unknown =
            self.entries.keys().map(|name| name.get_ref().as_ref()).filter(|name| !keys.contains(name));
        unknown.any(|name| closest(name, keys.iter().copied()) == Some(key))
    }

    /// The place of the table's header.
    pub fn span(&self) -> Range<usize> {
        self.start
            ..self.reader.text[self.start..].find('\n').map_or(self.reader.text.len(), |end| self.start + end)
    }

    /// Keys without which the table means nothing.
    pub fn refuse_absent(&self, keys: &[&str], advice: &str) {
        let what = format!("`{}`: missing{}", keys.join("`, `"), self.place());
        self.reader.refuse(self.span(), what, &keys.join(", "), advice.to_owned());
    }

    /// Refuses a key that should not be there.
    pub fn refuse_present(&self, key: &str, fault: &str, advice: &str) {
        if let Some(value) = self.get(key) {
            self.refuse(value, key, fault, "nothing", advice);
        }
    }

    pub fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// Text that isn't blank, where it may be left out.
    pub fn text(&self, key: &str) -> Option<Placed<String>> {
        self.filled(key, "fill it in or leave the line out")
    }

    /// Text without which the table means nothing: missing and blank are refused with the same advice.
    pub fn needed_text(&self, key: &str, advice: &str) -> Option<Placed<String>> {
        if !self.has(key) {
            self.refuse_absent(&[key], advice);
        }
        self.filled(key, advice)
    }

    /// Text that isn't blank; `advice` where it is.
    fn filled(&self, key: &str, advice: &str) -> Option<Placed<String>> {
        let value = self.get(key)?;
        let DeValue::String(text) = value.get_ref() else {
            self.wrong_kind(value, key, "text in quotes", "put it in quotes");
            return None;
        };
        if text.trim().is_empty() {
            self.refuse(value, key, "is empty", "text in quotes", advice);
            return None;
        }
        Some(Placed { value: text.clone().into_owned(), span: value.span() })
    }

    /// Text where an empty one is a statement of its own.
    pub fn text_or_empty(&self, key: &str) -> Option<String> {
        match self.get(key)?.get_ref() {
            DeValue::String(text) => Some(text.clone().into_owned()),
            _ => self.text(key).map(|text| text.value),
        }
    }

    /// Text, or a whole number for it: `take = 2` is `take = "2"`.
    pub fn text_or_count(&self, key: &str) -> Option<String> {
        match self.get(key)?.get_ref() {
            DeValue::Integer(count) if count.radix() == 10 => Some(count.as_str().to_owned()),
            _ => self.text_or_empty(key),
        }
    }

    pub fn truth(&self, key: &str) -> Option<bool> {
        let value = self.get(key)?;
        if let DeValue::Boolean(truth) = value.get_ref() {
            return Some(*truth);
        }
        self.wrong_kind(value, key, "true or false", "write true or false, without quotes");
        None
    }

    /// One of a few words.
    pub fn choice<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(key)?;
        if let Some((_, meant)) = words.iter().find(|(word, _)| *word == text.value) {
            return Some(*meant);
        }
        let allowed: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let advice = match closest(&text.value, allowed.iter().copied()) {
            Some(near) => format!("write \"{near}\""),
            None => "write one of these words, or leave the line out".to_owned(),
        };
        let what = format!("`{key}`{} is no word it can be", self.place());
        self.reader.refuse(text.span, what, &allowed.join(", "), advice);
        None
    }

    /// A date (TOML's own, or one in quotes), as written.
    pub fn date(&self, key: &str) -> Option<String> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Datetime(date) if date.date.is_some() => Some(date.to_string()),
            DeValue::String(_) => {
                let text = self.text(key)?;
                let is_date = text.value.parse::<Datetime>().is_ok_and(|date| date.date.is_some());
                if is_date {
                    return Some(text.value);
                }
                let what = format!("`{key}`{} is no date", self.place());
                let advice = "write year-month-day, without quotes".to_owned();
                self.reader.refuse(text.span, what, "a date like 2026-10-03", advice);
                None
            }
            _ => {
                self.wrong_kind(value, key, "a date like 2026-10-03", "write year-month-day, without quotes");
                None
            }
        }
    }

    /// A whole number.
    pub fn count(&self, key: &str, range: std::ops::RangeInclusive<usize>) -> Option<usize> {
        let value = self.get(key)?;
        let allowed = format!("a whole number from {} to {}", range.start(), range.end());
        let DeValue::Integer(count) = value.get_ref() else {
            self.wrong_kind(value, key, &allowed, "write a whole number, without quotes");
            return None;
        };
        let parsed = i64::from_str_radix(count.as_str(), count.radix()).ok();
        let found =
            parsed.and_then(|count| usize::try_from(count).ok()).filter(|count| range.contains(count));
        if found.is_none() {
            self.refuse(value, key, "is out of range", &allowed, "change the number");
        }
        found
    }

    pub fn number(&self, key: &str, bounds: Bounds) -> Option<f64> {
        let value = self.get(key)?;
        match number(value.get_ref()) {
            Some(number) => self.bounded(value, key, number, bounds, ""),
            None => {
                let comma = value.get_ref().as_str().is_some_and(|text| text.contains(','));
                let advice = if comma {
                    "write it with a point, without quotes"
                } else {
                    "write a number, without quotes"
                };
                self.wrong_kind(value, key, bounds.words, advice);
                None
            }
        }
    }

    /// A length in metres: a number, or text with a unit.
    pub fn length(&self, key: &str, bounds: Bounds, hint: &str) -> Option<f64> {
        let value = self.get(key)?;
        let metres = self.metres(value, key)?;
        self.bounded(value, key, metres, bounds, hint)
    }

    /// Three lengths in metres, with the span of the list.
    pub fn point(&self, key: &str, bounds: Bounds) -> Option<Placed<[f64; 3]>> {
        let value = self.get(key)?;
        let wanted = "three lengths along length, width and height, like [2.4, 2.1, 1.2]";
        let DeValue::Array(entries) = value.get_ref() else {
            self.wrong_kind(value, key, wanted, "put three lengths in brackets");
            return None;
        };
        if entries.len() != 3 {
            let fault = format!("has {} numbers", entries.len());
            let commas = entries.len() == 6 && entries.iter().all(|entry| entry.get_ref().is_integer());
            let advice = if commas { "write decimals with a point: 2.4, not 2,4" } else { "give all three" };
            self.refuse(value, key, &fault, wanted, advice);
            return None;
        }
        let mut point = [0.0; 3];
        for (coordinate, entry) in point.iter_mut().zip(entries.iter()) {
            *coordinate = self.metres(entry, key).and_then(|m| self.bounded(entry, key, m, bounds, ""))?;
        }
        Some(Placed { value: point, span: value.span() })
    }

    /// Corners of a plan, each a list of two lengths in metres.
    pub fn corners(&self, key: &str, bounds: Bounds) -> Option<Vec<[f64; 2]>> {
        let value = self.get(key)?;
        let wanted =
            "three corners or more along length and width, like [[0, 0], [5.4, 0], [5.4, 3.1], [0, 3.1]]";
        let DeValue::Array(entries) = value.get_ref() else {
            self.wrong_kind(value, key, wanted, "put the corners in brackets");
            return None;
        };
        if entries.len() < 3 {
            self.refuse(value, key, &format!("has {} corners", entries.len()), wanted, "give them all");
            return None;
        }
        let mut corners = Vec::with_capacity(entries.len());
        for entry in entries.iter() {
            let pair = match entry.get_ref() {
                DeValue::Array(pair) if pair.len() == 2 => pair,
                _ => {
                    self.refuse(entry, key, "has a corner that is no pair", wanted, "write it as [x, y]");
                    return None;
                }
            };
            let mut corner = [0.0; 2];
            for (coordinate, number) in corner.iter_mut().zip(pair.iter()) {
                *coordinate =
                    self.metres(number, key).and_then(|m| self.bounded(number, key, m, bounds, ""))?;
            }
            corners.push(corner);
        }
        Some(corners)
    }

    fn metres(&self, value: &Value<'_>, key: &str) -> Option<f64> {
        let wanted = "metres, or text like \"18 ft 4 in\" or \"560 cm\"";
        match value.get_ref() {
            DeValue::String(text) => match parse_length(text) {
                Ok(metres) => Some(metres),
                Err(error) => {
                    let fault = if matches!(error, LengthError::DecimalComma { .. }) {
                        "has a decimal comma"
                    } else {
                        "is no length"
                    };
                    self.refuse(value, key, fault, wanted, &plain(&error.to_string()));
                    None
                }
            },
            other => {
                let metres = number(other);
                if metres.is_none() {
                    self.wrong_kind(value, key, wanted, "write a number, or a length in quotes");
                }
                metres
            }
        }
    }

    fn bounded(&self, value: &Value<'_>, key: &str, number: f64, bounds: Bounds, hint: &str) -> Option<f64> {
        if bounds.hold(number) {
            return Some(number);
        }
        let fault = if number.is_finite() { "is out of range" } else { "is not a finite number" };
        let advice = if hint.is_empty() || number <= bounds.high { "check the number" } else { hint };
        self.refuse(value, key, fault, bounds.words, advice);
        None
    }

    /// A `[name]` table.
    pub fn table(&self, key: &str, name: &'r str, keys: &[&str]) -> Option<Table<'r, 't>> {
        let value = self.get(key)?;
        let DeValue::Table(entries) = value.get_ref() else {
            self.wrong_kind(
                value,
                key,
                &format!("a table headed {name}"),
                &format!("write {name} on its own line"),
            );
            return None;
        };
        Some(Table { reader: self.reader, entries, name, start: value.span().start }.checked(keys))
    }

    /// `[[name]]` tables in their order.
    pub fn tables(&self, key: &str, name: &'r str, keys: &[&str]) -> Vec<Table<'r, 't>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let wanted = format!("tables headed {name}");
        let advice = format!("write {name} above each entry");
        let DeValue::Array(entries) = value.get_ref() else {
            self.wrong_kind(value, key, &wanted, &advice);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for entry in entries.iter() {
            if let DeValue::Table(entries) = entry.get_ref() {
                let start = entry.span().start;
                tables.push(Table { reader: self.reader, entries, name, start }.checked(keys));
            } else {
                self.wrong_kind(entry, key, &wanted, &advice);
            }
        }
        tables
    }

    /// A table of freely named numbers, in the order in which they are written.
    pub fn numbers(&self, key: &str, bounds: Bounds) -> Vec<(String, f64)> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Table(entries) = value.get_ref() else {
            self.wrong_kind(
                value,
                key,
                "named numbers like { depth = 0.6, fine = 3 }",
                "write name = number in braces",
            );
            return Vec::new();
        };
        let table = Table { entries, name: key, start: value.span().start, ..*self };
        let mut names: Vec<(usize, &str)> =
            entries.keys().map(|name| (name.span().start, name.get_ref().as_ref())).collect();
        names.sort_unstable();
        names
            .into_iter()
            .filter_map(|(_, name)| Some((name.to_owned(), table.number(name, bounds)?)))
            .collect()
    }

    /// Channels with the position of each, by rising channel.
    pub fn channels(&self, key: &str) -> Vec<(usize, String)> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let wanted = "channels with the position of each, like { 1 = \"seat\", 2 = \"corner\" }";
        let DeValue::Table(entries) = value.get_ref() else {
            self.wrong_kind(value, key, wanted, "write channel = \"position\" in braces");
            return Vec::new();
        };
        let table = Table { entries, name: key, start: value.span().start, ..*self };
        let mut named = Vec::new();
        for name in entries.keys().map(|name| name.get_ref().as_ref()) {
            let channel = name.parse().ok().filter(|channel| (1..=MOST).contains(channel));
            let position = table.text(name).map(|text| as_name(&text.value));
            match channel.zip(position) {
                Some((_, position)) if !is_name(&position) => {
                    self.refuse(
                        value,
                        key,
                        "has a position that can be no file's name",
                        wanted,
                        "name it otherwise",
                    );
                }
                Some(entry) => named.push(entry),
                None if channel.is_none() => {
                    self.refuse(value, key, "has a key that is no channel", wanted, "count channels from 1");
                }
                None => {}
            }
        }
        named.sort();
        if let Some(fault) = twice(&named) {
            self.refuse(value, key, &format!("has {fault}"), wanted, "name each once");
        }
        named
    }

    /// Lets a caller refuse a value by its place.
    pub fn refuse_at(&self, span: Range<usize>, what: &str, allowed: &str, advice: String) {
        self.reader.refuse(span, format!("{what}{}", self.place()), allowed, advice);
    }
}

/// A number, whole or not; `None` for anything else and for what no double holds.
fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(number) => number.as_str().parse().ok(),
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
        DeValue::Integer(number) => {
            // Hexadecimal and the like: as whole as they are, doubles hold them to 2^53.
            i64::from_str_radix(number.as_str(), number.radix()).ok().map(|number| number as f64)
        }
        _ => None,
    }
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
