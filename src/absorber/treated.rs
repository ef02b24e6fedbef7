//! The joint fit of a take with the baseline: whether one mode and one unit explain both, and what it gives the comparison
//! of both states.

use super::coupled::{CLOSED_FORM, Pair, Resonator, identify};
use super::facts::SettingFacts;
use super::joint::{self, Data, Ends, Side, Spoken, Times, Treated, WAYS, apart_sd};
use super::reference::{Reference, SettingFit};
use super::sight::{LocalFit, PoleObservation};
use super::spectrum::Target;
use super::tune::pair;
use crate::change::{JointlyFittedMode, Ratio, ring_s};
use crate::estimate::Estimate;
use crate::flag::Flags;
use crate::modes::{Amplitude, Kind, Mode};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Where the poles are further apart than this share of the sum of their decay rates, the state with the unit resolves
/// them by itself: in simulated rooms (docs/absorber.md) with intervals half as wide that hold as often, and free of what
/// the model of one mode and one unit leaves out, which in a finite-element room made T60 12 % too long.
const RESOLVED: f64 = 0.55;
/// A resonance of the take this near one of the joint fit's poles, as a share of its decay constant, is that one.
const SAME_POLE: f64 = 0.5;

/// Where the take by itself shows one pole only, the coupling must stand out of its error by so many sd. Our own choice:
/// porous treatment, which damps one pole, was taken for a far too damped unit at 2.3 (own simulation), units that had met
/// the mode stood at 3.1 and more.
const ONE_POLE_SD: f64 = 3.0;
/// Poles of the search closer than this can't be told apart, sd.
const APART_SD: f64 = 4.0;
/// A decay constant changed by this share is a unit's doing, not an error of the fit: as for the advice on one pole.
const MOVED: f64 = 0.1;
/// A joint fit with a unit that nobody named counts as far as it knows T60 this well (sd of its logarithm). Our own
/// choice: in five of 42 simulated sessions with plain damping it knew it to 0.25 to 4, each state alone to 0.003 to
/// 0.04; near a unit's best setting to 0.06 and better.
const VAGUE: f64 = 0.15;

impl Spoken {
    /// With other ends for what became of T60 and of the ringing; the faster pole stays.
    fn opened(self, open: impl Fn(Ends) -> Ends) -> Self {
        let (t60_log, ring_log) = (open(self.t60_log), open(self.ring_log));
        let seconds = |log: Ends| log.times_of(self.before_s);
        Self {
            t60_s: [seconds(t60_log), self.t60_s[1]],
            ring_s: seconds(ring_log),
            t60_log,
            ring_log,
            before_s: self.before_s,
        }
    }
}

impl Reference {
    /// Mode and unit from the baseline's records and the take's at once.
    pub(super) fn joint(&self, take: &SettingFacts<'_>, observation: &PoleObservation) -> Option<Treated> {
        let (seen, pair) = match observation {
            PoleObservation::Two(two) => match two.seen.target {
                Target::Two(pair) => (&two.seen, Some(pair)),
                Target::One(_) => (&two.seen, None),
            },
            PoleObservation::One(seen) => (&**seen, None),
            PoleObservation::Nothing => return None,
        };
        if self.occupied() {
            return None;
        }
        let back = |pair: Pair| {
            let [a, b] = pair.poles().map(|s| Complex64::new(s.re, s.im / take.frequency_factor));
            Pair::of_poles(a, b)
        };
        let starts = joint::starts(Resonator::of_pole(self.mode.pole), pair.map(back));
        let mut found = joint::fit(self.data(take, seen, 0)?, &starts)?;
        let others = (1..WAYS.len()).filter_map(|way| self.data(take, seen, way)?.again(&found));
        let others: Vec<Times> = others.chain(found.looser).collect();
        found.widen(&others);
        self.prefer_separate_poles(take, &mut found);
        Some(found)
    }

