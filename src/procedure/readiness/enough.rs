//! What a visit is enough for: bands to which grade, single modes up to which frequency, a change of which size.

use super::super::{ProcedureState, checks, summary};
use super::{Between, LookFacts, singles};
use crate::decay::expected_change;
use crate::room::sound_speed_m_s;
use crate::session::Session;

/// Least positions from which what became of single modes can be told. Common practice, no source.
const POSITIONS: usize = 6;
/// Least positions where some place was measured twice, so that what doors, people and placement do is known.
const WITH_REPEATS: usize = 3;
/// Bandwidth of a third octave over its mid-band frequency, 10^(1/20) − 10^(−1/20) (IEC 61260-1:2014, 5.6).
const THIRD: f64 = 0.230_8;
/// Third octaves whose change is foretold, Hz; the mean time of the octave round them stands for theirs.
const FORETOLD_HZ: [f64; 2] = [125.0, 1000.0];

/// What the visit is enough for.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Purposes {
    /// One sentence a purpose.
    pub lines: Vec<String>,
    /// Whether verdicts on single modes rest on enough places or repeats, and on a mode at least that is known well.
    pub modes: bool,
}

/// Judges by the state that was measured least.
pub(super) fn purposes(facts: &LookFacts<'_>) -> Purposes {
    let Some(least) = facts.states.iter().min_by_key(|state| state.counted().count()) else {
        return Purposes::default();
    };
    let repeated = facts.states.iter().all(|state| state.places.iter().any(|place| place.takes > 1));
    let positions = facts.states.iter().map(|state| state.positions().len()).min().unwrap_or(0);
    let places = positions >= POSITIONS || (repeated && positions >= WITH_REPEATS);
    let known = facts.modes.as_ref().is_none_or(singles::any_decided);
    let mut lines = vec![match summary::grade(&checks(least)) {
        Some(grade) => format!("Bands: enough positions for {grade} grade (ISO 3382-2, table 1)."),
        None if least.counted().count() == 1 => {
            "Bands: at this one position only; a grade of ISO 3382-2 takes more.".to_owned()
        }
        None => "Bands: at these positions only; too few for any grade of ISO 3382-2.".to_owned(),
    }];
    lines.extend(facts.modes.as_ref().map(singles::range).or_else(|| single_modes(facts.session, least)));
    lines.extend(measured_change(&facts.between).or_else(|| change_of_bands(least)));
    lines.push(match (places, known) {
        (true, true) => "Verdicts on single modes: enough positions.".to_owned(),
        (true, false) => {
            "Verdicts on single modes: enough positions, but no mode is known well enough for one.".to_owned()
        }
        (false, _) => format!(
            "Verdicts on single modes: not yet; measure at {POSITIONS} positions or more, or each position twice at \
             {WITH_REPEATS} or more."
        ),
    });
    lines.extend(facts.modes.as_ref().map(singles::sentence));
    Purposes { lines, modes: places && known }
}

/// Mean T20 of an octave over the places, s.
fn t20_s(state: &ProcedureState<'_>, hz: f64) -> Option<f64> {
    let octave = |centre_hz: f64| (centre_hz / hz).log2().abs() < 0.1;
    let bands = state.places.iter().flat_map(|place| place.bands).filter(|b| octave(b.band.centre_hz));
    let times: Vec<f64> = bands.filter_map(|b| Some(b.t20_s.ok()?.value)).collect();
    (!times.is_empty()).then(|| times.iter().sum::<f64>() / times.len() as f64)
}

/// Modes on one bandwidth up to which they are told singly: at 0.6 of one the limit foretold is 0.8 to 1.3 times the one
/// that `analyze` then states (demo, a finite-element room and ten closed-form ones; a whole mode promised 1.3 times too
/// much in the median). Our own choice.
const TOLD_SINGLY: f64 = 0.6;

