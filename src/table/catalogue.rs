//! `catalogue.csv` of gathered results: one line a room.

use super::cell::Value;
use super::column::{flags, hertz, integer, plain, seconds, text};
use super::row::table;
use crate::flag::Flags;

table! {
    "catalogue", CatalogueRow, key ["session"],
    "One row per session of gathered results, in natural order. Decay and modes are those of one state: the baseline, or the first where no baseline is named.";
    session: String {
        session text().required(), "Name of the session: that of its results folder without `-results`, with folders above it where names are alike.", "";
    }
    title: Option<String> {
        title text(), "Title from the manifest.", "";
    }
    states: u64 {
        states integer().required(), "Number of states.", "";
    }
    files: u64 {
        files integer().required(), "Number of audio files that went into the results.", "";
    }
    failures: u64 {
        failures integer().required(), "Number of failures; the session's own `results.json` names each.", "";
    }
    state: Option<String> {
        state text(), "State that the following columns describe.", "";
    }
    volume_m3: Value {
        volume_m3 plain("m³").positive(), "Volume of the room from the manifest.", "";
    }
    middle_t20: Value {
        middle_t20_s seconds().positive(), "Mean T20 of the octaves 500 Hz and 1 kHz, or of the six one-third octaves from 400 Hz to 1.25 kHz; of the spatial average, or of the only place.", "ISO 3382-1:2009, table A.1 and A.4 (the single number)";
    }
    modes: u64 {
        modes integer().required(), "Number of rows of kind `mode` of that state.", "";
    }
    worst_hz: Value {
        worst_hz hertz().positive(), "Frequency of the mode with `priority` 1; of several that which rings longest.", "";
    }
    worst_t60: Value {
        worst_t60_s seconds().positive(), "Its T60.", "";
    }
    verdicts: Option<String> {
        verdicts text(), "Verdicts of all comparisons in `changes.csv` with their numbers, as `shorter 3, unsure 5`; empty where nothing was compared.", "";
    }
    flags: Flags {
        flags flags(), "Why cells are empty.", "";
    }
}

/// Mean T20 of the octaves round 500 Hz and 1 kHz, whether they come as octaves or as thirds.
///
/// `bands`: mid-band frequency, Hz, and T20, s, of those that have one. `None` where either octave has none.
#[must_use]
pub fn middle_t20_s(bands: &[(f64, f64)]) -> Option<f64> {
    // 398.1 Hz is the lowest third of the one octave, 1258.9 Hz the highest of the other.
    let octave = |low: f64, high: f64| {
        let of = |band: &&(f64, f64)| (low..high).contains(&band.0);
        let times: Vec<f64> = bands.iter().filter(of).map(|band| band.1).collect();
        (!times.is_empty()).then(|| times.iter().sum::<f64>() / times.len() as f64)
    };
    Some((octave(390.0, 640.0)? + octave(790.0, 1270.0)?) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octaves_and_thirds_give_their_mean() {
        assert_eq!(middle_t20_s(&[(251.19, 9.0), (501.19, 0.4), (1000.0, 0.6), (1995.3, 9.0)]), Some(0.5));
        let thirds = [398.11, 501.19, 630.96, 794.33, 1000.0, 1258.93].map(|hz| (hz, hz / 1000.0));
        let mean = thirds.iter().map(|band| band.1).sum::<f64>() / 6.0;
        assert!((middle_t20_s(&thirds).expect("six bands") - mean).abs() < 1e-12);
        assert_eq!(middle_t20_s(&[(501.19, 0.4)]), None);
    }
}
