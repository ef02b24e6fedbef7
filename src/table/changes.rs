//! `changes.csv`: what happened to each mode between two states.

use super::cell::{Interval, Name};
use super::column::{decibels, flags, hertz, integer, percent, plain, seconds, text, words};
use super::row::table;
use super::words::VERDICTS;
use crate::estimate::Estimate;
use crate::flag::{Flag, Flags};
use crate::language::Message;

table! {
    "changes", ChangeRow, key ["before_state", "after_state", "mode", "after_mode"],
    "What became of each mode: one row per after state and baseline row of kind `mode` or `unsure`, and one per mode that only the after state has.";
    before_state: Name = text().required(), "Name of the baseline state.";
    after_state: Name = text().required(), "Name of the state that is compared with it.";
    mode: Option<u32> = integer().positive(), "Number of the mode in the baseline's rows of `modes.csv`; empty for `new`.";
    after_mode: Option<u32> = integer().positive(), "Number of its partner in the after state's rows of `modes.csv`; empty where it has none.";
    before_hz: Option<f64> = hertz().positive(), "Damped natural frequency before.";
    after_hz: Option<f64> = hertz().positive(), "Damped natural frequency after; of a split mode that of the slower pole.";
    before_t60: Option<Estimate> {
        before_t60_s = seconds().positive(), "T60 of the mode before, 6.908/decay constant.";
        before_t60_sd_s = seconds().sd(), "One standard deviation of `before_t60_s`.";
    }
    after_t60: Option<Estimate> {
        after_t60_s = seconds().positive(), "T60 of the mode after; of a split mode that of the slower pole.";
        after_t60_sd_s = seconds().sd(), "One standard deviation of `after_t60_s`.";
    }
    t60_change: Option<Result<Interval, Flag>> {
        t60_change_percent = percent(), "Change of T60: 100·(after/before − 1).";
        t60_change_low_percent = percent().low(), "Lower end of its 95 % interval: 100·(exp(−L − 1.96·s) − 1), L = ln(δ after/δ before), s² = (sd/δ)² before + (sd/δ)² after, δ the decay constants; where a tuned unit was fitted jointly, ratio and interval are that fit's.";
        t60_change_high_percent = percent().high(), "Upper end of its 95 % interval: 100·(exp(−L + 1.96·s) − 1).";
    }
    before_ring_s: Option<Result<f64, Flag>> = seconds().positive(), "Time until the mode's free decay is 60 dB down for good, before.";
    after_ring_s: Option<Result<f64, Flag>> = seconds().positive(), "The same after; for one pole it is its T60, for a split mode both poles count together.";
    ring_change: Option<Result<Interval, Flag>> {
        ring_change_percent = percent(), "Change of that time: 100·(after/before − 1). Where a tuned unit stands at the mode, the verdict follows this change.";
        ring_change_low_percent = percent().low(), "Lower end of its 95 % interval.";
        ring_change_high_percent = percent().high(), "Upper end of its 95 % interval.";
    }
    level_change: Option<Result<Interval, Flag>> {
        level_change_db = decibels(), "Change of the mode's level (energy mean over positions that both states have), the chain's gain removed.";
        level_change_low_db = decibels().low(), "Lower end of its 95 % interval.";
        level_change_high_db = decibels().high(), "Upper end of its 95 % interval.";
    }
    shape_match: Option<f64> = plain("").unit_range(), "Modal assurance criterion of the amplitudes before and after, over the positions that both states have; 1 is the same shape.", "Allemang & Brown, Proc. 1st Int. Modal Analysis Conf. (1982)";
    verdict: &'static str = words(VERDICTS).required(), "What happened to the ringing; chance findings are held at 5 % of all findings over the modes of one before/after pair.", "Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289 (false-discovery rate)";
    reason: Message = text().required(), "The reason, in one sentence.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
