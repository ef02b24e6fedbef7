//! What one take says of mode and unit: a [`Finding`].

use super::advise::{advise, best_of};
use super::coupled::{CLOSED_FORM, Resonator, best_t60_s, best_unit, couple};
use super::facts::SettingFacts;
use super::join::{Cluster, PairEstimate, State, consistency, misfit};
use super::joint::{Ends, SHOWS_SD};
use super::outcome::{Finding, Values};
use super::reference::{Reference, SettingFit};
use super::shift::{self, PoleWithSd};
use super::sight::{LocalFit, PoleObservation};
use super::spectrum::Target;
use super::words;
use crate::change::ring_s;
use crate::estimate::Estimate;
use crate::language::say;
use crate::modes::LN_1000;
use crate::session::Unit;
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// What the model of one mode and one unit errs by where the nearest other mode is so many times g/2π
/// away: loaded frequency, Hz, and share of damping and coupling (90th percentiles of 150 full rooms,
/// own simulation with [`crate::room::simulate`], over 1.64). Nearer than the last nothing is said.
const MODEL: [(f64, f64, f64); 3] = [(4.0, 0.001, 0.002), (2.0, 0.009, 0.006), (1.0, 0.08, 0.03)];
/// A frequency known no better than this is not worth a number, hertz.
const WORTH_HZ: f64 = 5.0;
/// A unit whose coupling doesn't show is moved if its frequency is known this well and this far off, hertz.
pub(super) const KNOWN_HZ: f64 = 1.0;
const FAR_OFF_HZ: f64 = 0.8;
/// A second pole farther away than this is no unit that anyone would bring, but something else, hertz.
const FARTHEST_HZ: f64 = 6.0;
/// A unit labelled this far from the mode is another mode's, hertz.
const ELSEWHERE_HZ: f64 = 6.0;
/// Damping above which a unit is placed badly, whatever its coupling, 1/s.
const LIVELY: f64 = 7.0;
/// A pole is the baseline's within so many sd, or this share of its decay constant.
const UNTOUCHED_SD: f64 = 3.0;
const UNTOUCHED: f64 = 0.02;

