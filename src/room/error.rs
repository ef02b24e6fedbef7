//! Why nothing can be said about a room.

use thiserror::Error;

/// Why nothing can be said about a room.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum RoomError {
    /// A length of the room is no length, or that of no room.
    #[error("{which} {found} m: a room is between {low} and {high} m long, wide and high", low = Self::LENGTHS_M.0, high = Self::LENGTHS_M.1)]
    Length {
        /// `length`, `width` or `height`.
        which: &'static str,
        /// What was given, metres.
        found: f64,
    },
    /// The air would be too cold or too hot to work in.
    #[error("temperature {found} °C: allowed are {low} to {high} °C", low = Self::TEMPERATURES_C.0, high = Self::TEMPERATURES_C.1)]
    Temperature {
        /// What was given, °C.
        found: f64,
    },
    /// The plan is no simple polygon, or out of reach.
    #[error("the plan: {why}")]
    Plan {
        /// What is wrong, in words.
        why: String,
    },
    /// Two corners that span no rectangle.
    #[error("the two corners span no area: a face is a rectangle on a wall, floor or ceiling")]
    Face,
    /// The upper frequency is not above zero, or so high that the list would have no end.
    #[error("modes up to {found} Hz: give a frequency above 0 that leaves under {limit} modes in this room (about {expected:.0} here)", limit = Self::MOST_MODES)]
    Range {
        /// What was given, hertz.
        found: f64,
        /// How many modes lie below it, by the formula of [`super::Prediction::count_below`].
        expected: f64,
    },
}

impl RoomError {
    /// Shortest and longest length accepted, metres.
    pub const LENGTHS_M: (f64, f64) = (0.5, 100.0);
    /// Lowest and highest air temperature accepted, °C.
    pub const TEMPERATURES_C: (f64, f64) = (-40.0, 60.0);
    /// A list longer than this tells nobody anything.
    pub const MOST_MODES: u32 = 20_000;
}

/// Checks the three lengths of a room.
pub(super) fn check_lengths(dimensions_m: [f64; 3]) -> Result<(), RoomError> {
    let (low, high) = RoomError::LENGTHS_M;
    for (which, found) in ["length", "width", "height"].into_iter().zip(dimensions_m) {
        if !(low..=high).contains(&found) {
            return Err(RoomError::Length { which, found });
        }
    }
    Ok(())
}
