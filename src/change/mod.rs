//! Two states of a room side by side: what became of each mode, told apart from level and from what
//! the measuring chain did, with a verdict that a consultant can sign.
//!
//! 1. Standard deviations of poles are multiplied by the factor by which repeated takes scatter more than the fit claims,
//!    where chance doesn't explain that (`repeats`, at least 1): those in `changes.csv` may exceed those in `modes.csv`.
//! 2. Places that both states have are brought to one origin and one gain (direct sound above the modes).
//! 3. A constant factor that all frequencies share (temperature) is estimated and taken out (`drift`).
//! 4. Resonances are paired one to one, over all at once, by frequency, decay and shape; two poles after that together
//!    make one mode before are a split. Two poles that can't be told apart become one; its sd is 1.2 times the bound of one
//!    pole. For a mode with a tuned unit a joint fit of both states, made elsewhere
//!    ([`compare_jointly_fitted`]), replaces its poles after: its T60 may differ from `modes.csv`.
//! 5. Each pair's change of decay (of ringing time, where a tuned unit stands) has its 95 % interval; which changes are
//!    significant is decided over all claimed modes together (Benjamini & Hochberg 1995); a mode that a unit's label names
//!    is tested by itself.
//! 6. Room or measuring chain: a filter that would explain a significant change must show in the residues of the
//!    neighbouring modes (`chain`), and in every bin at all places alike (`rank`). One too broad for that shows in the levels
//!    of many modes (`wide_filter`). Where these can't tell, `same_chain` in
//!    session.toml decides; else, at three common places or more, a unit that the session names and the joint fit shows.
//! 7. The [`Verdict`] follows, in the order that stands over `verdict::decide`, with a sentence that says why.
//! 8. Bands have verdicts too: T20 paired over places, Student's t, significance decided over all bands together.
//! 9. Doubts about a state as a whole (a wrong sample rate, copies, a moved set-up) take verdicts back.
//!
//! Nothing here opens a file, and no record is fitted here; the same facts give the same changes.

mod assess;
mod band_evidence;
mod band_reason;
mod bands;
mod cause;
mod chain;
mod direct;
mod doubt;
mod drift;
mod exchange;
mod expected;
mod facts;
mod finding;
mod gain;
mod jointly_fitted;
mod left_out;
mod level;
mod moved;
mod noise;
mod outcome;
mod pairing;
mod rank;
mod reason;
mod repeats;
mod ring;
mod seats;
mod shape;
mod split;
mod summary;
mod target;
mod unmoved;
mod verdict;
mod view;
mod visible;
mod wide_filter;

pub use expected::expected_changes;
pub use facts::{BandFacts, ChangeSettings, JointlyFittedMode, PlaceFacts, StateFacts};
pub use outcome::{
    BandChange, ChainFindings, Changes, Counted, DirectSound, ModeChange, ModeValues, PositionChange, Ratio,
    Seat, Verdict,
};
pub use target::{Met, Target, TargetFinding, hold_against};

use crate::estimate::Estimate;
use crate::flag::Flag;
use crate::language::Message;
use assess::Assessment;
use drift::RateFactor;
use gain::Gain;
use moved::Moved;
pub(crate) use ring::ring_s;
use view::{Common, Resonance, common_places, resonances};

#[cfg(test)]
mod tests;

/// Standard deviation of the logarithm of a gain that nobody knows.
const ANY_GAIN: f64 = 1.0;

/// Compares two states of one room.
///
/// Works with whatever is there: without common places decays are still compared, without gain no
/// level is. Never panics; what can't be said is `Err(Flag)` or the verdict `unsure`.
#[must_use]
pub fn compare(before: &StateFacts<'_>, after: &StateFacts<'_>, settings: &ChangeSettings) -> Changes {
    compare_jointly_fitted(before, after, settings, &[])
}

