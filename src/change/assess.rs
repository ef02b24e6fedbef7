//! What is known of each mode, from pairing, splits, chain and levels, and its verdict.

use super::cause::{Causes, Filter};
use super::chain::NeighbourRatio;
use super::facts::ChangeSettings;
use super::finding::{FALSE_DISCOVERY, LogChange, significant};
use super::gain::Gain;
use super::jointly_fitted::JointlyFitted;
use super::level::{PeakLevel, mean_change, peak_levels};
use super::moved::Moved;
use super::noise::Noise;
use super::outcome::{ModeChange, ModeValues, PositionChange, Ratio, Verdict};
use super::rank::Rows;
use super::reason::{Numbers, sentence};
use super::ring::{ring_log_sd, ring_of};
use super::seats::{TrackedMode, positions};
use super::shape::mac;
use super::split::{APART_SD, Split, one_pole};
use super::verdict::{Cause, VerdictInput, Why, decide};
use super::view::{Common, Resonance, ScaledResidue, Widening};
use super::visible::{bound_log_sd, residue_noise, would_show};
use super::wide_filter;
use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::{number, say};
use crate::modes::{Kind, LN_1000};

/// A fit that leaves no more than this (3 dB) at a place has explained what was recorded there; the estimate of the
/// noise is good to about one.
const AT_NOISE: f64 = 2.0;

/// What the assessment of each mode is based on.
pub(super) struct Assessment<'a> {
    pub settings: &'a ChangeSettings,
    pub places: &'a [Common<'a>],
    pub gain: &'a Gain,
    pub moved: &'a Moved,
    pub old: &'a [Resonance],
    pub new: &'a [Resonance],
    pub partners: &'a [Option<usize>],
    pub splits: &'a [Split],
    /// Joint fits of modes and units.
    pub jointly_fitted: &'a [JointlyFitted<'a>],
    /// Modes before, by their index in the state's list, that the after state's units are labelled for.
    pub at_units: &'a [usize],
    pub widening: Widening,
    pub witnesses: &'a [NeighbourRatio],
    pub filters: &'a [Filter],
    /// Standard deviation of ln of the gain.
    pub gain_sd: f64,
    /// Factor that all frequencies share.
    pub drift: f64,
    /// Residual of the after state's fit over the noise at each of its places (a ratio of powers).
    pub left_after: &'a [Result<f64, Flag>],
    /// Whether repeats say how well states repeat.
    pub repeats_known: bool,
}

/// What became of one mode, before the verdict.
struct ModeEvidence {
    /// Its poles after, the slower first.
    after: Vec<Resonance>,
    split: Option<Split>,
    /// Index of the joint fit that it follows.
    jointly_fitted: Option<usize>,
    /// ln(δ after/δ before): above zero rings shorter. Of a mode with a tuned unit −ln(ringing after/ringing before).
    ringing: Option<LogChange>,
    peak_levels: (Vec<Option<PeakLevel>>, Vec<Option<PeakLevel>>),
    level: Result<LogChange, Flag>,
}

/// Ringing of one mode, seconds, and after over before.
#[derive(Clone, Copy)]
struct Ring {
    before_s: f64,
    after_s: f64,
    ratio: Ratio,
}

/// Chance of error for a mode that a unit is labelled for: named before anything was looked at, it is not one of many. The
/// usual level.
const NAMED: f64 = 0.05;

/// Which changes are significant, all claimed pairs of this comparison tested together.
struct Significant {
    ringing: Vec<bool>,
    level: Vec<bool>,
}

