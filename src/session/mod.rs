//! A session folder and its `session.toml` become a [`Session`]: states, positions, takes.
//!
//! No audio is opened here, but of files that hold several responses (text columns, SOFA) their names are read. The steps, each in its own file:
//!
//! 1. [`open`] and [`open_each`] find out what the paths mean: a session, one of its states, files.
//! 2. The folder is listed, two levels deep; hidden names and folders written by this program are
//!    passed over ([`written_by_us`]).
//! 3. `session.toml` is read, where there is one. All that is wrong with it is told at once, by line.
//! 4. Names become positions, sources and takes ([`Pattern`]); the manifest overrides them.
//!
//! Names are the same regardless of case and Unicode form ([`same_name`]); what is printed is the
//! manifest's spelling, or else the first one met. What can't be used is a [`Failure`] of the
//! session, what is only odd a warning; what can't be a session is a [`SessionError`].
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use stillroom::session::{OpenOptions, open};
//!
//! let job = tempfile::tempdir()?;
//! std::fs::create_dir(job.path().join("empty"))?;
//! std::fs::write(job.path().join("empty/seat@left#2.wav"), "not opened here")?;
//! let session = open(&[job.path().to_owned()], &OpenOptions::default())?;
//! let take = &session.states[0].takes[0];
//! assert_eq!(["seat", "left", "2"], [&take.position, &take.source, &take.take].map(String::as_str));
//! # Ok(()) }
//! ```

mod assemble;
mod channels;
mod collect;
mod dimensions;
mod draft;
mod enclosing;
mod error;
mod folder;
mod labels;
mod language;
mod length;
mod logo;
mod manifest;
mod open;
mod options;
mod order;
mod ours;
mod pattern;
mod place;
mod plan;
mod remarks;
mod several;

use crate::language::Language;
use std::borrow::Cow;
use std::path::PathBuf;

pub use channels::{Channels, ChannelsError, is_name as is_position_name, words as channel_words};
pub use dimensions::{DimensionsError, ROOM_LENGTH_M, parse_dimensions};
pub use draft::draft;
pub use error::{Collision, Problem, SessionError};
pub use folder::MANIFEST_NAME;
pub use labels::is_audio_name;
pub(crate) use labels::shortest_names;
pub use length::{LengthError, parse_length};
pub use logo::Logo;
pub use open::{default_out, open, open_each};
pub use options::OpenOptions;
pub use order::{NaturalKey, closest, plain, turns_text};
pub use ours::written_by_us;
pub use pattern::{DEFAULT_NAMES, Field, Pattern, PatternError};
pub use place::{FloorPlan, Position, Role, Room, RoomUse, Source, TimeBase, Unit, Visit};

/// One job: the states of a room, and where things stood.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Session {
    /// Name of the session's folder (results go to `NAME-results` beside it).
    pub name: String,
    /// Folder that holds the session; `None` for files and folders named one by one.
    pub root: Option<PathBuf>,
    /// Whether it has a `session.toml`.
    pub has_manifest: bool,
    /// Title for the report.
    pub title: Option<String>,
    /// The state that others are compared against; only a manifest or the user names one.
    pub baseline: Option<String>,
    /// The pattern that names follow, where somebody gave one.
    pub names: Option<Pattern>,
    /// Which channel of a file is the microphone, counted from 1.
    pub channel: usize,
    /// Channels with the position of each, where the files hold several microphones; else empty.
    pub channels: Vec<(usize, String)>,
    /// Sample rate of files that state none, hertz.
    pub rate_hz: Option<u32>,
    /// The user's word that filter, gain, loudspeaker and microphone stayed the same.
    pub same_chain: Option<bool>,
    /// What the files' common instant is, where the user says so.
    pub time_base: Option<TimeBase>,
    /// Sound pressure level of a steady tone, dB, where a response reads 0 dB, where no capture record says it.
    pub zero_db_spl: Option<f64>,
    /// Dimensions and temperature, where known.
    pub room: Room,
    /// The plan of a room that is no box, where the manifest gives one.
    pub plan: Option<FloorPlan>,
    /// Words for the report and the procedure checks.
    pub visit: Visit,
    /// The picture for the report's head.
    pub logo: Option<Logo>,
    /// Language of the report.
    pub language: Cow<'static, Language>,
    /// Loudspeaker places that the manifest names.
    pub sources: Vec<Source>,
    /// Microphone positions that the manifest names.
    pub positions: Vec<Position>,
    /// States in their order: as listed, then natural order.
    pub states: Vec<State>,
    /// Files and folders that were to be read but can't be, each with its reason (exit status 3).
    /// Missing states are told by [`State::missing`] and are not repeated here.
    pub failures: Vec<Failure>,
    /// What the user should know about how the folder was read.
    pub warnings: Vec<String>,
}

