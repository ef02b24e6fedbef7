//! What a comparison of the states shows already, or will show.

use stillroom::analysis::{
    Analysis, CompareSettings, Control, ModeRange, Settings, analyze, compare_states, foretell,
};
use stillroom::change::{BandChange, Changes};
use stillroom::filter::Fraction;
use stillroom::flag::Flag;
use stillroom::procedure::{Between, SingleModes};
use stillroom::report::words;
use stillroom::session::Session;

/// The baseline, or else the first state, and the others, of those that were measured.
fn measured(session: &Session, found: &Analysis) -> Option<(String, Vec<String>)> {
    let names: Vec<&String> =
        found.states.iter().filter(|state| !state.places.is_empty()).map(|state| &state.name).collect();
    let before = session.baseline.as_ref().filter(|name| names.contains(name)).or(names.first().copied())?;
    Some((before.clone(), names.into_iter().filter(|name| *name != before).cloned().collect()))
}

/// What lies between the baseline, or else the first state, and each of the others; bands are third octaves, as `compare`
/// takes them.
pub fn between(
    session: &Session,
    found: &Analysis,
    settings: &Settings,
    control: &Control<'_>,
) -> Vec<Between> {
    let Some((before, after)) = measured(session, found).filter(|(_, after)| !after.is_empty()) else {
        return Vec::new();
    };
    let mut thirds = settings.clone();
    thirds.fraction = Fraction::Third;
    let found = analyze(session, &thirds, control);
    let asked = CompareSettings::new(&before, after);
    let Some(compared) = compare_states(session, &found, &thirds, &asked, control) else {
        return Vec::new();
    };
    let pair = |(state, changes): &(usize, Changes)| Between {
        states: [before.clone(), found.states[*state].name.clone()],
        uneven_gain: changes.chain.gain_missing == Some(Flag::GainUneven),
        odd_places: words::places(&changes.chain.moved_microphones),
        moved_loudspeaker: changes.chain.moved_loudspeaker,
        wrong_rate_hz: changes.chain.wrong_rate_hz,
        thirds: changes.bands.iter().filter(|b| b.position == "*").filter_map(third).collect(),
    };
    compared.pairs.iter().map(pair).collect()
}

/// A third octave and half the interval of its change.
fn third(band: &BandChange) -> Option<(f64, f64)> {
    let ratio = band.t20_ratio?.ok()?;
    Some((band.band_hz, 0.5 * (ratio.high - ratio.low)))
}

/// The modes of that state alone, over the range that `compare` takes unless told otherwise: what its fit leaves open is
/// what the interval of a change will be made of.
pub fn modes(
    session: &Session,
    found: &Analysis,
    settings: &Settings,
    control: &Control<'_>,
) -> Option<SingleModes> {
    let (before, _) = measured(session, found)?;
    let mut fitted = settings.clone();
    fitted.modes = Some(ModeRange::default());
    foretell(session, &before, &fitted, control)
}
