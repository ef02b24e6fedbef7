//! The same samples at several places of one state: a copied file is no second measurement, so it is counted once.

use super::faulty_places;
use super::files::FileRecord;
use crate::flag::Flag;
use crate::response::Place;
use crate::session::same_name;
use crate::state::{PlaceResult, StateResult};

/// Leaves out places that hold the samples of another place of their state, and says so at the one that stays.
/// Called before places are held against each other: equal peaks and equal times of copies say nothing.
pub(super) fn count_once(states: &mut [StateResult], files: &mut [FileRecord]) {
    for s in 0..states.len() {
        let mut out: Vec<usize> = Vec::new();
        for group in groups(&states[s].places) {
            let stays = first(states, s, &group);
            let copies = || group.iter().copied().filter(|p| *p != stays);
            if copies().any(|p| told_apart_elsewhere(states, s, [stays, p])) {
                states[s].places[stays].response.flags.add(Flag::IdenticalFiles);
            }
            for copy in copies() {
                tell(&mut states[s], stays, copy, files);
            }
            out.extend(copies());
        }
        out.sort_unstable();
        for p in out.into_iter().rev() {
            states[s].places.remove(p);
        }
    }
}

/// Places with the same samples, two and more together; one with a fault of its own is left out for that.
fn groups(places: &[PlaceResult]) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (p, place) in places.iter().enumerate() {
        let (low, faulty) = (&place.response.low, faulty_places::left_out(&place.response).is_some());
        if low.samples.is_empty() || faulty {
            continue;
        }
        let same = |group: &&mut Vec<usize>| places[group[0]].response.low.samples == low.samples;
        match groups.iter_mut().find(same) {
            Some(group) => group.push(p),
            None => groups.push(vec![p]),
        }
    }
    groups.retain(|group| group.len() > 1);
    groups
}

/// Which of them stays: one whose place other states have too, else the one with the shortest name, else the first:
/// `Sofa (1)` stands before `Sofa` in a folder.
fn first(states: &[StateResult], s: usize, group: &[usize]) -> usize {
    let rank = |p: &usize| {
        let place = &states[s].places[*p].response.place;
        let known = others(states, s).any(|state| at(state, place).is_some());
        (!known, place.position.chars().count())
    };
    group.iter().copied().min_by_key(|p| rank(p)).unwrap_or_default()
}

/// Whether another state has both places, with samples that differ: then one of the two names is wrong, and nobody knows
/// which.
fn told_apart_elsewhere(states: &[StateResult], s: usize, pair: [usize; 2]) -> bool {
    let [one, other] = pair.map(|p| &states[s].places[p].response.place);
    let both = |state| Some((at(state, one)?, at(state, other)?));
    others(states, s)
        .filter_map(both)
        .any(|(one, other)| one.response.low.samples != other.response.low.samples)
}

fn others(states: &[StateResult], s: usize) -> impl Iterator<Item = &StateResult> {
    states.iter().enumerate().filter(move |(k, _)| *k != s).map(|(_, state)| state)
}

fn at<'a>(state: &'a StateResult, place: &Place) -> Option<&'a PlaceResult> {
    let is = |other: &Place| {
        same_name(&other.position, &place.position) && same_name(&other.source, &place.source)
    };
    state.places.iter().find(|other| is(&other.response.place))
}

/// Notes the copy at the place that stays and at its files.
fn tell(state: &mut StateResult, stays: usize, copy: usize, files: &mut [FileRecord]) {
    let names = [stays, copy].map(|p| state.places[p].response.files().collect::<Vec<_>>().join(", "));
    let places = [stays, copy].map(|p| state.places[p].response.place.clone());
    // Channels of one file go by their places.
    let [own, other] =
        if names[0] == names[1] { places.clone().map(|place| place.to_string()) } else { names };
    let of_copy = |record: &&mut FileRecord| {
        record.state == state.name
            && record.take.position == places[1].position
            && record.take.source == places[1].source
            && record.used
    };
    for record in files.iter_mut().filter(of_copy) {
        record.used = false;
        record.note = Some(format!("it holds the same samples as {own}"));
        record.counted_as = Some(own.clone());
    }
    let told = format!("{other}: the same samples as {own}: counted once; delete one");
    state.places[stays].response.warnings.push(told);
}
