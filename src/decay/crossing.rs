//! Where the decay meets its noise floor.
//!
//! After Lundeby, Vigran, Bietz & Vorländer, Acustica 81 (1995) 344: a first floor from the end of the
//! record, a line down to it, then floor, late slope and crossing in turn until they stand still. Three
//! things are done for narrow bands and real files: no interval is shorter than the filter can follow,
//! the stretch where the reversed filter builds up at the record's end is left out, and a floor that
//! drifts is taken close to the decay.

use super::energy::Energy;
use super::line::Line;
use crate::flag::Flag;
use std::f64::consts::LN_10;

/// Noise floor and crossing of one band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Entry where the late decay meets the floor, or where the usable record ends.
    pub entry: usize,
    /// Mean square of the noise that the integral is freed of, in pressure²; 0 where no floor was reached.
    pub floor: f64,
    /// Mean square that peaks are compared with: the floor, or the level at which the record ends.
    pub reference: f64,
    /// Mean square of the decay at the crossing, in pressure².
    pub level: f64,
    /// Late decay of the energy, 1/s: it falls by e in 1/`decay_per_s`.
    pub decay_per_s: f64,
    /// Whether the record goes on beyond the crossing.
    pub floor_reached: bool,
    /// Whether the floor is the same, within chance, early and late.
    pub floor_steady: bool,
}

/// Distance kept from the floor when a slope is fitted or a floor is taken: 7.5 dB, in the middle of
/// the 5 to 10 dB of the paper.
const MARGIN: f64 = 0.75 * LN_10;
/// Fall over which the late slope is fitted: 15 dB of the paper's 10 to 20.
const SPAN: f64 = 1.5 * LN_10;
/// Intervals for each 10 dB of decay; the paper asks for three to ten.
const INTERVALS: f64 = 5.0;
/// Independent values that a floor should hold: its power is then known within 2 dB.
const STEADY_GRAINS: f64 = 6.0;
/// Rounds after which the crossing is taken as it stands; the paper says that five or so are enough.
const ROUNDS: usize = 10;
impl Crossing {
    /// Finds floor and crossing.
    ///
    /// # Errors
    /// [`Flag::ShortRecord`] if the record leaves no room for a floor, [`Flag::NoDecay`] if nothing stands
    /// 10 dB over it or nothing falls.
    pub fn find(energy: &Energy) -> Result<Self, Flag> {
        Self::find_within(energy, ROUNDS)
    }

    /// Finds floor and crossing in so many rounds at most.
    pub(super) fn find_within(energy: &Energy, rounds: usize) -> Result<Self, Flag> {
        let search = Search::new(energy)?;
        let mut floor = Stretch { from: search.last - search.tail, to: search.last };
        let mut line = search.first_line(floor)?;
        let mut steady = true;
        for round in 0..rounds {
            let before = search.meets(&line, floor);
            floor = search.floor_after(before, line.slope, floor.to);
            line = search.late_line(&line, floor).unwrap_or(line);
            let moved = (search.meets(&line, floor) - before).abs();
            if moved > 0.01 * before + 0.5 && round + 1 < rounds {
                continue;
            }
            if !steady || search.is_steady(floor) {
                break;
            }
            steady = false;
            floor.to = floor.from + ((floor.to - floor.from) / 4).max(search.tail);
        }
        Ok(search.conclude(&line, floor, steady))
    }

    /// Doubts about the noise.
    pub fn doubts(&self) -> impl Iterator<Item = Flag> {
        let cut = (!self.floor_reached).then_some(Flag::EndsInDecay);
        cut.into_iter().chain((!self.floor_steady).then_some(Flag::UnevenFloor))
    }
}

/// Mean square at the end of the record, in pressure², and the entry where that stretch begins: the noise of a
/// band that shows no decay.
///
/// # Errors
/// [`Flag::ShortRecord`] if the record leaves no room for a floor.
pub fn noise_at_end(energy: &Energy) -> Result<(f64, usize), Flag> {
    let search = Search::new(energy)?;
    let from = search.last - search.tail;
    Ok((search.mean_square(Stretch { from, to: search.last }), from))
}

/// A stretch of entries.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: usize,
    to: usize,
}

/// What the search works on; lines run over entries and natural logarithms of mean squares.
struct Search<'a> {
    energy: &'a Energy<'a>,
    /// Entries of 1/B: about one independent value of a narrow-band noise.
    grain: f64,
    /// Last entry before the reversed filter's build-up.
    last: usize,
    /// Least length of a floor.
    tail: usize,
}

impl<'a> Search<'a> {
    fn new(energy: &'a Energy<'a>) -> Result<Self, Flag> {
        let grain = energy.rate_hz / energy.bandwidth_hz;
        // From an abrupt end the reversed output reaches 95 % of a steady noise's power in 2/B.
        let last = energy.end.saturating_sub((2.0 * grain).ceil() as usize);
        // The paper's 10 % hold too few independent values in a narrow band: by chance they can lie 10 dB low,
        // and the noise before them then passes for a slow decay.
        let tail = ((STEADY_GRAINS * grain).ceil() as usize).min(last / 3).max(last / 10).max(1);
        if (tail as f64) < 2.0 * grain {
            Err(Flag::ShortRecord)
        } else {
            Ok(Self { energy, grain, last, tail })
        }
    }

