//! The look before packing up: how each file was read, and what has to be measured again.
//!
//! [`look`] turns what was read into lines for the terminal and [`Finding`]s. It says "enough" when no
//! finding asks for another measurement; what is only worth knowing stands beside it.

mod alike;
mod between;
mod enough;
mod faults;
mod files;
mod noise;
mod partners;
mod singles;
mod unseen;

pub use alike::alike_in_words;
pub use between::Between;
pub use files::{FileLine, ReadFacts};
pub use noise::NoiseLine;
pub use singles::{ModeForecast, SingleModes};

use super::ProcedureState;
use super::wording::few;
use crate::language::count;
use crate::session::{Session, Take};
use std::fmt;

/// What the look is taken at.
#[derive(Debug, Clone)]
pub struct LookFacts<'a> {
    /// The session.
    pub session: &'a Session,
    /// Every audio file, in the session's order.
    pub files: Vec<FileFacts<'a>>,
    /// Every state with takes; bands are octaves.
    pub states: Vec<ProcedureState<'a>>,
    /// Places that gave no response: which state, and why.
    pub failed: Vec<(String, String)>,
    /// What lies between the states and isn't the room.
    pub between: Vec<Between>,
    /// Modes of the state that others are compared with; `None` where none were looked for.
    pub modes: Option<SingleModes>,
    /// Modes are predicted up to here, hertz; needs the room's three lengths.
    pub modes_to_hz: f64,
}

/// One file.
#[derive(Debug, Clone)]
pub struct FileFacts<'a> {
    /// State it belongs to.
    pub state: &'a str,
    /// How its name was read.
    pub take: &'a Take,
    /// What was read, or why nothing was, in one sentence.
    pub read: Result<ReadFacts, String>,
}

/// The judgement.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Readiness {
    /// One line a file.
    pub files: Vec<FileLine>,
    /// One line a place, with peak-to-noise by octave.
    pub noise: Vec<NoiseLine>,
    /// What was found, those that ask for another measurement first.
    pub findings: Vec<Finding>,
    /// What the visit is enough for, one sentence a purpose.
    pub purposes: Vec<String>,
    /// Whether verdicts on single modes rest on enough places or repeats.
    pub for_modes: bool,
}

/// Something to do or to know.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Finding {
    /// Whether it asks for another measurement.
    pub weight: Weight,
    /// Where: a file, a place, a state.
    pub place: String,
    /// What is the matter, and why it matters.
    pub reason: String,
    /// What to do about it.
    pub advice: String,
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Measure again, or something more.
    Again,
    /// Good to know.
    Note,
}

/// "seat in treated"; a bare number says what it numbers: "position 1 in state 2".
fn place_in(place: &str, state: &str) -> String {
    let is_number = |name: &str| name.bytes().all(|byte| byte.is_ascii_digit());
    let said =
        |kind: &str, name: &str| if is_number(name) { format!("{kind} {name}") } else { name.to_owned() };
    format!("{} in {}", said("position", place), said("state", state))
}

/// Judges what was read. The order of findings is that of the session.
#[must_use]
pub fn look(facts: &LookFacts<'_>) -> Readiness {
    let mut findings = files::findings(facts);
    findings.extend(faults::findings(facts));
    findings.extend(between::findings(&facts.between));
    findings.extend(partners::findings(facts));
    findings.extend(alike::findings(facts));
    findings.extend(noise::findings(facts));
    findings.extend(unseen::findings(facts));
    // Stable: within a weight the order above stays.
    findings.sort_by_key(|finding| finding.weight);
    let enough::Purposes { lines, modes } = enough::purposes(facts);
    Readiness {
        files: files::lines(facts),
        noise: noise::lines(facts),
        findings,
        purposes: lines,
        for_modes: modes,
    }
}

impl Readiness {
    /// Findings that ask for another measurement.
    pub fn again(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|finding| finding.weight == Weight::Again)
    }

    /// `enough`, `enough for bands`, or at how many places something is to be measured again, and where.
    #[must_use]
    pub fn verdict(&self) -> String {
        let mut places: Vec<String> = Vec::new();
        for finding in self.again() {
            if !places.contains(&finding.place) {
                places.push(finding.place.clone());
            }
        }
        if places.is_empty() {
            return if self.for_modes { "enough" } else { "enough for bands" }.to_owned();
        }
        let findings = match self.again().count() {
            n if n == places.len() => String::new(),
            n => format!(" ({})", count(n, "finding")),
        };
        format!("not enough: {} to measure again{findings}: {}", places.len(), few(&places))
    }
}

impl Finding {
    fn again(place: impl Into<String>, reason: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { weight: Weight::Again, place: place.into(), reason: reason.into(), advice: advice.into() }
    }

    fn note(place: impl Into<String>, reason: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { weight: Weight::Note, ..Self::again(place, reason, advice) }
    }
}

impl fmt::Display for Finding {
    /// `place: reason; advice`, or `place: reason. Advice.` where that is a sentence of its own.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.reason)?;
        match self.advice.chars().next() {
            None => Ok(()),
            Some(_) if self.reason.ends_with('?') => write!(f, " {}", self.advice),
            Some(first) if first.is_uppercase() => write!(f, ". {}", self.advice),
            Some(_) => write!(f, "; {}", self.advice),
        }
    }
}
