//! One dial that moves the unit's frequency: the setting that gives the step which the advice asks for.
//!
//! No line over T60 is drawn here: the sentence names a frequency, and the dial follows from the takes' own
//! frequencies, so the two can't contradict each other.

use super::dials::Setting;
use std::f64::consts::TAU;

/// A dial counts as one of frequency if it moved the unit by this much over the settings tried, Hz. No source.
const MOVES_HZ: f64 = 0.5;
/// How far beyond the settings tried one is named, in units of their range. No source.
const BEYOND: f64 = 0.25;
/// What the two laws tried (straight, and a power of the dial) may differ by at the setting named, Hz. No source.
const AGREE_HZ: f64 = 0.3;
/// Largest standard deviation of a take's own frequency that a setting is named from, Hz. No source.
const KNOWN_HZ: f64 = 0.15;
/// A setting is rounded to steps that move the frequency by no more than this, Hz: the ear of the best is as sharp.
const STEP_HZ: f64 = 0.15;
/// Digits after the decimal point that a setting may have.
const MOST_DIGITS: i32 = 4;

/// What becomes of the question for one dial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ByFrequency {
    /// The dial doesn't move the frequency: other lines must tell.
    Other,
    /// It does, but not so that a setting can be named.
    Unknown,
    /// The setting.
    At(f64),
}

/// A setting with the unit's frequency there, Hz.
#[derive(Debug, Clone, Copy)]
struct Point {
    dial: f64,
    hz: f64,
}

