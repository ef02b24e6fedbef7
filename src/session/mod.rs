//! A session folder and its `session.toml` become a [`Session`]: states, positions, takes.
//!
//! No audio is opened here. What a file is follows from its name ([`names`]), the manifest
//! overrides it.

/// One job: the states of a room, and where things stood.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Session {
    /// Name of the session's folder (results go to `NAME-results` beside it).
    pub name: String,
    /// Folder that holds the session; `None` for single files.
    pub root: Option<std::path::PathBuf>,
    /// Title for the report.
    pub title: Option<String>,
    /// The state that others are compared against; only a manifest or the user names one.
    pub baseline: Option<String>,
    /// Which channel of a file is the microphone, counted from 1.
    pub channel: usize,
    /// The user's word that filter, gain, loudspeaker and microphone stayed the same.
    pub same_chain: Option<bool>,
    /// What the files' common instant is, where the user says so.
    pub time_base: Option<TimeBase>,
    /// Dimensions and temperature, where known.
    pub room: Room,
    /// Words for the report and the procedure checks.
    pub visit: Visit,
    /// Loudspeaker places that the manifest names.
    pub sources: Vec<Source>,
    /// Microphone positions that the manifest names.
    pub positions: Vec<Position>,
    /// States in their order: as listed, then natural order.
    pub states: Vec<State>,
    /// What the user should know about how the folder was read.
    pub warnings: Vec<String>,
}

/// What sample all files of a state share.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum TimeBase {
    /// All files start at one instant of the signal.
    Emission,
    /// Each file starts at its own direct sound.
    Arrival,
}

/// The room: three lengths, or a volume, or nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Room {
    /// Length, width, height in metres, of a rectangular room.
    pub dimensions_m: Option<[f64; 3]>,
    /// Volume in cubic metres, stated or the product of the lengths.
    pub volume_m3: Option<f64>,
    /// Air temperature in degrees Celsius; 20 where nothing is said.
    pub temperature_c: f64,
}

impl Default for Room {
    fn default() -> Self {
        Self { dimensions_m: None, volume_m3: None, temperature_c: 20.0 }
    }
}

/// Words about the visit, as the manifest holds them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[non_exhaustive]
pub struct Visit {
    /// Date of the measurement, ISO 8601.
    pub date: Option<String>,
    /// Who measured.
    pub by: Option<String>,
    /// For whom.
    pub client: Option<String>,
    /// Microphone, loudspeaker, interface.
    pub apparatus: Option<String>,
    /// Test signal.
    pub signal: Option<String>,
    /// Whether people were in the room.
    pub occupied: Option<bool>,
    /// Anything else.
    pub notes: Option<String>,
}

/// A loudspeaker place.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Source {
    /// Its name in file names.
    pub name: String,
    /// Where it stood, metres from one floor corner along length, width, height.
    pub at_m: Option<[f64; 3]>,
}

/// What a microphone position is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[non_exhaustive]
pub enum Role {
    /// Someone listens there.
    Listening,
    /// At a wall, edge or corner, to see a mode at full strength.
    Boundary,
    /// Anything else.
    #[default]
    Other,
}

/// A microphone position.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Position {
    /// Its name in file names.
    pub name: String,
    /// Where it was, metres from one floor corner along length, width, height.
    pub at_m: Option<[f64; 3]>,
    /// What it is for.
    pub role: Role,
}

/// The room as it was at one time.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct State {
    /// Its name.
    pub name: String,
    /// Air temperature then, where it differs from the room's.
    pub temperature_c: Option<f64>,
    /// Tuned absorbers that stood there.
    pub units: Vec<Unit>,
    /// Audio files in natural order of position, source, take.
    pub takes: Vec<Take>,
}

/// A tuned absorber as set in one state.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Unit {
    /// Its name.
    pub name: String,
    /// Where it stood, metres.
    pub at_m: Option<[f64; 3]>,
    /// `false`: standing there switched off, still a resonator.
    pub powered: bool,
    /// The frequency it is tuned to, if the user knows it.
    pub tuned_hz: Option<f64>,
    /// Named numbers that the user can turn, in the manifest's order.
    pub dials: Vec<(String, f64)>,
    /// Anything else.
    pub note: Option<String>,
}

/// One audio file: one measurement at one position with one source.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Take {
    /// Where to open it.
    pub path: std::path::PathBuf,
    /// Path within the session with `/`, for tables and messages.
    pub file: String,
    /// Position name.
    pub position: String,
    /// Source name; empty for the only or first source.
    pub source: String,
    /// Which repeat, as the name says it; empty where it says none.
    pub take: String,
    /// `false`: listed, never averaged.
    pub used: bool,
    /// The user's remark.
    pub note: Option<String>,
}
