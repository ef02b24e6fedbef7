//! Sentences on bands: one for each band's verdict, and one that gathers neighbours of one verdict.

use super::band_evidence::Evidence;
use super::bands::LEAST_PLACES;
use super::outcome::{BandChange, Ratio, Verdict};
use crate::filter::nominal_hz;
use crate::flag::Flag;

/// From this band on the air's temperature and humidity change the decay by as much as treatment does
/// (ISO 9613-1:1993, tables 1).
const AIR_HZ: f64 = 3_900.0;

/// Why a band got its verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Why {
    /// Beyond chance, and more than is just heard.
    Moved,
    /// The interval lies within the margin.
    AsBefore,
    /// Beyond chance by itself, but not among so many bands.
    AmongMany,
    /// The interval is too wide.
    Wide {
        /// Places that would narrow it, if a sensible number does.
        places: Option<usize>,
    },
    /// No T20 in one of the states.
    NoTime(Flag),
    /// Too few places with T20 in both states.
    FewPlaces,
}

/// The sentence.
pub(super) fn sentence(why: Why, band_hz: f64, ratio: Option<Ratio>, evidence: Option<&Evidence>) -> String {
    let known = match (ratio, evidence) {
        (Some(ratio), Some(e)) => format!(
            "T20 {} ({} to {}) at {} places{}",
            percent(ratio.value),
            percent(ratio.low),
            percent(ratio.high),
            e.places,
            if e.ensemble { ", from the sum of their decays" } else { "" }
        ),
        _ => String::new(),
    };
    match why {
        Why::Moved if band_hz > AIR_HZ => {
            format!("{known}; in this band the air's temperature and humidity act too.")
        }
        Why::Moved => format!("{known}."),
        Why::AsBefore => format!("{known}: within ±10 %."),
        Why::AmongMany => {
            format!("{known}; with this many bands one such change is expected by chance; not counted.")
        }
        Why::Wide { places: Some(n) } => {
            format!("{known}; {n} places that scatter like these would tell a change of 10 %.")
        }
        Why::Wide { places: None } => {
            format!("{known}; more places would hardly tell: use octave bands or the single modes.")
        }
        Why::NoTime(flag) => format!("No T20: {} {}", flag.sentence(), flag.advice()).trim_end().to_owned(),
        Why::FewPlaces => format!(
            "Fewer than {LEAST_PLACES} places, a quarter wavelength ({:.2} m) apart, have a T20 in both states.",
            85.8 / band_hz
        ),
    }
}

/// All bands with a verdict in one sentence: neighbours of one verdict together, what changed first.
pub(super) fn summary(bands: &[BandChange]) -> String {
    let told: Vec<&BandChange> = bands.iter().filter(|b| b.verdict.is_some()).collect();
    let heard = |b: &&BandChange| b.before_t20_s.is_ok() || b.after_t20_s.is_ok();
    let (Some(first), Some(last)) = (told.iter().position(heard), told.iter().rposition(heard)) else {
        return String::new();
    };
    // Bands at the ends that no state has a T20 in are outside what was measured.
    let mut runs: Vec<&[&BandChange]> = told[first..=last].chunk_by(|a, b| kind(a) == kind(b)).collect();
    runs.sort_by_key(|run| kind(run[0]).0 == Some(Verdict::Unsure));
    let parts: Vec<String> = runs.iter().map(|run| format!("{}: {}", span(run), became(run))).collect();
    format!("{}.", parts.join("; "))
}

/// What neighbours must share to stand in one part of the sentence: verdict, and whether a number is known.
fn kind(band: &BandChange) -> (Option<Verdict>, bool) {
    (band.verdict, known(band).is_some())
}

fn known(band: &BandChange) -> Option<Ratio> {
    band.t20_ratio?.ok()
}

