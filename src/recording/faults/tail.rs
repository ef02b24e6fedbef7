//! The end of a record: digitally still, or faded out.
//!
//! A sum of decaying exponentials and steady noise has a convex level: seen in decibels over time it never
//! bends downward. A fade-out does nothing else, and at every scale: half-way to its end it has still all
//! its fall before it. So for stretches of many lengths at the end, a line through the level before is
//! continued into the last quarter; where the level lies well below it at several lengths in a row, the
//! end was faded. Beating modes dip at one length, not at several. Levels are those of the differenced
//! signal, in which slow noise and single low modes weigh little.
//!
//! The method is our own; `tests.rs` holds the nulls and fades that it was tried on, and the thresholds
//! were set on others of the kind. A fade that falls like a room's decay can't be told from one.

use super::Scan;

/// A digitally still end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Still {
    /// First sample of it.
    pub from: usize,
    /// Samples before it that stand clear of the quantiser's step.
    pub usable: usize,
}

/// Shortest still end that is one, in seconds and in samples: shorter ones occur by chance.
const STILL_S: f64 = 0.005;
const STILL_SAMPLES: usize = 32;

/// Finds a still end. Before it, a record often sinks below the quantiser's step (the noise had no dither
/// or was faded): stretches of 10 ms with less than half a step rms aren't usable either.
pub(super) fn still(samples: &[f64], rate_hz: f64, step: f64) -> Option<Still> {
    let last = *samples.last()?;
    let from = moving(samples);
    let count = samples.len() - from;
    if count < STILL_SAMPLES || (count as f64) < STILL_S * rate_hz {
        return None;
    }
    let block = ((0.01 * rate_hz) as usize).max(1);
    let mut usable = from;
    while usable > block {
        let power = samples[usable - block..usable].iter().map(|v| (v - last).powi(2)).sum::<f64>();
        if power >= 0.25 * step.powi(2) * block as f64 {
            break;
        }
        usable -= block;
    }
    Some(Still { from, usable })
}

/// Number of samples up to the last one that differs from the end.
fn moving(samples: &[f64]) -> usize {
    let Some(last) = samples.last() else { return 0 };
    samples.iter().rposition(|v| v != last).map_or(0, |i| i + 1)
}

/// Stretches of level behind the last quarter: the line goes through at most this many, and at least so
/// many.
const MOST: usize = 12;
const LEAST: usize = 6;

/// How far below the line (dB) a last quarter must lie, and in standard deviations of the line there.
/// Our choice, tuned on invented records: a first version of this test read 8.8 deviations at most among
/// 3600 without a fade, while a linear fade stood 15 dB below its line, a half-cosine 27 dB.
const BELOW_DB: f64 = 5.0;
const BELOW_SD: f64 = 6.0;

/// Lengths in a row that must agree; each is √2 of the one before.
const AGREEING: usize = 3;

/// Time of one energy of the fine grid, in seconds; quarters are whole numbers of it.
const GRID_S: f64 = 0.000_625;

/// Finds a fade-out at the end and where it starts.
pub(super) fn faded(samples: &[f64], rate_hz: f64, scan: &Scan) -> Option<usize> {
    let end = moving(samples);
    let grid = Grid::new(samples.get(scan.peak_at..end)?, rate_hz);
    let mut agreeing = 0;
    let mut longest = None;
    for half_octave in 0.. {
        let quarter = (4.0 * (0.5 * f64::from(half_octave)).exp2()).round() as usize;
        let Some(bend) = grid.bend(quarter) else { break };
        let explained = bend.line_power < scan.step.powi(2);
        agreeing = if bend.is_fade() && !explained { agreeing + 1 } else { 0 };
        if agreeing >= AGREEING {
            longest = Some(4 * quarter);
        }
    }
    let fade = grid.best_length(longest?);
    Some(end.saturating_sub(fade))
}

/// Energies of the differenced signal on a fine grid, counted from the end backward.
struct Grid {
    /// Energy from the end to each grid line; entry 0 is 0.
    from_end: Vec<f64>,
    /// Samples between grid lines.
    spacing: usize,
}

/// How the level bends into the last quarter of a stretch.
struct Bend {
    /// How far it lies below the line (dB).
    below_db: f64,
    /// Standard deviation of that (dB).
    sd_db: f64,
    /// Mean square per sample that the line foretells.
    line_power: f64,
}

impl Bend {
    fn is_fade(&self) -> bool {
        self.below_db > BELOW_DB + BELOW_SD * self.sd_db
    }
}

impl Grid {
    fn new(samples: &[f64], rate_hz: f64) -> Self {
        let spacing = ((GRID_S * rate_hz).round() as usize).max(4);
        let mut from_end = vec![0.0];
        let mut sum = 0.0;
        // A block and the sample before it: as many differences as samples.
        let mut end = samples.len();
        while end > spacing {
            let block = &samples[end - spacing - 1..end];
            sum += block.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum::<f64>();
            from_end.push(sum);
            end -= spacing;
        }
        Self { from_end, spacing }
    }

    /// Level (dB) of the `i`-th stretch of `length` grid lines from the end, or `None` where it is still.
    fn level_db(&self, i: usize, length: usize) -> Option<f64> {
        let energy = self.from_end.get((i + 1) * length)? - self.from_end.get(i * length)?;
        (energy > 0.0).then(|| 10.0 * energy.log10())
    }