impl Reference {
    /// The unit that works on the mode, where that is known.
    pub(super) fn unit_of<'a>(&self, take: &SettingFacts<'a>) -> Option<&'a Unit> {
        words::unit(take.units, self.mode.pole.im / TAU)
    }

    /// What one take says.
    pub(super) fn finding(
        &self,
        take: &SettingFacts<'_>,
        look: &SettingFit,
        pair: Option<&PairEstimate>,
        state: Option<&State>,
    ) -> Finding {
        let (observation, spoken) = (&look.observation, self.spoken(take, look));
        let seen = match observation {
            PoleObservation::Two(two) => Some(&two.seen),
            PoleObservation::One(seen) => Some(&**seen),
            PoleObservation::Nothing => None,
        };
        let mut finding = Finding {
            unit: self.unit_of(take).map(|u| u.name.clone()),
            t60_s: spoken
                .map_or_else(|| seen.and_then(LocalFit::slower).map(t60), |s| Some(estimate(s.t60_s[0]))),
            faster_t60_s: spoken.map(|s| estimate(s.t60_s[1])),
            ring_s: spoken.map_or_else(|| seen.and_then(ring).map(unsure), |s| Some(estimate(s.ring_s))),
            consistency: pair.and_then(|p| self.check(p)),
            ..Finding::of(take.state)
        };
        if self.occupied() {
            finding.t60_s =
                seen.and_then(|s| longest(s.slower(), &s.near, &s.joint, self.mode.pole)).map(t60);
            let before = longest(Some(self.decay()), &self.mode.near, &self.mode.covariance, self.mode.pole);
            finding.reason = Some(words::off_is_a_resonator(&self.state));
            finding.advice = Some(words::effect(before.map(t60), finding.t60_s));
            return finding;
        }
        match (observation, state) {
            (PoleObservation::Nothing, _) => finding.reason = Some(say!("absorber.nothing")),
            (PoleObservation::One(seen), _) => self.one_pole(take, seen, &mut finding),
            (PoleObservation::Two(_), None) if !self.mode.near.is_empty() => {
                finding.reason = Some(words::crowd(self.nearest_hz));
                finding.advice = Some(say!("absorber.close-advice"));
            }
            (PoleObservation::Two(_), None) => {
                finding.reason = Some(say!("absorber.check-fails"));
                finding.advice = Some(say!("absorber.check-fails-advice"));
            }
            (PoleObservation::Two(two), Some(state)) => self.identified(take, two.alone, state, &mut finding),
        }
        finding
    }

    /// One pole: of the mode, moved by the unit or left alone.
    fn one_pole(&self, take: &SettingFacts<'_>, seen: &LocalFit, finding: &mut Finding) {
        let mode_hz = self.mode.pole.im / TAU;
        let label = words::label(take.units, mode_hz);
        let meant = label.is_some_and(|(_, hz)| (hz - mode_hz).abs() < ELSEWHERE_HZ);
        if !meant && self.untouched(take, seen) {
            let (reason, advice) = words::untreated(mode_hz, take.units, label);
            (finding.reason, finding.advice) = (Some(reason), Some(advice));
            return;
        }
        finding.reason = Some(words::one_pole_reason(take.units.iter().any(|u| !u.powered)));
        let (advice, next) = words::one_pole(self.one_pole_facts(take, seen.known()));
        (finding.advice, finding.next) = (Some(advice), next);
    }

    fn one_pole_facts(&self, take: &SettingFacts<'_>, after: PoleWithSd) -> words::OnePole {
        words::OnePole {
            decay_moved: (after.pole.re / self.mode.pole.re).ln().abs() > 0.1,
            by_label_hz: words::by_label_hz(take.units, self.mode.pole.im / TAU),
            by_shift_hz: shift::step_hz(self.known(), self.without_drift(take, after)),
            crowded: self.nearest_hz < shift::CROWD_HZ,
        }
    }

    fn known(&self) -> PoleWithSd {
        let sd = |i: usize| self.mode.covariance[(i, i)].sqrt();
        PoleWithSd { pole: self.mode.pole, sds: (sd(0), sd(1)) }
    }

    /// A pole of a take, common factor of frequencies taken out.
    fn without_drift(&self, take: &SettingFacts<'_>, known: PoleWithSd) -> PoleWithSd {
        PoleWithSd { pole: Complex64::new(known.pole.re, known.pole.im / take.frequency_factor), ..known }
    }

    /// Whether the pole is the baseline's as far as both are known, and both are known well.
    pub(super) fn untouched(&self, take: &SettingFacts<'_>, seen: &LocalFit) -> bool {
        let (before, after) = (self.known(), self.without_drift(take, seen.known()));
        let moved = after.pole - before.pole;
        let sds = (before.sds.0.hypot(after.sds.0), before.sds.1.hypot(after.sds.1));
        let known = sds.0 < UNTOUCHED * -before.pole.re;
        known
            && shift::step_hz(before, after).is_none()
            && moved.re.abs() < (UNTOUCHED_SD * sds.0).max(UNTOUCHED * -before.pole.re)
            && moved.im.abs() < (UNTOUCHED_SD * sds.1).max(UNTOUCHED * -before.pole.re)
    }

    /// What the identification leaves over, in its own sd: of one mode the check's value, of several their χ² by
    /// its own mean and sd.
    pub(super) fn check(&self, pair: &PairEstimate) -> Option<f64> {
        if pair.near.is_empty() {
            return Some(consistency(&self.mode, pair)?.0);
        }
        let (square, freedom) = misfit(&self.mode, pair)?;
        Some((square - freedom as f64) / (2.0 * freedom as f64).sqrt())
    }

    fn decay(&self) -> Estimate {
        Estimate::new(-self.mode.pole.re, self.mode.covariance[(0, 0)].sqrt())
    }

    /// What an identified take says.
    fn identified(&self, take: &SettingFacts<'_>, alone: PoleWithSd, state: &State, finding: &mut Finding) {
        let sd_of = |i: usize| state.covariance[(i, i)].sqrt();
        if state.coupling < SHOWS_SD * sd_of(4) || state.coupling <= 0.0 {
            self.weak(take, alone, state, finding);
            return;
        }
        let g = state.coupling.sqrt();
        let nearest_hz = if state.cluster.is_some() { self.outside_hz } else { self.nearest_hz };
        let room = nearest_hz / (g / TAU);
        let Some((_, model_hz, model_share)) = MODEL.iter().find(|m| room >= m.0) else {
            finding.reason = Some(words::close(nearest_hz, g));
            finding.advice = Some(say!("absorber.close-advice"));
            return;
        };
        let mut wider = state.clone();
        for (i, more) in [
            (2, TAU * model_hz),
            (3, model_share * state.unit.decay_per_s),
            (4, 2.0 * model_share * state.coupling),
        ] {
            wider.covariance[(i, i)] += more * more;
        }
        let sd = |i: usize| wider.covariance[(i, i)].sqrt();
        if sd(2) / TAU > WORTH_HZ {
            finding.reason = Some(say!("absorber.weak"));
        } else {
            finding.values = Some(values(&wider, g, [sd(1), sd(2), sd(3), sd(4)]));
        }
        if let Some(cluster) = &state.cluster {
            self.of_cluster(cluster, finding);
        }
        let advice = advise(&wider);
        // Turning down is a way to more damping, so it goes with a step that asks for more, and with no other.
        let lively = state.unit.decay_per_s < 0.5 * state.mode.decay_per_s && advice.raises_damping();
        finding.advice = Some(if lively && take.units.iter().any(|u| u.powered) {
            say!("absorber.turn-down", advice = advice.text)
        } else {
            advice.text
        });
        finding.next = advice.next;
    }

    /// With near modes T60 and ringing are those of all poles that are the target's, and the best setting is
    /// searched for: the closed form knows one mode only.
    fn of_cluster(&self, cluster: &Cluster, finding: &mut Finding) {
        // What the comparison goes by too stays: the faster pole is known there.
        if finding.faster_t60_s.is_none() {
            if let (Some(t60_s), Some(seen)) = (cluster.group.t60_s(), finding.t60_s) {
                let sd = seen.sd.map(|sd| sd * t60_s / seen.value);
                finding.t60_s = Some(Estimate { value: t60_s, sd });
            }
            finding.ring_s = cluster.group.ring_s().map(unsure).or(finding.ring_s);
        }
        let close = self.nearest_hz * TAU < CLOSED_FORM * cluster.group.modes[0].coupling.max(0.0).sqrt();
        let Some(values) = finding.values.as_mut().filter(|_| close) else { return };
        let Some((step_hz, factor, _)) = best_of(cluster) else { return };
        let Some(t60_s) = cluster.group.with_unit(step_hz, factor).t60_s() else { return };
        values.best_hz = values.loaded_hz.value + step_hz;
        values.best_decay_per_s = values.loaded_decay_per_s.value * factor;
        values.best_t60_s = Estimate { value: t60_s, ..values.best_t60_s };
        values.best_ring_s = cluster.group.with_unit(step_hz, factor).ring_s();
    }

    /// Two poles, but a coupling that may be nothing: the unit's own frequency is known all the same.
    fn weak(&self, take: &SettingFacts<'_>, alone: PoleWithSd, state: &State, finding: &mut Finding) {
        let sd = |i: usize| state.covariance[(i, i)].sqrt();
        let step_hz = (state.mode.omega_per_s - state.unit.omega_per_s) / TAU;
        finding.reason = Some(say!("absorber.weak"));
        let facts = self.one_pole_facts(take, alone);
        let known = sd(2) / TAU < KNOWN_HZ && (FAR_OFF_HZ..FARTHEST_HZ).contains(&step_hz.abs());
        let agrees = facts.by_shift_hz.is_none_or(|by| by * step_hz > 0.0);
        let (advice, next) = if known && agrees {
            words::far_off(step_hz, state.unit.decay_per_s > LIVELY)
        } else {
            words::one_pole(facts)
        };
        (finding.advice, finding.next) = (Some(advice), next);
    }
}

