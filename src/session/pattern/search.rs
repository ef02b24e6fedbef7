//! All ways to read a name by a pattern, found without trying dead ends.

use super::{Parts, Reading, Token};
use crate::session::order::fold;

/// A name with more readings than this is ambiguous enough.
pub(super) const MOST_READINGS: usize = 32;

/// Looks for all readings. `reach[t][i]`: the tokens from `t` on can read the text from `i` on;
/// with it the walk never enters a dead end, so its work is bounded by the readings kept.
pub(super) struct Search<'a> {
    tokens: &'a [Token],
    text: &'a [char],
    marks: Vec<char>,
    reach: Vec<Vec<bool>>,
    found: Vec<Reading>,
    steps_left: usize,
}

impl<'a> Search<'a> {
    pub fn new(tokens: &'a [Token], text: &'a [char]) -> Self {
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

    /// Every reading, the shortest parts in front and the most under `*` first.
    pub fn run(mut self) -> Vec<Reading> {
        self.walk(0, 0, &mut Reading { parts: Parts::default(), skipped: 0 });
        self.found
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
