//! The measured places beside what is predicted for them: signs, silent ones, and in a room that is no box the loudest.

use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// A measured place of the source with the most places.
pub(super) struct MeasuredPlace<'a> {
    pub position: &'a str,
    pub at_m: [f64; 3],
    /// Measured amplitude.
    pub amplitude: Complex64,
    /// Predicted pressure, −1…1.
    pub shape: f64,
}

/// How far two places may differ from the levels predicted for them and still be said to agree, dB (as for opposite
/// walls of a box).
const AGREE_DB: f64 = 3.0;

/// What the places show: the two that should be loudest, on opposite sides where there are such, and one that should
/// hear nothing.
pub(super) fn facts(seen: &[MeasuredPlace<'_>], signs: bool) -> Vec<String> {
    let mut parts: Vec<String> = loudest(seen, signs).into_iter().collect();
    if let Silent::At(place, down_db) = silent(seen) {
        parts.extend(down(place, "near a nodal line", down_db));
    }
    parts
}

/// The loudest place by prediction, and the loudest of the other sign, or else the next.
fn loudest(seen: &[MeasuredPlace<'_>], signs: bool) -> Option<String> {
    let by_pressure =
        |a: &&MeasuredPlace<'_>, b: &&MeasuredPlace<'_>| a.shape.abs().total_cmp(&b.shape.abs());
    let strong = || seen.iter().filter(|s| s.shape.abs() > 0.3);
    let a = strong().max_by(by_pressure)?;
    let other = strong().filter(|s| s.shape * a.shape < 0.0).max_by(by_pressure);
    let b = other.or_else(|| strong().filter(|s| s.position != a.position).max_by(by_pressure))?;
    let ratio = b.amplitude / a.amplitude;
    let (found_db, expected_db) = (decibel(ratio.norm()), decibel(b.shape / a.shape));
    if !found_db.is_finite() {
        return None;
    }
    let verdict = if (found_db - expected_db).abs() < AGREE_DB { "" } else { ", unlike that" };
    let mut text = format!(
        "{} against {} reads {found_db:+.1} dB (predicted {expected_db:+.1}){verdict}",
        b.position, a.position
    );
    if signs {
        text.push_str(&sign(ratio, a.shape * b.shape < 0.0));
    }
    Some(text)
}

/// The place where a mode should be weakest.
pub(super) enum Silent<'a, 'b> {
    /// No place is under three tenths of the loudest by prediction.
    None,
    /// This one, measured so many decibels under the one that should be loudest.
    At(&'b MeasuredPlace<'a>, f64),
}

pub(super) fn silent<'a, 'b>(seen: &'b [MeasuredPlace<'a>]) -> Silent<'a, 'b> {
    let strongest = seen.iter().max_by(|a, b| a.shape.abs().total_cmp(&b.shape.abs()));
    let weakest = seen.iter().min_by(|a, b| a.shape.abs().total_cmp(&b.shape.abs()));
    match weakest.zip(strongest) {
        Some((weakest, strongest)) if weakest.shape.abs() < 0.3 * strongest.shape.abs() => {
            Silent::At(weakest, -decibel((weakest.amplitude / strongest.amplitude).norm()))
        }
        _ => Silent::None,
    }
}

/// How far a place is down where nothing should be heard.
pub(super) fn down(place: &MeasuredPlace<'_>, which: &str, down_db: f64) -> Option<String> {
    let verdict = if down_db < 6.0 { ", which speaks against it" } else { "" };
    down_db.is_finite().then(|| format!("{}, {which}, is {down_db:.0} dB down{verdict}", place.position))
}

/// `, in antiphase` or `, in phase`, and what was expected if it is not that.
pub(super) fn sign(ratio: Complex64, expected_opposite: bool) -> String {
    let degrees = ratio.arg().abs() * 180.0 / PI;
    let opposite = degrees > 90.0;
    let off = if opposite { 180.0 - degrees } else { degrees };
    let text = if off > 45.0 {
        format!(", {degrees:.0}° apart in phase")
    } else {
        format!(", in {}", if opposite { "antiphase" } else { "phase" })
    };
    if opposite != expected_opposite { text + ", which speaks against it" } else { text }
}

pub(super) fn decibel(ratio: f64) -> f64 {
    20.0 * ratio.abs().log10()
}
