//! One plain sentence for each verdict, for someone who pays for the room, not for the mathematics.

use super::outcome::Ratio;
use super::verdict::{NEPERS_PER_DB, Need, Why};
use crate::flag::Flag;

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
}

/// The sentence.
pub(super) fn sentence(why: Why, n: &Numbers) -> String {
    match why {
        Why::NothingLeft => format!(
            "Nothing rings near {:.1} Hz any more, although even half its earlier {:.2} s would have shown.",
            n.before_hz, n.before_s
        ),
        Why::NotSeenEither => format!(
            "Not found near {:.1} Hz after, but there it could hide below the noise or among its neighbours; 6 dB less noise (4 times the averages) or another position in a corner would tell.",
            n.before_hz
        ),
        Why::NotClaimed { before } => format!(
            "The measurement {} does not carry this resonance firmly enough to compare it.",
            if before { "before" } else { "after" }
        ),
        Why::DecayMoved { as_stated } => format!(
            "{}{}; {}.",
            rings(n),
            if n.split { ", the mode being split in two of which this is the slower" } else { "" },
            if as_stated {
                "the data alone can't exclude a filter in the measuring chain, which stayed the same as stated"
            } else {
                "no filter in the measuring chain makes its neighbours look as they do"
            }
        ),
        Why::FilterMovedDecay => format!(
            "{}, but a filter common to all positions explains that, and its neighbours show the filter: as it stands in this room the mode rings on.",
            rings(n)
        ),
        Why::ChainMovedLevel { loudspeaker: false } => format!(
            "{} at all positions alike while it rings as long as before: a filter in the measuring chain, not the room.",
            level(n)
        ),
        Why::ChainMovedLevel { loudspeaker: true } => format!(
            "{} while it rings as long as before: the loudspeaker stood elsewhere, so levels say nothing about the room.",
            level(n)
        ),
        Why::Untold { one_place } => format!(
            "{}, but {} can't tell treatment from a filter in the measuring chain: state same_chain or add two positions.",
            if n.ratio.is_some_and(|r| r.low > 1.0 || r.high < 1.0) { rings(n) } else { level(n) },
            if one_place { "one position" } else { "these data" }
        ),
        Why::AmongMany => format!(
            "{}; among so many modes chance alone makes one such change, so it is no finding: a second measurement of both states would tell.",
            rings(n)
        ),
        Why::LevelAmongMany => format!(
            "{} while the decay stayed within {}; among so many modes chance alone makes one such change, so it is no finding.",
            level(n),
            percent_interval(n)
        ),
        Why::LevelMoved { as_stated } => format!(
            "{} while the decay stayed within {}{}.",
            level(n),
            percent_interval(n),
            if as_stated { ", the measuring chain being the same as stated" } else { "" }
        ),
        Why::MaybeDamping => format!(
            "{}, as more damping would make it, but the decay is only known to {}.",
            level(n),
            percent_interval(n)
        ),
        Why::WithinMargins => {
            format!(
                "Rings as before ({}) and is as loud as before ({}).",
                percent_interval(n),
                db_interval(n)
            )
        }
        Why::NoLevel(flag) => format!(
            "The decay is as before ({}), but levels can't be compared: {}",
            percent_interval(n),
            lower_first(flag)
        ),
        Why::Wide(need) => {
            format!("The change of decay is only known to {}; {}.", percent_interval(n), settles(need))
        }
        Why::WideLevel => format!(
            "The decay is as before ({}), but the level is only known to {}; more positions would settle it.",
            percent_interval(n),
            db_interval(n)
        ),
    }
}

/// "6 dB more peak-to-noise after, four times the averages, would settle it".
fn settles(need: Need) -> String {
    let db = (20.0 * need.factor.log10()).ceil().max(1.0);
    let averages = 10f64.powf(db / 10.0);
    let place = if need.both {
        "in both states"
    } else if need.after {
        "after, where the interval is wider,"
    } else {
        "before, where the interval is wider,"
    };
    // Eight averages are 9 dB; beyond that nobody waits.
    if db > 9.0 {
        return format!(
            "out of reach by averaging ({db:.0} dB more peak-to-noise {place} would settle it): read the band, or add a \
             position where the mode is stronger"
        );
    }
    format!("{db:.0} dB more peak-to-noise {place} would settle it (about {averages:.0} times the averages)")
}

fn rings(n: &Numbers) -> String {
    let after = n.after_s.map_or_else(String::new, |t| format!("{t:.2} s instead of "));
    format!("Rings {after}{:.2} s ({})", n.before_s, percent_interval(n))
}

fn percent_interval(n: &Numbers) -> String {
    let percent = |x: f64| signed(100.0 * (x - 1.0), 0);
    match n.ratio {
        Some(r) => format!("{} to {} %", percent(r.low), percent(r.high)),
        None => "nothing".to_string(),
    }
}

fn level(n: &Numbers) -> String {
    match n.level {
        Some((log, sd)) => {
            let db = log / NEPERS_PER_DB;
            let word = if db < 0.0 { "quieter" } else { "louder" };
            format!("{:.1} ± {:.1} dB {word}", db.abs(), crate::estimate::SD_PER_95 * sd / NEPERS_PER_DB)
        }
        None => "The level changed".to_string(),
    }
}

fn db_interval(n: &Numbers) -> String {
    let Some((log, sd)) = n.level else { return "nothing".to_string() };
    let end = |sign: f64| signed((log + sign * crate::estimate::SD_PER_95 * sd) / NEPERS_PER_DB, 1);
    format!("{} to {} dB", end(-1.0), end(1.0))
}

/// A number with its sign; a rounded zero has none.
fn signed(x: f64, digits: usize) -> String {
    let text = format!("{x:+.digits$}").replace('-', "−");
    if text.chars().all(|c| !c.is_ascii_digit() || c == '0') {
        text.trim_start_matches(['+', '−']).to_string()
    } else {
        text
    }
}

fn lower_first(flag: Flag) -> String {
    let sentence = flag.sentence();
    let mut chars = sentence.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}
