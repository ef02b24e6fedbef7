//! `session.toml` becomes a [`Manifest`], or the list of everything that is wrong with it.
//!
//! Every key is optional, every unknown key is refused with the nearest known one. Numbers are
//! checked here; whether states, files and names exist is for those who see the folder.

mod entries;
mod source;
mod table;

use std::ops::Range;
use std::path::Path;

use super::error::{Problem, SessionError};
use super::pattern::Pattern;
use super::place::{FloorPlan, Position, Room, Source, TimeBase, Visit};
use entries::{Inside, calibration, positions, room, sources, states, takes, visit};
pub(super) use entries::{ListedState, ListedTake};
pub(super) use source::{excerpt, line_at, read as text_of};
pub(super) use table::Placed;
use table::{Reader, Table};

/// Keys outside any table.
const KEYS: [&str; 15] = [
    "title",
    "baseline",
    "names",
    "channel",
    "channels",
    "rate_hz",
    "same_chain",
    "time_base",
    "calibration",
    "room",
    "visit",
    "sources",
    "states",
    "positions",
    "takes",
];

/// Sample rates that are read.
const RATE_HZ: std::ops::RangeInclusive<usize> = 1_000..=768_000;

/// What the user wrote down about a session.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Manifest {
    /// The text, for lines in later messages.
    pub text: String,
    pub title: Option<String>,
    pub baseline: Option<Placed<String>>,
    pub names: Option<Pattern>,
    pub channel: Option<usize>,
    pub channels: Vec<(usize, String)>,
    pub rate_hz: Option<u32>,
    pub same_chain: Option<bool>,
    pub time_base: Option<TimeBase>,
    pub zero_db_spl: Option<f64>,
    pub room: Room,
    pub plan: Option<FloorPlan>,
    pub visit: Visit,
    pub sources: Vec<Source>,
    pub states: Vec<ListedState>,
    pub positions: Vec<Position>,
    pub takes: Vec<ListedTake>,
    pub warnings: Vec<String>,
}

impl Manifest {
    /// Reads a file.
    ///
    /// # Errors
    /// [`SessionError::Manifest`] lists all that is wrong; [`SessionError::Unreadable`] if it is no text.
    pub fn open(path: &Path) -> Result<Self, SessionError> {
        let text = source::read(path)?;
        Self::parse(&text).map_err(|problems| SessionError::Manifest { path: path.to_owned(), problems })
    }

    /// Reads a text.
    pub fn parse(text: &str) -> Result<Self, Vec<Problem>> {
        let tree = source::parse(text)?;
        let reader = Reader::new(text);
        let manifest = read(&Table::document(&reader, tree.get_ref(), &KEYS));
        let problems = reader.into_problems();
        if problems.is_empty() { Ok(Self { text: text.to_owned(), ..manifest }) } else { Err(problems) }
    }

    /// A problem with a value that only the folder shows.
    pub fn problem(&self, span: &Range<usize>, what: String, allowed: String, advice: String) -> Problem {
        let line = source::line_at(&self.text, span.start);
        Problem { line, what, found: source::excerpt(&self.text, span.clone()), allowed, advice }
    }
}

fn read(document: &Table<'_, '_>) -> Manifest {
    let mut warnings = Vec::new();
    let (room, plan) = room(document, &mut warnings);
    let inside = match (&plan, room.dimensions_m) {
        (Some(plan), _) => Inside::Plan(plan),
        (None, Some(sides)) => Inside::Box(sides),
        (None, None) => Inside::Unknown,
    };
    let sources = sources(document, inside, &mut warnings);
    let states = states(document, inside, &mut warnings);
    let positions = positions(document, inside, &mut warnings);
    Manifest {
        text: String::new(),
        title: document.text("title").map(|title| title.value),
        baseline: document.text("baseline"),
        names: names(document),
        channel: document.count("channel", 1..=65_535),
        channels: document.channels("channels"),
        rate_hz: document.count("rate_hz", RATE_HZ).and_then(|rate| u32::try_from(rate).ok()),
        same_chain: document.truth("same_chain"),
        time_base: document
            .choice("time_base", &[("emission", TimeBase::Emission), ("arrival", TimeBase::Arrival)]),
        zero_db_spl: calibration(document),
        visit: visit(document),
        sources,
        states,
        positions,
        takes: takes(document),
        room,
        plan,
        warnings,
    }
}

fn names(document: &Table<'_, '_>) -> Option<Pattern> {
    let text = document.text("names")?;
    match Pattern::parse(&text.value) {
        Ok(pattern) => Some(pattern),
        Err(error) => {
            let allowed = "text with {state}, {position}, {source}, {take} and *";
            document.refuse_at(text.span, "`names` can't be used", allowed, error.to_string());
            None
        }
    }
}

#[cfg(test)]
mod tests;
