//! One band held against the limits of ISO 3382.

use super::crossing::{Crossing, noise_at_end};
use super::curve::Curve;
use super::energy::{EARLY_S, Energy};
use super::line::{LEAST_BT, Line, Range, Spread, T20_SPREAD, T30_SPREAD};
use super::straightness::{is_crooked, is_curved};
use super::{BandDecay, Course, Value};
use crate::estimate::{Estimate, Reading};
use crate::filter::{Band, fade_s};
use crate::flag::{Flag, Flags};

/// B·T that a forward filter would need (ISO 3382-2:2008, 7.3).
const FORWARD_BT: f64 = 16.0;
/// Least peak-to-noise at which a band without decay has a level of its own: 10 dB. No source.
const LEVEL_PEAK_TO_NOISE: f64 = 10.0;

/// Everything that one band shows.
pub fn evaluate(band: Band, energy: &Energy) -> BandDecay {
    match Crossing::find(energy) {
        Err(reason) => without_decay(band, energy, reason),
        Ok(crossing) => Evaluation::new(energy, &crossing).report(band),
    }
}

/// What a band without decay still shows: how far it stands over its noise, and its level if that is clear.
fn without_decay(band: Band, energy: &Energy, reason: Flag) -> BandDecay {
    let mut result = BandDecay::void(band, reason);
    if let Ok((floor, end)) = noise_at_end(energy) {
        let ratio = peak_to_noise(energy, floor);
        result.peak_to_noise = finite(ratio, reason);
        let noise = floor * (end + energy.lead()) as f64 / energy.rate_hz;
        if ratio >= LEVEL_PEAK_TO_NOISE {
            result.level = level(energy, energy.total() - energy.at(end) - noise);
        }
    }
    result
}

/// The level of a band of which no decay is asked: all that the record holds, less the noise at its end where it is long
/// enough to show one.
pub fn whole_level(energy: &Energy) -> Value {
    let noise = noise_at_end(energy).map_or(0.0, |(floor, _)| floor);
    level(energy, energy.total() - noise * (energy.end + energy.lead()) as f64 / energy.rate_hz)
}

/// T20 of one band, for the narrow filter.
pub fn t20(energy: &Energy) -> Reading {
    let crossing = Crossing::find(energy)?;
    let evaluation = Evaluation::new(energy, &crossing);
    evaluation.reading(&evaluation.time(Range::T20), T20_SPREAD)
}

/// Largest mean square over max(10 ms, 2/B) against the floor's.
fn peak_to_noise(energy: &Energy, floor: f64) -> f64 {
    energy.peak(energy.entries((2.0 / energy.bandwidth_hz).max(0.010))) / floor
}

/// fs·Σp²/B of an energy ∫p² dt in pressure² · s: fs·Σp² is fs²·∫p² dt.
fn level(energy: &Energy, of: f64) -> Value {
    let level = of * energy.file_rate_hz.powi(2) / energy.bandwidth_hz;
    if level > 0.0 { finite(level, Flag::NoDecay) } else { Err(Flag::NoDecay) }
}

/// A decay that its line explains worse than this is a step and no slope, and has no time. ISO 3382-2:2008, annex B, doubts
/// above 0.01; measured rooms reach 0.15, a knock during the decay 0.45. Our own choice.
const NO_LINE: f64 = 0.2;

fn straight(line: Result<Line, Flag>) -> Result<Line, Flag> {
    line.and_then(|line| if line.nonlinearity < NO_LINE { Ok(line) } else { Err(Flag::NotStraight) })
}

fn finite(value: f64, reason: Flag) -> Value {
    if value.is_finite() { Ok(value) } else { Err(reason) }
}

/// One band on its way to a [`BandDecay`].
struct Evaluation<'a> {
    energy: &'a Energy<'a>,
    crossing: &'a Crossing,
    curve: Curve<'a>,
    peak_to_noise: f64,
}

