//! The room and what stands in it: places of loudspeakers, microphones and absorbers.

use crate::language::worded;

worded! {
    /// What sample all files of a state share.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    #[non_exhaustive]
    pub enum TimeBase {
        /// All files start at one instant of the signal.
        Emission = "emission",
        /// Each file starts at its own direct sound.
        Arrival = "arrival",
    }
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

/// A room that is no box: upright walls on a polygon, one height.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct FloorPlan {
    /// Corners of the plan in the order of a walk round the room, metres.
    pub corners_m: Vec<[f64; 2]>,
    /// Height, metres.
    pub height_m: f64,
}

impl FloorPlan {
    /// Area by the surveyor's formula times height, m³; whether the walls cross is for [`crate::room`] to say.
    #[must_use]
    pub fn volume_m3(&self) -> f64 {
        let count = self.corners_m.len();
        let next = |i: usize| self.corners_m[(i + 1) % count];
        let twice: f64 =
            (0..count).map(|i| self.corners_m[i][0] * next(i)[1] - next(i)[0] * self.corners_m[i][1]).sum();
        0.5 * twice.abs() * self.height_m
    }

    /// How far a point of the plan lies outside its walls, metres; below zero inside.
    #[must_use]
    pub fn outside_m(&self, [x, y]: [f64; 2]) -> f64 {
        let walls = self.corners_m.iter().zip(self.corners_m.iter().cycle().skip(1));
        let (mut near, mut crossings) = (f64::INFINITY, 0);
        for (a, b) in walls {
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let along = ((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy);
            let t = if along.is_finite() { along.clamp(0.0, 1.0) } else { 0.0 };
            near = near.min((x - a[0] - t * dx).hypot(y - a[1] - t * dy));
            // A ray to the right crosses an odd number of walls from within.
            crossings += usize::from((a[1] > y) != (b[1] > y) && x < dx * (y - a[1]) / dy + a[0]);
        }
        if crossings % 2 == 1 { -near } else { near }
    }
}

/// Words about the visit, as the manifest holds them.
#[derive(Debug, Clone, Default, PartialEq)]
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
    /// What the one who measured concludes, for the report's first sheet.
    pub conclusions: Option<String>,
    /// Path of a picture for the report's head, within the session.
    pub logo: Option<String>,
    /// Language of the report: a tag, or the path of a language file within the session.
    pub language: Option<String>,
    /// Longest decay time that the job allows, seconds.
    pub target_t60_s: Option<f64>,
    /// What the room is for, where a published tolerance of decay times holds for it.
    pub room_use: Option<RoomUse>,
}

/// What a room is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum RoomUse {
    /// Critical listening, as in control rooms: ITU-R BS.1116-3.
    Listening,
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

worded! {
    /// What a microphone position is for.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
    #[non_exhaustive]
    pub enum Role {
        /// Someone listens there.
        Listening = "listening",
        /// At a wall, edge or corner, to see a mode at full strength.
        Boundary = "boundary",
        /// Anything else.
        #[default]
        Other = "other",
    }
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
