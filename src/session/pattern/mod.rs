//! What a file's name says: patterns with `{state}`, `{position}`, `{source}`, `{take}` and `*`.
//!
//! A pattern is matched against the whole stem, case and Unicode form ignored. A placeholder stands
//! for at least one character and takes as little as it can; `*` stands for anything and takes as
//! much as it can. `@{source}` and `#{take}` may be missing from a name, so the default
//! `{position}@{source}#{take}` reads `seat`, `seat@left`, `seat#2` and `seat@left#2`.

mod search;

use std::fmt;

use thiserror::Error;
use unicode_normalization::UnicodeNormalization;

use super::order::{closest, fold};
use crate::language::worded;
use search::Search;

/// The pattern that holds where nobody gives one.
pub const DEFAULT_NAMES: &str = "{position}@{source}#{take}";

worded! {
    /// What a placeholder stands for.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
    #[non_exhaustive]
    pub enum Field {
        /// State of the room.
        State = "state",
        /// Microphone position.
        Position = "position",
        /// Loudspeaker place.
        Source = "source",
        /// Which repeat.
        Take = "take",
    }
}

impl Field {
    const ALL: [Field; 4] = [Field::State, Field::Position, Field::Source, Field::Take];
}

/// Why a pattern can't be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum PatternError {
    /// No placeholder at all.
    #[error("it holds no placeholder: name at least one of {{state}}, {{position}}, {{source}}, {{take}}")]
    NoPlaceholder,
    /// `{positoin}`.
    #[error("unknown placeholder `{{{found}}}`: {advice}")]
    Unknown {
        /// What stands in the braces.
        found: String,
        /// The nearest one, or all.
        advice: String,
    },
    /// `{position` or `position}`.
    #[error("a brace stands alone at character {at}: placeholders are written like {{position}}")]
    Brace {
        /// Which character, counted from 1.
        at: usize,
    },
    /// A placeholder that stands there twice.
    #[error("`{{{word}}}` stands there twice: use * for what repeats")]
    Twice {
        /// The placeholder's word.
        word: &'static str,
    },
    /// `{position}{take}` or `*{position}`.
    #[error(
        "nothing stands between {before} and {after}, so no name says where one ends: put text between them"
    )]
    Touching {
        /// The first of the two, as written.
        before: String,
        /// The second.
        after: String,
    },
    /// A pattern with a folder in it.
    #[error("it holds `{found}`: a pattern reads the file's name alone, folders are states already")]
    Folder {
        /// The separator.
        found: char,
    },
}

/// A name's parts as one reading of it; parts that the pattern doesn't hold are `None`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Parts {
    pub state: Option<String>,
    pub position: Option<String>,
    pub source: Option<String>,
    pub take: Option<String>,
}

impl Parts {
    fn slot(&mut self, field: Field) -> &mut Option<String> {
        match field {
            Field::State => &mut self.state,
            Field::Position => &mut self.position,
            Field::Source => &mut self.source,
            Field::Take => &mut self.take,
        }
    }

    fn part(&self, field: Field) -> Option<&str> {
        match field {
            Field::State => self.state.as_deref(),
            Field::Position => self.position.as_deref(),
            Field::Source => self.source.as_deref(),
            Field::Take => self.take.as_deref(),
        }
    }

    /// Whether the repeat is a plain count, as repeats mostly are.
    pub fn take_is_a_count(&self) -> bool {
        self.take.as_deref().is_some_and(|take| take.bytes().all(|byte| byte.is_ascii_digit()))
    }
}

/// One way to read a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Reading {
    pub parts: Parts,
    /// How many characters the `*` of the pattern took.
    pub skipped: usize,
}

impl fmt::Display for Parts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut gap = "";
        for field in Field::ALL {
            if let Some(part) = self.part(field) {
                write!(f, "{gap}{} `{part}`", field.word())?;
                gap = ", ";
            }
        }
        Ok(())
    }
}

/// How the names of a session are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    tokens: Vec<Token>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Token {
    /// Folded character by character.
    Text(Vec<String>),
    Anything,
    Field(Field),
    /// `@{source}` or `#{take}`, which may be missing.
    Tail(char, Field),
}

impl fmt::Display for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Token::Text(text) => f.write_str(&text.concat()),
            Token::Anything => f.write_str("*"),
            Token::Field(field) => write!(f, "{{{}}}", field.word()),
            Token::Tail(mark, field) => write!(f, "{mark}{{{}}}", field.word()),
        }
    }
}

impl Default for Pattern {
    /// [`DEFAULT_NAMES`], as [`Pattern::parse`] reads it (a test compares the two).
    fn default() -> Self {
        Self {
            text: DEFAULT_NAMES.to_owned(),
            tokens: vec![
                Token::Field(Field::Position),
                Token::Tail('@', Field::Source),
                Token::Tail('#', Field::Take),
            ],
        }
    }
}

