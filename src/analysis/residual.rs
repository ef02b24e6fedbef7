//! Sentences on fits that leave notably more or less than the noise.

use crate::flag::Flag;
use crate::modes::ModeSet;
use crate::state::StateResult;

/// Factor between mean squares from which on it is told, both ways: 3 dB. The estimate of the noise from
/// a second of record is good to about one; common practice, no source for the figure.
const NOTABLE: f64 = 2.0;
/// Places named before the rest are only counted.
const NAMED: usize = 4;

/// What is unexplained, and what is fitted too closely; at most one sentence of each a state.
pub(super) fn remarks(state: &StateResult) -> Vec<String> {
    let Some(found) = &state.resonances else { return Vec::new() };
    let set = &found.set;
    let where_ratio = |notable: &dyn Fn(f64) -> bool| -> Option<String> {
        let places = set.places.iter().zip(&set.residual_over_noise);
        let places: Vec<String> = places
            .filter_map(|(place, ratio): (_, &Result<f64, Flag>)| Some((place, ratio.ok()?)))
            .filter(|(_, ratio)| notable(*ratio))
            .map(|((position, source), ratio)| {
                let at = if source.is_empty() { "" } else { "@" };
                format!("{position}{at}{source} ({:+.1} dB)", 10.0 * ratio.log10())
            })
            .collect();
        let more = places.len().saturating_sub(NAMED);
        let named = places.get(..places.len().min(NAMED))?.join(", ");
        if places.is_empty() {
            None
        } else {
            Some(if more > 0 { format!("{named} and {more} more") } else { named })
        }
    };
    let unexplained = where_ratio(&|ratio| ratio > NOTABLE).map(|places| {
        format!(
            "{}: the residual of the mode fit exceeds the noise at {places}: a disturbance, a room that changed \
             between takes, or resonances too close to tell apart",
            state.name
        )
    });
    let followed = where_ratio(&|ratio| ratio < 1.0 / NOTABLE).map(|places| {
        format!(
            "{}: the residual of the mode fit is below the noise at {places}: either the noise rose towards the \
             end of the record, or the fit followed noise, and its intervals are too small there",
            state.name
        )
    });
    unexplained.into_iter().chain(followed).chain(left_out(state, set)).chain(unfitted(state, set)).collect()
}

/// Places whose records took no part in the fit.
fn left_out(state: &StateResult, set: &ModeSet) -> Option<String> {
    // A place whose file has a fault was named with it, and has no record.
    let named = |p: usize| state.places.get(p).is_some_and(|place| place.response.low.samples.is_empty());
    let out = set.places.iter().zip(&set.residual_over_noise).enumerate();
    let out = out.filter(|(p, (_, r))| **r == Err(Flag::LeftOutOfFit) && !named(*p));
    let names: Vec<String> = out
        .map(
            |(_, ((position, source), _))| {
                if source.is_empty() { position.clone() } else { format!("{position}@{source}") }
            },
        )
        .collect();
    let verb = if names.len() == 1 { "takes" } else { "take" };
    (!names.is_empty()).then(|| {
        format!(
            "{}: {} {verb} no part in the fit of the resonances: the record is much shorter than those of the other \
             positions, or too short; export it as long as the others",
            state.name,
            names.join(", ")
        )
    })
}

/// Parts of the range without a fit.
fn unfitted(state: &StateResult, set: &ModeSet) -> Option<String> {
    let ranges: Vec<String> = set.unfitted_hz.iter().map(|(a, b)| format!("{a:.0} to {b:.0} Hz")).collect();
    (!ranges.is_empty()).then(|| {
        format!(
            "{}: the fit of the resonances has no result from {}: there the records hold too few numbers for it",
            state.name,
            ranges.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modes::ModeSet;
    use crate::room::Assignment;
    use crate::state::Resonances;

    fn remarks_on(ratios: &[Result<f64, Flag>]) -> Vec<String> {
        let places = (0..ratios.len()).map(|i| (format!("p{i}"), String::new())).collect();
        let set = ModeSet { places, residual_over_noise: ratios.to_vec(), ..ModeSet::default() };
        let mut state = StateResult::new("empty", None);
        state.resonances = Some(Resonances {
            set,
            filter_t20_s: Vec::new(),
            filter_doubts: Vec::new(),
            names: Assignment::unnamed(0),
            priorities: Vec::new(),
        });
        remarks(&state)
    }

    #[test]
    fn only_what_is_notable_is_told() {
        assert!(remarks_on(&[Ok(1.0), Ok(1.9), Ok(0.55), Err(Flag::NoQuietEnd)]).is_empty());
        let told = remarks_on(&[Ok(10.0), Ok(1.0), Ok(0.1)]);
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(
            told[0].starts_with("empty: the residual of the mode fit exceeds the noise at p0 (+10.0 dB):")
        );
        assert!(
            told[1].starts_with("empty: the residual of the mode fit is below the noise at p2 (-10.0 dB):")
        );
        let many = remarks_on(&[Ok(10.0); 7]);
        assert!(many[0].contains("p3 (+10.0 dB) and 3 more"), "{many:?}");
    }
}
