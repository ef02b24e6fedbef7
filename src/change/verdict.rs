//! From what was found of one mode to its verdict, in the fixed order.

use super::facts::ChangeSettings;
use super::finding::LogChange;
use super::outcome::Verdict;
use crate::estimate::SD_PER_95;
use crate::flag::{Flag, Flags};

/// Half width of a 99 % interval in standard deviations, Φ⁻¹(0.995).
const SD_PER_99: f64 = 2.575_829_303_548_901;
/// A decay worse known than this decides nothing: the interval of a logarithm no longer holds.
const DECAY_SD: f64 = 0.15;
/// A decay time within this ratio is unchanged.
pub(super) const T60_MARGIN: f64 = 0.10;
/// A change of decay time under this ratio is none, however well it is known. Our own choice: below the just noticeable 5 %
/// (ISO 3382-1:2009, table A.1).
const LEAST_T60: f64 = 0.02;
/// A level within this many decibels is unchanged.
const LEVEL_MARGIN_DB: f64 = 1.0;
/// A level change under this many decibels is none.
const LEAST_LEVEL_DB: f64 = 0.5;
/// A level worse known than this (1 dB) decides nothing either: modes that overlap have errors that
/// are far from normal.
const LEVEL_SD: f64 = 0.115;
/// From this many common places on another one hardly helps to tell a filter from the room: two make the test of
/// [`rank`](super::rank), a third lets one of them be off. Our own choice.
pub(super) const LEAST_PLACES: usize = 3;
/// Nepers in a decibel of pressure.
pub(super) const NEPERS_PER_DB: f64 = std::f64::consts::LN_10 / 20.0;

/// What changed, as far as the data tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Cause {
    /// The room: no filter explains what the data show.
    Room,
    /// A filter in the chain explains it, and the room would have looked otherwise.
    Filter,
    /// The loudspeaker stood elsewhere.
    Loudspeaker,
    /// The data can't tell.
    Undetermined,
}

/// What the verdict on one mode rests on.
#[derive(Debug, Clone)]
pub(super) struct VerdictInput {
    /// Whether the mode is claimed before, and its partner after.
    pub claimed: (bool, bool),
    /// Whether it has a partner.
    pub partner: bool,
    /// Whether, without a partner, it would have been seen at half its T60; `None` where nothing tells.
    pub would_show: Option<bool>,
    /// Change of the decay, of a mode with a tuned unit that of its ringing, above zero where it rings shorter; `None`
    /// without a partner.
    pub ringing: Option<LogChange>,
    /// Whether it is significant among all pairs, or by itself where a unit is labelled for the mode.
    pub ringing_significant: bool,
    /// Relative sd of the decay (with a tuned unit, after: of the ringing) before and after.
    pub decay_sd: (f64, f64),
    /// Whether the change of level is significant among all pairs.
    pub level_significant: bool,
    /// Change of level with the gain removed, its error included.
    pub level: Result<LogChange, Flag>,
    /// What changed the decay.
    pub decay_cause: Cause,
    /// What changed the level, decay apart.
    pub level_cause: Cause,
    /// Places that both states have and that can be compared.
    pub places: usize,
    /// Whether a unit that works on this mode stands in the room after, as the session says.
    pub at_unit: bool,
}

/// Why a change of decay is the room's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Grounds {
    /// Neighbouring modes, or the bins around it, show that no filter explains it.
    Neighbours,
    /// The session says that the chain stayed the same.
    SameChain,
    /// The session says that a unit stands there, and the fit with one shows it.
    Unit,
}

/// Why a verdict was given; the sentence is made of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Why {
    NothingLeft,
    NotSeenEither,
    NotClaimed {
        before: bool,
    },
    DecayMoved {
        grounds: Grounds,
    },
    FilterMovedDecay,
    ChainMovedLevel {
        loudspeaker: bool,
    },
    /// Nothing tells room and chain apart, over so many places that both states have.
    Undetermined {
        places: usize,
    },
    AmongMany,
    LevelAmongMany,
    LevelMoved {
        as_stated: bool,
    },
    MaybeDamping,
    WithinMargins,
    NoLevel(Flag),
    Wide(Need),
    WideLevel,
}

