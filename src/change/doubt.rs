//! Doubts that take a verdict back: faults of the files or of the set-up that look like a change of the room.
//!
//! Verdicts are reached mode by mode; these doubts are about a state as a whole, so they come last and only ever
//! turn a decision into `unsure`, with a sentence that names what to mend.

use super::drift::RateFactor;
use super::facts::StateFacts;
use super::gain::Gain;
use super::moved::Moved;
use super::outcome::{BandChange, ModeChange, ModeValues, PositionChange, Ratio, Verdict};
use super::verdict::NEPERS_PER_DB;
use crate::flag::{Flag, Flags};
use crate::language::{Message, Value, number, say};
use crate::mean::median;

// Our own choices, all of these.

/// Under this the two shapes are not one mode's; unrelated shapes over n places have 1/n in the mean.
const ALIKE: f64 = 0.3;
/// Under this a mode whose decay alone changed isn't the one before: a decay changes by losses, which leave a shape as it is
/// (noise and a neighbour's share leave 0.9 and more). A unit makes two of it, whose shapes together are the mode's.
const SAME_MODE: f64 = 0.8;
/// Fewest places over which a shape says something.
const SHAPE_PLACES: usize = 4;
/// Two modes have changed places where each lies this near to where the other was, as a share of the way.
const NEAR: f64 = 0.25;
/// An interval whose ends lie further apart than this factor says nothing; its cell stays empty.
const WIDEST: f64 = 30.0;
/// Spread of the direct sound's gain over places from which no one gain explains it, in nepers (1.5 dB).
const UNEVEN: f64 = 0.17;
/// Shares of places that end in noise: most, and hardly any.
const MOST: f64 = 0.75;
const HARDLY: f64 = 0.25;
/// Records may differ by this much in length and still be compared with each other.
const AS_LONG: f64 = 0.8;

/// All that can take a verdict back.
#[derive(Debug, Clone, Default)]
pub(super) struct Doubts {
    /// The factor on all frequencies that only a wrong sample rate makes.
    rate: Option<RateFactor>,
    /// Faults of the files of both states.
    faults: Flags,
    /// Faults of files that took part in the fit after.
    faults_after: bool,
    /// Whether most places of the two states hold the same samples.
    copied: bool,
    /// Whether no file after could be used.
    nothing_after: bool,
    /// The set-up moved: the loudspeaker, or most microphones.
    moved: Option<Flag>,
    /// Whether the gain is different at every place.
    uneven_gain: bool,
    /// ln of the factor by which levels moved beyond what the direct sound's gain and the decays explain.
    direct_off: Option<f64>,
    /// Places that both states have.
    places: usize,
    /// Share of the places that end in noise, and median length of the records, before and after.
    ends: [(f64, f64); 2],
}

