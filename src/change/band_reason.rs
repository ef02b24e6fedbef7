//! Sentences on bands: one for each band's verdict, and one that gathers neighbours of one verdict.

use super::band_evidence::{Evidence, LEAST_PLACES, SOUND_M_S};
use super::outcome::{BandChange, Ratio, Verdict};
use crate::filter::nominal_hz;
use crate::flag::Flag;
use crate::language::{Message, Value, number, say, signed};

/// From this band on the air's temperature and humidity change the decay by as much as treatment does
/// (ISO 9613-1:1993, tables 1).
const AIR_HZ: f64 = 3_900.0;

/// The sentence on a band of too few places.
const FEW_PLACES: &str = "band-change.few-places";

/// Why a band got its verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Why {
    /// Beyond chance, and more than is just heard.
    Moved,
    /// The interval lies within the margin.
    AsBefore,
    /// Beyond chance by itself, but not among so many bands.
    AmongMany {
        /// Bands that were decided together.
        bands: usize,
    },
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
pub(super) fn sentence(why: Why, band_hz: f64, ratio: Option<Ratio>, evidence: Option<&Evidence>) -> Message {
    let known = match (ratio, evidence) {
        (Some(ratio), Some(e)) => {
            let key = if e.ensemble { "band-change.known-ensemble" } else { "band-change.known" };
            let (low, high) = (percent(ratio.low), percent(ratio.high));
            say!(key, value = percent(ratio.value), low = low, high = high, places = e.places)
        }
        _ => Message::default(),
    };
    match why {
        Why::Moved if band_hz > AIR_HZ => say!("band-change.moved-air", known = known),
        Why::Moved => say!("band-change.moved", known = known),
        Why::AsBefore => say!("band-change.as-before", known = known),
        Why::AmongMany { bands } => {
            say!("band-change.among-many", known = known, bands = number(bands as f64, 0))
        }
        Why::Wide { places: Some(n) } => {
            say!("band-change.wide-places", known = known, more = number(n as f64, 0))
        }
        Why::Wide { places: None } => say!("band-change.wide", known = known),
        Why::NoTime(flag) => {
            let part = |part: &str| Message::new(format!("{part}.{}", flag.word()), Vec::new());
            match flag.advice() {
                "" => say!("band-change.no-time", why = part("flag")),
                _ => say!("band-change.no-time-advice", why = part("flag"), advice = part("advice")),
            }
        }
        Why::FewPlaces => {
            say!(
                FEW_PLACES,
                least = number(LEAST_PLACES as f64, 0),
                apart = number(0.25 * SOUND_M_S / band_hz, 2)
            )
        }
    }
}

/// All bands with a verdict in one sentence: neighbours of one verdict together, what changed first. Modes that are
/// `split` tell a single number of their own, which the sentence sets apart from the band's.
pub(super) fn summary(bands: &[BandChange], split_hz: &[f64]) -> Message {
    let told: Vec<&BandChange> = bands.iter().filter(|b| b.verdict.is_some()).collect();
    let heard = |b: &&BandChange| b.before_t20_s.is_ok() || b.after_t20_s.is_ok();
    let (Some(first), Some(last)) = (told.iter().position(heard), told.iter().rposition(heard)) else {
        return Message::default();
    };
    // Bands at the ends that no state has a T20 in are outside what was measured.
    let mut runs: Vec<&[&BandChange]> = told[first..=last].chunk_by(|a, b| kind(a) == kind(b)).collect();
    runs.sort_by_key(|run| kind(run[0]).0 == Some(Verdict::Unsure));
    let parts = runs.iter().map(|run| say!("band-change.span", bands = span(run), became = became(run)));
    let split = split_hz.iter().any(|hz| is_in_shorter(*hz, &told));
    let parts = parts.chain(split.then(|| say!("band-change.split")));
    say!("band-change.summary", parts = Message::row(parts, "; "))
}

