//! One sentence that says what proves a name: walls alike, middles silent, rivals ruled out.
//!
//! Facts of the trade (common practice, no source): a mode is equally strong at opposite walls,
//! opposite in sign for an odd order along that axis and alike for an even one; midway an odd order
//! vanishes and an even one is at full strength.

use super::seen::{MeasuredPlace, Silent, decibel, down, facts, sign, silent};
use super::{Likeness, Task};
use crate::modes::Mode;
use crate::room::AirMode;
use rustfft::num_complex::Complex64;

/// The sentence for a mode that got the name of prediction `p`.
pub(super) fn sentence(
    task: &Task<'_>,
    mode: &Mode,
    p: usize,
    likeness: Option<Likeness>,
    ruled_out: &[(usize, f64)],
) -> String {
    let predicted = &task.air.modes[p];
    let seen = seen(task, mode, p);
    let signs = likeness.is_some();
    let mut parts = match (task.air.dimensions_m(), predicted.axes) {
        (Some(dimensions_m), Some(axes)) => of_a_box(dimensions_m, axes, &seen, signs),
        _ => facts(&seen, signs),
    };
    if parts.is_empty() {
        parts.push(match likeness {
            Some(l) => format!("the shape over {} places matches to {:.2}", l.places, l.value),
            None => "by frequency alone, no other predicted mode is near".to_owned(),
        });
    }
    // The nearest rival only: one line, not a list.
    let off = |q: usize| (task.air.modes[q].frequency_hz - predicted.frequency_hz).abs();
    if let Some((q, value)) = ruled_out.iter().min_by(|a, b| off(a.0).total_cmp(&off(b.0))) {
        parts.push(rival(&task.air.modes[*q], *value));
    }
    match &predicted.standing {
        Some(standing) => format!("{standing}, {}: {}", standing.message(), parts.join("; ")),
        None => parts.join("; "),
    }
}

/// What the places at walls and midway of a rectangular room show.
fn of_a_box(dimensions_m: [f64; 3], axes: [u32; 3], seen: &[MeasuredPlace<'_>], signs: bool) -> Vec<String> {
    let mut parts: Vec<String> = (0..3)
        .filter(|&axis| axes[axis] > 0)
        .filter_map(|axis| opposite_walls(dimensions_m, axis, seen, signs))
        .take(2)
        .collect();
    // Two corners can stand for two axes at once.
    parts.dedup();
    parts.extend(middle(dimensions_m, axes, seen, signs));
    parts
}

/// The sentence for a mode whose shape another measured mode has already.
pub(super) fn shared(predicted: &AirMode, likeness: Likeness, holder_hz: f64) -> String {
    format!(
        "has the shape of {predicted} too ({:.2}), like the mode at {holder_hz:.1} Hz: one mode split in two, as by a tuned absorber",
        likeness.value
    )
}

/// The sentence for a mode that fits nothing, if its frequency would have fitted something.
pub(super) fn excluded(task: &Task<'_>, ruled_out: &[(usize, f64)]) -> Option<String> {
    let parts: Vec<String> =
        ruled_out.iter().take(2).map(|(q, value)| rival(&task.air.modes[*q], *value)).collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

fn rival(mode: &AirMode, value: f64) -> String {
    format!("its shape doesn't fit {mode} ({:.1} Hz; MAC {value:.2})", mode.frequency_hz)
}

/// Places of the source that has the most of them (the first such), with prediction and measurement.
fn seen<'a>(task: &Task<'a>, mode: &Mode, p: usize) -> Vec<MeasuredPlace<'a>> {
    let count = |source: &str| task.places.iter().filter(|p| p.source == source && p.at_m.is_some()).count();
    // `max_by_key` takes the last of equals, so the order is turned.
    let Some(source) = task.places.iter().rev().max_by_key(|p| count(&p.source)).map(|p| &p.source) else {
        return Vec::new();
    };
    let places = mode.amplitudes.iter().zip(task.places).filter(|(_, place)| &place.source == source);
    places
        .filter_map(|(amplitude, place)| {
            let (a, at_m) = ((*amplitude)?, place.at_m?);
            Some(MeasuredPlace {
                position: &place.position,
                at_m,
                amplitude: Complex64::new(a.re, a.im),
                shape: task.air.shape(p, at_m),
            })
        })
        .collect()
}

