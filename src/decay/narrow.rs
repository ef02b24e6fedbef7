//! Decay behind a narrow band filter round one resonance: a cross-check that needs no model.
//!
//! The backward integrals of all places are added before the line is drawn, so a place in the resonance's
//! node, where only its neighbours ring, counts for what it holds.

use super::curve::DecayCurve;
use super::energy::{EARLY_S, Energy};
use super::evaluation;
use crate::estimate::Reading;
use crate::filter::{Backward, Band, Bank, Channel};
use crate::flag::Flag;

/// The low end of one place.
#[derive(Debug, Clone, Copy)]
pub struct NarrowRecord<'a> {
    /// Linear pressure.
    pub samples: &'a [f32],
    /// Sample rate, Hz; records may differ.
    pub rate_hz: f64,
    /// Direct sound, s from sample 0.
    pub onset_s: f64,
}

/// T20 behind a time-reversed filter from `lower_hz` to `upper_hz`, from the sum of the places'
/// backward-integrated curves; its sd by ISO 3382-1:2009, eq. 4, with as many positions.
///
/// # Errors
/// The flag of what is missing: no decay, too little peak-to-noise, or a filter that rings as long.
pub fn narrow_t20(records: &[NarrowRecord<'_>], lower_hz: f64, upper_hz: f64) -> Reading {
    with_sum(records, lower_hz, upper_hz, evaluation::t20)
}

/// Decay curve behind that filter, for a figure. `noise`: what is left of these records without the decay, so that a
/// decay that lasts as long as its record isn't taken for a floor.
///
/// # Errors
/// As [`narrow_t20`], but for the peak-to-noise.
pub fn narrow_curve(
    records: &[NarrowRecord<'_>],
    noise: &[NarrowRecord<'_>],
    (lower_hz, upper_hz): (f64, f64),
    points: usize,
) -> Result<DecayCurve, Flag> {
    with_sum(records, lower_hz, upper_hz, |energy| {
        with_sum(noise, lower_hz, upper_hz, |left| {
            let curve = OverNoise::new(energy, left);
            curve.thinned(points).ok_or(Flag::NoDecay)
        })
    })
}

/// What a curve stays over the noise that is still to come, a ratio of energies: as its floor is known to 30 % or so, an
/// error of 0.3 dB. Our own choice.
const OVER_NOISE: f64 = 5.0;
/// Over n independent values of noise the product of signal and noise, noise being 1/r of the signal's energy, adds up to
/// ±2/√(nr) of it: at this n·r to 12 %, 0.5 dB. Our own choice.
const OVER_CHANCE: f64 = 280.0;
/// The decay has met the noise where both together are no more than this times the noise: narrow-band noise is so by chance
/// once in fifty of its independent values. Our own choice.
const CROSSED: f64 = 4.0;
/// What it stays over the decay's own energy beyond the crossing or the record, of which only the slope so far tells: 10 dB.
const OVER_REST: f64 = 10.0;

/// A curve freed of noise that is known from elsewhere.
struct OverNoise<'a> {
    energy: &'a Energy<'a>,
    /// Mean square of the noise.
    floor: f64,
    /// The entry where the decay meets the noise, or the last before the reversed filter's build-up; and the decay's mean
    /// square there.
    last: usize,
    level: f64,
}

impl<'a> OverNoise<'a> {
    fn new(energy: &'a Energy<'a>, noise: &Energy) -> Self {
        let build_up = (2.0 * energy.rate_hz / energy.bandwidth_hz).ceil() as usize;
        let last = energy.end.min(noise.end).saturating_sub(build_up);
        let floor = noise.mean_square(last / 2, last).max(0.0);
        // Past the crossing there is more noise to come than decay; from behind, as a beat falls into the noise before.
        let above = |entry: &usize| energy.mean_square(*entry, entry + build_up) > CROSSED * floor;
        let last =
            (1..last.saturating_sub(build_up)).rev().find(above).map_or(last, |entry| entry + build_up);
        let level = (energy.mean_square(last.saturating_sub(build_up), last) - floor).max(0.0);
        Self { energy, floor, last, level }
    }

    /// Energy of the decay from an entry up to the last.
    fn at(&self, entry: usize) -> f64 {
        self.energy.at(entry) - self.energy.at(self.last) - self.noise(entry)
    }

    /// Energy of the noise in that time.
    fn noise(&self, entry: usize) -> f64 {
        self.floor * (self.last - entry) as f64 / self.energy.rate_hz
    }

    /// The decay's energy after the last entry, if it falls as it did up to this one.
    fn rest(&self, entry: usize) -> f64 {
        let per_s = (self.at(0) / self.at(entry)).ln() * self.energy.rate_hz / entry as f64;
        if per_s > 0.0 { self.level / per_s } else { f64::INFINITY }
    }

    fn thinned(&self, points: usize) -> Option<DecayCurve> {
        let over_noise = |entry: &usize| {
            // One value in 1/B, at each place.
            let grains = (self.last - entry) as f64 * self.energy.bandwidth_hz / self.energy.rate_hz;
            let over = OVER_NOISE.max(OVER_CHANCE / (grains * self.energy.decays as f64));
            self.last == *entry || self.at(*entry) >= over * self.noise(*entry)
        };
        let in_noise = (1..=self.last).find(|entry| !over_noise(entry)).unwrap_or(self.last);
        // From behind: the first moments of a beating curve may rise or stand still.
        let end = (1..in_noise).rev().find(|entry| self.at(*entry) >= OVER_REST * self.rest(*entry))?;
        let rest = self.rest(end);
        let top = self.at(0) + rest;
        let entries = (0..=end).step_by((end + 1).div_ceil(points.max(1)).max(1));
        (top > 0.0 && top.is_finite()).then(|| DecayCurve {
            time_s: entries.clone().map(|entry| entry as f64 / self.energy.rate_hz).collect(),
            energy: entries.map(|entry| (self.at(entry) + rest) / top).collect(),
            start: top,
            meets_noise: end + 1 >= in_noise,
        })
    }
}

/// Sums the places' integrals on the time since each one's direct sound, and hands over the sum.
fn with_sum<T>(
    records: &[NarrowRecord<'_>],
    lower_hz: f64,
    upper_hz: f64,
    read: impl FnOnce(&Energy) -> Result<T, Flag>,
) -> Result<T, Flag> {
    let band = Band::new((lower_hz * upper_hz).sqrt(), lower_hz, upper_hz).ok_or(Flag::FilterLimited)?;
    let mut sum = Sum::default();
    // A place that was left out has no samples.
    let heard: Vec<&NarrowRecord<'_>> = records.iter().filter(|record| !record.samples.is_empty()).collect();
    for record in &heard {
        sum.add(record, &band)?;
    }
    let (channel, length_s) = sum.first.ok_or(Flag::NoDecay)?;
    let whole =
        Backward { to_come: &sum.to_come, rate_hz: sum.rate_hz, zero: 0, late: [0.0; 2], channel: &channel };
    read(&Energy::new(&whole, length_s, channel.rate_hz).of_sum(heard.len()))
}

/// Backward integrals added up from the direct sound on, over the time that all have.
#[derive(Default)]
struct Sum {
    to_come: Vec<f64>,
    rate_hz: f64,
    /// The first record's filter, and the shortest record after the direct sound in seconds.
    first: Option<(Channel, f64)>,
}

impl Sum {
    fn add(&mut self, record: &NarrowRecord, band: &Band) -> Result<(), Flag> {
        let samples: Vec<f64> = record.samples.iter().map(|sample| f64::from(*sample)).collect();
        let zero = (record.onset_s * record.rate_hz).round().max(0.0) as usize;
        let length_s = samples.len().saturating_sub(zero) as f64 / record.rate_hz;
        let mut found = Err(Flag::AboveRate);
        Bank::new(&[*band], record.rate_hz).run(&samples, zero, EARLY_S, |one| {
            self.add_integral(&one, length_s);
            found = Ok(());
        });
        found
    }

    /// Adds one integral on the first one's grid. What lies past the shortest record is taken off by the evaluation,
    /// which ends ahead of it.
    fn add_integral(&mut self, one: &Backward, length_s: f64) {
        let Some((_, shortest_s)) = &mut self.first else {
            self.to_come = one.to_come[one.zero..].to_vec();
            self.rate_hz = one.rate_hz;
            self.first = Some((*one.channel, length_s));
            return;
        };
        *shortest_s = shortest_s.min(length_s);
        self.to_come.truncate((*shortest_s * self.rate_hz) as usize + 1);
        let step = one.rate_hz / self.rate_hz;
        let value = |entry: usize| one.to_come[entry.min(one.to_come.len() - 1)];
        for (entry, sum) in self.to_come.iter_mut().enumerate() {
            let place = one.zero as f64 + entry as f64 * step;
            let at = place as usize;
            *sum += value(at) + (place - at as f64) * (value(at + 1) - value(at));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::Fraction;

    /// A tone of 60 Hz and a T60 of 1 s without noise: all is still to come at the direct sound, and it falls by 60 dB/s.
    #[test]
    fn the_curve_of_a_tone_starts_at_one_and_falls_as_it_does() {
        let tone = |n: i32| {
            let t = f64::from(n) / 1000.0;
            ((std::f64::consts::TAU * 60.0 * t).sin() * (-6.907_755 * t).exp()) as f32
        };
        let samples: Vec<f32> = (0..2000).map(tone).collect();
        let silence = vec![0.0; 2000];
        let record = |samples| NarrowRecord { samples, rate_hz: 1000.0, onset_s: 0.0 };
        let curve = narrow_curve(&[record(&samples)], &[record(&silence)], (50.0, 70.0), 100).unwrap();
        assert!((curve.energy[0] - 1.0).abs() < 1e-12, "{}", curve.energy[0]);
        let last = curve.energy.len() - 1;
        let fall_per_s = curve.energy[last].ln() / curve.time_s[last];
        assert!((fall_per_s / -13.815_51 - 1.0).abs() < 0.05, "{fall_per_s}");
    }

    /// What of an exponential of 60 dB/s comes after an instant is its mean square there over its slope.
    #[test]
    fn the_rest_of_an_exponential_is_its_level_over_its_slope() {
        const K: f64 = 13.815_51;
        let to_come: Vec<f64> = (0..=20_000).map(|k| (-K * f64::from(k) / 10_000.0).exp() / K).collect();
        let bank = Bank::new(&[Fraction::Octave.band(0)], 48_000.0);
        let channel = bank.channels().next().unwrap();
        let band = Backward { to_come: &to_come, rate_hz: 10_000.0, zero: 0, late: [0.0; 2], channel };
        let energy = Energy::new(&band, 2.0, 48_000.0);
        let curve = OverNoise { energy: &energy, floor: 0.0, last: 20_000, level: 3.0 };
        let rest = curve.rest(5_000);
        assert!((rest * K / 3.0 - 1.0).abs() < 1e-3, "{rest}");
    }

    /// A tone, and once more 0.48 s later in a record of another rate: counted from each direct sound both fall
    /// alike, and together they hold twice as much.
    #[test]
    fn records_add_up_from_their_direct_sounds_on() {
        let tone = |rate_hz: f64, onset_s: f64| -> Vec<f32> {
            let sample = |n: i32| match f64::from(n) / rate_hz - onset_s {
                t if t < 0.0 => 0.0,
                t => ((std::f64::consts::TAU * 60.0 * t).sin() * (-6.907_755 * t).exp()) as f32,
            };
            (0..((2.0 + onset_s) * rate_hz) as i32).map(sample).collect()
        };
        let (one, later) = (tone(1000.0, 0.0), tone(1500.0, 0.48));
        let silence = vec![0.0; 5000];
        let record = |samples, rate_hz, onset_s| NarrowRecord { samples, rate_hz, onset_s };
        let curve = |records: &[NarrowRecord<'_>]| {
            narrow_curve(records, &[record(&silence, 1000.0, 0.0)], (50.0, 70.0), 100).unwrap()
        };
        let first = record(&one, 1000.0, 0.0);
        let (alone, both) = (curve(&[first]), curve(&[first, record(&later, 1500.0, 0.48)]));
        assert!((both.start / alone.start - 2.0).abs() < 0.02, "{} {}", both.start, alone.start);
        let last = both.energy.len() - 1;
        let fall_per_s = both.energy[last].ln() / both.time_s[last];
        assert!((fall_per_s / -13.815_51 - 1.0).abs() < 0.05, "{fall_per_s}");
    }

    /// e^{-t} at 100 entries a second, and from its thirtieth entry on at 200: on the first one's grid both are the same.
    #[test]
    fn integrals_add_up_on_the_first_one_s_grid() {
        let fall = |rate_hz: f64, zero: usize| -> Vec<f64> {
            (0..=zero + 2 * rate_hz as usize).map(|k| (-(k as f64 - zero as f64) / rate_hz).exp()).collect()
        };
        let (first, second) = (fall(100.0, 0), fall(200.0, 30));
        let bank = Bank::new(&[Fraction::Octave.band(0)], 48_000.0);
        let channel = bank.channels().next().unwrap();
        let mut sum = Sum::default();
        for (to_come, rate_hz, zero) in [(&first, 100.0, 0), (&second, 200.0, 30)] {
            sum.add_integral(&Backward { to_come, rate_hz, zero, late: [0.0; 2], channel }, 2.0);
        }
        for (k, both) in sum.to_come.iter().enumerate() {
            assert!((both - 2.0 * (-0.01 * k as f64).exp()).abs() < 1e-12, "{k}: {both}");
        }
    }
}
