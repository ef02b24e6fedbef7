//! What each dial does, from takes with different settings, and the setting to try next.
//!
//! The unit's frequency, the logarithm of its damping and, where it may not be shared, of its coupling
//! are straight lines over the dials that were turned (least squares, weighted by each take's own
//! uncertainty). More dials turned than takes less one leave the effects mixed: then nothing is said.

use super::by_frequency::{self, ByFrequency};
use super::coupled::{Resonator, slower_t60_s};
use super::local::invert;
use nalgebra::{DMatrix, DVector};
use std::f64::consts::TAU;

/// How far beyond the settings tried a dial is advised, in units of their range.
const BEYOND: f64 = 0.75;
/// What a dial's setting and the lines leave open, for the search: frequency, Hz, and ln of damping.
const LOOSE: (f64, f64) = (0.05, 0.05);
/// Steps of frequency smaller than this contradict nothing, Hz.
const CONTRARY_HZ: f64 = 0.1;
/// Changes of damping by a smaller factor than this contradict nothing. Our own choice.
const CONTRARY_DAMPING: f64 = 1.1;

/// The step that the advice names.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// The unit's frequency now, Hz.
    pub here_hz: f64,
    /// By how much the frequency is to change, Hz.
    pub hz: f64,
    /// What the damping is to be multiplied by, where the advice says.
    pub damping: Option<f64>,
}

impl Step {
    /// Whether a change of frequency, Hz, leads the other way, by more than is lost in the search.
    fn contradicts_frequency(&self, change_hz: f64) -> bool {
        opposed(change_hz, self.hz, CONTRARY_HZ)
    }

    /// Whether a factor on the damping does.
    fn contradicts_damping(&self, factor: f64) -> bool {
        self.damping.is_some_and(|asked| opposed(factor.ln(), asked.ln(), CONTRARY_DAMPING.ln()))
    }
}

/// Steps the other way than each other, both larger than what counts.
fn opposed(a: f64, b: f64, least: f64) -> bool {
    a * b < 0.0 && a.abs().min(b.abs()) > least
}

/// The setting to try.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Advised {
    pub dials: Vec<(String, f64)>,
    /// The step that it makes, Hz and factor on the damping, where the advice names the other way for the damping: it is of
    /// one take, which doesn't know that a dial moves the coupling too.
    pub instead: Option<(f64, f64)>,
}

/// One take's setting and what the unit was there.
#[derive(Debug, Clone)]
pub(super) struct Setting<'a> {
    pub dials: &'a [(String, f64)],
    pub unit: Resonator,
    /// g, 1/s.
    pub g_per_s: f64,
    /// Standard deviations of frequency (rad/s), decay constant and g.
    pub sds: [f64; 3],
}

/// Lines over the dials.
struct Effects {
    names: Vec<String>,
    ranges: Vec<(f64, f64)>,
    /// Constant, then a slope for each dial: of ω, ln δ, ln g.
    lines: [DVector<f64>; 3],
}

