//! Flat tops: where a waveform was cut off at a ceiling.
//!
//! The ceiling is the file's own extreme, full scale or not. A smooth crest can look flat too: quantised, a
//! 20 Hz crest at 48 kHz holds its highest value for several samples. But it leaves that value slowly: a
//! parabola that stays within `t` of its top over `n` samples is at most t (1 + ((n + 1)/(n - 1))²) lower
//! one sample further (the quantiser's step allowed for), 5 t for the least n = 3 and less for more. A
//! clipped wave arrives with its full slope. So a run is a flat top if the sample before or after it lies
//! more than 6 t below. A run that is only nearly flat needs a corner on both sides: a response whose first
//! sample is a crest has one before it, and is sound.

use super::{Fault, Scan};

/// Fall of both neighbours, relative to the ceiling, that makes a touch of it a sharp one.
const SHARP: f64 = 1e-2;

/// Steps of the quantiser, relative to the ceiling, under which two touches of it are no chance, and three: the
/// second largest extreme of a response lies some hundredths of the largest below it. Our choice.
const FINE: f64 = 1e-4;
const COARSE: f64 = 1e-3;

/// Time within which touches lie that a cut direct sound and its first echoes make, s; a sweep's crests, slow ones too, repeat
/// over all of it. Our choice.
const TOGETHER_S: f64 = 0.1;

/// Single samples at one and the same extreme, of either sign, each a sharp peak: a direct sound cut off is too short
/// for flat tops. Crests of slow tones, which repeat to the last bit, are not sharp; where they lie further off than a cut
/// direct sound's the sharp ones are a tone's as well. So are those with more crests just below them than there are
/// touches: where a sweep is loudest hundreds lie as near, under a ceiling hardly any does.
fn touches(samples: &[f64], rate_hz: f64, scan: &Scan) -> Vec<Top> {
    let (peak, step) = (scan.peak(), scan.step);
    if !step.is_finite() || step > COARSE * peak {
        return Vec::new();
    }
    let at_top = |k: usize| samples.get(k).is_some_and(|v| v.abs() >= peak - 1.01 * step);
    let falls =
        |k: Option<usize>| k.and_then(|k| samples.get(k)).is_some_and(|v| v.abs() < (1.0 - SHARP) * peak);
    let (mut found, mut all) = (Vec::new(), Vec::new());
    let mut from = 0;
    let limit = peak - 1.01 * step;
    while let Some(start) = first_from(samples, from, |v| v.abs() >= limit) {
        let len = (start..samples.len()).take_while(|k| at_top(*k)).count();
        from = start + len;
        all.push(start);
        if falls(start.checked_sub(1)) && falls(Some(from)) {
            found.push(Top { from: start, len });
        }
    }
    let span = all.last().zip(all.first()).map_or(0, |(last, first)| last - first);
    let together = (span as f64) < TOGETHER_S * rate_hz;
    let enough = found.len() >= if step < FINE * peak { 2 } else { 3 };
    let cut = together && enough && crests(samples, (1.0 - NEARLY) * peak, limit) <= found.len();
    if cut { found } else { Vec::new() }
}

/// Crests of either sign from `from` on and below `to`.
fn crests(samples: &[f64], from: f64, to: f64) -> usize {
    let (mut count, mut at) = (0, 1);
    while let Some(k) = first_from(samples, at, |v| v.abs() >= from) {
        let size = samples[k].abs();
        let beside = |k: usize| samples.get(k).is_some_and(|v| v.abs() <= size);
        count += usize::from(size < to && beside(k - 1) && beside(k + 1));
        at = k + 1;
    }
    count
}

/// Fewest samples of a flat top.
const MIN_RUN: usize = 3;

/// Fall beside a run, in tolerances, that no smooth crest shows (see the module's text).
const CORNER: f64 = 6.0;

/// Flat within this part of the ceiling counts: an analogue stage clips not quite flat. Our choice.
const NEARLY: f64 = 1e-3;