    /// Continues the level before a stretch of four quarters into its last one.
    fn bend(&self, quarter: usize) -> Option<Bend> {
        let stretches = ((self.from_end.len() - 1) / quarter).checked_sub(4)?.min(MOST);
        if stretches < LEAST {
            return None;
        }
        let samples = (quarter * self.spacing) as f64;
        // The scatter of a level from so many independent values: 10/ln 10 times sqrt(2/n).
        let least_sd = 10.0 / std::f64::consts::LN_10 * (2.0 / samples).sqrt();
        let still = Bend { below_db: 0.0, sd_db: least_sd, line_power: 0.0 };
        let points: Option<Vec<(f64, f64)>> =
            (4..4 + stretches).map(|i| Some((i as f64, self.level_db(i, quarter)?))).collect();
        let (Some(points), Some(last_db)) = (points, self.level_db(0, quarter)) else { return Some(still) };
        let line = Line::through(&points);
        let line_db = line.at(0.0);
        Some(Bend {
            below_db: line_db - last_db,
            sd_db: line.sd.max(least_sd) * line.spread_at(0.0),
            line_power: 10f64.powf(line_db / 10.0) / samples,
        })
    }

    /// Length in samples of the fade that fits the end best, where one of `about` grid lines was seen.
    ///
    /// Each shape and length divides the level of four times that stretch; the right one leaves a line.
    fn best_length(&self, about: usize) -> usize {
        const STRETCHES: usize = 64;
        const LENGTHS: usize = 60;
        let reach = (4 * about).min(self.from_end.len() - 1);
        let length = (reach / STRETCHES).max(1);
        let levels: Vec<(f64, f64)> =
            (0..STRETCHES).filter_map(|i| Some((i as f64, self.level_db(i, length)?))).collect();
        let (shortest, longest) = (4.0, 0.8 * STRETCHES as f64);
        let mut best = (f64::INFINITY, 0.0);
        for shape in SHAPES {
            for step in 0..LENGTHS {
                let fade = shortest * f64::powf(longest / shortest, step as f64 / (LENGTHS - 1) as f64);
                let misfit = misfit(&levels, fade, shape);
                if misfit < best.0 {
                    best = (misfit, fade);
                }
            }
        }
        (best.1 * (length * self.spacing) as f64) as usize
    }
}

/// Fades as programs offer them: amplitude over the part of the fade that is left (1 to 0). The root is
/// what linear deconvolution does to the power of steady noise.
const SHAPES: [fn(f64) -> f64; 4] = [
    |left| left.sqrt(),
    |left| left,
    |left| (std::f64::consts::FRAC_PI_2 * left).sin(),
    |left| 0.5 - 0.5 * (std::f64::consts::PI * left).cos(),
];

/// Mean squared distance from a line of levels freed from a fade over the last `fade` stretches.
fn misfit(levels: &[(f64, f64)], fade: f64, shape: fn(f64) -> f64) -> f64 {
    // Where a fade leaves less than -30 dB, other things (a quantiser, the grid) decide.
    let freed: Vec<(f64, f64)> = levels
        .iter()
        .map(|&(i, level_db)| (i, level_db, window_db(i, fade, shape)))
        .filter(|&(_, _, window)| window > -30.0)
        .map(|(i, level_db, window)| (i, level_db - window))
        .collect();
    if freed.len() < LEAST { f64::INFINITY } else { Line::through(&freed).sd.powi(2) }
}

/// Mean level (dB) of a fade over the stretch from `i` to `i + 1`, counted from the end.
fn window_db(i: f64, fade: f64, shape: fn(f64) -> f64) -> f64 {
    const POINTS: i32 = 8;
    let power = |k: i32| shape(((i + (f64::from(k) + 0.5) / f64::from(POINTS)) / fade).min(1.0)).powi(2);
    10.0 * ((0..POINTS).map(power).sum::<f64>() / f64::from(POINTS)).log10()
}

/// A least-squares line.
struct Line {
    centre: f64,
    mean: f64,
    slope: f64,
    /// Standard deviation of the points about it.
    sd: f64,
    points: f64,
    /// Sum of squared distances of the abscissae from their mean.
    width: f64,
}

impl Line {
    fn through(points: &[(f64, f64)]) -> Self {
        let n = points.len() as f64;
        let centre = points.iter().map(|p| p.0).sum::<f64>() / n;
        let mean = points.iter().map(|p| p.1).sum::<f64>() / n;
        let width = points.iter().map(|p| (p.0 - centre).powi(2)).sum::<f64>();
        let slope = points.iter().map(|p| (p.0 - centre) * (p.1 - mean)).sum::<f64>() / width;
        let rest = points.iter().map(|p| (p.1 - mean - slope * (p.0 - centre)).powi(2)).sum::<f64>();
        Self { centre, mean, slope, sd: (rest / (n - 2.0)).sqrt(), points: n, width }
    }

    fn at(&self, x: f64) -> f64 {
        self.mean + self.slope * (x - self.centre)
    }

    /// Standard deviation of a new point at `x` less the line there, in those of the points.
    fn spread_at(&self, x: f64) -> f64 {
        (1.0 + 1.0 / self.points + (x - self.centre).powi(2) / self.width).sqrt()
    }
}