    fn mean_square(&self, stretch: Stretch) -> f64 {
        // A digital silence has no logarithm; 300 dB under the rest says the same.
        let least = 1e-30 * self.energy.mean_square(0, self.last);
        self.energy.mean_square(stretch.from, stretch.to).max(least).max(f64::MIN_POSITIVE)
    }

    /// Middle and logarithm of the mean square of each interval, `floor` taken off.
    fn intervals(&self, stretch: Stretch, length: f64, floor: f64) -> Vec<(f64, f64)> {
        let length = (length.round() as usize).max(1);
        let starts = (stretch.from..).step_by(length).take_while(|start| start + length <= stretch.to);
        let interval = |start: usize| {
            let level = self.energy.mean_square(start, start + length) - floor;
            (level > 0.0).then(|| (start as f64 + length as f64 / 2.0, level.ln()))
        };
        starts.filter_map(interval).collect()
    }

    /// The line from the loudest interval down to the first one near the floor.
    fn first_line(&self, floor: Stretch) -> Result<Line, Flag> {
        let floor = self.mean_square(floor).ln();
        let length = (2.0 * self.grain).max(0.010 * self.energy.rate_hz);
        let levels = self.intervals(Stretch { from: 0, to: self.last }, length, 0.0);
        let loudest =
            (0..levels.len()).max_by(|a, b| levels[*a].1.total_cmp(&levels[*b].1)).ok_or(Flag::NoDecay)?;
        if levels[loudest].1 < floor + LN_10 {
            return Err(Flag::NoDecay);
        }
        let above = levels[loudest..].iter().take_while(|level| level.1 > floor + MARGIN).count();
        let upper = &levels[loudest..loudest + above];
        if upper.len() >= 4
            && let Some(line) = Line::through(upper).filter(Line::falls)
        {
            return Ok(line);
        }
        // Too steep for such intervals: the integrated curve shows the slope, the loudest interval the height.
        let slope = self.integrated_slope(floor.exp()).ok_or(Flag::NoDecay)?;
        Ok(Line { slope, intercept: levels[loudest].1 - slope * levels[loudest].0, nonlinearity: 0.0 })
    }

    /// Slope of the integrated curve over its first 10 dB, the floor taken off.
    fn integrated_slope(&self, floor: f64) -> Option<f64> {
        let rest = |entry: usize| {
            self.energy.at(entry)
                - self.energy.at(self.last)
                - floor * (self.last - entry) as f64 / self.energy.rate_hz
        };
        let top = rest(0);
        let points: Vec<_> = (0..self.last)
            .map(|entry| (entry as f64, rest(entry) / top))
            .take_while(|point| point.1 > 0.1)
            .map(|(entry, share)| (entry, share.ln()))
            .collect();
        Line::through(&points).map(|line| line.slope).filter(|slope| *slope < 0.0)
    }

    /// Where the line falls to the floor's level, in entries.
    fn meets(&self, line: &Line, floor: Stretch) -> f64 {
        ((self.mean_square(floor).ln() - line.intercept) / line.slope).clamp(1.0, self.last as f64)
    }

    /// The floor from a margin past the crossing to `to`, at least the last stretch before it.
    fn floor_after(&self, crossing: f64, slope: f64, to: usize) -> Stretch {
        let from = (crossing - MARGIN / slope).ceil() as usize;
        Stretch { from: from.min(to - self.tail.min(to)), to }
    }

    /// The line through the last 15 dB above the margin; longer where that is too few grains to fit.
    fn late_line(&self, line: &Line, floor: Stretch) -> Option<Line> {
        let end = self.meets(line, floor) + MARGIN / line.slope;
        let start = end - (SPAN / -line.slope).max(10.0 * self.grain);
        let stretch = Stretch { from: start.max(0.0) as usize, to: end.max(0.0) as usize };
        let length = (LN_10 / INTERVALS / -line.slope).max(self.grain);
        let levels = self.intervals(stretch, length, self.mean_square(floor));
        let late = if levels.len() >= 4 { Line::through(&levels)? } else { return None };
        // A late slope that turns up, or differs fourfold from the one before, is a fluke of few grains.
        (late.slope / line.slope > 0.25 && late.slope / line.slope < 4.0).then_some(late)
    }

    /// Whether both halves of the floor agree within 1 dB or three standard deviations.
    fn is_steady(&self, floor: Stretch) -> bool {
        let middle = (floor.from + floor.to) / 2;
        let halves = [Stretch { to: middle, ..floor }, Stretch { from: middle, ..floor }];
        let [early, late] = halves.map(|half| self.mean_square(half).ln());
        let values = (floor.to - floor.from) as f64 / self.grain * self.energy.decays as f64;
        (early - late).abs() < (0.1 * LN_10).max(3.0 * 2.0 / values.sqrt())
    }

    fn conclude(&self, line: &Line, floor: Stretch, floor_steady: bool) -> Crossing {
        let reference = self.mean_square(floor);
        let meets = self.meets(line, floor);
        // Less than half the margin ahead of the least floor there is decay up to the end.
        let floor_reached = meets - 0.5 * MARGIN / line.slope <= (self.last - self.tail) as f64;
        let entry = if floor_reached { meets.round() as usize } else { self.last };
        let level =
            if floor_reached { reference } else { (line.intercept + line.slope * entry as f64).exp() };
        Crossing {
            entry,
            floor: if floor_reached { reference } else { 0.0 },
            reference,
            level,
            decay_per_s: -line.slope * self.energy.rate_hz,
            floor_reached,
            floor_steady,
        }
    }
}