/// Finds flat tops at the highest and at the lowest value of the record.
pub(super) fn find(samples: &[f64], rate_hz: f64, scan: &Scan) -> Option<Fault> {
    let upper = tops(samples, 1.0, scan.highest, scan);
    let lower = tops(samples, -1.0, -scan.lowest, scan);
    let mut all: Vec<Top> = upper.into_iter().chain(lower).collect();
    if all.is_empty() {
        all = broad(samples, 1.0, scan.highest, scan);
        all.extend(broad(samples, -1.0, -scan.lowest, scan));
    }
    if all.is_empty() {
        all = touches(samples, rate_hz, scan);
    }
    let first = all.iter().map(|top| top.from).min()?;
    let longest = all.iter().map(|top| top.len).max()?;
    Some(Fault::Clipped { ceiling: scan.peak(), tops: all.len(), first, longest })
}

/// One flat top.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Top {
    from: usize,
    len: usize,
}

/// Fewest samples of a broad top: half a run beside it is to be some samples too.
const BROAD_RUN: usize = 8;

/// Broad tops may lie this much below the ceiling: noise of an analogue stage after the one that clips. Our choice.
const NOISY: f64 = 2e-3;

/// Fall half a run beside it, in tolerances, that no crest shows: a parabola falls by 4 there, a crest flat to the fourth
/// order by 16. Our choice; a crest cut off at 0.9 of its height falls by 150, and of 2000 sound records none by more than 6.
const BROAD_CORNER: f64 = 24.0;

/// Flat tops so long that a wave leaves them by little from one sample to the next: what nothing above 150 Hz holds, at a
/// high rate. One is flat if half its length further out, on both sides, the wave lies far below.
fn broad(samples: &[f64], sign: f64, ceiling: f64, scan: &Scan) -> Vec<Top> {
    let tolerance = (NOISY * ceiling).max(scan.step);
    if ceiling < 0.5 * scan.peak() {
        return Vec::new();
    }
    let falls = |at: Option<usize>| {
        let beside = at.and_then(|at| samples.get(at));
        beside.is_some_and(|v| ceiling - sign * v > BROAD_CORNER * tolerance)
    };
    let (mut found, mut from) = (Vec::new(), 0);
    while let Some(start) = first_from(samples, from, |v| sign * v >= ceiling - tolerance) {
        let len = samples[start..].iter().take_while(|v| sign * **v >= ceiling - tolerance).count();
        from = start + len;
        let out = len / 2;
        if len >= BROAD_RUN && falls(start.checked_sub(out)) && falls(Some(from + out - 1)) {
            found.push(Top { from: start, len });
        }
    }
    found
}

/// Flat tops of one sign; `ceiling` is the extreme of `sign` times the samples.
fn tops(samples: &[f64], sign: f64, ceiling: f64, scan: &Scan) -> Vec<Top> {
    // Of the smaller half wave only a ceiling near the other's is one.
    if ceiling < 0.5 * scan.peak() {
        return Vec::new();
    }
    let exact = runs(samples, sign, ceiling, 0.0, scan.step);
    if exact.is_empty() { runs(samples, sign, ceiling, NEARLY * ceiling, scan.step) } else { exact }
}

/// The first sample from `from` on that is so: looked for by blocks, of which most hold none.
fn first_from(samples: &[f64], from: usize, is: impl Fn(f64) -> bool) -> Option<usize> {
    const BLOCK: usize = 64;
    let blocks = samples.get(from..)?.chunks(BLOCK);
    let hit = |block: &&[f64]| block.iter().fold(false, |any, v| any | is(*v));
    let (index, block) = blocks.enumerate().find(|(_, block)| hit(block))?;
    Some(from + BLOCK * index + block.iter().position(|v| is(*v))?)
}

/// Runs within `tolerance` of the ceiling with a corner: at either end of an exactly flat one, at both of
/// another.
fn runs(samples: &[f64], sign: f64, ceiling: f64, tolerance: f64, step: f64) -> Vec<Top> {
    let corner = CORNER * tolerance.max(step);
    let falls = |beside: Option<&f64>| beside.is_some_and(|v| ceiling - sign * v > corner);
    let mut found = Vec::new();
    let mut from = 0;
    let limit = ceiling - tolerance;
    while let Some(start) = first_from(samples, from, |v| sign * v >= limit) {
        let len = samples[start..].iter().take_while(|v| sign * **v >= ceiling - tolerance).count();
        from = start + len;
        let before = start.checked_sub(1).and_then(|i| samples.get(i));
        let corners = usize::from(falls(before)) + usize::from(falls(samples.get(from)));
        if len >= MIN_RUN && corners >= if tolerance > 0.0 { 2 } else { 1 } {
            found.push(Top { from: start, len });
        }
    }
    found
}