/// A value whose error nobody worked out.
fn unsure(value: f64) -> Estimate {
    Estimate { value, sd: None }
}

fn estimate(ends: Ends) -> Estimate {
    Estimate::new(ends.value, ends.sd())
}

/// Decay constant of what rings longest within reach of the target: where a unit stood in the baseline too, its pole
/// is among the modes there, and no one can say which of the poles is whose.
fn longest(
    own: Option<Estimate>,
    near: &[Complex64],
    joint: &DMatrix<f64>,
    target: Complex64,
) -> Option<Estimate> {
    let first = joint.nrows() - 2 * near.len();
    let others = near.iter().enumerate().filter(|(_, s)| (s.im - target.im).abs() < TAU * words::AROUND_HZ);
    let others = others.map(|(k, s)| Estimate::new(-s.re, joint[(first + 2 * k, first + 2 * k)].sqrt()));
    own.into_iter().chain(others).min_by(|a, b| a.value.total_cmp(&b.value))
}

pub(super) fn t60(decay: Estimate) -> Estimate {
    let t60_s = LN_1000 / decay.value;
    Estimate { value: t60_s, sd: decay.sd.map(|sd| t60_s * sd / decay.value) }
}

/// Time until both poles together are 60 dB down for good.
fn ring(seen: &LocalFit) -> Option<f64> {
    let poles = match seen.target {
        Target::One(pole) => vec![pole],
        Target::Two(pair) => pair.poles().to_vec(),
    };
    let strengths: Vec<Vec<Complex64>> =
        seen.residues.iter().flatten().map(|(values, _)| values.clone()).collect();
    ring_s(&poles, &strengths)
}