    /// Where the state's own fit resolves the two poles, and gives T60 at least as precisely, its decay and ringing times
    /// replace those of the joint fit. So this decides the T60 that is told.
    fn prefer_separate_poles(&self, take: &SettingFacts<'_>, joint: &mut Treated) {
        if joint.separation() < RESOLVED {
            return;
        }
        let poles = joint.poles.map(|s| Complex64::new(s.re, s.im * take.frequency_factor));
        let Some(own) = own_modes(take, poles) else { return };
        let Some(spoken) = self.by_modes(take, &own) else { return };
        let share_of = |ends: Ends| ends.sd() / ends.value;
        if share_of(spoken.t60_s[0]) > share_of(joint.spoken.t60_s[0]) {
            return;
        }
        joint.spoken = spoken;
        joint.own = Some(own);
    }

    /// Both states' records, cut in one of the ways.
    fn data(&self, take: &SettingFacts<'_>, seen: &LocalFit, way: usize) -> Option<Data> {
        let mut before = self.sides.get(way)?.clone()?;
        let mut after = Side::of(take, self.mode.pole, seen, take.frequency_factor, WAYS[way])?;
        let mut places = self.places.len();
        for (m, place) in take.places.iter().enumerate() {
            let at = self.places.iter().position(|p| (p.0.as_str(), p.1.as_str()) == *place);
            after.places[m] = at.unwrap_or_else(|| {
                places += 1;
                places - 1
            });
            // One instant in both states: the emission where both have it, else the direct sound.
            let instants = at.and_then(|at| self.emissions_s[at]).zip(take.lows[m].emission_s);
            if let (Some(at), Some((old, new))) = (at, instants) {
                (before.origins_s[at], after.origins_s[m]) = (old, new);
            }
        }
        let strengths = self.expected.shape.iter().flatten().map(|r| r.norm_sqr());
        let shown = self.expected.shape.iter().flatten().count().max(1);
        let strength = (strengths.sum::<f64>() / shown as f64).sqrt();
        Some(Data { before, after, places, strength, phase: 0.0, half_coupling: 1.0, slack: 1.0 })
    }

    /// The joint fit of a take where it speaks of one mode and one unit: sound, and no other mode so near that the unit
    /// works on both.
    pub(super) fn usable<'l>(&self, take: &SettingFacts<'_>, look: &'l SettingFit) -> Option<&'l Treated> {
        let joint = look.joint.as_ref().filter(|joint| joint.sound())?;
        let shows = match &look.observation {
            PoleObservation::One(seen) => joint.shows(ONE_POLE_SD) && !self.untouched(take, seen),
            _ => true,
        };
        (shows && self.works_alone(joint.shared.coupling)).then_some(joint)
    }

    /// What a take says of the mode's decay, for advice and comparison alike. In this order: (1) the joint fit, where it is
    /// sound, no other mode is so near that the unit works on both, and, where the search shows one pole, two explain more
    /// (`usable`); where the search tells the two poles apart and knows T60 as well, its values stand in it already
    /// (`prefer_separate_poles`). Else, of two poles: (2) the search's own resonances, where it tells them apart (`apart`),
    /// (3) a fit of the pair round the mode (`by_pair`). Of one pole at a named unit: (4) the intervals of that pole and of
    /// the joint fit together (`open`). (5) Else nothing, and the search's T60 stays. So the joint fit's T60 replaces the
    /// search's in (1), but for those values, the pair's does so in (3), and (4) takes in both.
    pub(super) fn spoken(&self, take: &SettingFacts<'_>, look: &SettingFit) -> Option<Spoken> {
        if let Some(joint) = self.usable(take, look) {
            return Some(joint.spoken);
        }
        match &look.observation {
            PoleObservation::Two(_) => {
                let seen = self.own_pair(take, look)?;
                self.apart(take, seen).or_else(|| self.by_pair(seen))
            }
            PoleObservation::One(seen) => self.open(take, look, seen),
            PoleObservation::Nothing => None,
        }
    }

