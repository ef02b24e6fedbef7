//! Flat tops: where a waveform was cut off at a ceiling.
//!
//! The ceiling is the file's own extreme, full scale or not. A smooth crest can look flat too: quantised, a
//! 20 Hz crest at 48 kHz holds its highest value for several samples. But it leaves that value slowly: a
//! parabola that stays within `t` of its top over `n` samples is at most t (1 + ((n + 1)/(n - 1))²) lower
//! one sample further (the quantiser's step allowed for), 5 t for the least n = 3 and less for more. A
//! clipped wave arrives with its full slope. So a run is a flat top if the sample before or after it lies
//! more than 6 t below. A run that is only nearly flat needs a corner on both sides: a response whose first
//! sample is a crest has one before it, and is sound.

use super::{Fault, Look};

/// Fewest samples of a flat top.
const MIN_RUN: usize = 3;

/// Fall beside a run, in tolerances, that no smooth crest shows (see the module's text).
const CORNER: f64 = 6.0;

/// Flat within this part of the ceiling counts: an analogue stage clips not quite flat. Our choice.
const NEARLY: f64 = 1e-3;

/// Finds flat tops at the highest and at the lowest value of the record.
pub(super) fn find(samples: &[f64], look: &Look) -> Option<Fault> {
    let upper = tops(samples, 1.0, look.highest, look);
    let lower = tops(samples, -1.0, -look.lowest, look);
    let all: Vec<Top> = upper.into_iter().chain(lower).collect();
    let first = all.iter().map(|top| top.from).min()?;
    let longest = all.iter().map(|top| top.len).max()?;
    Some(Fault::Clipped { ceiling: look.peak(), tops: all.len(), first, longest })
}

/// One flat top.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Top {
    from: usize,
    len: usize,
}

/// Flat tops of one sign; `ceiling` is the extreme of `sign` times the samples.
fn tops(samples: &[f64], sign: f64, ceiling: f64, look: &Look) -> Vec<Top> {
    // Of the smaller half wave only a ceiling near the other's is one.
    if ceiling < 0.5 * look.peak() {
        return Vec::new();
    }
    let exact = runs(samples, sign, ceiling, 0.0, look.step);
    if exact.is_empty() { runs(samples, sign, ceiling, NEARLY * ceiling, look.step) } else { exact }
}

/// Runs within `tolerance` of the ceiling with a corner: at either end of an exactly flat one, at both of
/// another.
fn runs(samples: &[f64], sign: f64, ceiling: f64, tolerance: f64, step: f64) -> Vec<Top> {
    let corner = CORNER * tolerance.max(step);
    let falls = |beside: Option<&f64>| beside.is_some_and(|v| ceiling - sign * v > corner);
    let mut found = Vec::new();
    let mut from = 0;
    while let Some(start) = samples[from..].iter().position(|v| sign * v >= ceiling - tolerance) {
        let start = from + start;
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