/// Something that was to be used and can't be.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Failure {
    /// Path within the session.
    pub file: String,
    /// Why, in one sentence without a full stop.
    pub reason: String,
}

/// The room as it was at one time.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct State {
    /// Its name.
    pub name: String,
    /// Its folder within the session, `.` for the session's own; `None` where names say the state.
    pub folder: Option<String>,
    /// Whether the manifest lists it.
    pub listed: bool,
    /// Why a listed state has no takes; `None` for a state that has some.
    pub missing: Option<String>,
    /// Air temperature then, where it differs from the room's.
    pub temperature_c: Option<f64>,
    /// Tuned absorbers that stood there.
    pub units: Vec<Unit>,
    /// Audio files in natural order of position, source, take.
    pub takes: Vec<Take>,
}

/// One audio file: one measurement at one position with one source.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[non_exhaustive]
pub struct Take {
    /// Where to open it.
    pub path: PathBuf,
    /// Path within the session with `/`, for tables and messages.
    pub file: String,
    /// Position name.
    pub position: String,
    /// Source name. A name that says none means the first source that the manifest lists; empty
    /// where it lists none.
    pub source: String,
    /// Which repeat, as the name says it; empty where it says none.
    pub take: String,
    /// Which channel (or column, or response) of the file it is, where the file holds several takes.
    pub channel: Option<usize>,
    /// `false`: listed, never averaged.
    pub used: bool,
    /// The user's remark.
    pub note: Option<String>,
}

impl Session {
    /// A session without states, for those who build one in code.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            root: None,
            has_manifest: false,
            title: None,
            baseline: None,
            names: None,
            channel: 1,
            channels: Vec::new(),
            rate_hz: None,
            same_chain: None,
            time_base: None,
            zero_db_spl: None,
            room: Room::default(),
            plan: None,
            visit: Visit::default(),
            logo: None,
            language: Cow::Borrowed(Language::english()),
            sources: Vec::new(),
            positions: Vec::new(),
            states: Vec::new(),
            failures: Vec::new(),
            warnings: Vec::new(),
        }
    }

    /// The state of this name.
    #[must_use]
    pub fn state(&self, name: &str) -> Option<&State> {
        self.states.iter().find(|state| same_name(&state.name, name))
    }

    /// What the manifest says of a position.
    #[must_use]
    pub fn position(&self, name: &str) -> Option<&Position> {
        self.positions.iter().find(|position| same_name(&position.name, name))
    }

    /// What the manifest says of a source; the empty name is the first one.
    #[must_use]
    pub fn source(&self, name: &str) -> Option<&Source> {
        if name.is_empty() {
            return self.sources.first();
        }
        self.sources.iter().find(|source| same_name(&source.name, name))
    }

    /// What a position is for; [`Role::Other`] where the manifest doesn't say.
    #[must_use]
    pub fn role(&self, position: &str) -> Role {
        self.position(position).map_or(Role::Other, |position| position.role)
    }

    /// Distance from source to microphone in metres, where the manifest places both.
    #[must_use]
    pub fn distance_m(&self, position: &str, source: &str) -> Option<f64> {
        let microphone = self.position(position)?.at_m?;
        let loudspeaker = self.source(source)?.at_m?;
        let squares = microphone.iter().zip(loudspeaker).map(|(a, b)| (a - b) * (a - b));
        Some(squares.sum::<f64>().sqrt())
    }

    /// Air temperature of a state in degrees Celsius: its own, or else the room's.
    #[must_use]
    pub fn temperature_c(&self, state: &State) -> f64 {
        state.temperature_c.unwrap_or(self.room.temperature_c)
    }

    /// The channel that is read of a take's file.
    #[must_use]
    pub fn channel_of(&self, take: &Take) -> usize {
        take.channel.unwrap_or(self.channel)
    }
}

impl State {
    /// A state without takes, for those who build one in code.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self { name: name.to_owned(), ..Self::default() }
    }

    /// Takes that belong together: one slice for each position and source, in their order.
    ///
    /// Takes that the user excluded are among them ([`Take::used`]).
    pub fn responses(&self) -> impl Iterator<Item = &[Take]> {
        self.takes.chunk_by(|a, b| a.position == b.position && a.source == b.source)
    }
}

impl Take {
    /// The only take at a position, for those who build one in code.
    #[must_use]
    pub fn new(path: PathBuf, position: &str) -> Self {
        let file = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        Self { path, file, position: position.to_owned(), used: true, ..Self::default() }
    }
}

/// Whether two names are the same: case and Unicode form make no difference.
#[must_use]
pub fn same_name(a: &str, b: &str) -> bool {
    a == b || order::fold(a) == order::fold(b)
}

#[cfg(test)]
mod tests;