/// Two places at opposite walls of an axis that should be equally loud: are they, and with which sign?
fn opposite_walls(
    dimensions_m: [f64; 3],
    axis: usize,
    seen: &[MeasuredPlace<'_>],
    signs: bool,
) -> Option<String> {
    let share = |s: &MeasuredPlace<'_>| s.at_m[axis] / dimensions_m[axis];
    let strong = |s: &&MeasuredPlace<'_>| s.shape.abs() > 0.5;
    let low = seen.iter().filter(strong).filter(|s| share(s) < 0.15);
    let pairs = low.flat_map(|a| seen.iter().filter(strong).filter(|b| share(b) > 0.85).map(move |b| (a, b)));
    // The pair that differs least across the other axes shows this one best.
    let across = |a: &MeasuredPlace<'_>, b: &MeasuredPlace<'_>| -> f64 {
        (0..3).filter(|&i| i != axis).map(|i| (a.at_m[i] - b.at_m[i]).powi(2)).sum()
    };
    let alike = pairs.filter(|(a, b)| decibel(b.shape / a.shape).abs() < 2.0);
    let (a, b) = alike.min_by(|x, y| across(x.0, x.1).total_cmp(&across(y.0, y.1)))?;
    let ratio = b.amplitude / a.amplitude;
    let difference_db = decibel(ratio.norm());
    if !difference_db.is_finite() {
        return None;
    }
    let level = if difference_db.abs() < 3.0 { "equal" } else { "unequal" };
    let mut text = format!(
        "{} and {} at opposite walls have {level} levels ({:.1} dB apart)",
        a.position,
        b.position,
        difference_db.abs()
    );
    if signs {
        text.push_str(&sign(ratio, a.shape * b.shape < 0.0));
    }
    Some(text)
}

/// The place where the mode should be weakest, or for an even order a place midway that should be strong.
fn middle(dimensions_m: [f64; 3], axes: [u32; 3], seen: &[MeasuredPlace<'_>], signs: bool) -> Option<String> {
    match silent(seen) {
        Silent::None => (0..3).find_map(|axis| even_middle(dimensions_m, axes[axis], axis, seen, signs)),
        Silent::At(weakest, down_db) => {
            let odd = (0..3).any(|axis| axes[axis] % 2 == 1 && midway(weakest, dimensions_m, axis));
            down(weakest, if odd { "in the middle" } else { "near a null plane" }, down_db)
        }
    }
}

/// An even order along an axis: a place midway against one at a wall, both strong.
fn even_middle(
    dimensions_m: [f64; 3],
    order: u32,
    axis: usize,
    seen: &[MeasuredPlace<'_>],
    signs: bool,
) -> Option<String> {
    if order == 0 || order % 2 == 1 {
        return None;
    }
    let mut strong = seen.iter().filter(|s| s.shape.abs() > 0.5);
    let place = strong.clone().find(|s| midway(s, dimensions_m, axis))?;
    let wall = strong.find(|s| (s.at_m[axis] / dimensions_m[axis] - 0.5).abs() > 0.35)?;
    let ratio = place.amplitude / wall.amplitude;
    // Where the other axes make the place weaker, that much is expected.
    let down_db = -decibel(ratio.norm()) + decibel(place.shape / wall.shape);
    if !down_db.is_finite() {
        return None;
    }
    let level = if down_db.abs() < 3.0 { "as loud" } else { "not as loud" };
    let mut text = format!(
        "{}, in the middle, is {level} as an even order makes it beside {}",
        place.position, wall.position
    );
    if signs {
        text.push_str(&sign(ratio, place.shape * wall.shape < 0.0));
    }
    Some(text)
}

/// Whether a place lies in the middle between the walls of an axis.
fn midway(place: &MeasuredPlace<'_>, dimensions_m: [f64; 3], axis: usize) -> bool {
    (place.at_m[axis] / dimensions_m[axis] - 0.5).abs() < 0.06
}
