//! One requirement, and how the measurement stands to it.

use crate::language::{Message, Value, say, worded};
use std::fmt;

/// ISO 3382-2, the grades of accuracy and all that holds for ordinary rooms.
pub(super) const ISO_3382_2: &str = "ISO 3382-2:2008";
/// ISO 3382-1, for what part 2 takes from it.
pub(super) const ISO_3382_1: &str = "ISO 3382-1:2009";
/// ISO 18233, sweeps and sequences in place of classical excitation.
pub(super) const ISO_18233: &str = "ISO 18233:2006";

/// ISO 16283-1, for the 63 Hz octave in small rooms.
pub(super) const ISO_16283_1: &str = "ISO 16283-1:2014";

/// One requirement of a standard.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Check {
    /// The standard with its year.
    pub standard: &'static str,
    /// Clause or table.
    pub clause: &'static str,
    /// What is required.
    pub requirement: Message,
    /// What data or manifest show, with its unit; empty where neither says.
    pub found: Message,
    /// What the standard asks for, with its unit.
    pub limit: Message,
    /// Whether it is met.
    pub met: Met,
    /// What a miss means for the results.
    pub affects: Message,
    /// Grade that asks for it; `None` where all do.
    pub grade: Option<Grade>,
    /// What it is about.
    pub topic: Topic,
    /// How many things miss it (pairs, positions, bands); 0 if none does.
    pub misses: usize,
}

worded! {
    /// Answer to a requirement.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub enum Met {
        /// Met.
        Yes = "yes",
        /// Not met.
        No = "no",
        /// Neither data nor manifest say.
        Unknown = "unknown",
    }
}

/// Grades of ISO 3382-2:2008, from the least demanding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// For a first look.
    Survey,
    /// For most purposes.
    Engineering,
    /// Where accuracy matters.
    Precision,
}

worded! {
    /// What a requirement is about; the summary groups misses by it.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    #[non_exhaustive]
    pub enum Topic {
        /// Number of sources.
        Sources = "miss.sources",
        /// Number of microphone positions.
        Positions = "miss.positions",
        /// Number of source and microphone combinations.
        Combinations = "miss.combinations",
        /// Distance between microphones.
        MicrophoneDistance = "miss.microphone-distance",
        /// Distance from microphone to the nearest surface.
        SurfaceDistance = "miss.surface-distance",
        /// Distance from source to microphone.
        SourceDistance = "miss.source-distance",
        /// Height of a microphone.
        MicrophoneHeight = "miss.microphone-height",
        /// Height of a source.
        SourceHeight = "miss.source-height",
        /// Symmetry of positions.
        Symmetry = "miss.symmetry",
        /// Peak-to-noise for an evaluation range.
        DecayRange = "miss.decay-range",
        /// Bandwidth times reverberation time.
        FilterLimit = "miss.filter-limit",
        /// Frequency range with values.
        FrequencyRange = "miss.frequency-range",
        /// Decay time at 63 Hz in a small room.
        LowOctave = "miss.low-octave",
        /// What the report has to state.
        ReportData = "miss.report-data",
        /// Length of the record.
        RecordLength = "miss.record-length",
        /// Signal and averages.
        Signal = "miss.signal",
    }
}

impl Met {
    /// A miss is a miss whatever else is unknown; without one, all has to be known.
    pub(super) fn of(misses: usize, all_known: bool) -> Self {
        match (misses, all_known) {
            (1.., _) => Met::No,
            (0, true) => Met::Yes,
            (0, false) => Met::Unknown,
        }
    }
}

impl Grade {
    /// All grades, from the least demanding.
    pub const ALL: [Grade; 3] = [Grade::Survey, Grade::Engineering, Grade::Precision];
}

impl Grade {
    /// What it is called.
    #[must_use]
    pub fn name(self) -> Message {
        match self {
            Grade::Survey => say!("procedure.survey"),
            Grade::Engineering => say!("procedure.engineering"),
            Grade::Precision => say!("procedure.precision"),
        }
    }
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.name().fmt(f)
    }
}

impl Topic {
    /// So many misses of it, in words: "two microphone distances".
    pub(super) fn misses(self, n: usize) -> Message {
        say!(self.word(), n = Value::Spelled(n))
    }
}