impl<'a> Evaluation<'a> {
    fn new(energy: &'a Energy<'a>, crossing: &'a Crossing) -> Self {
        let curve = Curve::new(energy, crossing);
        Self { energy, crossing, curve, peak_to_noise: peak_to_noise(energy, crossing.reference) }
    }

    fn report(&self, band: Band) -> BandDecay {
        let [edt, t20, t30] = [Range::Edt, Range::T20, Range::T30].map(|range| self.time(range));
        let nonlinearity = [t20, t30].map(|line| line.map(|line| line.nonlinearity));
        let [t20, t30] = [t20, t30].map(straight);
        // Behind a strong direct sound the first 10 dB can fall too fast for a filter that the rest is slow enough for.
        let limited = |line: &Result<Line, Flag>| matches!(line, Err(Flag::FilterLimited));
        let later = !limited(&t20) && !limited(&t30);
        let edt =
            edt.map_err(|f| if f == Flag::FilterLimited && later { Flag::FilterLimitedEarly } else { f });
        let seconds = |line: &Result<Line, Flag>| line.map(|line| line.time_s());
        // A product at or under the limit is told: it is why the time is not.
        let raw = |range| self.read(range).map(|line| line.time_s());
        let bt_product = raw(Range::T20).or_else(|_| raw(Range::T30)).map(|t| t * self.energy.bandwidth_hz);
        let curvature = seconds(&t30).and_then(|t30| Ok(t30 / seconds(&t20)? - 1.0));
        let [share_50, share_80] = [0, 1].map(|limit| self.early_share(&band, limit));
        let ratio = |share: f64| share / (1.0 - share);
        let mut result = BandDecay {
            edt_s: seconds(&edt),
            t20_s: self.reading(&t20, T20_SPREAD),
            t30_s: self.reading(&t30, T30_SPREAD),
            c50: share_50.map(ratio),
            c80: share_80.map(ratio),
            d50: share_50,
            ts_s: self.clear_of_noise().and_then(|()| finite(self.curve.centre_s(), Flag::RangeEdt)),
            level: level(self.energy, self.curve.total()),
            peak_to_noise: finite(self.peak_to_noise, Flag::NoFloor),
            decay_range: finite(self.curve.range(), Flag::NoFloor),
            nonlinearity_t20: nonlinearity[0],
            nonlinearity_t30: nonlinearity[1],
            curvature,
            bt_product,
            course: t20.ok().and_then(|_| Course::new(self.energy, self.crossing, &self.curve)),
            ..BandDecay::void(band, Flag::NoDecay)
        };
        result.flags = self.remarks(&result);
        result
    }

    /// The line over a range, if the noise lies far enough below it.
    fn read(&self, range: Range) -> Result<Line, Flag> {
        if self.peak_to_noise < range.least_peak_to_noise() || self.curve.range() < range.least_fall() {
            return Err(range.too_low());
        }
        // Too few points for a line: the filter, and so the rate it runs at, is too slow for the decay.
        self.curve.line(range).ok_or(Flag::FilterLimited)
    }

    /// The line over a range, if the filter's own ringing couldn't have made it.
    fn time(&self, range: Range) -> Result<Line, Flag> {
        let line = self.read(range)?;
        if line.time_s() * self.energy.bandwidth_hz > LEAST_BT { Ok(line) } else { Err(Flag::FilterLimited) }
    }

    fn reading(&self, line: &Result<Line, Flag>, spread: Spread) -> Reading {
        line.map(|line| {
            let sd_s = spread.sd_s(line.time_s(), self.energy.bandwidth_hz, self.energy.decays);
            Estimate::new(line.time_s(), sd_s)
        })
    }

    fn clear_of_noise(&self) -> Result<(), Flag> {
        if self.peak_to_noise < Range::Edt.least_peak_to_noise() { Err(Flag::RangeEdt) } else { Ok(()) }
    }