impl Why {
    /// What keeps a row undecided, and with it what would settle it, in the words of the tables. Of a resonance that
    /// isn't claimed the remarks in `modes.csv` say it, of levels that can't be compared their own reason.
    pub fn unsettled(self) -> &'static [Flag] {
        match self {
            Self::NotSeenEither => &[Flag::MaybeHidden],
            Self::Undetermined { .. } => &[Flag::ChainUntold],
            Self::AmongMany | Self::LevelAmongMany => &[Flag::ManyModes],
            Self::Wide(need) if need.out_of_reach() => &[Flag::WideChange, Flag::OutOfReach],
            Self::Wide(_) | Self::MaybeDamping => &[Flag::WideChange],
            Self::WideLevel => &[Flag::WideLevelChange],
            _ => &[],
        }
    }
}

/// What would settle an undecided decay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Need {
    /// Whether the after state has the wider interval.
    pub after: bool,
    /// Whether one state alone can't bring it.
    pub both: bool,
    /// Factor by which noise must fall against the response (of pressures).
    pub factor: f64,
}

impl Need {
    /// That factor in whole decibels, at least one.
    pub fn decibels(&self) -> f64 {
        (20.0 * self.factor.log10()).ceil().max(1.0)
    }

    /// Eight averages are 9 dB; beyond that nobody waits.
    pub fn out_of_reach(&self) -> bool {
        self.decibels() > 9.0
    }
}

/// The verdict with its reason. The order in which they are tried:
///
/// 1. *unsure*, where the mode is not claimed before;
/// 2. without a partner *gone*, if it would have been seen at half its T60, else *unsure*;
/// 3. *unsure*, where the partner is not claimed;
/// 4. where the change of ringing is significant, known well and large enough (`changed_decay`): *chain*, if a filter
///    explains it; *shorter* or *longer*, if the room did it; *unsure*, if nothing tells the two apart;
/// 5. *unsure*, where the change of ringing would count alone but not as one of many;
/// 6. by the level (`by_level`): *chain*, *level-only*, *unchanged*, or *unsure*.
///
/// *New* is given elsewhere (`Assessment::arrivals`), and doubts about a state as a whole may take a verdict back
/// (`doubt`).
pub(super) fn decide(case: &VerdictInput, settings: &ChangeSettings, flags: &mut Flags) -> (Verdict, Why) {
    if !case.claimed.0 {
        return (Verdict::Unsure, Why::NotClaimed { before: true });
    }
    let Some(ringing) = case.ringing.filter(|_| case.partner) else {
        return match case.would_show {
            Some(true) => (Verdict::Gone, Why::NothingLeft),
            _ => (Verdict::Unsure, Why::NotSeenEither),
        };
    };
    if !case.claimed.1 {
        return (Verdict::Unsure, Why::NotClaimed { before: false });
    }
    // A decay that is hardly known is still another where even a much wider interval lies beyond the margin.
    let apart = ringing.log.abs() - SD_PER_99 * ringing.sd > (1.0 + T60_MARGIN).ln();
    let precise = apart || (case.decay_sd.0 <= DECAY_SD && case.decay_sd.1 <= DECAY_SD);
    let large_enough = ringing.log.abs() > (1.0 + LEAST_T60).ln();
    if case.ringing_significant && precise && large_enough {
        return changed_decay(case, ringing, settings, flags);
    }
    // A change that is small for certain needs no finding to be called none.
    if ringing.excludes_zero() && precise && !case.ringing_significant && !ringing.within(T60_MARGIN) {
        return (Verdict::Unsure, Why::AmongMany);
    }
    by_level(case, ringing, settings, flags)
}

