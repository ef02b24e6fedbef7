//! A room's length, width and height as one text: `5.6x4.25x2.75`, `18ft4in x 14ft x 9ft`.

use thiserror::Error;

use super::length::{LengthError, Unit, Written};

/// Shortest and longest length of a room that is taken for one, in metres. Our own bounds: they let
/// a scale model through and stop centimetres that were meant as metres.
pub const ROOM_LENGTH_M: std::ops::RangeInclusive<f64> = 0.1..=100.0;

/// Why a text is not three lengths of a room.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum DimensionsError {
    /// Not three parts.
    #[error("three lengths are needed, length x width x height like 5.6x4.25x2.75; found {found}")]
    Count {
        /// How many there are.
        found: usize,
    },
    /// One part is no length.
    #[error("the {which}: {error}")]
    Part {
        /// `length`, `width` or `height`.
        which: &'static str,
        /// What is wrong with it.
        error: LengthError,
    },
    /// `18ft x 14 x 9`: some with a unit, some without.
    #[error("the {which} has no unit but others do: give each its unit, or one at the end for all")]
    MixedUnits {
        /// `length`, `width` or `height`.
        which: &'static str,
    },
    /// Not the size of a room.
    #[error("the {which} is {found} m, allowed 0.1 m to 100 m{hint}")]
    Range {
        /// `length`, `width` or `height`.
        which: &'static str,
        /// In metres.
        found: f64,
        /// A guess at what was meant, or nothing.
        hint: &'static str,
    },
}

/// Length, width and height in metres, parted by `x`, `×` or `*`.
///
/// Without any unit all are metres; one unit at the very end holds for all; otherwise each has its own.
///
/// # Errors
/// [`DimensionsError`] names the part; each must be 0.1 m to 100 m.
pub fn parse_dimensions(text: &str) -> Result<[f64; 3], DimensionsError> {
    const WHICH: [&str; 3] = ["length", "width", "height"];
    let parts: Vec<&str> = text.split(['x', 'X', '×', '*']).collect();
    let parts: [&str; 3] =
        parts.try_into().map_err(|parts: Vec<&str>| DimensionsError::Count { found: parts.len() })?;
    let mut written = Vec::with_capacity(3);
    for (part, which) in parts.into_iter().zip(WHICH) {
        written.push(Written::read(part).map_err(|error| DimensionsError::Part { which, error })?);
    }
    let default = shared_unit(&written, WHICH)?;
    let mut dimensions = [0.0; 3];
    for ((metres, written), which) in dimensions.iter_mut().zip(&written).zip(WHICH) {
        *metres = written.metres(default);
        check_room_length(*metres).map_err(|hint| DimensionsError::Range { which, found: *metres, hint })?;
    }
    Ok(dimensions)
}

/// `Err` with a hint at what was meant (or nothing) where no room has this length.
pub(super) fn check_room_length(metres: f64) -> Result<(), &'static str> {
    if ROOM_LENGTH_M.contains(&metres) {
        Ok(())
    } else if metres > *ROOM_LENGTH_M.end() {
        Err(" (were centimetres meant? then add the unit: \"560 cm\")")
    } else {
        Err("")
    }
}

/// The unit of numbers without one: metres, or the one that stands at the end for all.
fn shared_unit(written: &[Written], which: [&'static str; 3]) -> Result<Unit, DimensionsError> {
    let bare: Vec<usize> = (0..written.len()).filter(|&i| written[i].unit().is_none()).collect();
    match bare.as_slice() {
        [] | [0, 1, 2] => Ok(Unit::Metre),
        [0, 1] if written[2].terms.len() == 1 => Ok(written[2].unit().unwrap_or(Unit::Metre)),
        [first, ..] => Err(DimensionsError::MixedUnits { which: which[*first] }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    #[test]
    fn dimensions_take_one_unit_or_each_its_own() {
        let expect = |text: &str, metres: [f64; 3]| {
            for (found, meant) in parse_dimensions(text).unwrap().into_iter().zip(metres) {
                assert_relative_eq!(found, meant, epsilon = 0.0, max_relative = 1e-14);
            }
        };
        for text in
            ["5.6x4.25x2.75", "5.6 x 4.25 x 2.75 m", "5.6×4.25×2.75", "560x425x275cm", "5.6m*425cmx2750mm"]
        {
            expect(text, [5.6, 4.25, 2.75]);
        }
        for text in ["18ft4in x 14ft x 9ft", "18 ft 4 in x 14 ft x 9 ft", "18'4\"X14'x9'"] {
            expect(text, [5.588, 4.2672, 2.7432]);
        }
        expect("18x14x9 ft", [5.4864, 4.2672, 2.7432]);
    }

    #[test]
    fn what_is_no_room_says_why() {
        for (text, said) in [
            ("5.6x4.25", "three lengths are needed, length x width x height like 5.6x4.25x2.75; found 2"),
            ("", "found 1"),
            ("5.6x4.25x2.75x1", "found 4"),
            ("5,6x4,25x2,75", "the length: `5,6` has a comma: write `5.6`"),
            ("5.6xx2.75", "the width: no length given"),
            ("18ft x 14 x 9", "the width has no unit"),
            ("18 x 14ft x 9", "the length has no unit"),
            ("560x425x275", "the length is 560 m, allowed 0.1 m to 100 m (were centimetres meant"),
            ("5.6x0x2.75", "the width is 0 m"),
            ("5.6x-4x2.75", "the width is -4 m"),
        ] {
            let error = parse_dimensions(text).unwrap_err().to_string();
            assert!(error.contains(said), "{text:?}: {error}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "[0-9.,x×ftinmc'\"/ \\-é]{0,16}", other in ".{0,16}") {
            for text in [&text, &other] {
                if let Ok(sides) = parse_dimensions(text) {
                    prop_assert!(sides.iter().all(|side| ROOM_LENGTH_M.contains(side)));
                }
            }
        }
    }
}
