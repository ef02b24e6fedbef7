//! One file, or all of a state, with the opposite sign: a cable turned round, a channel inverted on export.
//!
//! Below 800 Hz the first milliseconds of one loudspeaker look alike at all places of a room (the first echoes come
//! with the direct sound's sign off hard walls), so their correlation tells the sign. An inverted place is turned round and named: left as it is, its amplitudes would give
//! every mode a wrong shape.

use crate::flag::Flag;
use crate::mean::median;
use crate::response::Response;
use crate::state::{PlaceResult, StateResult};

/// Correlation from which on the sign is believed, and what all others must have among themselves: on measured
/// rooms the median is 0.65 to 0.98 and none is below zero. Our choice.
const SURE: f64 = 0.4;
const AGREE: f64 = 0.05;
/// Direct sounds are moved against each other by at most this many samples of the coarse wave (0.3 ms).
const REACH: isize = 2;

/// Turns round the places whose direct sound is inverted against all others of the same source, at least
/// three of which must agree among themselves.
pub(super) fn turn_inverted(state: &str, places: &mut [PlaceResult]) {
    let inverted: Vec<usize> = (0..places.len()).filter(|p| is_inverted(places, *p)).collect();
    for p in inverted {
        let response = &mut places[p].response;
        turn(response);
        let text = format!(
            "{} in {state}: the direct sound has the opposite sign to that of the other positions; it was turned round",
            response.place
        );
        response.warnings.push(text);
    }
}

/// The same place in two states, median over the places: in the published pairs of states their direct sounds correlate by 0.85 to
/// 1.00. Our choice.
const SAME_PLACE: f64 = 0.7;

/// Turns round the states whose direct sound is inverted at all places that they share with an earlier one. Residues of both
/// would have opposite signs, and a mode that a unit splits could not be put together.
pub(super) fn turn_inverted_states(states: &mut [StateResult]) {
    for s in 1..states.len() {
        let (earlier, later) = states.split_at_mut(s);
        let against = |other: &&StateResult| shared_signs(other, &later[0]).is_some_and(|sign| sign < 0.0);
        let Some(first) = earlier.iter().find(against) else { continue };
        let text = format!(
            "state {}: the direct sound of every position has the opposite sign to that in {}; all were turned round",
            later[0].name, first.name
        );
        later[0].places.iter_mut().for_each(|place| turn(&mut place.response));
        later[0].places.iter_mut().take(1).for_each(|place| place.response.warnings.push(text.clone()));
    }
}

/// Median correlation of the direct sounds at the places of both, where all have one sign and it is sure.
fn shared_signs(one: &StateResult, other: &StateResult) -> Option<f64> {
    let at = |place: &PlaceResult| other.places.iter().find(|o| o.response.place == place.response.place);
    let usable = |place: &PlaceResult| !place.response.flags.has(Flag::SignalItself);
    let both = one.places.iter().filter_map(|place| Some((place, at(place)?)));
    let signs: Vec<f64> = both.filter(|(a, b)| usable(a) && usable(b)).map(|(a, b)| alike(a, b)).collect();
    let middle = median(signs.clone())?;
    (signs.iter().all(|sign| sign * middle > 0.0) && middle.abs() > SAME_PLACE).then_some(middle)
}

fn turn(response: &mut Response) {
    response.flags.add(Flag::Inverted);
    response.low.samples.iter_mut().chain(&mut response.chain.wave).for_each(|x| *x = -*x);
    for low in response.takes.iter_mut().filter_map(|take| take.low.as_mut()) {
        low.samples.iter_mut().for_each(|x| *x = -*x);
    }
}

fn is_inverted(places: &[PlaceResult], p: usize) -> bool {
    let own = &places[p];
    let others: Vec<&PlaceResult> = places
        .iter()
        .enumerate()
        .filter(|(o, place)| *o != p && place.response.place.source == own.response.place.source)
        .filter(|(_, place)| !place.response.flags.has(Flag::SignalItself))
        .map(|(_, place)| place)
        .collect();
    if others.len() < 3 || own.response.flags.has(Flag::SignalItself) {
        return false;
    }
    let mut against: Vec<f64> = others.iter().map(|o| alike(own, o)).collect();
    if against.iter().any(|c| *c >= 0.0) {
        return false;
    }
    against.sort_by(f64::total_cmp);
    // The others agree among themselves, so it is this one that is turned.
    let pairs = (0..others.len()).flat_map(|a| (0..a).map(move |b| (a, b)));
    against[against.len() / 2] < -SURE && pairs.into_iter().all(|(a, b)| alike(others[a], others[b]) > AGREE)
}

/// Correlation of two direct sounds where it is largest, with its sign; 0 where they can't be compared.
fn alike(a: &PlaceResult, b: &PlaceResult) -> f64 {
    let (a, b) = (&a.response, &b.response);
    if a.rate_hz.total_cmp(&b.rate_hz).is_ne() {
        return 0.0;
    }
    let (x, y) = (&a.chain.wave, &b.chain.wave);
    let at = |k: isize| {
        let shifted = |n: usize| usize::try_from(n as isize + k).ok().and_then(|m| y.get(m)).copied();
        let pairs = x.iter().enumerate().filter_map(|(n, x)| Some((f64::from(*x), f64::from(shifted(n)?))));
        let sums = pairs.fold((0.0, 0.0, 0.0), |s, (x, y)| (s.0 + x * y, s.1 + x * x, s.2 + y * y));
        let scale = (sums.1 * sums.2).sqrt();
        if scale > 0.0 { sums.0 / scale } else { 0.0 }
    };
    (-REACH..=REACH).map(at).max_by(|p, q| p.abs().total_cmp(&q.abs())).unwrap_or(0.0)
}
