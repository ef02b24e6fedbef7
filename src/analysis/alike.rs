//! Positions that can't be told from each other: several takes of one position, each under a name of its own.
//!
//! Two microphones some millimetres apart differ by more than [`ALIKE`] below 300 Hz: at k·d of 0.01 (2 mm at 300 Hz, 1 cm at
//! 55 Hz) the pressures of a travelling wave differ by 40 dB less than they are.

use super::files::FileRecord;
use crate::flag::Flag;
use crate::procedure::alike_in_words;
use crate::response::{LowRecord, Place};
use crate::session::Session;
use crate::state::StateResult;

/// Energy of the difference over that of the smaller one below which two records are taken for one position's, the noise taken
/// off: −40 dB.
const ALIKE: f64 = 1e-4;
/// With its noise the difference is less than this, −13 dB, else the noise hides what tells them apart.
const HEARD: f64 = 0.05;
/// By how many standard errors of the noise a difference may stand over it.
const BY_CHANCE: f64 = 2.0;
/// Least distance that `session.toml` must state between two positions for them to be two whatever they sound like, m.
const APART_M: f64 = 0.005;
/// Least length in common, s.
const LEAST_S: f64 = 0.1;

/// Flags the positions of a state that sound like an earlier one of the same source, and names them in its warnings.
pub(super) fn flag_alike(session: &Session, state: &mut StateResult, files: &mut [FileRecord]) {
    let mut told = vec![false; state.places.len()];
    for first in 0..state.places.len() {
        let mut group: Vec<usize> = Vec::new();
        let mut most = 0.0_f64;
        for other in first + 1..state.places.len() {
            let [one, two] = [first, other].map(|p| &state.places[p].response);
            if told[first] || told[other] || !perhaps_one(session, &one.place, &two.place) {
                continue;
            }
            if let Some(difference) = Difference::of(&one.low, &two.low).filter(Difference::is_noise) {
                group.push(other);
                most = most.max(difference.energy);
            }
        }
        group.iter().for_each(|p| told[*p] = true);
        if !group.is_empty() {
            tell(state, first, &group, 10.0 * most.log10(), files);
        }
    }
}

/// Whether nothing says that two places are two: one source, and no positions that lie apart in `session.toml`.
fn perhaps_one(session: &Session, one: &Place, other: &Place) -> bool {
    let at = |place: &Place| session.position(&place.position)?.at_m;
    let apart = |(a, b): ([f64; 3], [f64; 3])| {
        (0..3).map(|axis| (a[axis] - b[axis]).powi(2)).sum::<f64>().sqrt() > APART_M
    };
    one.source == other.source && !at(one).zip(at(other)).is_some_and(apart)
}

/// How two records differ, by their first differences, in which slow noise weighs little and high modes, which tell places
/// apart best, much. As shares of the weaker one's energy.
struct Difference {
    energy: f64,
    /// What the later half of the difference, where a room has decayed, makes of the whole if it is noise; and its standard error.
    noise: f64,
    noise_sd: f64,
}

impl Difference {
    /// Whether there is nothing in it but noise, and what two takes of one position differ by.
    fn is_noise(&self) -> bool {
        self.energy < HEARD && self.energy - self.noise < ALIKE + BY_CHANCE * self.noise_sd
    }

    /// `None` where the records can't be held together.
    fn of(one: &LowRecord, other: &LowRecord) -> Option<Self> {
        let length = one.samples.len().min(other.samples.len());
        if one.rate_hz != other.rate_hz || (length as f64) < LEAST_S * one.rate_hz {
            return None;
        }
        let steps = |low: &LowRecord, k: usize| f64::from(low.samples[k + 1]) - f64::from(low.samples[k]);
        let (mut between, mut later, mut of_one, mut of_other) = (0.0, 0.0, 0.0, 0.0);
        for k in 0..length - 1 {
            let (a, b) = (steps(one, k), steps(other, k));
            between += (a - b).powi(2);
            later += if 2 * k >= length { (a - b).powi(2) } else { 0.0 };
            of_one += a * a;
            of_other += b * b;
        }
        let least = of_one.min(of_other);
        let noise = 2.0 * later / least;
        // Of half as many squares, each with a variance of twice its square.
        let noise_sd = noise * (4.0 / length as f64).sqrt();
        (least > 0.0).then(|| Self { energy: between / least, noise, noise_sd })
    }
}

fn tell(state: &mut StateResult, first: usize, group: &[usize], below_db: f64, files: &mut [FileRecord]) {
    let name = |p: &usize| state.places[*p].response.place.position.clone();
    let names: Vec<String> = std::iter::once(&first).chain(group).map(name).collect();
    let source = state.places[first].response.place.source.clone();
    let others = &names[1..];
    let of_group = |record: &&mut FileRecord| {
        record.state == state.name && record.take.source == source && others.contains(&record.take.position)
    };
    for record in files.iter_mut().filter(of_group) {
        record.sounds_like = Some((names[0].clone(), below_db));
    }
    let (what, advice) = alike_in_words(&names, &source, below_db);
    let text = format!("{}: {what} {advice}", state.name);
    state.places[first].response.warnings.push(text);
    group.iter().for_each(|p| state.places[*p].response.flags.add(Flag::SoundsAlike));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A damped cosine, and the same with another tone a given share of it.
    fn record(more: f64) -> LowRecord {
        let rate_hz = 2000.0;
        let tone = |hz: f64, t: f64| (std::f64::consts::TAU * hz * t).cos() * (-7.0 * t).exp();
        let sample = |k: usize| tone(50.0, k as f64 / rate_hz) + more * tone(50.0, k as f64 / rate_hz);
        let samples: Vec<f64> = (0..2000).map(sample).collect();
        LowRecord::new(&samples, rate_hz, 0.0)
    }

    #[test]
    fn the_difference_is_a_share_of_the_energy() {
        let [whole, near, far] = [0.0, 0.005, 0.02].map(record);
        let part = |other| Difference::of(&whole, other).unwrap();
        assert!(
            (part(&near).energy / 2.5e-5 - 1.0).abs() < 1e-3,
            "0.005² of the energy: {}",
            part(&near).energy
        );
        assert!(part(&near).is_noise() && !part(&far).is_noise());
        let other_rate = LowRecord { rate_hz: 1000.0, ..record(0.0) };
        assert!(Difference::of(&whole, &other_rate).is_none());
    }

    /// Two takes whose noise lies 27 dB under the response are one position's; a tenth of another tone shows through it.
    #[test]
    fn noise_makes_no_second_position() {
        let mut gauss = crate::room::simulate::Gauss::new(11);
        let mut noisy = |more: f64| {
            let clean = record(more);
            // Steps of white noise have twice its power, those of a cosine at 50 Hz 0.157² of its own.
            let samples: Vec<f64> =
                clean.samples.iter().map(|x| f64::from(*x) + 6e-4 * gauss.normal()).collect();
            LowRecord::new(&samples, 2000.0, 0.0)
        };
        let (one, again, other) = (noisy(0.0), noisy(0.0), noisy(0.1));
        let repeat = Difference::of(&one, &again).unwrap();
        assert!(repeat.energy > 3.0 * ALIKE && repeat.is_noise(), "{} {}", repeat.energy, repeat.noise);
        assert!(!Difference::of(&one, &other).unwrap().is_noise());
    }
}