    /// Share of the energy that arrives before a limit.
    ///
    /// The response is cut before it is filtered: behind the filter, energy from after the limit would ring
    /// into the time before it.
    fn early_share(&self, band: &Band, limit: usize) -> Value {
        self.clear_of_noise()?;
        let limit_s = EARLY_S[limit];
        if fade_s(band) > limit_s {
            return Err(Flag::FilterLimitedEarly);
        }
        let (late, total) = (self.curve.late(limit), self.curve.total());
        // A late energy that is mostly the tail's extrapolation is not measured.
        let measured =
            late > 2.0 * self.curve.tail && limit_s * self.energy.rate_hz < self.crossing.entry as f64;
        if measured && late < total { Ok(1.0 - late / total) } else { Err(Flag::LateInNoise) }
    }

    /// The reasons of empty values, and doubts about those that stand.
    fn remarks(&self, result: &BandDecay) -> Flags {
        let values = [result.edt_s, result.c50, result.c80, result.ts_s, result.level, result.peak_to_noise];
        let reasons = values.into_iter().filter_map(Result::err);
        let mut flags: Flags = reasons
            .chain(result.t20_s.err())
            .chain(result.t30_s.err())
            .chain(self.crossing.doubts())
            .collect();
        let stands = result.edt_s.is_ok() || result.t20_s.is_ok() || result.t30_s.is_ok();
        if stands && result.bt_product.is_ok_and(|bt| bt <= FORWARD_BT) {
            flags.add(Flag::BtUnder16);
        }
        let bt = |time: Reading| time.map_or(0.0, |time| time.value * self.energy.bandwidth_hz);
        let crooked = |value: Value, time, range| value.is_ok_and(|value| is_crooked(value, bt(time), range));
        if crooked(result.nonlinearity_t20, result.t20_s, Range::T20)
            || crooked(result.nonlinearity_t30, result.t30_s, Range::T30)
        {
            flags.add(Flag::NotStraight);
        }
        if result.curvature.is_ok_and(|c| is_curved(c, bt(result.t20_s), self.energy.decays)) {
            flags.add(Flag::Curved);
        }
        flags
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{Backward, Bank, Fraction};

    /// What scatters round its line as measured rooms do has a time; a step has none, and says why.
    #[test]
    fn a_step_has_no_time() {
        let line = |nonlinearity: f64| straight(Ok(Line { intercept: 0.0, slope: -1.0, nonlinearity }));
        assert!(line(0.15).is_ok());
        assert!(matches!(line(0.45), Err(Flag::NotStraight)));
    }

    /// A product of B and T of 700 leaves chance little: 5 % off the line are a bend, over either range.
    #[test]
    fn either_range_may_be_crooked() {
        let to_come: Vec<f64> = (0..=20_000)
            .map(|k| (-13.8 * f64::from(k) / 10_000.0).exp() + 1e-7 * f64::from(20_000 - k))
            .collect();
        let bank = Bank::new(&[Fraction::Octave.band(0)], 48_000.0);
        let channel = bank.channels().next().unwrap();
        let band = Backward { to_come: &to_come, rate_hz: 10_000.0, zero: 0, late: [0.0; 2], channel };
        let energy = Energy::new(&band, 2.0, 48_000.0);
        let crossing = Crossing::find(&energy).unwrap();
        let evaluation = Evaluation::new(&energy, &crossing);
        let flagged = |nonlinearity_t20: f64, nonlinearity_t30: f64| {
            let time = Ok(Estimate::new(1.0, 0.01));
            let result = BandDecay {
                t20_s: time,
                t30_s: time,
                nonlinearity_t20: Ok(nonlinearity_t20),
                nonlinearity_t30: Ok(nonlinearity_t30),
                ..BandDecay::void(channel.band, Flag::NoDecay)
            };
            evaluation.remarks(&result).has(Flag::NotStraight)
        };
        assert!(flagged(0.05, 0.0) && flagged(0.0, 0.05) && !flagged(0.0, 0.0));
    }
}
