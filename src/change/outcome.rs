//! What the comparison of two states gives.

use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::{Message, worded};
use crate::session::Role;

/// All that changed between two states.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Changes {
    /// One entry for each resonance of kind `mode` or `unsure` before, in rising frequency; then the
    /// resonances that only the after state has.
    pub modes: Vec<ModeChange>,
    /// One entry for each mode before and each place that both states have, in that order.
    pub positions: Vec<PositionChange>,
    /// One entry for each band that both states have, in the order of the before state.
    pub bands: Vec<BandChange>,
    /// What the measuring chain did.
    pub chain: ChainFindings,
    /// Factor that all frequencies of the after state have in common (0.17 % per kelvin warmer).
    pub frequency_factor: Option<Estimate>,
    /// The listening seat where treatment did least for the modes whose ringing it changed.
    pub worst_seat: Option<Seat>,
    /// One sentence on the modes.
    pub summary: Message,
    /// What that sentence counts; `None` where it tells of no single mode.
    pub counted: Option<Counted>,
    /// What became of the bands, in one sentence; empty where no band has an average over places.
    pub band_summary: Message,
}

worded! {
    /// What happened to the ringing of a mode.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
    #[non_exhaustive]
    pub enum Verdict {
        /// Below the noise after, though a mode damped to half its T60 would have been seen.
        Gone = "gone",
        /// The decay got significantly shorter, and not by the measuring chain.
        Shorter = "shorter",
        /// The decay got significantly longer, and not by the measuring chain.
        Longer = "longer",
        /// What changed is explained by the measuring chain.
        Chain = "chain",
        /// The level changed, the decay did not.
        LevelOnly = "level-only",
        /// T60 and level intervals lie within the margins.
        Unchanged = "unchanged",
        /// The data can't say.
        Unsure = "unsure",
        /// Only the after state has it.
        New = "new",
    }
}

/// A ratio after/before with the ends of its 95 % interval; all above zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Best value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

impl Ratio {
    /// The ratio whose logarithm is `log` with standard deviation `sd`.
    #[must_use]
    pub fn from_log(log: f64, sd: f64) -> Self {
        let reach = crate::estimate::SD_PER_95 * sd;
        Self { value: log.exp(), low: (log - reach).exp(), high: (log + reach).exp() }
    }

    /// Whether the interval excludes 1, no change at all.
    pub(crate) fn excludes_one(self) -> bool {
        self.low > 1.0 || self.high < 1.0
    }

    /// The least change that the interval allows, as the size of a logarithm; 0 where it holds no change.
    pub(crate) fn least_log(self) -> f64 {
        if self.excludes_one() { self.low.ln().abs().min(self.high.ln().abs()) } else { 0.0 }
    }
}

/// Frequency and decay of a mode in one state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModeValues {
    /// Damped natural frequency, hertz.
    pub frequency_hz: f64,
    /// T60, seconds.
    pub t60_s: Estimate,
}

/// What became of one mode.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct ModeChange {
    /// Its index in the before state's list of resonances; `None` for one that only the after state has.
    pub before: Option<usize>,
    /// Its partner's index in the after state's list; of a split mode the slower pole's.
    pub after: Option<usize>,
    /// The faster pole of a split mode, or the second of a pair that can't be told apart.
    pub second_after: Option<usize>,
    /// Values before.
    pub before_values: Option<ModeValues>,
    /// Values after; of a split mode the slower pole's.
    pub after_values: Option<ModeValues>,
    /// T60 after over T60 before.
    pub t60_ratio: Option<Result<Ratio, Flag>>,
    /// Time until the free decay is 60 dB down for good, before, seconds.
    pub before_ring_s: Option<Result<f64, Flag>>,
    /// Time until the free decay is 60 dB down for good, after, seconds; poles of a split mode together.
    pub after_ring_s: Option<Result<f64, Flag>>,
    /// Ringing time after over ringing time before.
    pub ring_ratio: Option<Result<Ratio, Flag>>,
    /// Level after over level before as a ratio of pressures (energy mean over places), gain removed.
    pub level_ratio: Option<Result<Ratio, Flag>>,
    /// Modal assurance criterion of the amplitudes before and after, 0 to 1; from two places up.
    pub shape_match: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in one plain sentence.
    pub reason: Message,
    /// Remarks.
    pub flags: Flags,
}

impl ModeChange {
    /// Ringing after over before: what sentences speak of. Of one pole it is T60's.
    #[must_use]
    pub fn ringing(&self) -> Option<Ratio> {
        self.ring_ratio?.ok()
    }
}

/// What a mode's change means at one place.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PositionChange {
    /// The mode's index in the before state's list of resonances.
    pub mode: usize,
    /// Name of the position.
    pub position: String,
    /// Name of the source.
    pub source: String,
    /// What the position is for.
    pub role: Role,
    /// Level of the mode there before, as a ratio to a unit sample: fs·|A|/δ.
    pub before_level: Result<f64, Flag>,
    /// Level of the mode there after, as a ratio to a unit sample: fs·|A|/δ; gain not removed.
    pub after_level: Result<f64, Flag>,
    /// Level after over level before there, gain removed.
    pub level_ratio: Result<Ratio, Flag>,
    /// Time until the mode's free decay there is 60 dB down for good, before, seconds.
    pub before_ring_s: Result<f64, Flag>,
    /// Time until the mode's free decay there is 60 dB down for good, after, seconds.
    pub after_ring_s: Result<f64, Flag>,
    /// Remarks.
    pub flags: Flags,
}