    /// The take's own two poles, where they keep the check of the modes there and one unit.
    fn own_pair<'l>(&self, take: &SettingFacts<'_>, look: &'l SettingFit) -> Option<&'l LocalFit> {
        let PoleObservation::Two(two) = &look.observation else { return None };
        let found = pair(take, &two.seen).filter(|found| !self.occupied() && self.sound(found))?;
        let coupling = identify(Resonator::of_pole(self.mode.pole), found.pair).coupling;
        (coupling > 0.0).then_some(&two.seen)
    }

    /// The resonances that the search found for these poles, where it tells them apart.
    fn resolved(&self, take: &SettingFacts<'_>, seen: &LocalFit) -> Option<[Mode; 2]> {
        let Target::Two(both) = seen.target else { return None };
        let own = own_modes(take, both.poles())?;
        let [a, b] = &own;
        let sd = a.decay_sd_per_s.hypot(b.decay_sd_per_s).hypot(a.omega_sd_per_s).hypot(b.omega_sd_per_s);
        let apart = (a.decay_per_s - b.decay_per_s).hypot(a.omega_per_s - b.omega_per_s);
        (apart > APART_SD * sd).then_some(own)
    }

    /// Decay and ringing by the resonances that the search found for these poles, where it tells them apart.
    fn apart(&self, take: &SettingFacts<'_>, seen: &LocalFit) -> Option<Spoken> {
        self.by_modes(take, &self.resolved(take, seen)?)
    }

    /// Decay and ringing by two resonances of the take, the slower first.
    fn by_modes(&self, take: &SettingFacts<'_>, own: &[Mode; 2]) -> Option<Spoken> {
        let strengths = |m: usize| {
            let [a, b] = [&own[0], &own[1]].map(|mode| mode.amplitudes.get(m)?.as_ref());
            Some([a?, b?].map(|a| Complex64::new(a.re, a.im)).to_vec())
        };
        let all: Vec<Vec<Complex64>> = (0..take.places.len()).filter_map(strengths).collect();
        let poles = [&own[0], &own[1]].map(|mode| Complex64::new(-mode.decay_per_s, mode.omega_per_s));
        let ring = ring_s(&poles, &all)?;
        let (before, after) = (self.searched.t60(), [own[0].t60(), own[1].t60()]);
        let log = |s: f64| Ends::of((s / before.value).ln(), share(before).hypot(share(after[0])));
        Some(Spoken {
            before_s: before.value,
            t60_s: after.map(|of| Ends::of(of.value, of.sd.unwrap_or(0.0))),
            // The end of the ringing is the slower pole's: its decay is known as that is.
            ring_s: Ends::of(ring, ring * share(after[0])),
            t60_log: log(after[0].value),
            ring_log: log(ring),
        })
    }

    /// Whether no other mode is so near that a unit of this g² works on both.
    fn works_alone(&self, coupling: f64) -> bool {
        self.nearest_hz * TAU > CLOSED_FORM * coupling.max(0.0).sqrt()
    }

    fn by_pair(&self, seen: &LocalFit) -> Option<Spoken> {
        let (before, times) = (self.searched.t60(), seen.pair_times()?);
        let change = |log: Ends| log.less(before.value.ln()).widened(share(before));
        Some(Spoken {
            before_s: before.value,
            t60_s: times.t60_logs.map(|log| log.times_of(1.0)),
            ring_s: times.ring_log.times_of(1.0),
            t60_log: change(times.t60_logs[0]),
            ring_log: change(times.ring_log),
        })
    }

    /// One pole at a named unit whose decay it changed, and a joint fit that isn't sound: the single pole's interval and
    /// the joint fit's, by as much wider as it fits worse, together.
    fn open(&self, take: &SettingFacts<'_>, look: &SettingFit, seen: &LocalFit) -> Option<Spoken> {
        let joint = look.joint.as_ref().filter(|joint| self.works_alone(joint.shared.coupling))?;
        let alone = seen.known();
        let change = (self.mode.pole.re / alone.pole.re).ln();
        if take.units.is_empty() || change.abs() < MOVED || self.untouched(take, seen) {
            return None;
        }
        let single = Ends::of(change, share(self.searched.t60()).hypot(alone.sds.0 / -alone.pole.re));
        let both = |log: Ends| log.times(joint.strain()).with(single);
        Some(joint.spoken.opened(both))
    }