fn changed_decay(
    case: &VerdictInput,
    decay: LogChange,
    settings: &ChangeSettings,
    flags: &mut Flags,
) -> (Verdict, Why) {
    let verdict = if decay.log > 0.0 { Verdict::Shorter } else { Verdict::Longer };
    match case.decay_cause {
        Cause::Filter => (Verdict::Chain, Why::FilterMovedDecay),
        // A loudspeaker elsewhere leaves every decay alone.
        Cause::Room | Cause::Loudspeaker => (verdict, Why::DecayMoved { grounds: Grounds::Neighbours }),
        Cause::Undetermined if settings.same_chain == Some(true) => {
            flags.add(Flag::ChainAsStated);
            (verdict, Why::DecayMoved { grounds: Grounds::SameChain })
        }
        // What the unit was put there for is no coincidence; a filter that the neighbours show was told above.
        Cause::Undetermined if case.at_unit && case.places >= LEAST_PLACES => {
            (verdict, Why::DecayMoved { grounds: Grounds::Unit })
        }
        Cause::Undetermined => (Verdict::Unsure, Why::Undetermined { places: case.places }),
    }
}

fn by_level(
    case: &VerdictInput,
    decay: LogChange,
    settings: &ChangeSettings,
    flags: &mut Flags,
) -> (Verdict, Why) {
    let steady = decay.within(T60_MARGIN);
    let level = match case.level {
        Ok(level) => level,
        Err(flag) if steady => return (Verdict::Unsure, Why::NoLevel(flag)),
        Err(_) => return (Verdict::Unsure, Why::Wide(need(case, decay))),
    };
    let least = LEAST_LEVEL_DB * NEPERS_PER_DB;
    let moved = level.log.abs() > least && level.log.abs() > SD_PER_99 * level.sd;
    if moved && level.sd < LEVEL_SD && case.level_significant {
        return changed_level(case, decay, level, settings, flags);
    }
    let margin = LEVEL_MARGIN_DB * NEPERS_PER_DB;
    if !steady {
        return (Verdict::Unsure, Why::Wide(need(case, decay)));
    }
    if level.log.abs() + SD_PER_95 * level.sd <= margin {
        return (Verdict::Unchanged, Why::WithinMargins);
    }
    if moved && level.sd < LEVEL_SD {
        return (Verdict::Unsure, Why::LevelAmongMany);
    }
    (Verdict::Unsure, Why::WideLevel)
}

fn changed_level(
    case: &VerdictInput,
    decay: LogChange,
    level: LogChange,
    settings: &ChangeSettings,
    flags: &mut Flags,
) -> (Verdict, Why) {
    match case.level_cause {
        Cause::Filter => return (Verdict::Chain, Why::ChainMovedLevel { loudspeaker: false }),
        Cause::Loudspeaker => return (Verdict::Chain, Why::ChainMovedLevel { loudspeaker: true }),
        _ => {}
    }
    // Plain damping lowers the level by the ratio of decays: where the decay leaves room for that,
    // "the decay did not change" is more than the data say.
    let interval = SD_PER_95 * decay.sd;
    let damping = -level.log;
    let possible = damping >= decay.log - interval && damping <= decay.log + interval;
    if possible && !decay.within(T60_MARGIN) {
        return (Verdict::Unsure, Why::MaybeDamping);
    }
    match case.level_cause {
        Cause::Undetermined if settings.same_chain == Some(true) => {
            flags.add(Flag::ChainAsStated);
            (Verdict::LevelOnly, Why::LevelMoved { as_stated: true })
        }
        Cause::Undetermined => (Verdict::Unsure, Why::Undetermined { places: case.places }),
        _ => (Verdict::LevelOnly, Why::LevelMoved { as_stated: false }),
    }
}

