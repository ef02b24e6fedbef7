//! What the change of each mode means at each place, and which seat comes off worst.

use super::gain::Gain;
use super::level::PeakLevel;
use super::moved::Moved;
use super::outcome::{ModeChange, PositionChange, Ratio, Seat, Verdict};
use super::ring::ring_s;
use super::verdict::NEPERS_PER_DB;
use super::view::{Common, Resonance};
use crate::estimate::SD_PER_95;
use crate::flag::{Flag, Flags};
use crate::modes::LN_1000;
use crate::session::Role;
use rustfft::num_complex::Complex64;

/// A gain of so many nepers shows in levels of two decimals (0.01 dB).
const LEAST_GAIN: f64 = 0.01 * NEPERS_PER_DB;

/// One mode with what became of it, ready for the places.
pub(super) struct TrackedMode<'a> {
    /// Its index in the before state's list.
    pub mode: usize,
    pub before: &'a Resonance,
    /// Its poles after; none where it has no partner.
    pub after: Vec<&'a Resonance>,
    pub peak_levels: &'a (Vec<Option<PeakLevel>>, Vec<Option<PeakLevel>>),
    /// Why a mode without a partner has no values after.
    pub lost: Flag,
}

/// One entry a place, in the order of the before state.
pub(super) fn positions(
    tracked: &TrackedMode<'_>,
    places: &[Common<'_>],
    gain: &Gain,
    moved: &Moved,
) -> Vec<PositionChange> {
    places.iter().enumerate().map(|(m, place)| position(tracked, place, m, gain, moved)).collect()
}

fn position(
    tracked: &TrackedMode<'_>,
    place: &Common<'_>,
    m: usize,
    gain: &Gain,
    moved: &Moved,
) -> PositionChange {
    let mut flags = Flags::default();
    let exchanged = moved.exchanged.get(m).copied().unwrap_or(false);
    if exchanged {
        flags.add(Flag::ExchangedFiles);
    } else if moved.microphones[m] {
        flags.add(Flag::MovedMicrophone);
    }
    if moved.loudspeaker {
        flags.add(Flag::MovedLoudspeaker);
    }
    let (before, after) = (tracked.peak_levels.0[m], tracked.peak_levels.1.get(m).copied().flatten());
    let level_ratio = match exchanged {
        true => Err(Flag::ExchangedFiles),
        false => level_ratio(before, after, gain, m, tracked),
    };
    if level_ratio.is_ok() && removed(gain, m).abs() >= LEAST_GAIN {
        flags.add(Flag::GainRemoved);
    }
    let seen = |h: Option<PeakLevel>, lost: Flag| h.map(|h| h.value).ok_or(lost);
    let factor = gain.log.map_or(1.0, |g| g.value.exp());
    PositionChange {
        mode: tracked.mode,
        position: place.before.position.to_string(),
        source: place.before.source.to_string(),
        role: place.before.role,
        before_level: seen(before, Flag::NotSeenHere),
        after_level: seen(after.map(|h| PeakLevel { value: h.value * factor, ..h }), after_flag(tracked)),
        level_ratio,
        before_ring_s: ring_here(&[tracked.before], m).ok_or(Flag::NotSeenHere),
        after_ring_s: ring_here(&tracked.after, m).ok_or(after_flag(tracked)),
        flags,
    }
}

fn after_flag(tracked: &TrackedMode<'_>) -> Flag {
    if tracked.after.is_empty() { tracked.lost } else { Flag::NotSeenHere }
}

/// The gain that the change of level at a place is without, in nepers.
fn removed(gain: &Gain, m: usize) -> f64 {
    let own = gain.own.get(m).copied().flatten();
    gain.log.map_or(0.0, |common| common.value) + own.map_or(0.0, |own| own.value)
}

/// A change of level whose interval reaches further than this to both sides, nepers (10 dB), is none that the data carry. Our
/// own choice.
const VAGUE: f64 = 10.0 * NEPERS_PER_DB;

fn level_ratio(
    before: Option<PeakLevel>,
    after: Option<PeakLevel>,
    gain: &Gain,
    m: usize,
    tracked: &TrackedMode<'_>,
) -> Result<Ratio, Flag> {
    let before = before.ok_or(Flag::NotSeenHere)?;
    let after = after.ok_or(after_flag(tracked))?;
    let common = gain.log.ok_or(gain.missing.unwrap_or(Flag::GainUnknown))?;
    let own = gain.own.get(m).copied().flatten();
    let log = (after.value / before.value).ln() - own.map_or(0.0, |g| g.value);
    let gain_sd = own.and_then(|g| g.sd).or(common.sd).unwrap_or(0.0);
    let sd = before.log_sd().hypot(after.log_sd()).hypot(gain_sd);
    if SD_PER_95 * sd > VAGUE { Err(Flag::WideLevelChange) } else { Ok(Ratio::from_log(log, sd)) }
}

/// Ring of some poles at one place.
fn ring_here(poles: &[&Resonance], m: usize) -> Option<f64> {
    let residues: Vec<Complex64> =
        poles.iter().map(|p| p.residues.get(m).copied().flatten().map(|s| s.value)).collect::<Option<_>>()?;
    match poles {
        [] => None,
        [one] => Some(LN_1000 / one.decay()),
        _ => ring_s(&poles.iter().map(|p| p.pole).collect::<Vec<_>>(), &[residues]),
    }
}

/// The listening seat (any place where none is named so) at which the modes whose ringing changed in the room
/// came down least, by the mean of their level changes, each weighted by the inverse of its variance. Only the modes count
/// whose change all these places can tell, as a place near a mode's null can't: else the −11.8 dB of a mode that one seat
/// hardly hears would make the other one the seat that gained least. A mode that changed in level only ranks no seat: its
/// ringing didn't change, and where nothing was done to it, the level at a seat tells of the set-up. `None` where no ringing
/// changed, and where no such mode is told at all of them, or at one place alone.
pub(super) fn worst_seat(modes: &[ModeChange], positions: &[PositionChange]) -> Option<Seat> {
    let changed = |p: &&PositionChange| {
        let of_mode = |c: &&ModeChange| c.before == Some(p.mode);
        let verdict = modes.iter().find(of_mode).map(|c| c.verdict);
        matches!(verdict, Some(Verdict::Shorter | Verdict::Longer))
    };
    let doubted =
        |p: &PositionChange| p.flags.has(Flag::MovedMicrophone) || p.flags.has(Flag::ExchangedFiles);
    let unmoved = |p: &&PositionChange| changed(p) && !doubted(p);
    let told: Vec<Told<'_>> =
        positions.iter().filter(unmoved).filter_map(|p| Told::new(p, positions)).collect();
    let listening = positions.iter().any(|p| p.role == Role::Listening);
    let ranked: Vec<Told<'_>> =
        told.into_iter().filter(|t| !listening || t.at.role == Role::Listening).collect();
    let mut places: Vec<(&str, &str)> = ranked.iter().map(|t| t.place()).collect();
    let mut common: Vec<usize> = ranked.iter().map(|t| t.at.mode).collect();
    places.sort_unstable();
    places.dedup();
    if places.len() < 2 {
        return None;
    }
    common.sort_unstable();
    common.dedup();
    common.retain(|mode| ranked.iter().filter(|t| t.at.mode == *mode).count() == places.len());
    let mut seats: Vec<Seat> = Vec::new();
    for place in &ranked {
        let known = |s: &Seat| (s.position.as_str(), s.source.as_str()) == place.place();
        if seats.iter().any(known) {
            continue;
        }
        let here = || ranked.iter().filter(|t| t.place() == place.place() && common.contains(&t.at.mode));
        let weights: f64 = here().map(|t| t.weight).sum();
        if weights > 0.0 {
            let mean = here().map(|t| t.log * t.weight).sum::<f64>() / weights;
            let level = Ratio::from_log(mean, weights.sqrt().recip());
            let (position, source) = (place.at.position.clone(), place.at.source.clone());
            seats.push(Seat { position, source, modes: common.clone(), level });
        }
    }
    // The first of equals, so that the answer does not hang on rounding.
    seats.into_iter().reduce(|worst, seat| if seat.level.value > worst.level.value { seat } else { worst })
}

/// A mode's change of level at a place that hears it.
struct Told<'a> {
    at: &'a PositionChange,
    /// Logarithm of the ratio.
    log: f64,
    /// The inverse of its variance.
    weight: f64,
}

