//! `band_changes.csv`: what happened to the reverberation time of each band.

use super::cell::{Interval, Name};
use super::column::{decibels, flags, hertz, percent, seconds, text, words};
use super::row::table;
use super::words::BAND_VERDICTS;
use crate::flag::{Flag, Flags};
use crate::language::Message;

table! {
    "band_changes", BandChangeRow, key ["before_state", "after_state", "position", "source", "band_hz"],
    "What became of each band: one row per before/after pair, position, source and band that both states have; averages as in `bands.csv`.";
    before_state: Name = text().required(), "Name of the baseline state.";
    after_state: Name = text().required(), "Name of the state that is compared with it.";
    position: Name = text().required(), "Name of the microphone position; `*` or `listening` for an average.";
    source: Name = text(), "Name of the loudspeaker place; empty for the only or first one, and for averages.";
    band_hz: f64 = hertz().two_decimals().required().positive(), "Exact base-10 mid-band frequency.", "IEC 61260-1:2014, 5.2 to 5.4";
    before_t20_s: Option<Result<f64, Flag>> = seconds().positive(), "T20 before, as in `bands.csv`.", "ISO 3382-2:2008, 6 and annex C";
    after_t20_s: Option<Result<f64, Flag>> = seconds().positive(), "T20 after, as in `bands.csv`.", "ISO 3382-2:2008, 6 and annex C";
    t20_change: Option<Result<Interval, Flag>> {
        t20_change_percent = percent(), "Change of T20: 100·(after/before − 1); of position `*` 100·(exp m − 1), m the mean of ln(after/before) over the places that have both (nearer than a quarter wavelength counted as one), or below 200 Hz that of the sum of their backward integrals where it is the steadier.";
        t20_change_low_percent = percent().low(), "Lower end of its 95 % interval, from both standard deviations; of position `*` by Student's t over the places.", "ISO 3382-1:2009, 7.1, eq. 4 (the deviations)";
        t20_change_high_percent = percent().high(), "Upper end of its 95 % interval.", "ISO 3382-1:2009, 7.1, eq. 4 (the deviations)";
    }
    level_change_db: Option<Result<f64, Flag>> = decibels(), "Change of the band's level.";
    verdict: &'static str = words(BAND_VERDICTS), "What happened to the decay, on rows of position `*`; chance findings are held at 1 % of all findings over the bands of one before/after pair; a band between two findings that moved the same way counts at its own 5 %.", "Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289 (false-discovery rate)";
    reason: Message = text(), "The reason, in one sentence; on rows of position `*`.";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
