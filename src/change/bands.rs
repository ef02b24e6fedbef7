//! What happened to the reverberation time of each band: at each place, and over all places with a verdict.

use super::band_evidence::{Evidence, Partner, evidence};
use super::band_reason::{self, Why};
use super::facts::{BandFacts, PlaceFacts, StateFacts};
use super::finding::{FALSE_DISCOVERY, significant};
use super::gain::Gain;
use super::outcome::{BandChange, ModeChange, Ratio, Verdict};
use super::verdict::T60_MARGIN;
use crate::estimate::Reading;
use crate::flag::{Flag, Flags};
use crate::language::{Message, number, say};

/// A change of T20 under this ratio is none that is heard: the just noticeable difference (ISO 3382-1:2009, table A.1, for
/// EDT).
const LEAST_T20: f64 = 0.05;
/// Share of false discoveries among the significant changes of the bands of a pair. Where nothing changed every discovery is
/// false, so this is also the share of such pairs that have one.
const BAND_FALSE_DISCOVERY: f64 = 0.01;

/// Name of the average over all places.
const ALL: &str = "*";

/// Bands that both states have, in the order of the before state.
pub(super) fn band_changes(before: &StateFacts<'_>, after: &StateFacts<'_>, gain: &Gain) -> Vec<BandChange> {
    let pairs: Vec<Partner<'_>> = partners(before, after);
    let mut changes: Vec<BandChange> = pairs.iter().map(|pair| change(pair, gain)).collect();
    let told: Vec<(usize, Option<Evidence>)> = (0..pairs.len())
        .filter(|k| pairs[*k].before.position == ALL)
        .map(|k| (k, evidence(pairs[k].before.band_hz, &pairs)))
        .collect();
    let known: Vec<&Evidence> = told.iter().filter_map(|(_, evidence)| evidence.as_ref()).collect();
    let (bands, mut found) = (known.len(), findings(&known).into_iter());
    for (k, evidence) in told {
        let counts = evidence.is_some() && found.next() == Some(true);
        decide(&mut changes[k], evidence.as_ref(), (counts, bands));
    }
    changes
}

/// Which bands changed: those significant over all bands together, and the bands between two of them that moved the same
/// way, each significant by itself. The latter add none where there was none, so the share of pairs with a false one stays.
fn findings(bands: &[&Evidence]) -> Vec<bool> {
    let chances: Vec<f64> = bands.iter().map(|band| band.p_value()).collect();
    let first = significant(&chances, BAND_FALSE_DISCOVERY);
    let anchors: Vec<usize> = (0..bands.len()).filter(|k| first[*k]).collect();
    let mut found = first;
    for pair in anchors.windows(2) {
        let [from, to] = [pair[0], pair[1]];
        let alike = |k: usize| {
            bands[k].log.signum().total_cmp(&bands[from].log.signum()).is_eq()
                && chances[k] <= FALSE_DISCOVERY
        };
        if alike(to) && (from + 1..to).all(alike) {
            found[from..to].fill(true);
        }
    }
    found
}

/// Pairs of one band at one place, or of one average, in both states.
fn partners<'a>(before: &'a StateFacts<'a>, after: &'a StateFacts<'a>) -> Vec<Partner<'a>> {
    let at = |state: &'a StateFacts<'a>, band: &BandFacts<'_>| {
        let is = |p: &&PlaceFacts<'_>| p.position == band.position && p.source == band.source;
        state.places.iter().find(is)
    };
    let one = |old: &'a BandFacts<'a>| {
        let same = |new: &&BandFacts<'_>| {
            new.position == old.position
                && new.source == old.source
                && (new.band_hz / old.band_hz).ln().abs() < 0.01
        };
        let new = after.bands.iter().find(same)?;
        // A file that holds another's samples is no measurement of the place that its name says.
        let copied = [at(before, old), at(after, new)].into_iter().flatten().any(PlaceFacts::is_copy);
        let counts = at(before, old).filter(|p| !p.sounds_alike && !copied);
        Some(Partner { before: old, after: new, at_m: counts.map(|p| p.at_m) })
    };
    before.bands.iter().filter_map(one).collect()
}

