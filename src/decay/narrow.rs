//! Decay behind a narrow band filter round one resonance: a cross-check that needs no model.
//!
//! The backward integrals of all places are added before the line is drawn, so a place in the resonance's
//! node, where only its neighbours ring, counts for what it holds.

use super::crossing::Crossing;
use super::curve::{Curve, DecayCurve};
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

/// The same curve for a figure.
///
/// # Errors
/// As [`narrow_t20`], but for the peak-to-noise.
pub fn narrow_curve(
    records: &[NarrowRecord<'_>],
    lower_hz: f64,
    upper_hz: f64,
    points: usize,
) -> Result<DecayCurve, Flag> {
    with_sum(records, lower_hz, upper_hz, |energy| {
        Ok(Curve::new(energy, &Crossing::find(energy)?.clear_of_the_end(energy)).thinned(points))
    })
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