fn values(state: &State, g: f64, [mode_sd, omega_sd, decay_sd, coupling_sd]: [f64; 4]) -> Values {
    let g_sd = coupling_sd / (2.0 * g);
    let best = best_unit(state.mode, g);
    let t60_s = best_t60_s(state.mode, g);
    Values {
        loaded_hz: Estimate::new(state.unit.omega_per_s / TAU, omega_sd / TAU),
        loaded_decay_per_s: Estimate::new(state.unit.decay_per_s, decay_sd),
        coupling_per_s: Estimate::new(g, g_sd),
        best_hz: best.omega_per_s / TAU,
        best_decay_per_s: best.decay_per_s,
        best_t60_s: Estimate::new(t60_s, t60_s * t60_s / LN_1000 * mode_sd.hypot(0.5 * g_sd)),
        best_ring_s: model_ring_s(state.mode, best, state.coupling),
    }
}

/// Ringing of the mode with the unit at a setting: its numerator is the unit's own, so each pole's share
/// is (s − sa)/(s − the other).
fn model_ring_s(mode: Resonator, unit: Resonator, coupling: f64) -> Option<f64> {
    let [a, b] = couple(mode, unit, coupling)?.poles();
    let apart = if (a - b).norm() < 1e-3 { Complex64::new(1e-3, 0.0) } else { a - b };
    let (a, own) = (b + apart, unit.pole());
    ring_s(&[a, b], &[vec![(a - own) / apart, -(b - own) / apart]])
}

#[cfg(test)]
mod tests {
    use super::super::group::{Coupled, Group};
    use super::super::join::PoleEstimate;
    use super::super::sight::Expected;
    use super::*;
    use crate::flag::Flags;
    use crate::modes::{Kind, Mode};

    /// The baseline's mode at 40 Hz, the next other one so far off.
    fn reference(nearest_hz: f64) -> Reference {
        let pole = Complex64::new(-4.0, TAU * 40.0);
        Reference {
            index: 0,
            searched: Mode {
                kind: Kind::Mode,
                omega_per_s: pole.im,
                decay_per_s: -pole.re,
                omega_sd_per_s: 0.05,
                decay_sd_per_s: 0.05,
                amplitudes: Vec::new(),
                flags: Flags::default(),
            },
            mode: PoleEstimate {
                pole,
                near: Vec::new(),
                covariance: DMatrix::from_diagonal_element(2, 2, 0.05_f64.powi(2)),
            },
            nearest_hz,
            outside_hz: nearest_hz,
            others_hz: Vec::new(),
            state: "off".to_owned(),
            places: Vec::new(),
            units: Vec::new(),
            expected: Expected {
                mode: pole,
                neighbours: Vec::new(),
                near: Vec::new(),
                candidates: Vec::new(),
                shape: Vec::new(),
                chain_known: true,
                top_hz: 200.0,
            },
            sides: Vec::new(),
            emissions_s: Vec::new(),
        }
    }