impl<'a> Told<'a> {
    fn new(at: &'a PositionChange, positions: &[PositionChange]) -> Option<Self> {
        let (log, weight) = log_and_weight(at.level_ratio.as_ref().ok()?)?;
        is_heard(at, positions).then_some(Self { at, log, weight })
    }

    fn place(&self) -> (&'a str, &'a str) {
        (&self.at.position, &self.at.source)
    }
}

/// A mode is heard at a place if it stands there no more than 20 dB under the place where it was loudest before.
/// Common practice, no source.
fn is_heard(at: &PositionChange, positions: &[PositionChange]) -> bool {
    let level = |p: &PositionChange| p.before_level.ok();
    let loudest = positions.iter().filter(|p| p.mode == at.mode).filter_map(level).fold(0.0, f64::max);
    level(at).is_some_and(|level| level >= 0.1 * loudest)
}

/// Logarithm of a ratio and the inverse of its variance; `None` where the interval is none.
fn log_and_weight(ratio: &Ratio) -> Option<(f64, f64)> {
    let sd = (ratio.high / ratio.low).ln() / (2.0 * SD_PER_95);
    let weight = (sd * sd).recip();
    (weight.is_finite() && ratio.value > 0.0).then(|| (ratio.value.ln(), weight))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(position: &str, before_level: f64, change_db: f64) -> PositionChange {
        let log = change_db / 20.0 * std::f64::consts::LN_10;
        PositionChange {
            mode: 0,
            position: position.to_owned(),
            source: String::new(),
            role: Role::Listening,
            before_level: Ok(before_level),
            after_level: Err(Flag::NotSeenHere),
            level_ratio: Ok(Ratio::from_log(log, 0.02)),
            before_ring_s: Err(Flag::NotSeenHere),
            after_ring_s: Err(Flag::NotSeenHere),
            flags: Flags::default(),
        }
    }

    /// A seat in the mode's node, 26 dB under the loudest, can't be the worst for it.
    #[test]
    fn a_seat_that_does_not_hear_the_mode_is_not_the_worst() {
        let mode = ModeChange::sample(Verdict::Shorter);
        let positions = [at("seat", 1.0, -6.0), at("sofa", 0.5, -4.0), at("node", 0.05, 3.0)];
        assert!(
            worst_seat(std::slice::from_ref(&mode), &[positions[0].clone(), positions[2].clone()]).is_none()
        );
        assert!(worst_seat(std::slice::from_ref(&mode), &positions).is_some_and(|s| s.position == "sofa"));
        // No mode that both can tell: nothing to compare.
        let mut other = ModeChange::sample(Verdict::Shorter);
        other.before = Some(1);
        let positions = [
            at("seat", 1.0, -6.0),
            at("sofa", 0.05, -4.0),
            PositionChange { mode: 1, ..at("seat", 0.05, -1.0) },
            PositionChange { mode: 1, ..at("sofa", 1.0, -2.0) },
        ];
        assert!(worst_seat(&[mode, other], &positions).is_none());
    }

    /// In a published room the keyboard led with the largest fall of the table, at a mode that the bench hardly hears: by
    /// what both hear the bench came down further.
    #[test]
    fn only_what_all_seats_can_tell_ranks_them() {
        let mut second = ModeChange::sample(Verdict::Shorter);
        second.before = Some(1);
        let modes = [ModeChange::sample(Verdict::Shorter), second];
        let of = |mode, place: PositionChange| PositionChange { mode, ..place };
        let positions = [
            at("bench", 0.04, -0.4),
            at("keyboard", 0.2, 2.0),
            at("corner", 1.0, -9.0),
            of(1, at("bench", 1.0, -0.6)),
            of(1, at("keyboard", 0.9, -1.2)),
        ]
        .map(|p| if p.position == "corner" { PositionChange { role: Role::Boundary, ..p } } else { p });
        let worst = worst_seat(&modes, &positions).unwrap();
        assert_eq!((worst.position.as_str(), worst.modes), ("bench", vec![1]));
    }

    /// The sentence is about ringing that changed: a mode that is only louder at a seat doesn't lead to it.
    #[test]
    fn a_mode_that_changed_in_level_only_ranks_no_seat() {
        let mut louder = ModeChange::sample(Verdict::LevelOnly);
        louder.before = Some(1);
        let modes = [ModeChange::sample(Verdict::Shorter), louder];
        let of = |mode, place: PositionChange| PositionChange { mode, ..place };
        let positions = [
            at("seat", 1.0, -6.0),
            at("sofa", 0.9, -4.0),
            of(1, at("seat", 1.0, 4.0)),
            of(1, at("sofa", 1.0, -2.0)),
        ];
        assert_eq!(worst_seat(&modes, &positions).unwrap().position, "sofa");
        assert!(worst_seat(&modes[1..], &positions).is_none());
    }
}
