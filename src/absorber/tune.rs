//! A baseline and takes with different settings become a [`Tuning`].

use super::advise::{by_dials, expected};
use super::coupled::{Pair, Resonator, best_unit};
use super::dials::{self, Setting, Step};
use super::facts::SettingFacts;
use super::finding::{KNOWN_HZ, t60};
use super::join::{Joint, PairEstimate, State, consistency, join};
use super::joint::SHOWS_SD;
use super::outcome::{Finding, Next, Tuning};
use super::reference::{Reference, SettingFit};
use super::sharing::{SHARED, chance, each_freedom, groups};
use super::sight::{LocalFit, PoleObservation, UNIT_HZ};
use super::spectrum::Target;
use super::{history, words};
use crate::estimate::Estimate;
use crate::language::{Message, Value, say};
use crate::session::Unit;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// The unused check may miss by this many sd and this share before nothing is advised.
const CHECK: (f64, f64) = (4.0, 0.003);
/// … and the same of a group: χ² this many of its own sds over its mean.
const GROUP_CHECK: f64 = 8.0;
/// One pole with a T60 within this factor of the best known from other takes is the two that have met.
const MET: f64 = 1.3;

impl Reference {
    /// What all takes together say; `looks` in the order of `takes`.
    #[must_use]
    pub fn tuning(&self, takes: &[SettingFacts<'_>], looks: &[SettingFit]) -> Tuning {
        let chosen: Vec<Option<Chosen>> = takes.iter().zip(looks).map(|(t, l)| self.chosen(t, l)).collect();
        let pairs: Vec<Option<&PairEstimate>> = chosen.iter().map(|c| c.as_ref().map(|c| &c.pair)).collect();
        let (states, shared) = self.joined(takes, &chosen);
        let states: Vec<Option<&State>> = states.iter().map(Option::as_ref).collect();
        let mut findings: Vec<Finding> =
            (0..takes.len()).map(|k| self.finding(&takes[k], &looks[k], pairs[k], states[k])).collect();
        met(&mut findings);
        let dials = |k: usize| self.unit_of(&takes[k]).map(|u| u.dials.clone()).unwrap_or_default();
        history::back(&mut findings, &(0..takes.len()).map(dials).collect::<Vec<_>>());
        self.add_dials(takes, &states, shared.unwrap_or(true), &mut findings);
        self.leave_elsewhere(takes, &states, &mut findings);
        let mode = Resonator::of_pole(self.mode.pole);
        let sd = |i: usize| self.mode.covariance[(i, i)].sqrt();
        // As modes.csv has it: the fit round the mode alone may differ in the last digit.
        let before_t60_s = t60(Estimate::new(self.searched.decay_per_s, self.searched.decay_sd_per_s));
        let ranking = super::rank::rank(&findings, before_t60_s);
        Tuning {
            mode_hz: Estimate::new(mode.omega_per_s / TAU, sd(1) / TAU),
            before_t60_s,
            before_state: self.state.clone(),
            before_units: self.units.clone(),
            cautions: words::cautions(takes, &findings),
            placements: Vec::new(),
            mode,
            takes: findings,
            ranks: ranking.takes,
            before_rank: ranking.untreated,
            best: ranking.best,
            shared_coupling: shared,
        }
    }

    /// The poles that speak for a take: those of the whole group, unless only the mode's pair by itself keeps its
    /// check.
    fn chosen(&self, take: &SettingFacts<'_>, look: &SettingFit) -> Option<Chosen> {
        let PoleObservation::Two(two) = &look.observation else { return None };
        let whole = pair(take, &two.seen)?;
        if self.sound(&whole) {
            return Some(Chosen { pair: whole, sound: true });
        }
        let alone = pair(take, two.shaped.as_ref().unwrap_or(&two.seen)).map(|p| p.alone());
        let alone = alone.filter(|p| !self.mode.near.is_empty() && self.sound(p));
        Some(alone.map_or(Chosen { pair: whole, sound: false }, |pair| Chosen { pair, sound: true }))
    }

    /// What all takes with sound poles say of each; whether they may share one coupling, where that is a question.
    fn joined(
        &self,
        takes: &[SettingFacts<'_>],
        chosen: &[Option<Chosen>],
    ) -> (Vec<Option<State>>, Option<bool>) {
        let mut states = vec![None; takes.len()];
        let mut shared = None;
        if self.occupied() {
            return (states, shared);
        }
        // Takes that were identified with the near modes, then those without.
        for members in [self.mode.near.len(), 0] {
            let of_kind = |k: &usize| {
                let sound = chosen[*k].as_ref().filter(|c| c.sound);
                states[*k].is_none() && sound.is_some_and(|c| c.pair.near.len() == members)
            };
            let shown: Vec<usize> = (0..takes.len()).filter(of_kind).collect();
            let pairs: Vec<PairEstimate> =
                shown.iter().filter_map(|k| Some(chosen[*k].as_ref()?.pair.clone())).collect();
            let Some((joint, alike)) = self.joined_of(takes, &shown, &pairs) else { continue };
            shared = shared.or(alike);
            for (k, state) in shown.into_iter().zip(joint.takes) {
                states[k] = Some(state);
            }
        }
        (states, shared)
    }

    /// Least squares over some takes; shared coupling unless they contradict it.
    fn joined_of(
        &self,
        takes: &[SettingFacts<'_>],
        shown: &[usize],
        pairs: &[PairEstimate],
    ) -> Option<(Joint, Option<bool>)> {
        let mode = if pairs.first()?.near.is_empty() { &self.mode.alone() } else { &self.mode };
        let groups = groups(&shown.iter().map(|k| takes[*k].units).collect::<Vec<_>>());
        let apart: Vec<usize> = (0..pairs.len()).collect();
        let each = join(mode, pairs, &apart)?;
        let more = each_freedom(&groups, pairs.len());
        let Some(joint) = (more > 0).then(|| join(mode, pairs, &groups)).flatten() else {
            return Some((each, None));
        };
        let shared = chance(joint.misfit - each.misfit, more * (1 + mode.near.len())) > SHARED;
        Some((if shared { joint } else { each }, Some(shared)))
    }

    /// Whether a take's poles keep the check that they leave over.
    pub(super) fn sound(&self, take: &PairEstimate) -> bool {
        if take.near.is_empty() {
            let check = consistency(&self.mode, take);
            return check.is_some_and(|(sds, share)| sds.abs() < CHECK.0 || share.abs() < CHECK.1);
        }
        self.check(take).is_some_and(|sds| sds < GROUP_CHECK)
    }

    /// No step for a unit that works on another mode, or stands far from this one.
    fn leave_elsewhere(
        &self,
        takes: &[SettingFacts<'_>],
        states: &[Option<&State>],
        findings: &mut [Finding],
    ) {
        let mode_hz = self.mode.pole.im / TAU;
        for ((take, state), finding) in takes.iter().zip(states).zip(findings).filter(|_| !self.occupied()) {
            let Some(unit_hz) = self.stands_hz(take, *state) else { continue };
            let Some(advice) = words::elsewhere(unit_hz, mode_hz, &self.others_hz, UNIT_HZ) else { continue };
            if finding.values.is_some() || finding.reason.as_ref().is_some_and(words::looks_for_it) {
                finding.leave_out_pair(words::too_far(unit_hz));
            }
            (finding.advice, finding.next) = (Some(advice), Next::default());
        }
    }

    /// Where the unit stands, hertz: by its label, unless the fit shows it at this mode and the label doesn't forbid that;
    /// without one, as the fit places it, where that is out of the mode's reach (nearer, it may misplace it between modes).
    fn stands_hz(&self, take: &SettingFacts<'_>, state: Option<&State>) -> Option<f64> {
        let mode_hz = self.mode.pole.im / TAU;
        let label_hz = words::label(take.units, mode_hz).map(|(_, hz)| hz);
        let shows = |s: &&State| {
            let known = s.covariance[(2, 2)].sqrt() / TAU < KNOWN_HZ;
            known && s.coupling > SHOWS_SD * s.covariance[(4, 4)].sqrt()
        };
        let placed_hz = state.filter(shows).map(|s| s.unit.omega_per_s / TAU);
        let far = |hz: &f64| (hz - mode_hz).abs() > UNIT_HZ;
        let here = placed_hz.is_some_and(|hz| (hz - mode_hz).abs() <= words::MEANT_HZ);
        let by_label = label_hz.filter(|hz| far(hz) || !here);
        by_label.or(placed_hz.filter(far))
    }

    /// Dials to try, where the takes tell what each does.
    fn add_dials(
        &self,
        takes: &[SettingFacts<'_>],
        states: &[Option<&State>],
        shared: bool,
        findings: &mut [Finding],
    ) {
        let units: Vec<Option<&Unit>> = takes.iter().map(|take| self.unit_of(take)).collect();
        let settings: Vec<Setting<'_>> = (0..takes.len())
            .filter_map(|k| {
                let (unit, state) = (units[k]?, states[k]?);
                let sd = |i: usize| state.covariance[(i, i)].sqrt();
                let g = state.coupling.max(0.01).sqrt();
                Some(Setting {
                    dials: &unit.dials,
                    unit: state.unit,
                    g_per_s: g,
                    sds: [sd(2), sd(3), sd(4) / (2.0 * g)],
                })
            })
            .collect();
        let mode = Resonator::of_pole(self.mode.pole);
        for (k, finding) in findings.iter_mut().enumerate() {
            let Some(unit) = units[k].filter(|u| !u.dials.is_empty()) else { continue };
            let stays =
                finding.next.frequency_change_hz == Some(0.0) && finding.next.damping_factor == Some(1.0);
            if stays {
                continue;
            }
            // Far from the end the step of the single take goes before: less damping first.
            let last = states[k].is_some_and(|s| {
                let decay = best_unit(s.mode, s.coupling.max(0.0).sqrt()).decay_per_s;
                expected(s, (s.mode.omega_per_s - s.unit.omega_per_s) / TAU, 0.94 * decay)
                    .is_some_and(|e| e < 1.3)
            });
            let here_hz = states[k].map(|s| s.unit.omega_per_s / TAU);
            let step = here_hz.zip(finding.next.frequency_change_hz).map(|(here_hz, hz)| Step {
                here_hz,
                hz,
                damping: finding.next.damping_factor,
            });
            if last && let Some(next) = dials::next(mode, &settings, &unit.dials, shared, step) {
                let dial = |(name, value): &(String, f64)| {
                    let setting = Value::Number(words::setting(*value));
                    say!("absorber.dial", name = name.as_str(), setting = setting)
                };
                if let Some((hz, factor)) = next.instead {
                    let advice = by_dials(hz, factor);
                    (finding.advice, finding.next) = (Some(advice.text), advice.next);
                }
                let dials = Message::row(next.dials.iter().map(dial), ", ");
                let added = |advice| say!("absorber.by-dials", advice = advice, dials = dials);
                finding.advice = finding.advice.take().map(added);
                finding.next.dials = next.dials;
            }
        }
    }
}

/// One pole near the best that other takes promise is left alone.
fn met(findings: &mut [Finding]) {
    let best = findings.iter().filter_map(|f| Some(f.values?.best_t60_s.value)).reduce(f64::min);
    let Some(best) = best else { return };
    for finding in findings.iter_mut().filter(|f| f.values.is_none() && f.next.damping_factor == Some(0.5)) {
        if let Some(t60_s) = finding.t60_s.filter(|t| t.value < MET * best) {
            finding.reason = Some(say!("absorber.met-reason"));
            (finding.advice, finding.next) = words::met(t60_s.value, best);
        }
    }
}

/// The poles that speak for a take, and whether they keep their check.
struct Chosen {
    pair: PairEstimate,
    sound: bool,
}

/// A take's pair, common factor of frequencies taken out.
pub(super) fn pair(take: &SettingFacts<'_>, seen: &LocalFit) -> Option<PairEstimate> {
    let Target::Two(pair) = seen.target else { return None };
    let back = |s: Complex64| Complex64::new(s.re, s.im / take.frequency_factor);
    let [a, b] = pair.poles();
    let same = (take.frequency_factor - 1.0).abs() <= 0.0;
    Some(PairEstimate {
        pair: if same { pair } else { Pair::of_poles(back(a), back(b)) },
        near: seen.near.iter().map(|s| if same { *s } else { back(*s) }).collect(),
        covariance: seen.joint.clone(),
    })
}