    fn take(units: &[Unit]) -> SettingFacts<'_> {
        SettingFacts {
            state: "one",
            lows: Vec::new(),
            places: Vec::new(),
            modes: None,
            units,
            frequency_factor: 1.0,
        }
    }

    /// What a take with a unit 0.4 Hz under the mode says, 0.9 of the best damping on it and g = 10 1/s.
    fn told(nearest_hz: f64) -> Finding {
        told_of(nearest_hz, (-0.4, 10.0, 0.9), &[])
    }

    /// What a take says with a unit so far off, Hz, of coupling g, 1/s, and such a share of the best damping.
    fn told_of(nearest_hz: f64, (off_hz, g, share): (f64, f64, f64), units: &[Unit]) -> Finding {
        let mode = Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 };
        let covariance = DMatrix::from_diagonal_element(5, 5, 1e-4);
        let unit = mode.unit(off_hz, g, share);
        let state = State { mode, unit, coupling: g * g, covariance, cluster: None };
        let take = take(units);
        let alone = PoleWithSd { pole: Complex64::new(-8.0, TAU * 40.0), sds: (0.1, 0.1) };
        let mut finding = Finding::of(take.state);
        reference(nearest_hz).identified(&take, alone, &state, &mut finding);
        finding
    }

    /// The unit as it is, and as it should be: on the mode with δ0 + g, T60 3 ln 10/(δ0 + g/2).
    #[test]
    fn an_identified_take_tells_the_unit_and_the_best_one() {
        let found = told(30.0);
        let values = found.values.unwrap();
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        assert!(
            near(values.loaded_hz.value, 39.6) && near(values.loaded_decay_per_s.value, 13.0),
            "{values:?}"
        );
        assert!(near(values.best_hz, 40.0) && near(values.best_decay_per_s, 14.0), "{values:?}");
        assert!(near(values.coupling_per_s.value, 10.0) && near(values.best_t60_s.value, LN_1000 / 9.0));
        assert!(found.advice.is_some() && found.reason.is_none(), "{found:?}");
    }

    /// Another mode nearer than g/2π = 1.6 Hz: one mode and one unit say nothing.
    #[test]
    fn a_mode_within_the_coupling_s_reach_leaves_nothing_to_tell() {
        let found = told(1.5);
        assert!(found.values.is_none() && found.reason.is_some() && found.advice.is_some(), "{found:?}");
        assert!(told(1.7).values.is_some());
    }

    fn powered() -> Unit {
        Unit {
            name: "A".to_owned(),
            at_m: None,
            powered: true,
            tuned_hz: None,
            dials: Vec::new(),
            note: None,
        }
    }

    /// Close to ringing by itself: the reason, and how a powered unit is damped, follow the step that damps it. A step that
    /// leaves the damping was told to turn the unit down all the same.
    #[test]
    fn a_lively_unit_is_told_one_thing() {
        let said = |unit| told_of(30.0, unit, &[powered()]).advice.unwrap().to_string();
        let raised = said((-3.0, 10.0, -0.25));
        assert!(
            raised.starts_with("Raise its frequency by 3.0 Hz and raise its damping to 5.0 times"),
            "{raised}"
        );
        assert!(raised.contains("measure again. So lightly damped"), "{raised}");
        assert_eq!(said((-3.0, 2.0, -1.05)), "Raise its frequency by 3.0 Hz, then measure again.");
    }

    /// Three modes within 0.8 Hz and a unit 4 Hz below them: the pole nearest the upper mode lies below it, since one lies
    /// between any two modes wherever the unit is tuned. From that the unit was taken to be tuned above, and to be lowered.
    #[test]
    fn among_near_modes_a_shift_tells_no_side() {
        let at = |hz: f64, decay_per_s: f64| Resonator { omega_per_s: TAU * hz, decay_per_s };
        let modes = [40.0, 39.33, 39.23].map(|hz| Coupled { mode: at(hz, 4.0), coupling: 200.0 });
        let poles = Group { modes: modes.to_vec(), unit: at(36.0, 8.0) }.poles().unwrap();
        let off = |s: &Complex64| (s.im - TAU * 40.0).abs();
        let pole = poles.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap();
        let covariance = DMatrix::from_diagonal_element(5, 5, 1e4);
        let state =
            State { mode: at(40.0, 4.0), unit: at(36.0, 8.0), coupling: 1.0, covariance, cluster: None };
        let said = |nearest_hz| {
            let mut finding = Finding::of("one");
            let alone = PoleWithSd { pole, sds: (0.05, 0.05) };
            reference(nearest_hz).weak(&take(&[]), alone, &state, &mut finding);
            (finding.advice.unwrap().key().to_owned(), finding.next.frequency_change_hz)
        };
        // Were the mode alone, the step would go down, away from it.
        let (key, step_hz) = said(30.0);
        assert!(key == "absorber.shifted-down" && step_hz.unwrap() < 0.0, "{key} {step_hz:?}");
        assert_eq!(said(0.67), ("absorber.shift-crowded".to_owned(), None));
    }
}