/// The setting of the dial `name` at which the unit's frequency is `target_hz`.
pub(super) fn setting(takes: &[Setting<'_>], name: &str, target_hz: f64) -> ByFrequency {
    let value = |take: &Setting<'_>| take.dials.iter().find(|d| d.0 == name).map(|d| d.1);
    let Some(points) = points(takes.iter().map(|t| Some((value(t)?, t.unit.omega_per_s / TAU)))) else {
        return ByFrequency::Unknown;
    };
    let (first, last) = (points[0], points[points.len() - 1]);
    let steps: Vec<f64> = points.windows(2).map(|p| p[1].hz - p[0].hz).collect();
    let moved = points.iter().map(|p| p.hz);
    if moved.clone().fold(f64::NEG_INFINITY, f64::max) - moved.fold(f64::INFINITY, f64::min) < MOVES_HZ {
        return ByFrequency::Other;
    }
    let one_way = steps.iter().all(|s| *s > 0.0) || steps.iter().all(|s| *s < 0.0);
    if !one_way || takes.iter().any(|t| t.sds[0] / TAU > KNOWN_HZ) {
        return ByFrequency::Unknown;
    }
    let [a, b] = around(&points, target_hz);
    let slope = (b.hz - a.hz) / (b.dial - a.dial);
    let straight = a.dial + (target_hz - a.hz) / slope;
    let power = by_power(a, b, target_hz).unwrap_or(straight);
    let reach = BEYOND * (last.dial - first.dial);
    let found = f64::midpoint(straight, power);
    let within = (first.dial - reach..=last.dial + reach).contains(&found);
    if !within || !found.is_finite() || ((straight - power) * slope).abs() > AGREE_HZ {
        return ByFrequency::Unknown;
    }
    ByFrequency::At(rounded(found, slope, points.iter().map(|p| p.dial)))
}

/// The settings in order, those tried twice once; `None` for fewer than two.
fn points(values: impl Iterator<Item = Option<(f64, f64)>>) -> Option<Vec<Point>> {
    let mut all: Vec<Point> =
        values.map(|v| v.map(|(dial, hz)| Point { dial, hz })).collect::<Option<_>>()?;
    all.sort_by(|a, b| a.dial.total_cmp(&b.dial));
    let once = |same: &[Point]| Point {
        dial: same[0].dial,
        hz: same.iter().map(|p| p.hz).sum::<f64>() / same.len() as f64,
    };
    let points: Vec<Point> = all.chunk_by(|a, b| a.dial.total_cmp(&b.dial).is_eq()).map(once).collect();
    (points.len() > 1).then_some(points)
}

/// The two settings that the target lies between, or the two nearest to it.
fn around(points: &[Point], target_hz: f64) -> [Point; 2] {
    let between = |p: &&[Point]| (p[0].hz - target_hz) * (p[1].hz - target_hz) <= 0.0;
    let rising = points[points.len() - 1].hz > points[0].hz;
    let low = (target_hz < points[0].hz) == rising;
    let ends = if low { &points[..2] } else { &points[points.len() - 2..] };
    let found = points.windows(2).find(between).unwrap_or(ends);
    [found[0], found[1]]
}

/// The dial at `target_hz` by a power of it, as springs, masses, lengths and areas act; `None` where a setting isn't
/// above zero.
fn by_power(a: Point, b: Point, target_hz: f64) -> Option<f64> {
    let positive = [a.dial, b.dial, a.hz, b.hz, target_hz].iter().all(|x| *x > 0.0);
    let power = (b.hz / a.hz).ln() / (b.dial / a.dial).ln();
    positive.then(|| a.dial * (target_hz / a.hz).powf(power.recip()))
}

/// Rounded to the digits of the settings tried, or to as many more as keep a step below [`STEP_HZ`].
fn rounded(value: f64, slope_hz: f64, tried: impl Iterator<Item = f64>) -> f64 {
    let digits = |x: f64| {
        let whole = |d: &i32| (x * 10_f64.powi(*d) - (x * 10_f64.powi(*d)).round()).abs() < 1e-6;
        (0..MOST_DIGITS).find(whole).unwrap_or(MOST_DIGITS)
    };
    let tried = tried.map(digits).max().unwrap_or(0);
    let fine = |d: &i32| 10_f64.powi(-*d) * slope_hz.abs() <= STEP_HZ;
    let places = (tried..MOST_DIGITS).find(fine).unwrap_or(MOST_DIGITS);
    let scale = 10_f64.powi(places);
    (value * scale).round() / scale
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::absorber::coupled::Resonator;
    use crate::room::simulate::Gauss;

    fn takes<'a>(dials: &'a [Vec<(String, f64)>], hz: &[f64], sd_hz: f64) -> Vec<Setting<'a>> {
        let unit = |hz: f64| Resonator { omega_per_s: TAU * hz, decay_per_s: 5.0 };
        dials
            .iter()
            .zip(hz)
            .map(|(dials, hz)| Setting { dials, unit: unit(*hz), g_per_s: 5.0, sds: [TAU * sd_hz, 0.1, 0.1] })
            .collect()
    }

    fn dial(values: &[f64]) -> Vec<Vec<(String, f64)>> {
        values.iter().map(|x| vec![("depth".to_owned(), *x)]).collect()
    }

    /// 35.5, 33.4 and 31.8 Hz at 100, 120 and 135 mm: 33.2 Hz lies at 122 mm.
    #[test]
    fn a_depth_is_read_off_its_neighbours() {
        let dials = dial(&[100.0, 120.0, 135.0]);
        let takes = takes(&dials, &[35.5, 33.4, 31.8], 0.03);
        assert_eq!(setting(&takes, "depth", 33.2), ByFrequency::At(122.0));
        assert_eq!(setting(&takes, "depth", 25.0), ByFrequency::Unknown, "far outside what was tried");
        assert_eq!(setting(&takes[..1], "depth", 33.2), ByFrequency::Unknown);
    }

    #[test]
    fn a_dial_without_effect_on_the_frequency_is_left_to_others() {
        let dials = dial(&[1.0, 8.0]);
        let takes = takes(&dials, &[40.0, 40.1], 0.03);
        assert_eq!(setting(&takes, "depth", 41.0), ByFrequency::Other);
    }

    #[test]
    fn digits_follow_the_dial() {
        assert_eq!(rounded(121.94, -0.1, [100.0, 120.0].into_iter()), 122.0);
        assert_eq!(rounded(5.4321, 0.8, [3.0, 7.0].into_iter()), 5.4);
        assert_eq!(rounded(0.61234, 2.0, [0.55, 0.7].into_iter()), 0.61);
    }

    /// Sixty walks with one dial that moves the frequency by any law between a straight line and the inverse square
    /// of the dial, in any unit and direction: after two takes the setting named is within 0.3 Hz of the mode, or
    /// none is named.
    #[test]
    #[allow(clippy::print_stdout)]
    fn sixty_walks_with_one_dial() {
        let mut g = Gauss::new(16);
        let (mut named, mut worst) = (0, 0.0_f64);
        for walk in 0..60 {
            let target = 25.0 + 50.0 * g.uniform();
            let power = [1.0, 0.5, -0.5, -1.0, -2.0][walk % 5];
            let unit = 10_f64.powf(4.0 * g.uniform() - 1.0);
            let hz = |dial: f64| target * (dial / unit).powf(power);
            let side = if g.uniform() < 0.5 { 1.0 } else { -1.0 };
            let off = |g: &mut Gauss| 1.0 + side * (0.01 + 0.05 * g.uniform());
            let first = off(&mut g);
            let second = if g.uniform() < 0.7 { 2.0 - off(&mut g) } else { first + side * 0.03 };
            let tried: Vec<f64> = [first, second]
                .iter()
                .map(|share| {
                    let exact = unit * share.powf(power.recip());
                    let scale = 10_f64.powf(2.0 - exact.log10().floor());
                    (exact * scale).round() / scale
                })
                .collect();
            let seen: Vec<f64> = tried.iter().map(|d| hz(*d) + 0.03 * g.normal()).collect();
            let dials = dial(&tried);
            let takes = takes(&dials, &seen, 0.03);
            let goal = target + 0.03 * g.normal();
            if let ByFrequency::At(found) = setting(&takes, "depth", goal) {
                named += 1;
                worst = worst.max((hz(found) - target).abs());
                assert!((hz(found) - target).abs() < 0.3, "{tried:?} {seen:?}: {found} gives {}", hz(found));
            }
        }
        println!("a setting is named in {named} of 60 walks, at worst {worst:.2} Hz off");
        assert!(named >= 30, "only {named} named");
    }

    /// 30.0, 33.4 and 34.4 Hz at 100, 115 and 135 mm: 32.0 Hz lies between the first two, at 108.8 mm.
    #[test]
    fn a_rising_dial_is_read_off_its_neighbours_too() {
        let dials = dial(&[100.0, 115.0, 135.0]);
        let takes = takes(&dials, &[30.0, 33.4, 34.4], 0.03);
        assert_eq!(setting(&takes, "depth", 32.0), ByFrequency::At(108.8));
    }

    /// 36.0, 33.0 and 31.8 Hz at 100, 110 and 135 mm: 36.6 Hz lies beyond the first two, at 98 mm.
    #[test]
    fn beyond_the_end_the_two_nearest_settings_tell() {
        let dials = dial(&[100.0, 110.0, 135.0]);
        let takes = takes(&dials, &[36.0, 33.0, 31.8], 0.03);
        let found = setting(&takes, "depth", 36.6);
        assert!(matches!(found, ByFrequency::At(mm) if (mm - 98.1).abs() < 0.15), "{found:?}");
    }
}