/// What became of one band.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct BandChange {
    /// Name of the position, `*` or `listening`.
    pub position: String,
    /// Name of the source.
    pub source: String,
    /// Exact mid-band frequency, hertz.
    pub band_hz: f64,
    /// T20 before, seconds.
    pub before_t20_s: Result<f64, Flag>,
    /// T20 after, seconds.
    pub after_t20_s: Result<f64, Flag>,
    /// T20 after over T20 before; of the average over all places from the places' own ratios.
    pub t20_ratio: Option<Result<Ratio, Flag>>,
    /// Energy after over energy before, gain removed.
    pub energy_ratio: Option<Result<f64, Flag>>,
    /// What became of the band's decay; of the average over all places only.
    pub verdict: Option<Verdict>,
    /// Why, in one sentence; empty without a verdict.
    pub reason: Message,
    /// Remarks.
    pub flags: Flags,
}

/// What the two states' measuring chains have in common.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct ChainFindings {
    /// Factor of pressure between the states, above the modes; every level comparison removes it.
    pub gain: Option<Estimate>,
    /// Why there is none.
    pub gain_missing: Option<Flag>,
    /// Factor by which the direct sound differs where it was not taken for a gain, by the user's word that the chain is
    /// the same.
    pub gain_overruled: Option<f64>,
    /// Places (position, source) where the microphone seems to have moved.
    pub moved_microphones: Vec<(String, String)>,
    /// Places whose files seem exchanged with each other.
    pub exchanged_files: Vec<(String, String)>,
    /// Whether the loudspeaker seems to have moved.
    pub moved_loudspeaker: bool,
    /// The rate that the after state's samples seem to have and that of their headers, hertz, where the two states agree
    /// only by that: then nothing is told of the room.
    pub wrong_rate_hz: Option<(f64, f64)>,
    /// Poles of the after state (places in its list) that belong to a filter in the chain.
    pub filter_poles: Vec<usize>,
}

/// What a difference of the direct sound between two states is taken for.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum DirectSound {
    /// Nothing is known of it.
    Unknown,
    /// There is none to speak of.
    Same,
    /// A change of gain of so many decibels, removed from all levels.
    Gain(f64),
    /// So many decibels, not removed: by the user's word the chain is the same, and so few positions can't tell.
    AsStated(f64),
}

/// Differences of the direct sound under this are none, in decibels: the last digit that is shown. Our own choice.
const SHOWN_DB: f64 = 0.05;
/// One that the user's word overrules is told from here on, in decibels; our own choice.
const OVERRULED_DB: f64 = 0.5;

impl ChainFindings {
    /// What the difference of the direct sound is taken for.
    #[must_use]
    pub fn direct_sound(&self) -> DirectSound {
        let decibels = |factor: f64| 20.0 * factor.log10();
        match (self.gain.map(|gain| decibels(gain.value)), self.gain_overruled.map(decibels)) {
            (_, Some(db)) if db.abs() >= OVERRULED_DB => DirectSound::AsStated(db),
            (None, _) => DirectSound::Unknown,
            (Some(db), _) if db.abs() < SHOWN_DB => DirectSound::Same,
            (Some(db), _) => DirectSound::Gain(db),
        }
    }
}

/// How many modes got which verdict, up to where single modes are told.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Counted {
    /// Shorter or gone.
    pub shorter: usize,
    /// Longer.
    pub longer: usize,
    /// Those that ring as before, a changed level or not.
    pub as_before: usize,
    /// Those without a verdict, by their index in the before state's list of resonances; one that a unit stands at may lie
    /// above `up_to_hz`.
    pub undecided: Vec<usize>,
    /// New ones and those that the measuring chain explains.
    pub others: usize,
    /// The highest mode of which something is told, hertz; above it modes are not counted.
    pub up_to_hz: f64,
}

/// A seat and what the treatment did there.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Seat {
    /// Name of the position.
    pub position: String,
    /// Name of the source.
    pub source: String,
    /// The modes that it was ranked by, those whose level all ranked places can tell, by their index in the before
    /// state's list.
    pub modes: Vec<usize>,
    /// Mean level ratio (of pressures, geometric) over these modes, weighted by what is known of each.
    pub level: Ratio,
}

#[cfg(test)]
impl ModeChange {
    /// A row of which nothing but the verdict is known.
    pub(super) fn sample(verdict: Verdict) -> Self {
        Self {
            before: Some(0),
            after: Some(0),
            second_after: None,
            before_values: None,
            after_values: None,
            t60_ratio: None,
            before_ring_s: None,
            after_ring_s: None,
            ring_ratio: None,
            level_ratio: None,
            shape_match: None,
            verdict,
            reason: Message::default(),
            flags: Flags::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_interval_excludes_by_hand() {
        let ratio = |low, high| Ratio { value: 1.0, low, high };
        for (ratio, excludes, least) in [
            (ratio(0.5, 0.8), true, 1.25_f64.ln()),
            (ratio(1.25, 2.0), true, 1.25_f64.ln()),
            (ratio(0.8, 1.25), false, 0.0),
            (ratio(0.8, 1.0), false, 0.0),
            (ratio(1.0, 1.25), false, 0.0),
        ] {
            assert_eq!(ratio.excludes_one(), excludes, "{ratio:?}");
            assert!((ratio.least_log() - least).abs() < 1e-12, "{ratio:?}");
        }
    }
}