    /// What a take says of the mode and its unit, for the comparison of both states.
    #[must_use]
    pub fn jointly_fitted(&self, take: &SettingFacts<'_>, look: &SettingFit) -> Option<JointlyFittedMode> {
        let spoken = self.spoken(take, look)?;
        // Without a unit it is a guess, which gives way to each state's own fit where it knows little.
        if take.units.is_empty() && spoken.t60_log.sd() > VAGUE {
            return None;
        }
        let usable = self.usable(take, look).is_some();
        let own = if usable { None } else { self.own_pair(take, look) };
        let two_poles = usable || own.is_some();
        // Two poles that the search tells apart are the comparison's own already.
        if own.is_some_and(|seen| self.apart(take, seen).is_some()) {
            return None;
        }
        let (poles, apart_sd, coupling) = match (own, look.joint.as_ref()) {
            (Some(seen), _) => self.poles_of_pair(take, seen, &spoken)?,
            (None, Some(joint)) => {
                let poles = [0, 1].map(|k| self.pole_of_joint(take, joint, &spoken, k));
                (poles, joint.apart_sd(), joint.shared.coupling)
            }
            (None, None) => return None,
        };
        Some(JointlyFittedMode {
            mode: self.index,
            poles,
            apart_sd,
            coupling_per_s: coupling.max(0.0).sqrt(),
            t60_ratio: ratio(spoken.t60_log),
            ring_s: (spoken.before_s, spoken.ring_s.value),
            ring_ratio: ratio(spoken.ring_log),
            unit_shows: !take.units.is_empty() && two_poles,
        })
    }

    fn pole_of_joint(&self, take: &SettingFacts<'_>, joint: &Treated, spoken: &Spoken, k: usize) -> Mode {
        if let Some(own) = &joint.own {
            return own[k].clone();
        }
        let s = joint.poles[k];
        let s = Complex64::new(s.re, s.im * take.frequency_factor);
        let amplitudes = (0..take.places.len()).map(|m| self.amplitude(take, joint, m, (k, s))).collect();
        pole(s, spoken.t60_s[k], amplitudes)
    }

    /// The take's own two poles with what each has at the places, their distance and g².
    fn poles_of_pair(
        &self,
        take: &SettingFacts<'_>,
        seen: &LocalFit,
        spoken: &Spoken,
    ) -> Option<([Mode; 2], f64, f64)> {
        let Target::Two(both) = seen.target else { return None };
        let off = |m: &&Mode| (Complex64::new(-m.decay_per_s, m.omega_per_s) - 0.5 * both.sum).norm();
        let searched = take.modes?.modes.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        let amplitude = |m: usize, k: usize| {
            let (values, start_s) = seen.residues.get(m)?.as_ref()?;
            let (low, known) = (take.lows[m], searched.amplitudes.get(m)?.as_ref()?);
            let instant_s = low.emission_s.unwrap_or(low.onset_s);
            let value = values.get(k)? * (both.poles()[k] * (instant_s - start_s)).exp();
            // As well known as the one pole that the search found here.
            let each = 0.5 * (known.covariance[0] + known.covariance[2]);
            let delta_chi2 = value.norm_sqr() / each.max(f64::MIN_POSITIVE);
            Some(Amplitude { re: value.re, im: value.im, covariance: [each, 0.0, each], delta_chi2 })
        };
        let poles = [0, 1].map(|k| {
            let amplitudes = (0..take.places.len()).map(|m| amplitude(m, k)).collect();
            pole(both.poles()[k], spoken.t60_s[k], amplitudes)
        });
        let coupling = identify(Resonator::of_pole(self.mode.pole), pair(take, seen)?.pair).coupling;
        Some((poles, apart_sd(both, &seen.covariance), coupling))
    }

