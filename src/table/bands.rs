//! `bands.csv`: decay and clarity in octave or one-third-octave bands.

use super::cell::{Name, Value};
use super::column::{decibels, flags, hertz, percent, plain, seconds, text};
use super::row::table;
use crate::estimate::Reading;
use crate::flag::Flags;

table! {
    "bands", BandRow, key ["state", "position", "source", "band_hz"],
    "Decay, clarity and level in bands: one row per state, position, source and band. Position `*` (no source) is the state's spatial average, `listening` that over the listening positions.";
    state: Name = text().required(), "Name of the state of the room.";
    position: Name = text().required(), "Name of the microphone position; `*` or `listening` for an average over positions: the mean of those that have the value, the energy mean for `level_db`, the smallest for `peak_to_noise_db` and `decay_range_db`.", "ISO 3382-2:2008 (arithmetic mean over positions)";
    source: Name = text(), "Name of the loudspeaker place; empty for the only or first one, and for averages.";
    file: Name = text(), "Path of the audio file within the session, several takes joined by `;`; empty for averages.";
    band_hz: f64 = hertz().two_decimals().required().positive(), "Exact base-10 mid-band frequency: 1000·10^(x/10) Hz for one-third octaves, 1000·10^(3x/10) Hz for octaves, x whole.", "IEC 61260-1:2014, 5.2 to 5.4";
    edt_s: Value = seconds().positive(), "Early decay time EDT: time to fall by 60 dB at the slope of the least-squares line through the decay curve from 0 to −10 dB.", "ISO 3382-1:2009, A.2.2";
    t20: Reading {
        t20_s = seconds().positive(), "Reverberation time T20 from the least-squares line through the decay curve from −5 to −25 dB, extrapolated to 60 dB; needs a peak-to-noise of 35 dB.", "ISO 3382-2:2008, 6 and annex C";
        t20_sd_s = seconds().sd(), "One standard deviation of T20: 0.88·T20·√((1 + 1.90/n)/(N·B·T20)), n = 10, N positions, B the bandwidth; for an average the scatter over √N where that is larger.", "ISO 3382-1:2009, 7.1, eq. 4; 7.2 for n";
    }
    t30: Reading {
        t30_s = seconds().positive(), "Reverberation time T30: as T20, from −5 to −35 dB; needs a peak-to-noise of 45 dB.", "ISO 3382-2:2008, 6 and annex C";
        t30_sd_s = seconds().sd(), "One standard deviation of T30: 0.55·T30·√((1 + 1.52/n)/(N·B·T30)), n = 10, N positions, B the bandwidth; for an average the scatter over √N where that is larger.", "ISO 3382-1:2009, 7.1, eq. 5; 7.2 for n";
    }
    c50_db: Value = decibels(), "Clarity C50: 10 lg of the energy in the first 50 ms after the direct sound over the energy after them.", "ISO 3382-1:2009, eq. A.10";
    c80_db: Value = decibels(), "Clarity C80: 10 lg of the energy in the first 80 ms after the direct sound over the energy after them.", "ISO 3382-1:2009, eq. A.10";
    d50: Value = plain("").unit_range(), "Definition D50: share of the energy that arrives in the first 50 ms after the direct sound.", "ISO 3382-1:2009, eq. A.11";
    ts_ms: Value = plain("ms"), "Centre time Ts: ∫t·p² dt / ∫p² dt, t from the direct sound.", "ISO 3382-1:2009, eq. A.13";
    level_db: Value = decibels(), "Band level of the response: 10 lg(fs·Σp²/B), fs the sample rate, B the bandwidth in Hz. A unit sample reads 10 lg 2 = 3.01 dB in every band at any rate, as its energy of 2·B/fs lies in the band.";
    peak_to_noise_db: Value = decibels(), "Largest mean square over max(10 ms, 2/B) against the mean square of the noise floor; decides on T20 (35 dB) and T30 (45 dB).", "ISO 3382-1:2009, 5.3.3 (the limits)";
    decay_range_db: Value = decibels(), "Fall of the backward-integrated curve from its start to the point where the decay meets the noise floor.", "Lundeby, Vigran, Bietz & Vorländer, Acustica 81 (1995) 344 (the point)";
    nonlinearity_t20_permille: Value = plain("‰").not_negative(), "ξ = 1000·(1 − r²), r the correlation of level and time over the T20 range; 0 to 5 is usual, above 10 the decay is far from a straight line.", "ISO 3382-2:2008, annex B";
    nonlinearity_t30_permille: Value = plain("‰").not_negative(), "ξ as above, over the T30 range.", "ISO 3382-2:2008, annex B";
    curvature_percent: Value = percent(), "C = 100·(T30/T20 − 1); 0 to 5 % is usual, above 10 % the decay is far from a straight line.", "ISO 3382-2:2008, B.3";
    bt_product: Value = plain("").not_negative(), "Bandwidth times T20 (T30 where there is no T20); a time-reversed filter needs more than 4, else its own ringing is read as decay.", "ISO 3382-2:2008, 7.3; Jacobsen & Rindel, J. Sound Vib. 117 (1987) 187";
    flags: Flags = flags(), "Remarks on the row: doubts, limits that were met, and why a cell is empty.";
}