/// The verdict on the average over all places; whether its change counts was decided over so many bands together.
fn decide(change: &mut BandChange, evidence: Option<&Evidence>, (counts, bands): (bool, usize)) {
    let ratio = evidence.map(Evidence::ratio);
    if let Some(ratio) = ratio {
        change.t20_ratio = Some(Ok(ratio));
    }
    let why = match (evidence, ratio) {
        (Some(evidence), Some(ratio)) => {
            let heard = (ratio.value - 1.0).abs() >= LEAST_T20;
            let margin = T60_MARGIN;
            if counts && heard {
                Why::Moved
            } else if ratio.low >= 1.0 - margin && ratio.high <= 1.0 + margin {
                Why::AsBefore
            } else if evidence.p_value() < FALSE_DISCOVERY && heard {
                change.flags.add(Flag::ManyModes);
                Why::AmongMany { bands }
            } else {
                change.flags.add(Flag::WideChange);
                Why::Wide { places: evidence.places_for(margin) }
            }
        }
        _ => match change.before_t20_s.err().or(change.after_t20_s.err()) {
            Some(flag) => Why::NoTime(flag),
            None => {
                change.flags.add(Flag::FewPlaces);
                Why::FewPlaces
            }
        },
    };
    change.verdict = Some(match (why, ratio) {
        (Why::Moved, Some(ratio)) if ratio.value < 1.0 => Verdict::Shorter,
        (Why::Moved, _) => Verdict::Longer,
        (Why::AsBefore, _) => Verdict::Unchanged,
        _ => Verdict::Unsure,
    });
    change.reason = band_reason::sentence(why, change.band_hz, ratio, evidence);
}

/// Takes back a change of a band that holds a mode which the measuring chain changed: T20 doesn't tell the two apart.
pub(super) fn doubt_by_chain(bands: &mut [BandChange], modes: &[ModeChange]) {
    let by_chain = modes.iter().filter(|mode| mode.verdict == Verdict::Chain);
    for hz in by_chain.filter_map(|mode| Some(mode.before_values.or(mode.after_values)?.frequency_hz)) {
        let changed =
            |band: &&mut BandChange| matches!(band.verdict, Some(Verdict::Shorter | Verdict::Longer));
        let reach = half_a_band(bands);
        for band in bands.iter_mut().filter(changed).filter(|band| (band.band_hz / hz).ln().abs() <= reach) {
            band.verdict = Some(Verdict::Unsure);
            band.flags.add(Flag::ChainUntold);
            band.reason = say!("band-change.by-chain", told = band.reason.clone(), hz = number(hz, 1));
        }
    }
}

/// Half the distance of neighbouring bands, as a logarithm of frequency; of one band alone that of octaves.
fn half_a_band(bands: &[BandChange]) -> f64 {
    let told: Vec<f64> = bands.iter().filter(|b| b.verdict.is_some()).map(|b| b.band_hz.ln()).collect();
    let gaps = told.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|gap| *gap > 0.0);
    0.5 * gaps.fold(std::f64::consts::LN_2, f64::min)
}

fn change(pair: &Partner<'_>, gain: &Gain) -> BandChange {
    let (old, new) = (pair.before, pair.after);
    let mut flags = Flags::default();
    let value = |r: &Reading| r.map(|e| e.value);
    for reading in [&old.t20_s, &new.t20_s] {
        if let Err(flag) = reading {
            flags.add(*flag);
        }
    }
    BandChange {
        position: old.position.to_string(),
        source: old.source.to_string(),
        band_hz: old.band_hz,
        before_t20_s: value(&old.t20_s),
        after_t20_s: value(&new.t20_s),
        t20_ratio: t20_ratio(&old.t20_s, &new.t20_s),
        energy_ratio: energy_ratio(old, new, gain, &mut flags),
        verdict: None,
        reason: Message::default(),
        flags,
    }
}

/// T20 after over before: both standard deviations, on logarithms.
fn t20_ratio(old: &Reading, new: &Reading) -> Option<Result<Ratio, Flag>> {
    let (old, new) = match (old, new) {
        (Ok(old), Ok(new)) => (old, new),
        (Err(flag), _) | (_, Err(flag)) => return Some(Err(*flag)),
    };
    let sd = (old.sd? / old.value).hypot(new.sd? / new.value);
    let log = (new.value / old.value).ln();
    (log.is_finite() && sd.is_finite()).then(|| Ok(Ratio::from_log(log, sd)))
}

fn energy_ratio(
    old: &BandFacts<'_>,
    new: &BandFacts<'_>,
    gain: &Gain,
    flags: &mut Flags,
) -> Option<Result<f64, Flag>> {
    let ratio = match (&old.level, &new.level) {
        (Ok(old), Ok(new)) => new / old,
        (Err(flag), _) | (_, Err(flag)) => return Some(Err(*flag)),
    };
    let Some(log) = gain.log else {
        let flag = gain.missing.unwrap_or(Flag::GainUnknown);
        flags.add(flag);
        return Some(Err(flag));
    };
    let ratio = ratio * (-2.0 * log.value).exp();
    (ratio.is_finite() && ratio > 0.0).then_some(Ok(ratio))
}

