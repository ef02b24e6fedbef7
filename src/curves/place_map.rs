//! Level over time and frequency at one place, with the background that it sinks into.

use super::{Grid, LevelMap, Record, level_map};
use crate::state::PlaceResult;

/// The map of one place, and the power of its background.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct PlaceMap {
    /// Level over time and frequency.
    pub map: LevelMap,
    /// Power in the last part of the record, for each row of the map: background, or what still rings by then.
    pub background: Vec<f64>,
}

/// Share of the record, from its end, that shows the background (as in the mode fit's own look at it).
const TAIL: f64 = 0.3;
/// A shorter tail shows none, seconds.
const LEAST_TAIL_S: f64 = 0.25;
/// Columns over the whole record from which the background is averaged.
const COLUMNS: usize = 100;
/// The window looks past the record's end from so many of its standard deviations before it.
const EDGE: f64 = 2.0;

/// The map of a place; `None` without a low end, or where its record is too short to show a background.
#[must_use]
pub fn place_map(place: &PlaceResult, grid: &Grid) -> Option<PlaceMap> {
    let record = Record::new(&place.response.low)?;
    let whole_s = record.samples.len() as f64 / record.rate_hz - EDGE * grid.blur_s;
    if TAIL * whole_s < LEAST_TAIL_S {
        return None;
    }
    let map = level_map(&[place], grid)?;
    let whole = level_map(&[place], &Grid { span_s: whole_s, columns: COLUMNS, ..*grid })?;
    let tail = (TAIL * COLUMNS as f64) as usize;
    let background = whole
        .power
        .chunks(COLUMNS)
        .map(|row| row[COLUMNS - tail..].iter().sum::<f64>() / tail as f64)
        .collect();
    Some(PlaceMap { map, background })
}

impl PlaceMap {
    /// Whether a point stands out of the background: by a factor of `times` in power.
    #[must_use]
    pub fn stands_out(&self, row: usize, column: usize, times: f64) -> bool {
        let width = self.map.time_s.len();
        let (power, background) = (self.map.power.get(row * width + column), self.background.get(row));
        power.zip(background).is_some_and(|(power, background)| *power > times * background)
    }

    /// The last time at which anything stands out, s; `None` where nothing does.
    #[must_use]
    pub fn last_s(&self, times: f64) -> Option<f64> {
        let rows = self.map.frequency_hz.len();
        let any = |column: &usize| (0..rows).any(|row| self.stands_out(row, *column, times));
        (0..self.map.time_s.len()).rev().find(any).map(|column| self.map.time_s[column])
    }
}