impl Pattern {
    /// Reads a pattern; an audio file's extension at its end is ignored.
    ///
    /// # Errors
    /// [`PatternError`] says what can't be told from such a pattern.
    pub fn parse(text: &str) -> Result<Self, PatternError> {
        let text = text.trim();
        let stem = match text.rsplit_once('.') {
            Some((stem, extension)) if crate::session::labels::is_audio_extension(extension) => stem,
            _ => text,
        };
        if let Some(found) = stem.chars().find(|c| matches!(c, '/' | '\\')) {
            return Err(PatternError::Folder { found });
        }
        let tokens = tokens(stem)?;
        check(&tokens)?;
        Ok(Self { text: stem.to_owned(), tokens })
    }

    /// The pattern as written, without an extension.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Whether names say this part.
    #[must_use]
    pub fn holds(&self, field: Field) -> bool {
        self.tokens.iter().any(|token| token.field() == Some(field))
    }

    /// Every way to read a stem, the shortest parts in front first;
    /// none if the name isn't of this kind.
    pub(super) fn readings(&self, stem: &str) -> Vec<Reading> {
        let chars: Vec<char> = stem.nfc().collect();
        Search::new(&self.tokens, &chars).run()
    }
}

impl Token {
    fn field(&self) -> Option<Field> {
        match self {
            Token::Field(field) | Token::Tail(_, field) => Some(*field),
            Token::Text(_) | Token::Anything => None,
        }
    }
}

fn tokens(text: &str) -> Result<Vec<Token>, PatternError> {
    let mut tokens: Vec<Token> = Vec::new();
    let chars: Vec<char> = text.nfc().collect();
    let mut at = 0;
    while let Some(&c) = chars.get(at) {
        match c {
            '{' => {
                let length = chars[at..].iter().position(|&c| c == '}');
                let end = at + length.ok_or(PatternError::Brace { at: at + 1 })?;
                let word: String = chars[at + 1..end].iter().collect();
                push_field(&mut tokens, field_named(word.trim())?);
                at = end;
            }
            '}' => return Err(PatternError::Brace { at: at + 1 }),
            '*' if tokens.last() == Some(&Token::Anything) => {}
            '*' => tokens.push(Token::Anything),
            c => push_char(&mut tokens, c),
        }
        at += 1;
    }
    Ok(tokens)
}

fn push_char(tokens: &mut Vec<Token>, c: char) {
    let folded = fold(c.encode_utf8(&mut [0; 4]));
    match tokens.last_mut() {
        Some(Token::Text(text)) => text.push(folded),
        _ => tokens.push(Token::Text(vec![folded])),
    }
}

/// Adds a placeholder; with its mark in front it becomes a tail that may be missing.
fn push_field(tokens: &mut Vec<Token>, field: Field) {
    let mark = match field {
        Field::Source => '@',
        Field::Take => '#',
        Field::State | Field::Position => return tokens.push(Token::Field(field)),
    };
    let marked =
        matches!(tokens.last(), Some(Token::Text(text)) if text.last().is_some_and(|c| c.starts_with(mark)));
    if !marked {
        return tokens.push(Token::Field(field));
    }
    if let Some(Token::Text(text)) = tokens.last_mut() {
        text.pop();
        if text.is_empty() {
            tokens.pop();
        }
    }
    tokens.push(Token::Tail(mark, field));
}

fn field_named(word: &str) -> Result<Field, PatternError> {
    if let Some(field) = Field::ALL.into_iter().find(|field| field.word().eq_ignore_ascii_case(word)) {
        return Ok(field);
    }
    let advice = match closest(word, Field::ALL.map(Field::word)) {
        Some(near) => format!("did you mean {{{near}}}?"),
        None => "there are {state}, {position}, {source} and {take}".to_owned(),
    };
    Err(PatternError::Unknown { found: super::order::plain(word), advice })
}

fn check(tokens: &[Token]) -> Result<(), PatternError> {
    let fields: Vec<Field> = tokens.iter().filter_map(Token::field).collect();
    if fields.is_empty() {
        return Err(PatternError::NoPlaceholder);
    }
    for field in Field::ALL {
        if fields.iter().filter(|&&other| other == field).count() > 1 {
            return Err(PatternError::Twice { word: field.word() });
        }
    }
    for pair in tokens.windows(2) {
        let open_end = !matches!(pair[0], Token::Text(_));
        let open_start = matches!(pair[1], Token::Anything | Token::Field(_));
        if open_end && open_start {
            let (before, after) = (pair[0].to_string(), pair[1].to_string());
            return Err(PatternError::Touching { before, after });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