impl Doubts {
    /// Gathers them.
    pub fn new(
        [before, after]: [&StateFacts<'_>; 2],
        rate: Option<RateFactor>,
        gain: &Gain,
        moved: &Moved,
        places: usize,
    ) -> Self {
        let all = || before.places.iter().chain(&after.places);
        let copies = after.places.iter().filter(|p| p.is_copy()).count();
        let microphones = moved.microphones.iter().filter(|m| **m).count();
        Self {
            rate,
            faults: all().filter_map(|p| p.fault).collect(),
            faults_after: after.places.iter().any(|p| p.fault.is_some() && p.low.is_some()),
            copied: copies > 0 && 2 * copies >= after.places.len(),
            nothing_after: after.places.iter().all(|p| p.low.is_none()) && after.modes.modes.is_empty(),
            moved: if moved.loudspeaker {
                Some(Flag::MovedLoudspeaker)
            } else {
                (microphones > 1 && 2 * microphones > places).then_some(Flag::MovedMicrophone)
            },
            direct_off: None,
            uneven_gain: places >= 4 && !moved.loudspeaker && gain.spread.is_some_and(|s| s > UNEVEN),
            places,
            ends: [ends(before), ends(after)],
        }
    }

    /// Adds what the bands' levels say of the gain.
    pub fn with_direct_off(self, direct_off: Option<f64>) -> Self {
        Self { direct_off: direct_off.filter(|_| self.moved.is_none()), ..self }
    }

    /// Whether no one gain lies between the states.
    pub fn uneven_gain(&self) -> bool {
        self.uneven_gain || self.direct_off.is_some()
    }

    /// Empties the levels that rest on a gain which is none.
    pub fn void_levels(&self, positions: &mut [PositionChange], bands: &mut [BandChange]) {
        if !self.uneven_gain() {
            return;
        }
        for place in positions.iter_mut().filter(|p| p.level_ratio.is_ok()) {
            place.level_ratio = Err(Flag::GainUneven);
            place.flags.remove(Flag::GainRemoved);
            place.flags.add(Flag::GainUneven);
        }
        for band in bands.iter_mut().filter(|b| b.energy_ratio.is_some_and(|level| level.is_ok())) {
            band.energy_ratio = Some(Err(Flag::GainUneven));
            band.flags.add(Flag::GainUneven);
        }
    }

    /// Why nothing at all can be told of the room: a rate that is wrong stretches every time and frequency.
    pub fn rate(&self) -> Option<&RateFactor> {
        self.rate.as_ref()
    }

    /// Takes back what the bands can't tell: a decay time read at a wrong rate is wrong.
    pub fn apply_to_bands(&self, bands: &mut [BandChange]) {
        let Some(rate) = self.rate else { return };
        for band in bands.iter_mut() {
            band.flags.add(Flag::RateSuspect);
            if band.verdict.is_some() {
                band.verdict = Some(Verdict::Unsure);
                band.reason = rate.reason();
            }
        }
    }

    /// Takes back what can't stand.
    pub fn apply(&self, changes: &mut [ModeChange]) {
        let crossed = crossed(changes);
        for (change, crossed) in changes.iter_mut().zip(crossed) {
            change.flags.extend(&self.faults);
            if crossed && change.verdict != Verdict::Unsure {
                let hz = change.after_values.map_or(0.0, |v| v.frequency_hz);
                change.verdict = Verdict::Unsure;
                change.reason = say!("change.crossed", hz = number(hz, 1));
                change.flags.add(Flag::ShapeDiffers);
            } else if let Some((flag, reason)) = self.against(change) {
                change.verdict = Verdict::Unsure;
                change.reason = reason;
                flag.into_iter().for_each(|flag| change.flags.add(flag));
            }
            // A verdict that stands beside a shape that is not the one before says so.
            if self.places >= SHAPE_PLACES && of_another_shape(change) {
                change.flags.add(Flag::ShapeDiffers);
            }
            if self.uneven_gain() && change.level_ratio.is_some_and(|level| level.is_ok()) {
                change.level_ratio = Some(Err(Flag::GainUneven));
                change.flags.add(Flag::GainUneven);
            }
            leave_out_unknown(change);
        }
    }

    /// Why a change can't be decided after all; `None` where it stands.
    fn against(&self, change: &ModeChange) -> Option<(Option<Flag>, Message)> {
        if let Some(rate) = self.rate {
            return Some((Some(Flag::RateSuspect), rate.reason()));
        }
        if self.nothing_after {
            return Some((Some(Flag::LeftOutOfFit), say!("change.nothing-after")));
        }
        let decided = change.verdict != Verdict::Unsure;
        if decided && self.copied {
            return Some((Some(Flag::IdenticalFiles), say!("change.copied")));
        }
        if decided && self.places >= SHAPE_PLACES && of_another_mode(change) {
            let hz = change.before_values.map_or(0.0, |v| v.frequency_hz);
            return Some((Some(Flag::ShapeDiffers), say!("change.other-shape", hz = number(hz, 1))));
        }
        match change.verdict {
            Verdict::New if self.moved.is_some() => Some((self.moved, say!("change.only-after-moved"))),
            Verdict::New if self.faults_after => Some((None, say!("change.only-after-faulty"))),
            Verdict::LevelOnly if self.uneven_gain => {
                Some((Some(Flag::GainUneven), say!("change.uneven-gain")))
            }
            Verdict::LevelOnly | Verdict::Chain if self.direct_off.is_some() => {
                // With its hyphen as the tables have had it.
                let db = Value::Number(format!("{:+.1}", self.direct_off.unwrap_or(0.0) / NEPERS_PER_DB));
                Some((Some(Flag::GainUneven), say!("change.direct-off", db = db)))
            }
            Verdict::Shorter if self.records_contradict(0, 1) => {
                Some((Some(Flag::EndsContradict), say!("change.faded-after")))
            }
            Verdict::Longer if self.records_contradict(1, 0) => {
                Some((Some(Flag::EndsContradict), say!("change.faded-before")))
            }
            _ => None,
        }
    }

    /// Whether the records contradict the verdict: those of the state with the slower decays fall into their noise, those
    /// of the state with the faster decays, at least about as long, don't. One of the two was faded or gated.
    fn records_contradict(&self, slower: usize, faster: usize) -> bool {
        let (slower, faster) = (self.ends[slower], self.ends[faster]);
        slower.0 >= MOST && faster.0 <= HARDLY && faster.1 >= AS_LONG * slower.1
    }
}

/// Which modes have changed places with another, each more than its half-power bandwidth (2.2/T60) away where the other
/// was: shapes pair them so where files are exchanged, and what stayed in place is the mode.
fn crossed(changes: &[ModeChange]) -> Vec<bool> {
    let ends = |change: &ModeChange| {
        let (before, after) = change.before_values.zip(change.after_values)?;
        Some((before.frequency_hz, after.frequency_hz, 2.2 / before.t60_s.value))
    };
    let all: Vec<Option<(f64, f64, f64)>> = changes.iter().map(ends).collect();
    let crosses = |own: &Option<(f64, f64, f64)>| {
        let Some((before, after, width)) = *own else { return false };
        let moved = (after - before).abs();
        let in_place =
            |other: &(f64, f64, f64)| (other.0 - after).abs().max((other.1 - before).abs()) < NEAR * moved;
        moved > width && all.iter().flatten().any(in_place)
    };
    all.iter().map(crosses).collect()
}

/// Whether the resonances before and after have too little of a shape in common to be one mode.
fn of_another_mode(change: &ModeChange) -> bool {
    let alone = !change.flags.has(Flag::Split) && !change.flags.has(Flag::MergedPair);
    let decay_changed = matches!(change.verdict, Verdict::Shorter | Verdict::Longer);
    let least = if decay_changed && alone { SAME_MODE } else { ALIKE };
    change.shape_match.is_some_and(|alike| alike < least)
}

/// Whether one resonance became one of a clearly other shape, whatever was decided of it.
fn of_another_shape(change: &ModeChange) -> bool {
    let alone = !change.flags.has(Flag::Split) && !change.flags.has(Flag::MergedPair);
    alone && change.verdict != Verdict::Unsure && change.shape_match.is_some_and(|alike| alike < SAME_MODE)
}

/// Share of the places that end in noise, and median length of their records from the direct sound on.
fn ends(state: &StateFacts<'_>) -> (f64, f64) {
    let known = |r: &&Result<f64, Flag>| matches!(r, Ok(_) | Err(Flag::NoQuietEnd));
    let all: Vec<&Result<f64, Flag>> = state.modes.residual_over_noise.iter().filter(known).collect();
    let quiet = all.iter().filter(|r| r.is_ok()).count() as f64 / all.len().max(1) as f64;
    let lengths =
        state.places.iter().filter_map(|p| p.low).map(|l| l.samples.len() as f64 / l.rate_hz - l.onset_s);
    (if all.is_empty() { 0.5 } else { quiet }, median(lengths.collect()).unwrap_or(0.0))
}

/// Empties what the data doesn't carry: decays and changes that may be anything.
fn leave_out_unknown(change: &mut ModeChange) {
    let open = change.verdict == Verdict::Unsure;
    let unknown = |values: Option<ModeValues>| open && values.is_some_and(|v| !v.t60_s.is_above_zero());
    let sides = [unknown(change.before_values), unknown(change.after_values)];
    for (ring_s, unknown) in [&mut change.before_ring_s, &mut change.after_ring_s].into_iter().zip(sides) {
        if unknown {
            *ring_s = ring_s.map(|_| Err(Flag::WideInterval));
        }
    }
    let decay = sides.contains(&true);
    let mut empty = decay;
    let ratios =
        [(&mut change.t60_ratio, decay), (&mut change.ring_ratio, decay), (&mut change.level_ratio, false)];
    for (ratio, unknown) in ratios {
        if ratio.is_some_and(|r| r.is_ok_and(|r| unknown || says_nothing(&r))) {
            *ratio = Some(Err(Flag::WideInterval));
            empty = true;
        }
    }
    if empty {
        change.flags.add(Flag::WideInterval);
    }
}

fn says_nothing(ratio: &Ratio) -> bool {
    !(ratio.high / ratio.low).is_finite() || ratio.high / ratio.low > WIDEST
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;

    /// A decay that changed needs the same mode before and after; where a second pole takes part of the shape, or nothing
    /// is said to have changed, a likeness is enough.
    #[test]
    fn a_changed_decay_keeps_its_shape() {
        let of = |verdict, alike, flag: Option<Flag>| {
            let mut change = ModeChange { shape_match: Some(alike), ..ModeChange::sample(verdict) };
            flag.into_iter().for_each(|flag| change.flags.add(flag));
            of_another_mode(&change)
        };
        assert!(of(Verdict::Longer, 0.6, None) && of(Verdict::Shorter, 0.79, None));
        assert!(!of(Verdict::Longer, 0.85, None) && !of(Verdict::Shorter, 0.6, Some(Flag::Split)));
        assert!(!of(Verdict::Unchanged, 0.6, None) && of(Verdict::Unchanged, 0.2, None));
        assert!(of(Verdict::Shorter, 0.2, Some(Flag::MergedPair)));
    }

    /// Files that both states share decide nothing, whatever was read from them.
    #[test]
    fn copies_take_every_verdict_back() {
        let mut changes = [Verdict::Shorter, Verdict::Unchanged].map(ModeChange::sample);
        Doubts { copied: true, ..Doubts::default() }.apply(&mut changes);
        for change in &changes {
            assert_eq!(change.verdict, Verdict::Unsure);
            assert!(change.flags.has(Flag::IdenticalFiles));
        }
    }

    /// Modes of 130 and 135 Hz that are held against each other have no verdict; one 0.3 Hz away, within the bandwidth, or with
    /// nothing in its place, keeps it.
    #[test]
    fn modes_that_change_places_get_no_verdict() {
        let change = |before_hz: f64, after_hz: f64| {
            let values = |frequency_hz| Some(ModeValues { frequency_hz, t60_s: Estimate::new(1.5, 0.02) });
            let (before_values, after_values) = (values(before_hz), values(after_hz));
            ModeChange { before_values, after_values, ..ModeChange::sample(Verdict::Longer) }
        };
        let mut changes = [
            change(130.5, 135.5),
            change(135.5, 130.6),
            change(88.4, 88.7),
            change(88.7, 88.4),
            change(40.0, 42.0),
        ];
        Doubts::default().apply(&mut changes);
        let verdicts = changes.each_ref().map(|change| change.verdict == Verdict::Unsure);
        assert_eq!(verdicts, [true, true, false, false, false]);
    }

    /// A decay that may be zero has no time, and its change no ratio; one that is known keeps both, and so does a verdict.
    #[test]
    fn a_decay_that_may_be_zero_is_left_out() {
        let of = |verdict, sd_s: f64| {
            let values = ModeValues { frequency_hz: 40.0, t60_s: Estimate::new(1.0, sd_s) };
            let ratio = Some(Ok(Ratio { value: 1.0, low: 0.5, high: 2.0 }));
            let mut change = ModeChange {
                before_values: Some(values),
                before_ring_s: Some(Ok(1.0)),
                after_ring_s: Some(Ok(1.0)),
                t60_ratio: ratio,
                ring_ratio: ratio,
                level_ratio: ratio,
                ..ModeChange::sample(verdict)
            };
            leave_out_unknown(&mut change);
            change
        };
        let unknown = of(Verdict::Unsure, 0.6);
        assert_eq!(unknown.before_ring_s, Some(Err(Flag::WideInterval)));
        assert_eq!([unknown.t60_ratio, unknown.ring_ratio], [Some(Err(Flag::WideInterval)); 2]);
        assert!(unknown.after_ring_s == Some(Ok(1.0)) && unknown.level_ratio.is_some_and(|r| r.is_ok()));
        assert!(unknown.flags.has(Flag::WideInterval));
        for known in [of(Verdict::Unsure, 0.4), of(Verdict::Shorter, 0.6)] {
            assert!(known.before_ring_s == Some(Ok(1.0)) && known.ring_ratio.is_some_and(|r| r.is_ok()));
            assert!(known.flags.is_empty());
        }
    }

    /// A wrong rate stretches every time: the bands' verdicts go, with the rates for a reason, and bands that had none get none.
    #[test]
    fn a_wrong_rate_takes_the_bands_verdicts_back() {
        let band = |verdict: Option<Verdict>| BandChange {
            position: "*".to_owned(),
            source: String::new(),
            band_hz: 125.0,
            before_t20_s: Ok(0.5),
            after_t20_s: Ok(0.4),
            t20_ratio: None,
            energy_ratio: None,
            verdict,
            reason: Message::default(),
            flags: Flags::default(),
        };
        let mut bands = [band(Some(Verdict::Shorter)), band(None)];
        let rate = Some(RateFactor::between((44_100.0, 48_000.0)));
        Doubts { rate, ..Doubts::default() }.apply_to_bands(&mut bands);
        assert_eq!(bands.each_ref().map(|b| b.verdict), [Some(Verdict::Unsure), None]);
        assert!(bands[0].reason.contains("44100"), "{}", bands[0].reason);
        assert!(bands.iter().all(|b| b.flags.has(Flag::RateSuspect)));
    }
}
