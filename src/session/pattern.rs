//! What a file's name says: patterns with `{state}`, `{position}`, `{source}`, `{take}` and `*`.
//!
//! A pattern is matched against the whole stem, case and Unicode form ignored. A placeholder stands
//! for at least one character and takes as little as it can; `*` stands for anything and takes as
//! much as it can. `@{source}` and `#{take}` may be missing from a name, so the default
//! `{position}@{source}#{take}` reads `seat`, `seat@left`, `seat#2` and `seat@left#2`.

use std::fmt;

use thiserror::Error;
use unicode_normalization::UnicodeNormalization;

use super::order::{closest, fold};

/// The pattern that holds where nobody gives one.
pub const DEFAULT_NAMES: &str = "{position}@{source}#{take}";

/// A name with more readings than this is ambiguous enough.
const MOST_READINGS: usize = 32;

/// What a placeholder stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Field {
    /// State of the room.
    State,
    /// Microphone position.
    Position,
    /// Loudspeaker place.
    Source,
    /// Which repeat.
    Take,
}

impl Field {
    const ALL: [Field; 4] = [Field::State, Field::Position, Field::Source, Field::Take];

    fn word(self) -> &'static str {
        match self {
            Field::State => "state",
            Field::Position => "position",
            Field::Source => "source",
            Field::Take => "take",
        }
    }
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
    /// The same placeholder twice.
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
            Some((stem, extension)) if super::folder::is_audio_extension(extension) => stem,
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

    /// Every way to read a stem, likeliest first (most under `*`, then the shortest parts in front);
    /// none if the name isn't of this kind.
    pub(super) fn readings(&self, stem: &str) -> Vec<Reading> {
        let chars: Vec<char> = stem.nfc().collect();
        let mut search = Search::new(&self.tokens, &chars);
        search.walk(0, 0, &mut Reading { parts: Parts::default(), skipped: 0 });
        search.found.sort_by_key(|reading| std::cmp::Reverse(reading.skipped));
        search.found
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

/// Looks for all readings. `reach[t][i]`: the tokens from `t` on can read the text from `i` on;
/// with it the walk never enters a dead end, so its work is bounded by the readings kept.
struct Search<'a> {
    tokens: &'a [Token],
    text: &'a [char],
    marks: Vec<char>,
    reach: Vec<Vec<bool>>,
    found: Vec<Reading>,
    steps_left: usize,
}

impl<'a> Search<'a> {
    fn new(tokens: &'a [Token], text: &'a [char]) -> Self {
        let marks =
            tokens.iter().filter_map(|t| if let Token::Tail(mark, _) = t { Some(*mark) } else { None });
        let marks = marks.collect();
        let reach = vec![vec![false; text.len() + 1]; tokens.len() + 1];
        let mut search = Self { tokens, text, marks, reach, found: Vec::new(), steps_left: 10_000 };
        search.reach[tokens.len()][text.len()] = true;
        for t in (0..tokens.len()).rev() {
            for i in 0..=text.len() {
                search.reach[t][i] = search.ends(t, i).into_iter().any(|end| search.reach[t + 1][end]);
            }
        }
        search
    }

    /// Where token `t` can end if it starts at `i`, in order of preference.
    fn ends(&self, t: usize, i: usize) -> Vec<usize> {
        match &self.tokens[t] {
            Token::Text(text) => {
                let end = i + text.len();
                let same = self.text.get(i..end).is_some_and(|part| {
                    part.iter().zip(text).all(|(c, folded)| fold(c.encode_utf8(&mut [0; 4])) == *folded)
                });
                if same { vec![end] } else { Vec::new() }
            }
            Token::Anything => (i..=self.text.len()).rev().collect(),
            Token::Field(_) => self.part_ends(i).collect(),
            Token::Tail(mark, _) if self.text.get(i) == Some(mark) => {
                self.part_ends(i + 1).chain(std::iter::once(i)).collect()
            }
            Token::Tail(..) => vec![i],
        }
    }

    /// A part is not blank and holds no mark that starts another part.
    fn part_ends(&self, i: usize) -> impl Iterator<Item = usize> + '_ {
        let rest = self.text.get(i..).unwrap_or(&[]);
        let length = rest.iter().position(|c| self.marks.contains(c)).unwrap_or(rest.len());
        let blank = rest.iter().take_while(|c| c.is_whitespace()).count();
        i + blank + 1..=i + length
    }

    fn walk(&mut self, t: usize, i: usize, reading: &mut Reading) {
        if self.found.len() >= MOST_READINGS || self.steps_left == 0 || !self.reach[t][i] {
            return;
        }
        self.steps_left -= 1;
        if t == self.tokens.len() {
            return self.keep(reading);
        }
        let mark = usize::from(matches!(self.tokens[t], Token::Tail(..)));
        for end in self.ends(t, i) {
            if let Some(field) = self.tokens[t].field() {
                let part: Option<String> = self.text.get(i + mark..end).map(|part| part.iter().collect());
                *reading.parts.slot(field) = part.map(|part| part.trim().to_owned());
            }
            let skipped = if self.tokens[t] == Token::Anything { end - i } else { 0 };
            reading.skipped += skipped;
            self.walk(t + 1, end, reading);
            reading.skipped -= skipped;
        }
    }

    /// Parts count once, with the most that `*` can take beside them.
    fn keep(&mut self, reading: &Reading) {
        match self.found.iter_mut().find(|other| other.parts == reading.parts) {
            Some(other) => other.skipped = other.skipped.max(reading.skipped),
            None => self.found.push(reading.clone()),
        }
    }
}

#[cfg(test)]
#[path = "pattern_tests.rs"]
mod tests;