/// The sentence on the bands where a sample rate is wrong: no band tells anything.
pub(super) fn at_a_wrong_rate(bands: &[BandChange]) -> Message {
    let told = bands.iter().any(|band| band.verdict.is_some());
    if told { say!("band-change.wrong-rate") } else { Message::default() }
}

/// Whether the band nearest to a frequency got shorter.
fn is_in_shorter(hz: f64, told: &[&BandChange]) -> bool {
    let off = |band: &BandChange| (band.band_hz / hz).ln().abs();
    let nearest = told.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
    nearest.is_some_and(|band| band.verdict == Some(Verdict::Shorter))
}

/// What is known of a band without a verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Doubt {
    NoNumber,
    /// A ratio of too few places.
    Few,
    /// The interval excludes no change, and yet it is none that counts.
    Shorter,
    Longer,
    /// The interval holds no change and more than the margin.
    Either,
    /// The interval is wider than the value is worth.
    Wide,
}

fn doubt(band: &BandChange) -> Doubt {
    match known(band) {
        None => Doubt::NoNumber,
        Some(ratio) if ratio.high - ratio.low >= 2.0 => Doubt::Wide,
        Some(_) if band.reason.key() == FEW_PLACES => Doubt::Few,
        Some(ratio) if !ratio.excludes_one() => Doubt::Either,
        Some(ratio) if ratio.high < 1.0 => Doubt::Shorter,
        Some(_) => Doubt::Longer,
    }
}

/// What neighbours must share to stand in one part of the sentence: the verdict, and without one the doubt.
fn kind(band: &BandChange) -> (Option<Verdict>, Option<Doubt>) {
    (band.verdict, (band.verdict == Some(Verdict::Unsure)).then(|| doubt(band)))
}

fn known(band: &BandChange) -> Option<Ratio> {
    band.t20_ratio?.ok()
}

/// "200 Hz to 20 kHz".
fn span(run: &[&BandChange]) -> Message {
    let (from, to) = (run[0].band_hz, run[run.len() - 1].band_hz);
    match (run.len(), to < 950.0) {
        (1, _) => hertz(from),
        (_, true) => say!("band-change.range", from = short(nominal_hz(from)), to = hertz(to)),
        _ => say!("band-change.range", from = hertz(from), to = hertz(to)),
    }
}