/// Up to which frequency modes stand singly: where so many fall on each bandwidth (2.2/T) by the density of modes
/// 4πVf²/c³ (Kuttruff, Room Acoustics, chapter 3; Schroeder's frequency is where three do). For where nothing was fitted.
fn single_modes(session: &Session, state: &ProcedureState<'_>) -> Option<String> {
    let volume_m3 = session.room.volume_m3?;
    let t_s = t20_s(state, 125.0)?;
    let c = sound_speed_m_s(session.temperature_c(state.state)).ok()?;
    let hz = (TOLD_SINGLY * c.powi(3) * t_s / (4.0 * std::f64::consts::PI * volume_m3 * 2.2)).sqrt();
    Some(format!(
        "Single modes: up to about {hz:.0} Hz, reckoned from volume and T20 (analyze fits them and says it better); above, \
         they overlap: read the bands."
    ))
}

/// A half interval in whole per cent; one that rounds to none is a bound.
fn within(percent: f64) -> String {
    if percent < 0.5 { "under ±0.5 %".to_owned() } else { format!("±{percent:.0} %") }
}

/// Which change of T20 the third octaves show, where two states were measured: of several pairs the worst.
fn measured_change(pairs: &[Between]) -> Option<String> {
    let half = |hz: f64| {
        let of_pair = |pair: &Between| {
            pair.thirds.iter().find(|third| (third.0 / hz).log2().abs() < 0.1).map(|third| third.1)
        };
        pairs.iter().filter_map(of_pair).reduce(f64::max).map(|half| (hz, half))
    };
    let told: Vec<String> = FORETOLD_HZ
        .into_iter()
        .filter_map(half)
        .map(|(hz, half)| format!("{} at {hz:.0} Hz", within(100.0 * half)))
        .collect();
    (!told.is_empty()).then(|| {
        format!(
            "Verdicts on bands: the change of T20 is known to {} (third octaves, as measured).",
            told.join(", ")
        )
    })
}

/// Which change of T20 the bands will show.
fn change_of_bands(state: &ProcedureState<'_>) -> Option<String> {
    let places = state.counted().count();
    if places < 3 {
        return Some("Verdicts on bands: not yet; they take three places or more in both states.".to_owned());
    }
    let size = |hz: f64| Some((hz, 100.0 * expected_change(places, THIRD * hz, t20_s(state, hz)?)?));
    let told: Vec<String> = FORETOLD_HZ
        .into_iter()
        .filter_map(size)
        .map(|(hz, percent)| format!("{} at {hz:.0} Hz", within(percent)))
        .collect();
    let unit = size(FORETOLD_HZ[0]).map(|(hz, percent)| {
        format!(" If one tuned unit is all that changes, to {} at {hz:.0} Hz.", within(percent / 3.0))
    });
    (!told.is_empty()).then(|| {
        format!(
            "Verdicts on bands: with these positions a change of T20 will be known to {} (third octaves).{}",
            told.join(" and "),
            unit.unwrap_or_default()
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What was measured goes before what is foretold; of several pairs the worst counts.
    #[test]
    fn intervals_of_two_states_are_told_as_they_are() {
        let pair = |half: f64| Between { thirds: vec![(125.89, half), (1000.0, 0.04)], ..Between::default() };
        let told = measured_change(&[pair(0.1), pair(0.2)]).unwrap();
        assert!(told.contains("±20 % at 125 Hz, ±4 % at 1000 Hz (third octaves, as measured)"), "{told}");
        assert_eq!(measured_change(&[Between::default()]), None);
        let told =
            measured_change(&[Between { thirds: vec![(1000.0, 0.003)], ..Between::default() }]).unwrap();
        assert!(told.contains("known to under ±0.5 % at 1000 Hz"), "±0 % stood there: {told}");
    }

    #[test]
    fn a_third_octave_is_as_wide_as_the_standard_says() {
        assert!((THIRD - (10_f64.powf(0.05) - 10_f64.powf(-0.05))).abs() < 1e-3);
    }
}
