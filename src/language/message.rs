//! A sentence before it is in any language.

use super::Language;
use std::borrow::Cow;
use std::fmt;

/// What is said: the key of a sentence and the values that stand in it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Message {
    key: Cow<'static, str>,
    values: Vec<(&'static str, Value)>,
}

/// A value in a sentence.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Value {
    /// Digits with a point, rounded already; a language puts its own decimal sign.
    Number(String),
    /// A number of things: it chooses between one and many.
    Count(usize),
    /// A number of things, small ones spelled out: "two places".
    Spelled(usize),
    /// A name, the same in all languages.
    Text(String),
    /// Another message.
    Say(Message),
    /// A list: "a, b and c".
    List(Vec<Value>),
    /// One after another with this between them.
    Row(Vec<Value>, &'static str),
}

/// `say!("area.key", name = value, …)`: a [`Message`].
macro_rules! say {
    ($key:expr $(, $name:ident = $value:expr)* $(,)?) => {
        $crate::language::Message::new(
            $key,
            vec![$((stringify!($name), $crate::language::Value::from($value))),*],
        )
    };
}
pub(crate) use say;

impl Message {
    /// A message of this key.
    #[must_use]
    pub fn new(key: impl Into<Cow<'static, str>>, values: Vec<(&'static str, Value)>) -> Self {
        Self { key: key.into(), values }
    }

    /// What is the same in all languages: a name, a number with its unit, what a user wrote.
    #[must_use]
    pub fn plain(value: impl Into<Value>) -> Self {
        Self { key: "".into(), values: vec![("", value.into())] }
    }

    /// Messages one after another.
    #[must_use]
    pub fn row(parts: impl IntoIterator<Item = Message>, between: &'static str) -> Self {
        Self::plain(Value::Row(parts.into_iter().map(Value::Say).collect(), between))
    }

    /// Key in the catalogue; empty for what is the same in all languages.
    #[must_use]
    pub fn key(&self) -> &str {
        &self.key
    }

    /// The values by their names.
    #[must_use]
    pub fn values(&self) -> &[(&'static str, Value)] {
        &self.values
    }

    /// Whether nothing is said.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.key.is_empty() && self.to_string().is_empty()
    }

    /// The number of things that it counts.
    pub(super) fn count(&self) -> Option<usize> {
        self.values.iter().find_map(|(_, value)| match value {
            Value::Count(n) | Value::Spelled(n) => Some(*n),
            _ => None,
        })
    }

    /// Whether the English sentence holds this.
    #[cfg(test)]
    pub fn contains(&self, part: &str) -> bool {
        self.to_string().contains(part)
    }

    /// Whether the English sentence starts with this.
    #[cfg(test)]
    pub fn starts_with(&self, part: &str) -> bool {
        self.to_string().starts_with(part)
    }
}

/// In English, as tables and screens print it.
impl fmt::Display for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&Language::english().say(self))
    }
}

impl PartialEq<&str> for Message {
    fn eq(&self, other: &&str) -> bool {
        Language::english().say(self) == *other
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<usize> for Value {
    fn from(count: usize) -> Self {
        Self::Count(count)
    }
}

impl From<Message> for Value {
    fn from(message: Message) -> Self {
        Self::Say(message)
    }
}

impl From<Vec<Message>> for Value {
    fn from(list: Vec<Message>) -> Self {
        Self::List(list.into_iter().map(Value::Say).collect())
    }
}

impl From<Vec<String>> for Value {
    fn from(list: Vec<String>) -> Self {
        Self::List(list.into_iter().map(Value::Text).collect())
    }
}

/// A number with so many decimals, with a true minus sign and none for zero.
#[must_use]
pub fn number(value: f64, digits: usize) -> Value {
    Value::Number(unsigned_zero(format!("{value:.digits$}")))
}

/// A number with so many decimals and its sign.
#[must_use]
pub fn signed(value: f64, digits: usize) -> Value {
    Value::Number(unsigned_zero(format!("{value:+.digits$}")))
}

fn unsigned_zero(text: String) -> String {
    let zero = text.chars().all(|c| !c.is_ascii_digit() || c == '0');
    if zero && !text.contains('n') {
        text.trim_start_matches(['+', '-']).to_owned()
    } else {
        text.replace('-', "\u{2212}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_by_hand() {
        assert_eq!(number(-0.04, 1), Value::Number("0.0".into()));
        assert_eq!(number(-1.25, 1), Value::Number("\u{2212}1.2".into()));
        assert_eq!(signed(2.0, 0), Value::Number("+2".into()));
        assert_eq!(signed(-0.2, 0), Value::Number("0".into()));
    }

    #[test]
    fn what_is_the_same_in_all_languages_needs_no_key() {
        let row = Message::row([Message::plain("a"), Message::plain(number(1.5, 1))], "; ");
        assert_eq!(row, "a; 1.5");
        assert!(Message::default().is_empty() && !row.is_empty());
    }
}