/// "14 to 40 % shorter", "as before", "can’t tell (−11 to +1 %)".
fn became(run: &[&BandChange]) -> Message {
    let ratios: Vec<Ratio> = run.iter().filter_map(|b| known(b)).collect();
    let mut sizes: Vec<f64> = ratios.iter().map(|r| 100.0 * (r.value - 1.0).abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let between = match (sizes.first(), sizes.last()) {
        (Some(least), Some(most)) if (most - least) < 0.5 => {
            say!("band-change.percent", most = number(*most, 0))
        }
        (Some(least), Some(most)) => {
            say!("band-change.percents", least = number(*least, 0), most = number(*most, 0))
        }
        _ => Message::default(),
    };
    match run[0].verdict {
        Some(Verdict::Shorter) => say!("band-change.shorter", between = between),
        Some(Verdict::Longer) => say!("band-change.longer", between = between),
        Some(Verdict::Unchanged) => say!("band-change.unchanged"),
        _ => untold(doubt(run[0]), &ratios, between),
    }
}

/// "can’t tell (−11 to +1 %)", "perhaps 25 to 30 % longer (+6 to +59 %), not confirmed"; of several bands the interval
/// that holds each of theirs.
fn untold(doubt: Doubt, ratios: &[Ratio], between: Message) -> Message {
    let low = ratios.iter().map(|r| r.low).fold(f64::INFINITY, f64::min);
    let high = ratios.iter().map(|r| r.high).fold(0.0, f64::max);
    let end = |ratio: f64| signed(100.0 * (ratio - 1.0), 0);
    let interval = say!("band-change.interval", low = end(low), high = end(high));
    match (doubt, ratios) {
        (Doubt::NoNumber, _) => say!("band-change.unsure-without"),
        (Doubt::Wide, _) => say!("band-change.unsure-wide"),
        (Doubt::Few, [one]) => {
            say!("band-change.few-one", value = percent(one.value), interval = interval)
        }
        (Doubt::Few, _) => say!("band-change.few", interval = interval),
        (Doubt::Shorter, _) => {
            say!("band-change.perhaps-shorter", between = between, interval = interval)
        }
        (Doubt::Longer, _) => say!("band-change.perhaps-longer", between = between, interval = interval),
        (Doubt::Either, [_]) => say!("band-change.unsure", interval = interval),
        (Doubt::Either, _) => say!("band-change.unsure-each", interval = interval),
    }
}

fn hertz(exact: f64) -> Message {
    let nominal = nominal_hz(exact);
    if nominal < 999.0 {
        say!("band-change.hertz", hz = short(nominal))
    } else {
        say!("band-change.kilohertz", khz = short(nominal / 1e3))
    }
}

/// At most three digits, without zeros at the end.
fn short(value: f64) -> Value {
    let text = format!("{value:.2}");
    Value::Number(text.trim_end_matches('0').trim_end_matches('.').to_owned())
}

fn percent(ratio: f64) -> Message {
    say!("band-change.percent", most = signed((100.0 * (ratio - 1.0)).round(), 0))
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
            reason: Message::default(),
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
            summary(&bands, &[]),
            "200 Hz to 2 kHz: 14 to 40 % shorter; 4 kHz: as before (±10 %); 63 to 80 Hz: can’t tell (each within \
             −40 to +50 %)."
        );
        assert_eq!(summary(&bands[..1], &[]), "");
        assert_eq!(summary(&[], &[]), "");
    }

    /// What leans one way stands apart from what can't be told, with the interval itself and not its half.
    #[test]
    fn bands_that_lean_one_way_are_not_lumped_with_those_that_cannot_be_told() {
        let mut few = band(31.62, Verdict::Unsure, Some((0.43, 0.28, 0.67)));
        few.reason = sentence(Why::FewPlaces, 31.62, None, None);
        let bands = [
            few,
            band(63.1, Verdict::Unsure, Some((1.3, 1.06, 1.59))),
            band(79.43, Verdict::Unsure, Some((1.25, 1.06, 1.46))),
            band(100.0, Verdict::Unsure, Some((0.95, 0.89, 1.01))),
            band(125.9, Verdict::Unsure, Some((1.5, 0.4, 5.0))),
        ];
        assert_eq!(
            summary(&bands, &[]),
            "31.5 Hz: −57 % (−72 to −33 %), at too few places for a verdict; 63 to 80 Hz: perhaps 25 to 30 % longer \
             (+6 to +59 %), not confirmed; 100 Hz: can’t tell (−11 to +1 %); 125 Hz: can’t tell (more than ±100 %)."
        );
    }

    /// One number of a split mode and another of its band: the sentence says why they differ.
    #[test]
    fn a_split_mode_in_a_shorter_band_is_told() {
        let bands = [band(31.62, Verdict::Shorter, Some((0.45, 0.4, 0.5)))];
        assert!(summary(&bands, &[33.2]).contains("a mode that has split"));
        assert_eq!(summary(&bands, &[]), "31.5 Hz: 55 % shorter.");
        let steady = [band(31.62, Verdict::Unchanged, Some((1.0, 0.95, 1.05)))];
        assert!(!summary(&steady, &[33.2]).contains("split"));
    }

    #[test]
    fn numbers_by_hand() {
        assert_eq!(hertz(31.62), "31.5 Hz");
        assert_eq!(hertz(1258.9), "1.25 kHz");
        assert_eq!(percent(0.857), "−14 %");
        assert_eq!(percent(1.0001), "0 %");
    }
}
