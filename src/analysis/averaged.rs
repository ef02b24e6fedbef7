//! The responses of a state once more at full rate, each the mean of its takes, from one instant on: to be handed on.

use super::places::read_again;
use crate::session::Session;
use crate::state::StateResult;

/// The mean of the takes of one position and source.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Averaged {
    /// Name of the position.
    pub position: String,
    /// Name of the source; empty where there is only one and it has none.
    pub source: String,
    /// Samples; full scale is 1.
    pub samples: Vec<f64>,
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// The sample, counted from 0, of the instant that the state's responses share, the same in all of one rate: that of
    /// the emission, or, without distances to go by, of the earliest arrival. Below 0 it is ahead of the first sample.
    /// `None` where no common instant is known: then each response begins as its file does.
    pub instant: Option<i64>,
    /// Takes in the mean.
    pub takes: usize,
}

/// Reads the places of a state again. Takes are aligned before they are averaged, as in the analysis; where the state
/// has a common instant, samples ahead of it are dropped so that it is the same sample in all responses of one rate,
/// to the nearest sample. Nothing else is done to them.
///
/// A place whose files can't be read any more is missing.
#[must_use]
pub fn averaged(session: &Session, found: &StateResult) -> Vec<Averaged> {
    let Some(state) = session.state(&found.name) else { return Vec::new() };
    let read = found.places.iter().filter_map(|place| read_again(session, state, &place.response));
    let mut all: Vec<Averaged> = read
        .map(|response| Averaged {
            instant: response.emission_s.map(|emission_s| (emission_s * response.rate_hz).round() as i64),
            takes: response.files().count(),
            position: response.place.position,
            source: response.place.source,
            samples: response.samples,
            rate_hz: response.rate_hz,
        })
        .collect();
    let mut rates: Vec<f64> = all.iter().map(|one| one.rate_hz).collect();
    rates.sort_by(f64::total_cmp);
    rates.dedup();
    for rate_hz in rates {
        let mut group: Vec<&mut Averaged> = all.iter_mut().filter(|one| one.rate_hz == rate_hz).collect();
        align(&mut group);
    }
    all
}

/// Drops what lets some responses begin earlier than others; without a common instant nothing.
fn align(group: &mut [&mut Averaged]) {
    let common: Option<Vec<i64>> = group.iter().map(|one| one.instant).collect();
    let earliest = common.and_then(|instants| instants.into_iter().min());
    for one in group {
        if let (Some(own), Some(earliest)) = (one.instant, earliest) {
            let ahead = usize::try_from(own - earliest).unwrap_or_default();
            one.samples.drain(..ahead.min(one.samples.len()));
        }
        one.instant = earliest;
    }
}