/// By what factor the noise must fall for a decision: either that the change is one (3.5 sd, which
/// the control of false discoveries passes as a rule), or that it is none (the interval within the margin).
fn need(case: &VerdictInput, decay: LogChange) -> Need {
    let none = ((1.0 + T60_MARGIN).ln() - decay.log.abs()) / SD_PER_95;
    let target = (decay.log.abs() / 3.5).max(none).max(0.005);
    let (before, after) = case.decay_sd;
    let (wide, other) = (before.max(after), before.min(after));
    // The other state alone may already be too wide; then both must fall alike.
    let alone = target * target - other * other;
    let both = alone < 0.25 * target * target;
    let factor = if both { decay.sd / target } else { wide / alone.sqrt() };
    Need { after: after >= before, both, factor: factor.max(1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A claimed mode at six places whose decay changed by `log` ± `sd`, both decays known to `decay_sd`.
    fn case(log: f64, sd: f64, decay_sd: f64) -> VerdictInput {
        VerdictInput {
            claimed: (true, true),
            partner: true,
            would_show: None,
            ringing: Some(LogChange { log, sd }),
            ringing_significant: true,
            decay_sd: (0.01, decay_sd),
            level_significant: false,
            level: Err(Flag::GainUnknown),
            decay_cause: Cause::Room,
            level_cause: Cause::Undetermined,
            places: 6,
            at_unit: false,
        }
    }

    fn verdict(case: &VerdictInput) -> (Verdict, Why) {
        decide(case, &ChangeSettings::default(), &mut Flags::default())
    }

    /// A decay known to 17 % only tells a change that leaves no doubt, and no other: at 2.576 sd 0.70 ± 0.17 leaves 0.26,
    /// 0.40 ± 0.17 nothing (the margin is ln 1.1 = 0.095).
    #[test]
    fn a_vague_decay_tells_what_is_far_from_none() {
        assert_eq!(verdict(&case(0.70, 0.17, 0.17)).0, Verdict::Shorter);
        assert_eq!(verdict(&case(-0.70, 0.17, 0.17)).0, Verdict::Longer);
        assert_eq!(verdict(&case(0.40, 0.17, 0.17)).0, Verdict::Unsure);
        assert_eq!(verdict(&case(0.40, 0.10, 0.10)).0, Verdict::Shorter, "a decay that is known");
    }

    /// Where neighbours can't tell room from chain a unit that stands there does, at three places; where they show a
    /// filter nothing does.
    #[test]
    fn a_unit_that_stands_there_tells_the_room_from_the_chain() {
        let with = |decay_cause, places, at_unit| {
            verdict(&VerdictInput { decay_cause, places, at_unit, ..case(0.3, 0.03, 0.03) })
        };
        assert_eq!(with(Cause::Undetermined, 6, false).0, Verdict::Unsure);
        let told = with(Cause::Undetermined, 3, true);
        assert_eq!(told, (Verdict::Shorter, Why::DecayMoved { grounds: Grounds::Unit }));
        assert_eq!(with(Cause::Undetermined, 2, true).0, Verdict::Unsure);
        assert_eq!(with(Cause::Filter, 6, true).0, Verdict::Chain);
    }

    /// A change of 0.35 wants a decay known to 0.10 (3.5 sd). With 0.06 before, √(0.10² − 0.06²) = 0.08 is left for the
    /// state after, which is known to 0.20.
    #[test]
    fn the_wider_state_comes_down_to_what_the_other_leaves() {
        let case = VerdictInput { decay_sd: (0.06, 0.20), ..case(0.35, 0.21, 0.20) };
        let need = need(&case, LogChange { log: 0.35, sd: 0.21 });
        assert!(need.after && !need.both);
        assert!((need.factor - 2.5).abs() < 1e-9, "{}", need.factor);
    }

    /// A steady decay with a level that is known to 0.4 dB and didn't move: its interval passes the margin of 1 dB, and
    /// that is all there is to say.
    #[test]
    fn a_level_that_did_not_move_is_not_one_of_many() {
        let level = |log, sd| {
            let level = Ok(LogChange { log, sd });
            verdict(&VerdictInput { level, ringing_significant: false, ..case(0.0, 0.01, 0.01) }).1
        };
        assert_eq!(level(0.06, 0.05), Why::WideLevel);
        assert_eq!(level(0.20, 0.05), Why::LevelAmongMany);
        assert_eq!(level(0.0, 0.01), Why::WithinMargins);
    }
}
