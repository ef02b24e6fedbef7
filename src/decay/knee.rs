//! Where a decay meets its noise (Lundeby, Vigran, Bietz & Vorländer, Acustica 81 (1995) 344).

/// Energies summed backward over one band: entry `k` holds those of samples `k` and later.
pub(super) struct Energies<'a> {
    /// The sums; the last is that after the last sample.
    pub to_come: &'a [f64],
    /// Index of the direct sound.
    pub zero: usize,
    /// One past the last sample that counts: behind it a filter that starts from rest is still filling.
    pub end: usize,
    /// Samples that a mean must span to mean something: 2/B, or 10 ms.
    pub interval: usize,
}

/// Noise, decay and their crossing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Knee {
    /// Mean square of the noise; 0 where the record ends before any shows.
    pub floor: f64,
    /// Largest mean square that the noise can have: the floor, or what the record ends with.
    pub ceiling: f64,
    /// Index at which the decay meets the noise, or the record's end.
    pub crossing: usize,
    /// Decay of energy per sample under the late slope.
    pub rate: f64,
    /// Mean square of the decay at the crossing, by the late slope's line.
    pub left: f64,
}

/// Most passes; the paper says that some five do.
const PASSES: usize = 6;

impl Energies<'_> {
    /// Mean square of samples `from..to`.
    pub fn mean(&self, from: usize, to: usize) -> f64 {
        (self.to_come[from] - self.to_come[to]) / (to - from).max(1) as f64
    }

    /// Largest mean square over one interval, anywhere.
    pub fn peak(&self) -> f64 {
        let last = self.to_come.len() - 1;
        let step = (self.interval / 8).max(1);
        let at = |from: usize| self.mean(from, (from + self.interval).min(last));
        (0..last.saturating_sub(self.interval)).step_by(step).map(at).fold(0.0, f64::max)
    }

    /// Finds the knee; `None` where nothing stands out of the noise.
    pub fn knee(&self) -> Option<Knee> {
        let length = self.end.checked_sub(self.zero).filter(|length| *length > 4 * self.interval)?;
        let mut floor = self.mean(self.end - length / 10, self.end);
        let mut interval = self.interval;
        let mut found: Option<Knee> = None;
        for _ in 0..PASSES {
            let line = self.late_line(floor, interval)?;
            let crossing = line.reaches(floor);
            let end = self.end as f64;
            let next = Knee {
                floor,
                ceiling: floor,
                crossing: crossing.clamp(self.zero as f64 + 1.0, end) as usize,
                rate: line.rate,
                left: 0.0,
            };
            let settled = found.is_some_and(|old| old.crossing.abs_diff(next.crossing) <= interval / 4);
            found = Some(Knee { left: line.at(next.crossing as f64), ..next });
            if settled {
                break;
            }
            // 3 to 10 intervals per 10 dB of decay, but never shorter than a mean must be.
            interval = ((10.0_f64.ln() / line.rate / 5.0) as usize).max(self.interval);
            // The noise is read from 5 to 10 dB of decay behind the crossing, at least the last tenth.
            let behind = crossing + 7.5 * 10.0_f64.ln() / 10.0 / line.rate;
            let from = (behind.min(end - (length / 10) as f64).max(self.zero as f64)) as usize;
            floor = self.mean(from.min(self.end - 1), self.end);
        }
        found.map(|knee| self.without_floor(knee))
    }

    /// If the last tenth still falls as the decay does, it is decay: the record ends before the noise.
    fn without_floor(&self, knee: Knee) -> Knee {
        let tenth = (self.end - self.zero) / 10;
        let early = self.mean(self.end - tenth, self.end - tenth / 2);
        let late = self.mean(self.end - tenth / 2, self.end);
        // What the decay alone would do between the two halves, and what noise alone would (nothing).
        let expected = (-knee.rate * (tenth / 2) as f64).exp();
        if late > early * expected.sqrt() || late <= 0.0 && early <= 0.0 {
            return knee;
        }
        Knee { floor: 0.0, ceiling: late, crossing: self.end, left: self.decayed(knee.rate), ..knee }
    }

    /// Mean square at the end of a record that holds no noise, from its last interval under `rate`.
    fn decayed(&self, rate: f64) -> f64 {
        let span = self.interval.min(self.end - self.zero);
        let mean = self.mean(self.end - span, self.end);
        let turns = rate * span as f64;
        // The mean of an exponential over a span, against its value at the span's end.
        if turns > 1e-9 { mean * turns / turns.exp_m1() } else { mean }
    }

    /// Line through the means' logarithms over up to 20 dB above the noise, starting some 7 dB over it.
    fn late_line(&self, floor: f64, interval: usize) -> Option<LateLine> {
        let blocks: Vec<(f64, f64)> = (self.zero..self.end.saturating_sub(interval))
            .step_by(interval)
            .map(|from| (from as f64 + interval as f64 / 2.0, self.mean(from, from + interval)))
            .collect();
        let peak = blocks.iter().map(|b| b.1).fold(0.0, f64::max);
        let start = blocks.iter().rposition(|b| b.1 >= 0.999 * peak)?;
        let low = floor * LATE_LOW;
        if peak <= low || floor < 0.0 {
            return None;
        }
        // The first block under the lower end: later ones may rise out of the noise by chance.
        let stop = blocks[start..].iter().position(|b| b.1 < low).map_or(blocks.len(), |n| start + n);
        let high = blocks[stop - 1].1.max(low) * LATE_SPAN;
        let mut from = blocks[start..stop].iter().rposition(|b| b.1 > high).map_or(start, |n| start + n);
        if stop - from < 3 {
            from = stop.saturating_sub(3).max(start);
        }
        LateLine::through(&blocks[from..stop], floor)
    }
}

/// The late slope is read from 7 dB above the noise …
const LATE_LOW: f64 = 5.0;
/// … over 20 dB.
const LATE_SPAN: f64 = 100.0;

/// ln of the mean square against the sample index.
struct LateLine {
    middle: f64,
    height: f64,
    rate: f64,
}

impl LateLine {
    fn through(blocks: &[(f64, f64)], floor: f64) -> Option<Self> {
        let points: Vec<(f64, f64)> =
            blocks.iter().filter(|b| b.1 > floor).map(|b| (b.0, (b.1 - floor).ln())).collect();
        if points.len() < 2 {
            return None;
        }
        let n = points.len() as f64;
        let middle = points.iter().map(|p| p.0).sum::<f64>() / n;
        let height = points.iter().map(|p| p.1).sum::<f64>() / n;
        let spread: f64 = points.iter().map(|p| (p.0 - middle).powi(2)).sum();
        let slope = points.iter().map(|p| (p.0 - middle) * (p.1 - height)).sum::<f64>() / spread;
        (slope < 0.0).then_some(Self { middle, height, rate: -slope })
    }

    fn at(&self, index: f64) -> f64 {
        (self.height - self.rate * (index - self.middle)).exp()
    }

    /// Index at which the line has fallen to `floor`; far away for no floor at all.
    fn reaches(&self, floor: f64) -> f64 {
        self.middle + (self.height - floor.max(f64::MIN_POSITIVE).ln()) / self.rate
    }
}