    /// Amplitude of one of the treated mode's poles at a place of a take, at the instant that the take's modes refer to.
    fn amplitude(
        &self,
        take: &SettingFacts<'_>,
        joint: &Treated,
        m: usize,
        (k, pole): (usize, Complex64),
    ) -> Option<Amplitude> {
        let at = self.places.iter().position(|p| (p.0.as_str(), p.1.as_str()) == take.places[m])?;
        let (residues, variance) = (joint.residues.get(at)?.as_ref()?, (*joint.variances.get(at)?)?);
        let low = take.lows[m];
        // The joint fit's instant is the emission only where both states have it.
        let late_s = match (low.emission_s, self.emissions_s[at]) {
            (Some(emission), None) => emission - low.onset_s,
            _ => 0.0,
        };
        let value = residues.1[k] * (pole * late_s).exp();
        let each = 0.5 * variance;
        let delta_chi2 = value.norm_sqr() / each.max(f64::MIN_POSITIVE);
        Some(Amplitude { re: value.re, im: value.im, covariance: [each, 0.0, each], delta_chi2 })
    }
}

/// The take's own resonances that are two fitted poles, the slower first.
fn own_modes(take: &SettingFacts<'_>, poles: [Complex64; 2]) -> Option<[Mode; 2]> {
    let modes = &take.modes?.modes;
    let nearest = |pole: Complex64| {
        let distance = |m: &&Mode| (Complex64::new(-m.decay_per_s, m.omega_per_s) - pole).norm();
        let modes = modes.iter().filter(|m| m.kind == Kind::Mode);
        let found = modes.min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        (distance(&found) < -SAME_POLE * pole.re).then_some(found)
    };
    let (a, b) = (nearest(poles[0])?, nearest(poles[1])?);
    let [slow, fast] = if a.decay_per_s <= b.decay_per_s { [a, b] } else { [b, a] };
    (!std::ptr::eq(a, b)).then(|| [slow.clone(), fast.clone()])
}

fn ratio(log: Ends) -> Ratio {
    Ratio { value: log.value.exp(), low: log.low.exp(), high: log.high.exp() }
}

fn share(of: Estimate) -> f64 {
    of.sd.unwrap_or(0.0) / of.value
}

fn pole(s: Complex64, t60_s: Ends, amplitudes: Vec<Option<Amplitude>>) -> Mode {
    let decay_sd = -s.re * t60_s.sd() / t60_s.value;
    Mode {
        kind: Kind::Mode,
        omega_per_s: s.im,
        decay_per_s: -s.re,
        // Where poles meet both are known alike; no table prints this one.
        omega_sd_per_s: decay_sd,
        decay_sd_per_s: decay_sd,
        amplitudes,
        flags: Flags::default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Logarithms three times as wide: T60 and ringing of 2 s become 1.0 and 1.2 s as before, times and over e^0.3.
    #[test]
    fn what_is_left_open_goes_into_changes_and_seconds_alike() {
        let log = |factor: f64| Ends { low: factor.ln() - 0.1, value: factor.ln(), high: factor.ln() + 0.1 };
        let faster = Ends::of(0.4, 0.1);
        let spoken = Spoken {
            before_s: 2.0,
            t60_s: [log(0.5).times_of(2.0), faster],
            ring_s: log(0.6).times_of(2.0),
            t60_log: log(0.5),
            ring_log: log(0.6),
        };
        let open = spoken.opened(|log| log.times(3.0));
        for (log, seconds, value) in
            [(open.t60_log, open.t60_s[0], 1.0_f64), (open.ring_log, open.ring_s, 1.2)]
        {
            assert!((log.high - (0.5 * value).ln() - 0.3).abs() < 1e-12, "{log:?}");
            assert!((seconds.value - value).abs() < 1e-12, "{seconds:?}");
            assert!((seconds.high / value - 0.3_f64.exp()).abs() < 1e-12, "{seconds:?}");
            assert!((value / seconds.low - 0.3_f64.exp()).abs() < 1e-12, "{seconds:?}");
        }
        assert_eq!(open.t60_s[1], faster);
    }
}
