//! What is said about a tuned absorber: plain values for tables, report and screen.

use super::coupled::Resonator;
use super::placement::Placement;
use crate::estimate::Estimate;
use crate::language::{Message, say};
use crate::modes::WIDE;

/// All takes of one target mode.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Tuning {
    /// Undamped frequency of the mode in the baseline, hertz.
    pub mode_hz: Estimate,
    /// Its T60 there, seconds.
    pub before_t60_s: Estimate,
    /// Name of the baseline.
    pub before_state: String,
    /// Units that stood there already; without any it is the room without the unit.
    pub before_units: Vec<String>,
    /// One entry for each take, in session order.
    pub takes: Vec<Finding>,
    /// For each take its rank by ring time (by T60 where that isn't known), from 1, the baseline counted in;
    /// those that equally many others beat beyond doubt share one. `None` without either.
    pub ranks: Vec<Option<usize>>,
    /// Rank of the baseline among the takes.
    pub before_rank: usize,
    /// The take that rings shortest (by T60 where the ring time isn't known), if that is beyond doubt shorter than in the
    /// baseline.
    pub best: Option<usize>,
    /// Whether all takes could share one coupling; `None` with fewer than two that tell.
    pub shared_coupling: Option<bool>,
    /// What to mind while following the advice.
    pub cautions: Vec<Message>,
    /// Other places for the unit, the best first; empty where the room or the unit's place isn't known.
    pub placements: Vec<Placement>,
    /// The mode in the baseline.
    pub mode: Resonator,
}

impl Tuning {
    /// Where the baseline was measured: "without the unit", or in which state with which units.
    #[must_use]
    pub fn before(&self) -> Message {
        if self.before_units.is_empty() {
            return say!("absorber.before-empty");
        }
        say!("absorber.before-with", state = self.before_state.as_str(), units = self.before_units.clone())
    }

    /// The best known coupling, 1/s: of the take that knows it best.
    #[must_use]
    pub fn coupling_per_s(&self) -> Option<Estimate> {
        let known = self.takes.iter().filter_map(|t| Some(t.values?.coupling_per_s));
        known.min_by(|a, b| a.sd.unwrap_or(f64::INFINITY).total_cmp(&b.sd.unwrap_or(f64::INFINITY)))
    }
}

/// The unit as set in one take, estimated from all.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Finding {
    /// Name of the state.
    pub state: String,
    /// Name of the unit, where it is known which.
    pub unit: Option<String>,
    /// T60 of the slower pole, seconds.
    pub t60_s: Option<Estimate>,
    /// T60 of the faster pole, seconds, where two are known.
    pub faster_t60_s: Option<Estimate>,
    /// Time until the mode's free decay is 60 dB down for good, seconds.
    pub ring_s: Option<Estimate>,
    /// What the take says of the unit.
    pub values: Option<Values>,
    /// The check that the identification leaves over, in its own sd.
    pub consistency: Option<f64>,
    /// What to do, in a sentence.
    pub advice: Option<Message>,
    /// The step to take now.
    pub next: Next,
    /// Why something is missing.
    pub reason: Option<Message>,
}

impl Finding {
    /// Of a take that says nothing yet.
    pub(super) fn of(state: &str) -> Self {
        Self {
            state: state.to_owned(),
            unit: None,
            t60_s: None,
            faster_t60_s: None,
            ring_s: None,
            values: None,
            consistency: None,
            advice: None,
            next: Next::default(),
            reason: None,
        }
    }

    /// Of a take whose unit isn't this mode's: the second pole that was looked for is none, and what holds both is no
    /// number of the mode. One pole alone stays where its T60 is known.
    pub(super) fn leave_out_pair(&mut self, reason: Message) {
        let known = |t60: &Estimate| t60.sd.is_some_and(|sd| sd < WIDE * t60.value);
        let alone = self.values.is_none() && self.faster_t60_s.is_none();
        self.t60_s = self.t60_s.filter(|t60| alone && known(t60));
        self.ring_s = self.ring_s.filter(|_| self.t60_s.is_some());
        (self.faster_t60_s, self.values, self.consistency) = (None, None, None);
        self.reason = Some(reason);
    }
}

/// The identified unit and what it can reach.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Values {
    /// The unit's own frequency in this room with the target mode taken out, |s|/2π, hertz.
    pub loaded_hz: Estimate,
    /// Its own decay constant likewise, 1/s.
    pub loaded_decay_per_s: Estimate,
    /// Coupling g of unit and mode, 1/s.
    pub coupling_per_s: Estimate,
    /// Frequency it should have on the loaded scale, hertz.
    pub best_hz: f64,
    /// Decay constant it should have, 1/s.
    pub best_decay_per_s: f64,
    /// T60 of the mode at the best setting, seconds.
    pub best_t60_s: Estimate,
    /// Time until the mode's free decay is 60 dB down for good at the best setting, seconds.
    pub best_ring_s: Option<f64>,
}

/// A step of the unit's setting.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Next {
    /// Change of its frequency, hertz.
    pub frequency_change_hz: Option<f64>,
    /// Factor on its damping.
    pub damping_factor: Option<f64>,
    /// Dials with the setting to try.
    pub dials: Vec<(String, f64)>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::language::say;

    /// Where the unit is another mode's, a pair's times are none; a single pole keeps its time where it is known.
    #[test]
    fn of_a_unit_elsewhere_only_a_known_single_pole_is_told() {
        let of = |sd_s: f64, pair: bool| {
            let time = |value: f64, sd| Some(Estimate::new(value, sd));
            let mut finding = Finding {
                t60_s: time(1.8, sd_s),
                ring_s: time(1.8, sd_s),
                faster_t60_s: time(0.9, 0.1).filter(|_| pair),
                consistency: Some(0.3),
                ..Finding::of("treated")
            };
            finding.leave_out_pair(say!("absorber.nothing"));
            assert!(
                finding.faster_t60_s.is_none() && finding.consistency.is_none() && finding.reason.is_some()
            );
            (finding.t60_s.is_some(), finding.ring_s.is_some())
        };
        assert_eq!(of(0.1, false), (true, true));
        assert_eq!(of(0.5, false), (false, false));
        assert_eq!(of(0.1, true), (false, false));
    }
}