/// The setting to try: that with the shortest T60 by the lines, within reach of what was tried.
///
/// `from`: the setting that the user stands at; `step`: what the advice names. `None` where the takes don't separate the dials, or the setting would contradict the step.
pub(super) fn next(
    mode: Resonator,
    takes: &[Setting<'_>],
    from: &[(String, f64)],
    shared_coupling: bool,
    step: Option<Step>,
) -> Option<Advised> {
    if let [only] = turned(takes).as_slice() {
        let step = step?;
        match by_frequency::setting(takes, only, step.here_hz + step.hz) {
            ByFrequency::At(value) => {
                return Some(Advised { dials: with(from, &[(only.clone(), value)]), instead: None });
            }
            ByFrequency::Unknown => return None,
            ByFrequency::Other => {}
        }
    }
    let effects = Effects::of(takes, shared_coupling)?;
    let mut best: Option<(f64, Vec<f64>)> = None;
    let own: Vec<f64> = effects.names.iter().map(|n| value(from, n)).collect::<Option<_>>()?;
    let starts = takes.iter().filter_map(|t| effects.names.iter().map(|n| value(t.dials, n)).collect());
    for start in std::iter::once(own.clone()).chain(starts) {
        let found = effects.search(mode, start)?;
        if best.as_ref().is_none_or(|b| found.0 < b.0 * 0.999) {
            best = Some(found);
        }
    }
    let (_, settings) = best?;
    let change = |line: usize| effects.at(line, &settings) - effects.at(line, &own);
    let (change_hz, factor) = (change(0) / TAU, change(1).exp());
    if step.is_some_and(|step| step.contradicts_frequency(change_hz)) {
        return None;
    }
    let other_way = step.is_some_and(|step| step.contradicts_damping(factor));
    Some(Advised {
        dials: with(from, &effects.names.iter().cloned().zip(settings).collect::<Vec<_>>()),
        instead: other_way.then_some((change_hz, factor)),
    })
}

/// Dials that stood at more than one setting.
fn turned(takes: &[Setting<'_>]) -> Vec<String> {
    let names = takes.first().map(|t| t.dials).unwrap_or_default().iter().map(|d| d.0.clone());
    let moved = |name: &String| {
        let mut values = takes.iter().filter_map(|t| value(t.dials, name));
        values.next().is_some_and(|first| values.any(|v| v.total_cmp(&first).is_ne()))
    };
    names.filter(moved).collect()
}

/// The dials with some of them set anew.
fn with(from: &[(String, f64)], anew: &[(String, f64)]) -> Vec<(String, f64)> {
    from.iter().map(|(name, old)| (name.clone(), value(anew, name).unwrap_or(*old))).collect()
}

fn value(dials: &[(String, f64)], name: &str) -> Option<f64> {
    dials.iter().find(|d| d.0 == name).map(|d| d.1)
}

impl Effects {
    fn of(takes: &[Setting<'_>], shared_coupling: bool) -> Option<Self> {
        let mut names = Vec::new();
        let mut ranges = Vec::new();
        for (name, _) in takes.first()?.dials {
            let values: Vec<f64> = takes.iter().map(|t| value(t.dials, name)).collect::<Option<_>>()?;
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            if high > low {
                names.push(name.clone());
                ranges.push((low, high));
            }
        }
        if names.is_empty() || takes.len() < names.len() + 1 {
            return None;
        }
        let row = |take: &Setting<'_>, c: usize| {
            if c == 0 {
                return 1.0;
            }
            let (low, high) = ranges[c - 1];
            (value(take.dials, &names[c - 1]).unwrap_or(low) - low) / (high - low)
        };
        let design = DMatrix::from_fn(takes.len(), names.len() + 1, |r, c| row(&takes[r], c));
        let line = |value: &dyn Fn(&Setting<'_>) -> (f64, f64)| {
            let (values, sds): (Vec<f64>, Vec<f64>) = takes.iter().map(value).unzip();
            weighted(&design, &values, &sds)
        };
        let lines = [
            line(&|t| (t.unit.omega_per_s, t.sds[0].max(0.02)))?,
            line(&|t| {
                (t.unit.decay_per_s.max(0.05).ln(), (t.sds[1] / t.unit.decay_per_s.max(0.05)).max(0.01))
            })?,
            line(&|t| (t.g_per_s.max(0.05).ln(), (t.sds[2] / t.g_per_s.max(0.05)).max(0.01)))?,
        ];
        let mut effects = Self { names, ranges, lines };
        if shared_coupling {
            // One coupling for all: no dial moves it.
            let mean = takes.iter().map(|t| t.g_per_s.max(0.05).ln()).sum::<f64>() / takes.len() as f64;
            effects.lines[2] = DVector::zeros(effects.names.len() + 1);
            effects.lines[2][0] = mean;
        }
        Some(effects)
    }

    fn at(&self, line: usize, dials: &[f64]) -> f64 {
        let scaled = dials.iter().zip(&self.ranges).map(|(x, (low, high))| (x - low) / (high - low));
        self.lines[line][0]
            + scaled.zip(self.lines[line].iter().skip(1)).map(|(x, slope)| slope * x).sum::<f64>()
    }

    /// T60 at a setting, mean over a little looseness of frequency and damping.
    fn t60_s(&self, mode: Resonator, dials: &[f64]) -> f64 {
        let (omega, log_decay, log_g) = (self.at(0, dials), self.at(1, dials), self.at(2, dials));
        let steps = [(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
        let one = |(f, d): (f64, f64)| {
            let unit = Resonator {
                omega_per_s: omega + TAU * LOOSE.0 * f,
                decay_per_s: (log_decay + LOOSE.1 * d).exp(),
            };
            slower_t60_s(mode, unit, (2.0 * log_g).exp()).unwrap_or(f64::INFINITY)
        };
        steps.into_iter().map(one).sum::<f64>() / steps.len() as f64
    }

    /// Pattern search within reach.
    fn search(&self, mode: Resonator, start: Vec<f64>) -> Option<(f64, Vec<f64>)> {
        let bounds: Vec<(f64, f64)> =
            self.ranges.iter().map(|(l, h)| (l - BEYOND * (h - l), h + BEYOND * (h - l))).collect();
        let mut here = start;
        let mut least = self.t60_s(mode, &here);
        let mut step = 0.5;
        while step > 1e-3 {
            let mut moved = false;
            for d in 0..here.len() {
                for sign in [1.0, -1.0] {
                    let mut next = here.clone();
                    next[d] = (next[d] + sign * step * (self.ranges[d].1 - self.ranges[d].0))
                        .clamp(bounds[d].0, bounds[d].1);
                    let t = self.t60_s(mode, &next);
                    if t < least {
                        (here, least, moved) = (next, t, true);
                    }
                }
            }
            if !moved {
                step *= 0.5;
            }
        }
        least.is_finite().then_some((least, here))
    }
}

fn weighted(design: &DMatrix<f64>, values: &[f64], sds: &[f64]) -> Option<DVector<f64>> {
    let scaled = DMatrix::from_fn(design.nrows(), design.ncols(), |r, c| design[(r, c)] / sds[r]);
    let right = DVector::from_iterator(values.len(), values.iter().zip(sds).map(|(v, s)| v / s));
    let mut normal = scaled.tr_mul(&scaled);
    for i in 0..normal.nrows() {
        normal[(i, i)] *= 1.0 + 1e-9;
    }
    let inverse = invert(&normal)?;
    // Dials that were only ever turned together can't be told apart.
    let sound = (0..normal.nrows()).all(|i| inverse[(i, i)] * normal[(i, i)] < 1e6);
    sound.then(|| inverse * scaled.tr_mul(&right))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode() -> Resonator {
        Resonator { omega_per_s: TAU * 40.0, decay_per_s: 4.0 }
    }

    /// Three settings of two dials with known lines; the advised one must have T60 within 3 % of the best
    /// at that coupling.
    #[test]
    fn two_dials_are_told_apart() {
        let dials: Vec<Vec<(String, f64)>> = [(1.0, 2.0), (3.0, 2.0), (3.0, 5.0)]
            .iter()
            .map(|(f, d)| vec![("frequency".to_owned(), *f), ("damping".to_owned(), *d)])
            .collect();
        let unit = |d: &[(String, f64)]| Resonator {
            omega_per_s: TAU * (37.0 + 1.2 * d[0].1 - 0.05 * d[1].1),
            decay_per_s: (1.0 + 0.25 * d[1].1).exp(),
        };
        let takes: Vec<Setting<'_>> = dials
            .iter()
            .map(|d| Setting { dials: d, unit: unit(d), g_per_s: 10.0, sds: [0.05, 0.1, 0.1] })
            .collect();
        let found = next(mode(), &takes, &dials[2], true, None).unwrap().dials;
        let t = slower_t60_s(mode(), unit(&found), 100.0).unwrap();
        let best = super::super::coupled::best_t60_s(mode(), 10.0);
        assert!(t < 1.12 * best, "{found:?}: {t} {best}");
    }

    /// A power dial that raises coupling and lowers damping together: by the lines, T60 has its least where
    /// the poles meet.
    #[test]
    fn one_dial_moves_coupling_and_damping() {
        let at = |x: f64| (Resonator { omega_per_s: TAU * 40.0, decay_per_s: 18.0 - 1.6 * x }, 2.0 + 1.5 * x);
        let dials: Vec<Vec<(String, f64)>> =
            [1.0, 3.0, 8.0].iter().map(|x| vec![("power".to_owned(), *x)]).collect();
        let takes: Vec<Setting<'_>> = dials
            .iter()
            .map(|d| Setting { dials: d, unit: at(d[0].1).0, g_per_s: at(d[0].1).1, sds: [0.05, 0.1, 0.1] })
            .collect();
        let found =
            next(mode(), &takes, &dials[2], false, Some(Step { here_hz: 40.0, hz: 0.0, damping: None }))
                .unwrap()
                .dials[0]
                .1;
        let t60 = |x: f64| slower_t60_s(mode(), at(x).0, at(x).1.powi(2)).unwrap();
        let least = (10..90).map(|k| t60(0.1 * f64::from(k))).fold(f64::INFINITY, f64::min);
        assert!(t60(found) < 1.25 * least, "{found}: {} {least}", t60(found));
        assert!(next(mode(), &takes[..1], &dials[0], false, None).is_none());
    }

    /// A setting may lead further or less far than the sentence, not the other way: in frequency by more than 0.1 Hz, in damping by
    /// more than a factor of 1.1.
    #[test]
    fn a_setting_that_leads_the_other_way_contradicts() {
        let step = |hz: f64, damping: Option<f64>| Step { here_hz: 40.0, hz, damping };
        let down = step(-0.4, None);
        assert!(down.contradicts_frequency(0.3) && !down.contradicts_frequency(0.05));
        assert!(!step(0.4, None).contradicts_frequency(2.0));
        let more = step(0.0, Some(1.4));
        assert!(
            more.contradicts_damping(0.8)
                && !more.contradicts_damping(2.5)
                && !more.contradicts_damping(0.95)
        );
        assert!(!step(0.0, Some(1.05)).contradicts_damping(0.8), "hardly any change asked for");
        assert!(!down.contradicts_damping(0.5), "nothing is said of the damping");
    }

    /// One coupling for all is the geometric mean: of 8.0 and 12.5 1/s it is 10.
    #[test]
    fn a_shared_coupling_is_the_mean_of_the_takes() {
        let dials: Vec<Vec<(String, f64)>> =
            [1.0, 3.0].iter().map(|x| vec![("power".to_owned(), *x)]).collect();
        let unit = Resonator { omega_per_s: TAU * 40.0, decay_per_s: 6.0 };
        let takes: Vec<Setting<'_>> = dials
            .iter()
            .zip([8.0, 12.5])
            .map(|(dials, g_per_s)| Setting { dials, unit, g_per_s, sds: [0.05, 0.1, 0.1] })
            .collect();
        let effects = Effects::of(&takes, true).unwrap();
        assert!((effects.at(2, &[1.0]).exp() - 10.0).abs() < 1e-9);
        assert!((effects.at(2, &[3.0]).exp() - 10.0).abs() < 1e-9);
    }

    /// T60 at a setting: the mean over it and 0.05 Hz, or a factor e^0.05 of damping, to either side.
    #[test]
    fn a_setting_is_judged_with_its_surroundings() {
        let line = |value: f64| DVector::from_vec(vec![value, 0.0]);
        let effects = Effects {
            names: vec!["power".to_owned()],
            ranges: vec![(1.0, 3.0)],
            lines: [line(TAU * 40.0), line(14.0_f64.ln()), line(10.0_f64.ln())],
        };
        let at = |hz: f64, decay_per_s: f64| {
            slower_t60_s(mode(), Resonator { omega_per_s: TAU * hz, decay_per_s }, 100.0).unwrap()
        };
        let (more, less) = (14.0 * 0.05_f64.exp(), 14.0 * (-0.05_f64).exp());
        let mean =
            (at(40.0, 14.0) + at(40.05, 14.0) + at(39.95, 14.0) + at(40.0, more) + at(40.0, less)) / 5.0;
        assert!((effects.t60_s(mode(), &[2.0]) / mean - 1.0).abs() < 1e-6);
    }

    /// Coupling and damping that rise together towards the low end make T60 fall as far as the search may go: three quarters
    /// of the range beyond it.
    #[test]
    fn a_dial_goes_three_quarters_of_its_range_further() {
        let line = |value: f64, slope: f64| DVector::from_vec(vec![value, slope]);
        let effects = Effects {
            names: vec!["power".to_owned()],
            ranges: vec![(1.0, 3.0)],
            lines: [line(TAU * 40.0, 0.0), line(20.0_f64.ln(), -0.5), line(30.0_f64.ln(), -0.5)],
        };
        let (_, found) = effects.search(mode(), vec![2.0]).unwrap();
        assert!((found[0] + 0.5).abs() < 1e-9, "{found:?}");
    }
}