#[cfg(test)]
mod tests {
    use super::super::outcome::ModeValues;
    use super::*;
    use crate::estimate::Estimate;

    /// Chances by Student's t on five degrees (any table): t = 10 is 1.7e-4, t = 3 is 3.0 %, t = 2 is 10 %.
    #[test]
    fn bands_between_findings_are_told_at_their_own_level() {
        let band = |t: f64| Evidence::of_t(t, 6);
        let told = |all: [f64; 5]| {
            let bands = all.map(band);
            findings(&bands.iter().collect::<Vec<_>>())
        };
        assert_eq!(
            told([-10.0, -3.0, -10.0, -3.0, 0.1]),
            [true, true, true, false, false],
            "one end is not between"
        );
        assert_eq!(
            told([-10.0, -3.0, 10.0, 0.1, 0.1]),
            [true, false, true, false, false],
            "ends that disagree"
        );
        assert_eq!(
            told([-10.0, 3.0, -10.0, 0.1, 0.1]),
            [true, false, true, false, false],
            "moved the other way"
        );
        assert_eq!(told([-10.0, -3.0, -2.0, -10.0, 0.1]), [true, false, false, true, false], "a gap");
        assert_eq!(told([-3.0, -3.0, -3.0, 0.1, 0.1]), [false; 5], "no finding to lean on");
    }

    /// The average over all places of a band without values.
    fn average(band_hz: f64) -> BandChange {
        BandChange {
            position: ALL.to_owned(),
            source: String::new(),
            band_hz,
            before_t20_s: Ok(0.5),
            after_t20_s: Ok(0.6),
            t20_ratio: None,
            energy_ratio: None,
            verdict: None,
            reason: Message::default(),
            flags: Flags::default(),
        }
    }

    /// A filter that changed the mode at 44 Hz takes back the third-octave band at 40 Hz (35.5 to 44.7 Hz), and no other; a
    /// mode that the room changed takes back none.
    #[test]
    fn a_filter_in_a_band_takes_its_change_back() {
        let told = |verdict: Verdict| {
            let values = ModeValues { frequency_hz: 44.0, t60_s: Estimate::new(1.0, 0.01) };
            let mode = ModeChange { before_values: Some(values), ..ModeChange::sample(verdict) };
            let shorter = |hz: f64| BandChange { verdict: Some(Verdict::Shorter), ..average(hz) };
            let mut bands = [31.62, 39.81, 50.12].map(shorter);
            doubt_by_chain(&mut bands, &[mode]);
            bands.map(|band| (band.verdict.unwrap(), band.flags.has(Flag::ChainUntold)))
        };
        let (kept, taken) = ((Verdict::Shorter, false), (Verdict::Unsure, true));
        assert_eq!(told(Verdict::Chain), [kept, taken, kept]);
        assert_eq!(told(Verdict::Shorter), [kept; 3]);
    }

    /// On five degrees t = 2 is 10 % by chance, t = 3 3 %, t = 10 none: a change of 22, 35 and 170 per cent is open, one
    /// among many, and one that counts.
    #[test]
    fn a_change_that_chance_makes_is_not_one_of_many() {
        let told = |t: f64, counts: bool| {
            let mut change = average(63.1);
            decide(&mut change, Some(&Evidence::of_t(t, 6)), (counts, 10));
            (change.verdict.unwrap(), change.flags.has(Flag::ManyModes), change.flags.has(Flag::WideChange))
        };
        assert_eq!(told(2.0, false), (Verdict::Unsure, false, true));
        assert_eq!(told(3.0, false), (Verdict::Unsure, true, false));
        assert_eq!(told(10.0, true), (Verdict::Longer, false, false));
    }

    /// A time without end has no ratio to one of half a second, nor has one whose error has none.
    #[test]
    fn only_finite_times_have_a_ratio() {
        let of =
            |value: f64, sd: f64| t20_ratio(&Ok(Estimate::new(0.5, 0.01)), &Ok(Estimate::new(value, sd)));
        assert!(of(0.6, 0.01).is_some());
        assert_eq!([of(f64::INFINITY, 0.01), of(0.6, f64::INFINITY)], [None, None]);
    }
}
