//! One plain sentence for each verdict, for someone who pays for the room, not for the mathematics.

use super::outcome::Ratio;
use super::verdict::{Grounds, LEAST_PLACES, NEPERS_PER_DB, Need, Why};
use crate::estimate::SD_PER_95;
use crate::language::{Message, number, say, signed};

/// Numbers that the sentence quotes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Numbers {
    pub before_hz: f64,
    /// T60, or with a unit the time until the mode is 60 dB down.
    pub before_s: f64,
    pub after_s: Option<f64>,
    /// The one over the other.
    pub ratio: Option<Ratio>,
    /// ln of the level ratio and its sd.
    pub level: Option<(f64, f64)>,
    /// Two poles count together.
    pub split: bool,
    /// In the state that doesn't establish it, it overlaps with others.
    pub overlapping: bool,
}

/// The sentence.
pub(super) fn sentence(why: Why, n: &Numbers) -> Message {
    match why {
        Why::NothingLeft => {
            say!("change.nothing-left", hz = number(n.before_hz, 1), time = number(n.before_s, 2))
        }
        Why::NotSeenEither => say!("change.not-seen-either", hz = number(n.before_hz, 1)),
        Why::NotClaimed { before } => not_claimed(before, n),
        Why::DecayMoved { grounds } => {
            let key = match (n.split, grounds) {
                (false, Grounds::Neighbours) => "change.decay-moved",
                (false, Grounds::SameChain) => "change.decay-moved-as-stated",
                (false, Grounds::Unit) => "change.decay-moved-by-unit",
                (true, Grounds::Neighbours) => "change.decay-moved-split",
                (true, Grounds::SameChain) => "change.decay-moved-split-as-stated",
                (true, Grounds::Unit) => "change.decay-moved-split-by-unit",
            };
            say!(key, rings = rings(n))
        }
        Why::FilterMovedDecay => say!("change.filter-moved-decay", rings = rings(n)),
        Why::ChainMovedLevel { loudspeaker: false } => say!("change.chain-moved-level", level = level(n)),
        Why::ChainMovedLevel { loudspeaker: true } => {
            say!("change.loudspeaker-moved-level", level = level(n))
        }
        Why::Undetermined { places } => {
            let what = if n.ratio.is_some_and(Ratio::excludes_one) { rings(n) } else { level(n) };
            let key = if places < LEAST_PLACES { "change.untold-few-places" } else { "change.untold" };
            say!(key, what = what)
        }
        Why::AmongMany => say!("change.among-many", rings = rings(n)),
        Why::LevelAmongMany => {
            say!("change.level-among-many", level = level(n), within = percent_interval(n))
        }
        Why::LevelMoved { as_stated } => {
            let key = if as_stated { "change.level-moved-as-stated" } else { "change.level-moved" };
            say!(key, level = level(n), within = percent_interval(n))
        }
        Why::MaybeDamping => say!("change.maybe-damping", level = level(n), within = percent_interval(n)),
        Why::WithinMargins => {
            say!("change.within-margins", decay = percent_interval(n), level = db_interval(n))
        }
        Why::NoLevel(flag) => say!(
            "change.no-level",
            within = percent_interval(n),
            why = Message::new(format!("flag.{}", flag.word()), Vec::new())
        ),
        Why::Wide(need) => say!("change.wide", within = percent_interval(n), settles = settles(need)),
        Why::WideLevel => {
            say!("change.wide-level", decay = percent_interval(n), level = db_interval(n))
        }
    }
}

/// Which state doesn't establish the mode, and where to read instead.
fn not_claimed(before: bool, n: &Numbers) -> Message {
    let key = match (before, n.overlapping) {
        (true, false) => return say!("change.not-claimed-before"),
        (false, false) => return say!("change.not-claimed-after"),
        (true, true) => "change.not-claimed-before-overlapping",
        (false, true) => "change.not-claimed-after-overlapping",
    };
    say!(key, hz = number(n.before_hz, 1))
}

/// "6 dB more peak-to-noise after, four times the averages, would settle it".
fn settles(need: Need) -> Message {
    let db = need.decibels();
    let averages = 10f64.powf(db / 10.0).max(2.0);
    let place = if need.both {
        say!("change.in-both-states")
    } else if need.after {
        say!("change.after-where-wider")
    } else {
        say!("change.before-where-wider")
    };
    if need.out_of_reach() {
        return say!("change.out-of-reach", db = number(db, 0), place = place);
    }
    say!("change.would-settle", db = number(db, 0), place = place, averages = number(averages, 0))
}

fn rings(n: &Numbers) -> Message {
    let (before, within) = (number(n.before_s, 2), percent_interval(n));
    match n.after_s {
        Some(after) => say!("change.rings", after = number(after, 2), before = before, within = within),
        None => say!("change.rings-before", before = before, within = within),
    }
}

fn percent_interval(n: &Numbers) -> Message {
    let percent = |x: f64| signed(100.0 * (x - 1.0), 0);
    match n.ratio {
        // Both ends print alike: "−40 to −40 %" would be a slip.
        Some(r) if percent(r.low) == percent(r.high) => {
            say!("change.percent-closely", value = percent(r.value))
        }
        Some(r) => say!("change.percent-interval", low = percent(r.low), high = percent(r.high)),
        None => say!("change.nothing"),
    }
}

fn level(n: &Numbers) -> Message {
    let Some((log, sd)) = n.level else { return say!("change.level-changed") };
    let db = log / NEPERS_PER_DB;
    let key = if db < 0.0 { "change.quieter" } else { "change.louder" };
    say!(key, db = number(db.abs(), 1), half = number(SD_PER_95 * sd / NEPERS_PER_DB, 1))
}

fn db_interval(n: &Numbers) -> Message {
    let Some((log, sd)) = n.level else { return say!("change.nothing") };
    let end = |sign: f64| signed((log + sign * SD_PER_95 * sd) / NEPERS_PER_DB, 1);
    say!("change.db-interval", low = end(-1.0), high = end(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A mode that rings 22 % shorter.
    fn shorter() -> Numbers {
        Numbers {
            before_hz: 34.5,
            before_s: 1.38,
            after_s: Some(1.08),
            ratio: Some(Ratio::from_log(0.78_f64.ln(), 0.02)),
            level: None,
            split: false,
            overlapping: false,
        }
    }

    /// More positions are asked for where they are few, and nowhere else; what settles it stands in both sentences.
    #[test]
    fn positions_are_advised_where_they_are_few() {
        let numbers = shorter();
        let said = |places| sentence(Why::Undetermined { places }, &numbers);
        for places in [0, 1, 2, 3, 10] {
            let text = said(places);
            assert_eq!(text.contains("three positions or more"), places < 3, "{text}");
            assert!(text.contains("same_chain = true") && !text.contains("add two"), "{text}");
        }
    }

    /// An interval whose ends print alike is told as one number.
    #[test]
    fn a_narrow_interval_is_one_number() {
        let narrow = Numbers { ratio: Some(Ratio::from_log(0.601_f64.ln(), 0.001)), ..shorter() };
        let text = percent_interval(&narrow).to_string();
        assert!(text.starts_with("−40 %") && !text.contains(" to −"), "{text}");
    }

    /// The ringing before is told with the ringing after, and by itself where nothing is left.
    #[test]
    fn the_ringing_is_told_in_seconds() {
        let mut numbers = shorter();
        let text = rings(&numbers);
        assert!(text.contains("1.38") && text.contains("1.08"), "{text}");
        (numbers.after_s, numbers.ratio) = (None, None);
        assert!(rings(&numbers).contains("1.38"), "{}", rings(&numbers));
    }
}
