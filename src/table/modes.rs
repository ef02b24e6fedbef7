//! `modes.csv`: the resonances of each state.

use super::cell::{Name, Value};
use super::column::{decibels, flags, hertz, integer, pattern, plain, seconds, text, words};
use super::row::table;
use super::words::KINDS;
use crate::estimate::Reading;
use crate::flag::Flags;

table! {
    "modes", ModeRow, key ["state", "mode"],
    "Resonances: one row per state and resonance, in rising frequency.";
    state: Name = text().required(), "Name of the state of the room.";
    mode: u32 = integer().required().positive(), "Number of the resonance within the state, from 1 in rising frequency.";
    kind: &'static str = words(KINDS).required(), "What the resonance is taken for.";
    frequency: Reading {
        frequency_hz = hertz().positive(), "Damped natural frequency ω/2π of the pole −δ ± iω that all positions share.";
        frequency_sd_hz = hertz().sd(), "One standard deviation of `frequency_hz`, including what the choice of poles adds; 95 % interval: ± 1.96 of it.";
    }
    t60: Reading {
        t60_s = seconds().positive(), "Time in which the mode falls by 60 dB: 3 ln 10/δ = 6.908/δ, δ the decay constant of its amplitude in 1/s.";
        t60_sd_s = seconds().sd(), "One standard deviation of `t60_s`, including what the choice of poles adds; 95 % interval: ± 1.96 of it.";
    }
    q: Value = plain("").positive(), "Quality factor π·f·T60/6.908, f the natural frequency; the −3 dB bandwidth is f/Q.";
    level_db: Value = decibels(), "Level of the resonance, energy mean over positions of 20 lg(fs·|A|/δ): the mode is 2 Re(A·e^((−δ + iω)t)), fs the sample rate; |A|/δ is its share of the steady-state response at its own frequency.";
    positions: u32 = integer().required(), "Number of positions and sources that see the resonance: with the poles fixed, its amplitude there exceeds the noise by a likelihood ratio of three standard deviations (χ² over 11.8, two degrees of freedom).";
    axes: Name = pattern("[0-9]+ [0-9]+ [0-9]+"), "Number of half waves along length, width and height of the predicted mode of a rectangular room that this one is assigned to; empty where no assignment is possible, and in a room on a plan, where `evidence` begins with the mode's name.", "Kuttruff, Room Acoustics (eigenfrequencies of a rectangular room)";
    predicted_hz: Option<f64> = hertz().positive(), "Frequency of the predicted mode that this one is assigned to, from the manifest's dimensions: (c/2)·√((nx/L)² + (ny/W)² + (nz/H)²), or with a plan (c/2)·√((k/π)² + (nz/H)²), k² an eigenvalue of the plan with rigid walls (finite elements); c = 343.2·√((273.15 + θ)/293.15) m/s at θ °C.", "Kuttruff, Room Acoustics; ISO 9613-1:1993 (speed of sound)";
    shape_match: Option<f64> = plain("").unit_range(), "Modal assurance criterion |ΣA·ψ|²/(Σ|A|²·Σψ²) of the measured amplitudes A against the predicted shape ψ over the positions; 1 is the same shape, 0 has nothing in common.", "Allemang & Brown, Proc. 1st Int. Modal Analysis Conf. (1982)";
    filter_t20_s: Value = seconds().positive(), "T20 behind a narrow time-reversed band filter around the resonance, from the sum of the positions' backward-integrated curves: a cross-check that needs no model. The filter reaches half way to the neighbours, at most a tenth of the frequency to each side, but is wide enough for B·T of 5; where that contradicts `t60_s`, the flags say why.", "ISO 3382-2:2008, 6 (the evaluation)";
    threshold_t60_s: Value = seconds().positive(), "Audibility threshold at this frequency: T60 from which trained listeners heard a difference, with artificial stimuli; interpolated linearly in ln T60 over ln f between the published points, 32 to 250 Hz, the last taken from the music curve. Where a difference can be heard, not where it disturbs.", "Fazenda, Stephenson & Goldberg, J. Acoust. Soc. Am. 137 (2015) 1113";
    threshold_music_t60_s: Value = seconds().positive(), "The same with music as the stimulus; 63 to 250 Hz.", "Fazenda, Stephenson & Goldberg, J. Acoust. Soc. Am. 137 (2015) 1113";
    priority: Option<u32> = integer().positive(), "Order of treatment, 1 first, only for kind `mode` and only where T60 is heard: at some listening position (any, where none is said to be one) the mode starts to ring no more than 20 dB under all modes of its octave together and T60·(60 − D)/60 exceeds the threshold, D those dB, with the low end of T60's 95 % interval. By the largest such ratio to the threshold; ratios within a tenth by the number of positions. Modes that one treatment meets share a rank: those within the half-power bandwidth (2.2/T60) of the slowest of them, and all of four or more such treatments within a third octave, none further than two bandwidths from the next, the fullest third octave first.";
    evidence: String = text(), "The sentence that supports `kind` or the assignment to `axes`.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
/// Modes that share a rank: what one treatment meets.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Treatment<'a> {
    /// Its rank, 1 first.
    pub rank: u32,
    /// Its modes, the one that rings longest first; never empty.
    pub modes: Vec<&'a ModeRow>,
    /// Lowest and highest frequency, Hz, where it takes an absorber of a whole range: some of its modes lie farther from
    /// the slowest than that one's half-power bandwidth.
    pub broadband_hz: Option<(f64, f64)>,
}

impl<'a> Treatment<'a> {
    /// Its modes in rising frequency.
    #[must_use]
    pub fn rising(&self) -> Vec<&'a ModeRow> {
        let mut rising = self.modes.clone();
        rising.sort_by_key(|row| row.mode);
        rising
    }
}

/// The treatments of a state's modes, first to do first.
#[must_use]
pub fn treatments<'a>(modes: &[&'a ModeRow]) -> Vec<Treatment<'a>> {
    let mut ranked: Vec<&ModeRow> = modes.iter().filter(|m| m.priority.is_some()).copied().collect();
    let t60_s = |m: &ModeRow| m.t60.map_or(0.0, |t60| t60.value);
    ranked.sort_by(|a, b| a.priority.cmp(&b.priority).then(t60_s(b).total_cmp(&t60_s(a))));
    let treatment = |modes: &[&'a ModeRow]| {
        let hz = |m: &ModeRow| m.frequency.map_or(f64::NAN, |f| f.value);
        let (slowest_hz, reach_hz) = (hz(modes[0]), 1000_f64.ln() / std::f64::consts::PI / t60_s(modes[0]));
        // A grain of frequency more: the table's numbers are rounded.
        let wide = modes.iter().any(|m| (hz(m) - slowest_hz).abs() > 1.01 * reach_hz);
        let low = modes.iter().map(|m| hz(m)).fold(f64::INFINITY, f64::min);
        let high = modes.iter().map(|m| hz(m)).fold(0.0, f64::max);
        Some(Treatment {
            rank: modes[0].priority?,
            modes: modes.to_vec(),
            broadband_hz: wide.then_some((low, high)),
        })
    };
    ranked.chunk_by(|a, b| a.priority == b.priority).filter_map(treatment).collect()
}