/// Compares two states of one room, given joint fits of mode and unit, which take the place of the after state's own poles
/// for those modes.
#[must_use]
pub fn compare_jointly_fitted(
    before: &StateFacts<'_>,
    after: &StateFacts<'_>,
    settings: &ChangeSettings,
    jointly_fitted: &[JointlyFittedMode],
) -> Changes {
    let places = common_places(before, after);
    let gain = gain::gain(&places, settings.same_chain);
    let repeats = repeats::Repeats::of([before, after]);
    let widening = repeats.map_or(1.0, |r| r.widening);
    let factor = gain.log.map_or(1.0, |g| g.value.exp());
    let old = resonances(before.modes, &at(&places, false), 1.0, widening);
    let new = resonances(after.modes, &at(&places, true), factor, widening);
    let jointly_fitted = jointly_fitted::joined(jointly_fitted, &at(&places, true), factor, widening);
    let drift = drift::drift(&old, &new);
    let partners = pairing::pair(&old, &new, drift.map_or(0.0, |d| d.value));
    let moved = moved::moved(&places, &gain.off, &old, &new, &partners, &jointly_fitted);
    let witnesses = chain::witnesses(&old, &new, &partners, &moved.microphones);
    let left = (0..new.len()).filter(|j| !partners.contains(&Some(*j)));
    let gain_sd = gain.log.and_then(|g| g.sd).unwrap_or(ANY_GAIN);
    let filters = cause::filters(&old, &new, left, &witnesses, gain_sd);
    let filter_poles: Vec<usize> = filters.iter().map(|f| f.pole).collect();
    let splits =
        split::splits(&old, &new, &partners, &filter_poles, (after.modes, drift.map_or(0.0, |d| d.value)));
    let assessment = Assessment {
        settings,
        places: &places,
        gain: &gain,
        moved: &moved,
        old: &old,
        new: &new,
        partners: &partners,
        splits: &splits,
        jointly_fitted: &jointly_fitted,
        at_units: &after.at_units,
        widening,
        witnesses: &witnesses,
        filters: &filters,
        gain_sd,
        drift: drift.map_or(1.0, |d| d.value.exp()),
        left_after: &after.modes.residual_over_noise,
        repeats_known: repeats.is_some(),
    };
    let (mut modes, mut positions) = assessment.run();
    let mut bands = bands::band_changes(before, after, &gain);
    let rate = wrong_rate([before, after], &old, &new);
    let doubts = doubt::Doubts::new([before, after], rate, &gain, &moved, places.len())
        .with_direct_off(direct::direct_off(&bands));
    doubts.apply(&mut modes);
    doubts.apply_to_bands(&mut bands);
    bands::doubt_by_chain(&mut bands, &modes);
    doubts.void_levels(&mut positions, &mut bands);
    let worst_seat = seats::worst_seat(&modes, &positions);
    let positions = left_out::beside(positions, &modes, before, after);
    let chain = ChainFindings {
        filter_poles: filter_poles.iter().map(|j| new[*j].index).collect(),
        wrong_rate_hz: rate.map(|rate| rate.rates_hz()),
        ..set_up(&places, &gain, &moved, doubts.uneven_gain())
    };
    let shown = jointly_fitted.iter().filter(|t| t.facts.unit_shows).map(|t| t.facts.mode);
    let at_units: Vec<usize> = shown.chain(after.at_units.iter().copied()).collect();
    // Where a rate is wrong, that is all there is to say.
    let told = match doubts.rate() {
        Some(rate) => Told::of_rate(rate, &bands),
        None => {
            let places = before.modes.places.len().min(after.modes.places.len());
            Told::of(&modes, &at_units, places, &bands, &chain, settings)
        }
    };
    Changes {
        summary: told.modes,
        counted: told.counted,
        band_summary: told.bands,
        bands,
        frequency_factor: drift.map(of_log),
        modes,
        positions,
        chain,
        worst_seat,
    }
}

/// The sentences on a pair of states.
struct Told {
    modes: Message,
    counted: Option<Counted>,
    bands: Message,
}

impl Told {
    fn of(
        modes: &[ModeChange],
        at_units: &[usize],
        places: usize,
        bands: &[BandChange],
        chain: &ChainFindings,
        settings: &ChangeSettings,
    ) -> Self {
        Self {
            modes: summary::summary(modes, at_units, places, chain, settings),
            counted: summary::counted(modes, at_units),
            bands: band_reason::summary(bands, &split_hz(modes)),
        }
    }

    fn of_rate(rate: &RateFactor, bands: &[BandChange]) -> Self {
        Self { modes: rate.reason(), counted: None, bands: band_reason::at_a_wrong_rate(bands) }
    }
}

/// The factor on all frequencies and decays that only a wrong sample rate makes: of a state known to be relabelled, else
/// as the resonances show it.
fn wrong_rate(
    [before, after]: [&StateFacts<'_>; 2],
    old: &[Resonance],
    new: &[Resonance],
) -> Option<drift::RateFactor> {
    let known = after.relabelled.map(drift::RateFactor::between);
    known.or_else(|| drift::rate_factor(old, new, labelled(before, after)))
}

/// What is known of gain, microphones and loudspeaker at the common places, without filters.
fn set_up(places: &[Common<'_>], gain: &Gain, moved: &Moved, uneven: bool) -> ChainFindings {
    let name = |m: usize| (places[m].before.position.to_string(), places[m].before.source.to_string());
    ChainFindings {
        gain: gain.log.filter(|_| !uneven).map(of_log),
        gain_missing: gain.missing.or(uneven.then_some(Flag::GainUneven)),
        gain_overruled: gain.overruled.map(f64::exp),
        moved_microphones: (0..places.len())
            .filter(|m| moved.microphones[*m] && !moved.exchanged[*m])
            .map(name)
            .collect(),
        exchanged_files: (0..places.len()).filter(|m| moved.exchanged[*m]).map(name).collect(),
        moved_loudspeaker: moved.loudspeaker,
        filter_poles: Vec::new(),
        wrong_rate_hz: None,
    }
}

/// The quantity whose logarithm is given.
fn of_log(log: Estimate) -> Estimate {
    let value = log.value.exp();
    Estimate { value, sd: log.sd.map(|sd| sd * value) }
}

/// Modes that rang shorter as two: the band that holds one tells another number than the mode.
fn split_hz(modes: &[ModeChange]) -> Vec<f64> {
    let split = modes.iter().filter(|m| m.verdict == Verdict::Shorter && m.flags.has(Flag::Split));
    split.filter_map(|m| Some(m.before_values?.frequency_hz)).collect()
}

/// Ratio of the rates in the files' headers, after over before: of the places' medians.
fn labelled(before: &StateFacts<'_>, after: &StateFacts<'_>) -> f64 {
    let rate =
        |state: &StateFacts<'_>| crate::mean::median(state.places.iter().map(|p| p.file_rate_hz).collect());
    rate(after).zip(rate(before)).map_or(1.0, |(after, before)| after / before)
}

/// Index of the amplitude, file rate and shift of the origin, at each common place.
fn at(places: &[Common<'_>], after: bool) -> Vec<(usize, f64, f64)> {
    let one = |p: &Common<'_>| {
        if after {
            (p.indices.1, p.after.file_rate_hz, p.shift_s)
        } else {
            (p.indices.0, p.before.file_rate_hz, 0.0)
        }
    };
    places.iter().map(one).collect()
}