impl Assessment<'_> {
    /// Poles after that no mode before and no split has.
    fn left(&self) -> Vec<usize> {
        let split = |j: &usize| self.splits.iter().any(|split| [split.slow, split.fast].contains(j));
        (0..self.new.len()).filter(|j| !self.partners.contains(&Some(*j)) && !split(j)).collect()
    }

    /// Changes of the modes and of the positions.
    pub fn run(&self) -> (Vec<ModeChange>, Vec<PositionChange>) {
        let noises = self.noises();
        let rows = Rows::new(self.places, [&noises.0, &noises.1], &self.moved.microphones, self.drift);
        let all: Vec<ModeEvidence> = (0..self.old.len()).map(|i| self.evidence(i, &noises.1)).collect();
        let after: Vec<Vec<Resonance>> = all.iter().map(|f| f.after.clone()).collect();
        let causes = Causes {
            old: self.old,
            new: self.new,
            after: &after,
            left: &self.left(),
            witnesses: self.witnesses,
            rows: rows.as_ref(),
            filters: self.filters,
            wide_filter: wide_filter::shows(self.witnesses),
            gain: (self.gain_factor(), self.gain_sd),
            loudspeaker: self.moved.loudspeaker,
            places: self.usable().iter().filter(|u| **u).count(),
            same_chain: self.settings.same_chain == Some(true),
        };
        let significant = Significant {
            ringing: self
                .with_named(&all, self.significant_among_claimed(&all, |f| Some(f.ringing?.p_value()))),
            level: self.significant_among_claimed(&all, |f| Some(f.level.ok()?.p_value())),
        };
        let decay_causes = causes.decays(&significant.ringing);
        let mut changes = Vec::new();
        let mut seats = Vec::new();
        for (i, evidence) in all.iter().enumerate().filter(|(i, _)| self.old[*i].kind != Kind::Loudspeaker) {
            let cause = (decay_causes[i], causes.level(i, &decay_causes));
            let (change, places) = self.change(i, evidence, &significant, cause, &noises.1);
            changes.push(change);
            seats.extend(places);
        }
        changes.extend(self.arrivals(&noises.0));
        (changes, seats)
    }

    fn noises(&self) -> (Vec<Option<Noise>>, Vec<Option<Noise>>) {
        let before = self.places.iter().map(|p| p.before.low.and_then(Noise::of)).collect();
        let after = self.places.iter().map(|p| p.after.low.and_then(Noise::of)).collect();
        (before, after)
    }

    fn rates(&self, after: bool) -> Vec<f64> {
        self.places.iter().map(|p| if after { p.after.file_rate_hz } else { p.before.file_rate_hz }).collect()
    }

    fn gain_factor(&self) -> f64 {
        self.gain.log.map_or(1.0, |g| g.value.exp())
    }

    /// Places whose levels can be compared.
    fn usable(&self) -> Vec<bool> {
        self.moved.microphones.iter().map(|moved| !moved).collect()
    }

    fn evidence(&self, i: usize, noise_after: &[Option<Noise>]) -> ModeEvidence {
        let mode = &self.old[i];
        let split = self.splits.iter().find(|s| s.before == i).copied();
        let after = match (split, self.partners[i]) {
            (Some(s), _) if s.apart_sd >= APART_SD => {
                vec![self.new[s.slow].clone(), self.new[s.fast].clone()]
            }
            (Some(s), _) => vec![self.merged(s, noise_after)],
            (None, Some(j)) => vec![self.new[j].clone()],
            (None, None) => Vec::new(),
        };
        let jointly_fitted =
            self.jointly_fitted.iter().position(|t| t.facts.mode == mode.index && !after.is_empty());
        let after = jointly_fitted.map_or_else(|| after.clone(), |t| self.jointly(t, &after[0]));
        let ringing = after
            .first()
            .map(|a| LogChange { log: (a.decay() / mode.decay()).ln(), sd: mode.log_sd().hypot(a.log_sd()) });
        let ringing =
            jointly_fitted.map(|t| self.jointly_fitted[t].ring_change(mode, self.widening)).or(ringing);
        let poles: Vec<&Resonance> = after.iter().collect();
        let peak_levels =
            (peak_levels(&[mode]), if after.is_empty() { Vec::new() } else { peak_levels(&poles) });
        let level =
            if after.is_empty() { Err(Flag::NoPartner) } else { self.level(&peak_levels.0, &peak_levels.1) };
        ModeEvidence { after, split, jointly_fitted, ringing, peak_levels, level }
    }

    /// The joint fit's poles in place of the after state's own, with the index of the latter.
    fn jointly(&self, t: usize, found: &Resonance) -> Vec<Resonance> {
        self.jointly_fitted[t].poles.iter().map(|p| Resonance { index: found.index, ..p.clone() }).collect()
    }

    /// One pole in place of two that can't be told apart; as well known as one pole with the sum of their residues.
    fn merged(&self, split: Split, noise_after: &[Option<Noise>]) -> Resonance {
        let (slow, fast) = (&self.new[split.slow], &self.new[split.fast]);
        let pole = one_pole(slow, fast);
        let residues: Vec<_> = slow
            .residues
            .iter()
            .zip(&fast.residues)
            .map(|(a, b)| {
                let (a, b) = ((*a)?, (*b)?);
                let value = a.value + b.value;
                // Errors of the two cancel in the sum, as far as one pole's would.
                let variance = a.variance.min(b.variance);
                Some(ScaledResidue { value, variance })
            })
            .collect();
        let noise = residue_noise(noise_after, &self.rates(true), self.gain_factor(), slow.hz());
        let powers: Vec<f64> = residues.iter().map(|s| s.map_or(0.0, |s| s.value.norm_sqr())).collect();
        let narrow = slow.log_sd().min(fast.log_sd());
        // A fifth more than one pole's bound: our own choice.
        let log_sd = bound_log_sd(-pole.re, &powers, &noise).map_or(narrow, |sd| 1.2 * sd);
        let kind = if slow.kind == Kind::Mode || fast.kind == Kind::Mode { Kind::Mode } else { Kind::Unsure };
        Resonance {
            index: slow.index,
            pole,
            omega_sd: -pole.re * log_sd,
            decay_sd: -pole.re * log_sd,
            kind,
            overlapping: slow.overlapping && fast.overlapping,
            remarks: [slow, fast].iter().flat_map(|pole| pole.remarks.iter()).collect(),
            residues,
        }
    }

    /// Which of the claimed pairs' changes are significant, by their p-values (Benjamini & Hochberg).
    fn significant_among_claimed(
        &self,
        all: &[ModeEvidence],
        p_value: impl Fn(&ModeEvidence) -> Option<f64>,
    ) -> Vec<bool> {
        let claimed = |i: usize, f: &ModeEvidence| {
            self.old[i].kind == Kind::Mode && f.after.first().is_some_and(|a| a.kind == Kind::Mode)
        };
        let tested: Vec<(usize, f64)> = all
            .iter()
            .enumerate()
            .filter(|(i, f)| claimed(*i, f))
            .filter_map(|(i, f)| Some((i, p_value(f)?)))
            .collect();
        let p_values: Vec<f64> = tested.iter().map(|t| t.1).collect();
        let mut found = vec![false; all.len()];
        for ((i, _), is_one) in tested.iter().zip(significant(&p_values, FALSE_DISCOVERY)) {
            found[*i] = is_one;
        }
        found
    }

    /// With the changes of ringing of modes that a unit is labelled for, each by itself.
    fn with_named(&self, all: &[ModeEvidence], mut found: Vec<bool>) -> Vec<bool> {
        for (i, evidence) in all.iter().enumerate() {
            let shown = evidence.ringing.is_some_and(|ringing| ringing.p_value() < NAMED);
            found[i] |= shown && self.is_labelled(i, evidence);
        }
        found
    }

    /// Whether a unit is labelled for this mode, and a fit with one speaks.
    fn is_labelled(&self, i: usize, evidence: &ModeEvidence) -> bool {
        evidence.jointly_fitted.is_some() && self.at_units.contains(&self.old[i].index)
    }

    /// Whether a unit that stands in the room after, as the session says, works on this mode: by its label, or by two
    /// poles.
    fn is_at_unit(&self, i: usize, evidence: &ModeEvidence) -> bool {
        let shows = evidence.jointly_fitted.is_some_and(|t| self.jointly_fitted[t].facts.unit_shows);
        shows || self.is_labelled(i, evidence)
    }

    fn change(
        &self,
        i: usize,
        evidence: &ModeEvidence,
        significant: &Significant,
        (decay_cause, level_cause): (Cause, Cause),
        noise_after: &[Option<Noise>],
    ) -> (ModeChange, Vec<PositionChange>) {
        let mode = &self.old[i];
        let after: Vec<&Resonance> = evidence.after.iter().collect();
        let case = VerdictInput {
            claimed: (mode.kind == Kind::Mode, after.first().is_none_or(|a| a.kind == Kind::Mode)),
            partner: !after.is_empty(),
            would_show: if after.is_empty() { self.would_show_after(i, noise_after) } else { None },
            ringing: evidence.ringing,
            ringing_significant: significant.ringing[i],
            level_significant: significant.level[i],
            decay_sd: (mode.log_sd(), self.after_sd(evidence)),
            level: evidence.level,
            decay_cause,
            level_cause,
            places: self.usable().iter().filter(|u| **u).count(),
            at_unit: self.is_at_unit(i, evidence),
        };
        let mut flags = self.common_flags(evidence);
        if mode.overlapping {
            flags.add(Flag::Overlapping);
        }
        let (verdict, why) = decide(&case, self.settings, &mut flags);
        match (why, after.first()) {
            (Why::NotClaimed { before: true }, _) => flags.extend(&mode.remarks),
            (Why::NotClaimed { before: false }, Some(pole)) => flags.extend(&pole.remarks),
            _ => why.unsettled().iter().for_each(|flag| flags.add(*flag)),
        }
        let row = self.row(i, evidence, &case, (verdict, why), flags);
        let lost = if verdict == Verdict::Gone { Flag::ModeGone } else { Flag::NoPartner };
        let tracked =
            TrackedMode { mode: mode.index, before: mode, after, peak_levels: &evidence.peak_levels, lost };
        let seats = positions(&tracked, self.places, self.gain, self.moved);
        (row, seats)
    }

    /// Relative sd of the quantity after that the verdict is based on: the decay, or with a unit the ringing.
    fn after_sd(&self, evidence: &ModeEvidence) -> f64 {
        match (evidence.jointly_fitted, evidence.ringing) {
            (Some(_), Some(change)) => change.sd,
            _ => evidence.after.first().map_or(0.0, Resonance::log_sd),
        }
    }

    fn common_flags(&self, evidence: &ModeEvidence) -> Flags {
        let mut flags = Flags::default();
        let joint = evidence.jointly_fitted.map(|t| self.jointly_fitted[t].facts.apart_sd);
        let apart_sd = joint.or(evidence.split.map(|s| s.apart_sd));
        match apart_sd {
            Some(sd) if sd >= APART_SD => flags.add(Flag::Split),
            Some(_) => flags.add(Flag::MergedPair),
            None => {}
        }
        if !self.repeats_known {
            flags.add(Flag::RepeatabilityUnknown);
        }
        if self.moved.loudspeaker {
            flags.add(Flag::MovedLoudspeaker);
        }
        let exchanged = |m: usize| self.moved.exchanged.get(m).copied().unwrap_or(false);
        if (0..self.places.len()).any(exchanged) {
            flags.add(Flag::ExchangedFiles);
        }
        if self.moved.microphones.iter().enumerate().any(|(m, moved)| *moved && !exchanged(m)) {
            flags.add(Flag::MovedMicrophone);
        }
        flags
    }

    fn level(&self, before: &[Option<PeakLevel>], after: &[Option<PeakLevel>]) -> Result<LogChange, Flag> {
        let gain_sd = match (self.gain.log, self.settings.same_chain) {
            (Some(gain), _) => gain.sd.unwrap_or(0.0),
            (None, Some(true)) if self.gain.missing == Some(Flag::GainUnknown) => 0.0,
            _ => return Err(self.gain.missing.unwrap_or(Flag::GainUnknown)),
        };
        let own: Vec<f64> = self.gain.own.iter().map(|g| g.map_or(0.0, |g| g.value)).collect();
        let leveled: Vec<_> = after
            .iter()
            .enumerate()
            .map(|(m, h)| {
                let factor = (-own.get(m).copied().unwrap_or(0.0)).exp();
                h.map(|h| PeakLevel { value: h.value * factor, ..h })
            })
            .collect();
        let change = mean_change(before, &leveled, &self.usable()).ok_or(Flag::NoCommonPlace)?;
        Ok(LogChange { sd: change.sd.hypot(gain_sd), ..change })
    }

    fn would_show_after(&self, i: usize, noise_after: &[Option<Noise>]) -> Option<bool> {
        let mode = &self.old[i];
        let mut noise = residue_noise(noise_after, &self.rates(true), self.gain_factor(), mode.hz());
        // A fit that leaves more than the noise has not explained the response: nothing is gone from what it didn't see.
        for (place, noise) in self.places.iter().zip(&mut noise) {
            let left = self.left_after.get(place.indices.1).copied().and_then(Result::ok);
            *noise =
                noise.zip(left.filter(|left| *left <= AT_NOISE)).map(|(noise, left)| noise * left.max(1.0));
        }
        let sound = noise.iter().flatten().count();
        if 2 * sound < self.left_after.len() {
            return None;
        }
        would_show(mode, 2.0, self.new, &noise).map(|shows| shows && self.inside(mode))
    }

    /// Whether a resonance lies well inside the range of the fit.
    fn inside(&self, resonance: &Resonance) -> bool {
        let width = 2.0 + resonance.decay() / (2.0 * std::f64::consts::PI);
        let (from, to) = self.settings.range_hz;
        (from + width..=to - width).contains(&resonance.hz())
    }

    fn row(
        &self,
        i: usize,
        evidence: &ModeEvidence,
        case: &VerdictInput,
        (verdict, why): (Verdict, Why),
        mut flags: Flags,
    ) -> ModeChange {
        let mode = &self.old[i];
        let shown = evidence.after.first().filter(|_| verdict != Verdict::Gone);
        let after_values = shown.map(values);
        let level = case.level.ok();
        if let (Err(flag), true) = (case.level, shown.is_some()) {
            flags.add(flag);
        }
        let ring = self.ring(mode, evidence).filter(|_| shown.is_some());
        let jointly_fitted = evidence.jointly_fitted.map(|t| &self.jointly_fitted[t]);
        let own = || case.ringing.map(|d| d.ratio());
        let t60 = jointly_fitted.map(|t| t.t60_ratio(mode)).or_else(own).filter(|_| shown.is_some());
        let told = ring.filter(|_| jointly_fitted.is_some());
        let numbers = Numbers {
            before_hz: mode.hz(),
            before_s: told.map_or(LN_1000 / mode.decay(), |r| r.before_s),
            after_s: told.map(|r| r.after_s).or(after_values.map(|v| v.t60_s.value)),
            ratio: told.map(|r| r.ratio).or(t60),
            level: level.map(|l| (l.log, l.sd)),
            split: flags.has(Flag::Split),
            overlapping: if case.claimed.0 { shown.is_some_and(|a| a.overlapping) } else { mode.overlapping },
        };
        let lost = if verdict == Verdict::Gone { Flag::ModeGone } else { Flag::NoPartner };
        ModeChange {
            before: Some(mode.index),
            after: shown.map(|a| a.index),
            second_after: evidence.split.map(|s| self.new[s.fast].index),
            before_values: Some(values(mode)),
            after_values,
            t60_ratio: Some(t60.ok_or(lost)),
            before_ring_s: Some(Ok(ring.map_or(LN_1000 / mode.decay(), |r| r.before_s))),
            after_ring_s: Some(ring.map(|r| r.after_s).ok_or(lost)),
            ring_ratio: Some(ring.map(|r| r.ratio).ok_or(lost)),
            level_ratio: Some(
                case.level
                    .map(|l| Ratio::from_log(l.log, l.sd))
                    .map_err(|f| if shown.is_some() { f } else { lost }),
            ),
            shape_match: shown.and_then(|a| mac(mode, a)),
            verdict,
            reason: sentence(why, &numbers),
            flags,
        }
    }

    /// Ringing before and after.
    fn ring(&self, mode: &Resonance, evidence: &ModeEvidence) -> Option<Ring> {
        if let (Some(t), Some(change)) = (evidence.jointly_fitted, evidence.ringing) {
            let (before_s, after_s) = self.jointly_fitted[t].facts.ring_s;
            return Some(Ring { before_s, after_s, ratio: change.ratio() });
        }
        let (before_s, after_s) = (LN_1000 / mode.decay(), ring_of(&evidence.after)?);
        let sd = match &evidence.after[..] {
            poles @ [_, _] => mode.log_sd().hypot(ring_log_sd(poles)?),
            _ => evidence.ringing?.sd,
        };
        let ratio = Ratio::from_log((after_s / before_s).ln(), sd);
        Some(Ring { before_s, after_s, ratio })
    }

    /// Poles of the after state that nothing before explains: a filter's, new ones, or doubtful.
    fn arrivals(&self, noise_before: &[Option<Noise>]) -> Vec<ModeChange> {
        let fitted = |pole: &Resonance| self.jointly_fitted.iter().any(|t| t.has(pole));
        let unexplained = |j: &usize| self.new[*j].kind == Kind::Mode && !fitted(&self.new[*j]);
        self.left().into_iter().filter(unexplained).map(|j| self.arrival(j, noise_before)).collect()
    }

    fn arrival(&self, j: usize, noise_before: &[Option<Noise>]) -> ModeChange {
        let pole = &self.new[j];
        let noise = residue_noise(noise_before, &self.rates(false), 1.0, pole.hz());
        let mut flags = Flags::default();
        let (verdict, reason) = if self.filters.iter().any(|f| f.pole == j) {
            (Verdict::Chain, say!("change.filter-rings"))
        } else if !self.inside(pole) || would_show(pole, 1.0, self.old, &noise) == Some(false) {
            flags.add(Flag::MaybeHidden);
            (Verdict::Unsure, say!("change.only-after"))
        } else if pole.residues.len() < 2 && self.settings.same_chain != Some(true) {
            flags.add(Flag::ChainUntold);
            (Verdict::Unsure, say!("change.only-after-one-place"))
        } else {
            (Verdict::New, say!("change.new", hz = number(pole.hz(), 1)))
        };
        ModeChange {
            before: None,
            after: Some(pole.index),
            second_after: None,
            before_values: None,
            after_values: Some(values(pole)),
            t60_ratio: None,
            before_ring_s: None,
            after_ring_s: Some(Ok(LN_1000 / pole.decay())),
            ring_ratio: None,
            level_ratio: None,
            shape_match: None,
            verdict,
            reason,
            flags,
        }
    }
}

fn values(resonance: &Resonance) -> ModeValues {
    let t60 = LN_1000 / resonance.decay();
    ModeValues { frequency_hz: resonance.hz(), t60_s: Estimate::new(t60, t60 * resonance.log_sd()) }
}