/// "200 Hz to 20 kHz".
fn span(run: &[&BandChange]) -> String {
    let (from, to) = (run[0].band_hz, run[run.len() - 1].band_hz);
    match (run.len(), to < 950.0) {
        (1, _) => hertz(from),
        (_, true) => format!("{} to {}", number(nominal_hz(from)), hertz(to)),
        _ => format!("{} to {}", hertz(from), hertz(to)),
    }
}

/// "14 to 40 % shorter", "as before", "can’t tell (±35 %)".
fn became(run: &[&BandChange]) -> String {
    let ratios: Vec<Ratio> = run.iter().filter_map(|b| known(b)).collect();
    let mut sizes: Vec<f64> = ratios.iter().map(|r| 100.0 * (r.value - 1.0).abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let between = match (sizes.first(), sizes.last()) {
        (Some(least), Some(most)) if (most - least) < 0.5 => format!("{most:.0} %"),
        (Some(least), Some(most)) => format!("{least:.0} to {most:.0} %"),
        _ => String::new(),
    };
    let mut halves: Vec<f64> = ratios.iter().map(|r| 50.0 * (r.high - r.low)).collect();
    halves.sort_by(f64::total_cmp);
    match run[0].verdict {
        Some(Verdict::Shorter) => format!("{between} shorter"),
        Some(Verdict::Longer) => format!("{between} longer"),
        Some(Verdict::Unchanged) => "as before (±10 %)".to_owned(),
        _ => match halves.get(halves.len() / 2) {
            Some(half) if *half < 100.0 => format!("can’t tell (±{half:.0} %)"),
            Some(_) => "can’t tell (more than ±100 %)".to_owned(),
            None => "can’t tell (no T20 at three places)".to_owned(),
        },
    }
}

fn hertz(exact: f64) -> String {
    let nominal = nominal_hz(exact);
    if nominal < 999.0 { format!("{} Hz", number(nominal)) } else { format!("{} kHz", number(nominal / 1e3)) }
}

/// At most three digits, without zeros at the end.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn percent(ratio: f64) -> String {
    let value = (100.0 * (ratio - 1.0)).round();
    if value == 0.0 { "0 %".to_owned() } else { format!("{value:+.0} %").replace('-', "−") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;

    fn band(hz: f64, verdict: Verdict, ratio: Option<(f64, f64, f64)>) -> BandChange {
        let time = ratio.map(|_| 1.0).ok_or(Flag::RangeT20);
        BandChange {
            position: "*".into(),
            source: String::new(),
            band_hz: hz,
            before_t20_s: time,
            after_t20_s: time,
            t20_ratio: Some(ratio.map(|(value, low, high)| Ratio { value, low, high }).ok_or(Flag::RangeT20)),
            energy_ratio: None,
            verdict: Some(verdict),
            reason: String::new(),
            flags: Flags::default(),
        }
    }

    #[test]
    fn neighbours_stand_together_and_changes_come_first() {
        let bands = [
            band(25.12, Verdict::Unsure, None),
            band(63.1, Verdict::Unsure, Some((1.1, 0.8, 1.5))),
            band(79.43, Verdict::Unsure, Some((0.9, 0.6, 1.3))),
            band(199.5, Verdict::Shorter, Some((0.86, 0.8, 0.9))),
            band(1995.3, Verdict::Shorter, Some((0.6, 0.5, 0.7))),
            band(3981.1, Verdict::Unchanged, Some((0.97, 0.93, 1.01))),
            band(19_952.6, Verdict::Unsure, None),
        ];
        assert_eq!(
            summary(&bands),
            "200 Hz to 2 kHz: 14 to 40 % shorter; 4 kHz: as before (±10 %); 63 to 80 Hz: can’t tell (±35 %)."
        );
        assert_eq!(summary(&bands[..1]), "");
        assert_eq!(summary(&[]), "");
    }

    #[test]
    fn numbers_by_hand() {
        assert_eq!(hertz(31.62), "31.5 Hz");
        assert_eq!(hertz(1258.9), "1.25 kHz");
        assert_eq!(percent(0.857), "−14 %");
        assert_eq!(percent(1.0001), "0 %");
    }
}
