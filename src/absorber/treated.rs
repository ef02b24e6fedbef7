//! The joint fit of a take with the baseline: whether one mode and one unit explain both, and what it gives the comparison
//! of both states.

use super::coupled::{CLOSED_FORM, Pair, Resonator};
use super::facts::SettingFacts;
use super::joint::{self, Data, Ends, Side, Times, Treated, WAYS};
use super::local::Target;
use super::reference::{Reference, SettingFit};
use super::sight::{LocalFit, PoleObservation};
use crate::change::{Ratio, TreatedMode, ring_s};
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
        if self.occupied {
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
    /// replace those of the joint fit. So this decides `after_t60_s`.
    fn prefer_separate_poles(&self, take: &SettingFacts<'_>, joint: &mut Treated) {
        if joint.separation() < RESOLVED {
            return;
        }
        let Some(own) = own_modes(take, joint) else { return };
        let strengths = |m: usize| {
            let [a, b] = [&own[0], &own[1]].map(|mode| mode.amplitudes.get(m)?.as_ref());
            Some([a?, b?].map(|a| Complex64::new(a.re, a.im)).to_vec())
        };
        let all: Vec<Vec<Complex64>> = (0..take.places.len()).filter_map(strengths).collect();
        let poles = [&own[0], &own[1]].map(|mode| Complex64::new(-mode.decay_per_s, mode.omega_per_s));
        let Some(ring) = ring_s(&poles, &all) else { return };
        let (before, after) = (self.searched.t60(), [own[0].t60(), own[1].t60()]);
        let share = |of: Estimate| of.sd.unwrap_or(0.0) / of.value;
        if share(after[0]) > joint.after_t60_s[0].sd() / joint.after_t60_s[0].value {
            return;
        }
        let ends = |of: Estimate| Ends::of(of.value, of.sd.unwrap_or(0.0));
        let log = |s: f64| Ends::of((s / before.value).ln(), share(before).hypot(share(after[0])));
        joint.before_t60_s = ends(before);
        joint.after_t60_s = after.map(ends);
        // The end of the ringing is the slower pole's: its decay is known as that is.
        joint.after_ring_s = Ends::of(ring, ring * share(after[0]));
        (joint.t60_log, joint.ring_log) = (log(after[0].value), log(ring));
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
            let instants = at.and_then(|at| self.instants_s[at].1).zip(take.lows[m].emission_s);
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
    pub(super) fn usable<'l>(&self, look: &'l SettingFit) -> Option<&'l Treated> {
        let joint = look.joint.as_ref().filter(|joint| joint.sound())?;
        (self.nearest_hz * TAU > CLOSED_FORM * joint.shared.coupling.sqrt()).then_some(joint)
    }

    /// What the joint fit of a take says, for the comparison of both states.
    #[must_use]
    pub fn treated(&self, take: &SettingFacts<'_>, look: &SettingFit) -> Option<TreatedMode> {
        let joint = self.usable(look)?;
        let pole = |k: usize| {
            if let Some(own) = &joint.own {
                return own[k].clone();
            }
            let s = joint.poles[k];
            let decay_sd = -s.re * joint.after_t60_s[k].sd() / joint.after_t60_s[k].value;
            let s = Complex64::new(s.re, s.im * take.frequency_factor);
            Mode {
                kind: Kind::Mode,
                omega_per_s: s.im,
                decay_per_s: -s.re,
                // Where poles meet both are known alike; no table prints this one.
                omega_sd_per_s: decay_sd,
                decay_sd_per_s: decay_sd,
                amplitudes: (0..take.places.len()).map(|m| self.amplitude(take, joint, m, (k, s))).collect(),
                flags: Flags::default(),
            }
        };
        Some(TreatedMode {
            mode: self.index,
            poles: [pole(0), pole(1)],
            apart_sd: joint.apart_sd(),
            coupling_per_s: joint.shared.coupling.sqrt(),
            t60_ratio: ratio(joint.t60_log),
            ring_s: (joint.before_t60_s.value, joint.after_ring_s.value),
            ring_ratio: ratio(joint.ring_log),
        })
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
        let late_s = match (low.emission_s, self.instants_s[at].1) {
            (Some(emission), None) => emission - low.onset_s,
            _ => 0.0,
        };
        let value = residues.1[k] * (pole * late_s).exp();
        let each = 0.5 * variance;
        let delta_chi2 = value.norm_sqr() / each.max(f64::MIN_POSITIVE);
        Some(Amplitude { re: value.re, im: value.im, covariance: [each, 0.0, each], delta_chi2 })
    }
}

/// The take's own resonances that are the joint fit's two poles, the slower first.
fn own_modes(take: &SettingFacts<'_>, joint: &Treated) -> Option<[Mode; 2]> {
    let modes = &take.modes?.modes;
    let nearest = |pole: Complex64| {
        let pole = Complex64::new(pole.re, pole.im * take.frequency_factor);
        let distance = |m: &&Mode| (Complex64::new(-m.decay_per_s, m.omega_per_s) - pole).norm();
        let modes = modes.iter().filter(|m| m.kind == Kind::Mode);
        let found = modes.min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        (distance(&found) < -SAME_POLE * pole.re).then_some(found)
    };
    let (a, b) = (nearest(joint.poles[0])?, nearest(joint.poles[1])?);
    let [slow, fast] = if a.decay_per_s <= b.decay_per_s { [a, b] } else { [b, a] };
    (!std::ptr::eq(a, b)).then(|| [slow.clone(), fast.clone()])
}

fn ratio(log: Ends) -> Ratio {
    Ratio { value: log.value.exp(), low: log.low.exp(), high: log.high.exp() }
}
