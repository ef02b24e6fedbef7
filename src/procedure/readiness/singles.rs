//! How small a change of each mode's T60 will show, and of which modes none will. What a comparison decides takes more: the mode
//! must stand singly in the room as treated, and its level be known too.

use super::super::wording::few;
use crate::flag::Flag;
use crate::mean::median;

/// What a mode, or an uncertain resonance, of the state before promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModeForecast {
    /// Frequency, Hz.
    pub hz: f64,
    /// Half the 95 % interval that a change of its T60 will have, as a ratio.
    pub half: f64,
    /// Whether the program stands behind it.
    pub claimed: bool,
    /// Its first remark.
    pub flag: Option<Flag>,
}

/// What the fit of the state before promises of all of them.
#[derive(Debug, Clone, PartialEq)]
pub struct SingleModes {
    /// The state.
    pub state: String,
    /// Its resonances.
    pub modes: Vec<ModeForecast>,
    /// Up to where they can be told apart, hertz; `None` where none can.
    pub to_hz: Option<f64>,
    /// Whether that is as far as the range that was fitted can tell.
    pub whole_range: bool,
    /// Source-receiver paths that it was fitted to.
    pub places: usize,
}

/// Up to where modes stand singly, as the fit shows it: the number that `analyze` gives.
pub(super) fn range(fitted: &SingleModes) -> String {
    let state = &fitted.state;
    match fitted.to_hz {
        Some(hz) if fitted.whole_range => {
            format!("Single modes: up to {hz:.0} Hz in {state}, as far as the range looked at can tell.")
        }
        Some(hz) => format!(
            "Single modes: up to {hz:.0} Hz in {state}; above, they overlap or are too close to the noise: read the bands."
        ),
        None => format!("Single modes: none can be told apart in {state}: read the bands."),
    }
}

/// Within this T60 is *unchanged* in `changes.csv`; a mode whose change is known no better isn't decided.
const DECIDED: f64 = 0.10;

fn decided(mode: &ModeForecast) -> bool {
    mode.claimed && mode.half <= DECIDED
}

/// Whether the change of any mode will be decided.
pub(super) fn any_decided(fitted: &SingleModes) -> bool {
    fitted.modes.iter().any(decided)
}

/// The sentence.
pub(super) fn sentence(fitted: &SingleModes) -> String {
    let modes = &fitted.modes;
    let halves: Vec<f64> = modes.iter().filter(|mode| decided(mode)).map(|mode| mode.half).collect();
    let told = match (median(halves.clone()), halves.len()) {
        (Some(half), 1) => format!(
            "Expected interval of a mode's T60 change: ±{} (the one mode where it is ±{} or less)",
            percent(half),
            percent(DECIDED)
        ),
        (Some(half), n) => format!(
            "Expected interval of a mode's T60 change: ±{} (median over the {n} modes where it is ±{} or less)",
            percent(half),
            percent(DECIDED)
        ),
        (None, _) => {
            format!("Expected interval of a mode's T60 change: ±{} or less at no mode", percent(DECIDED))
        }
    };
    let not = groups(modes.iter().filter(|mode| !decided(mode)), fitted.places);
    if not.is_empty() { format!("{told}.") } else { format!("{told}; {}.", not.join("; ")) }
}

/// The others by why.
fn groups<'a>(modes: impl Iterator<Item = &'a ModeForecast>, places: usize) -> Vec<String> {
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for mode in modes {
        let why = match (mode.claimed, mode.flag) {
            (true, _) => "less well known".to_owned(),
            (false, Some(flag)) => in_words(flag, places),
            (false, None) => "perhaps no mode".to_owned(),
        };
        let own = match mode.claimed {
            true => format!("{:.0} Hz (±{})", mode.hz, percent(mode.half)),
            false => format!("{:.0} Hz", mode.hz),
        };
        match groups.iter_mut().find(|group| group.0 == why) {
            Some((_, hertz)) => hertz.push(own),
            None => groups.push((why, vec![own])),
        }
    }
    groups.into_iter().map(|(why, hertz)| format!("{why}: {}", few(&hertz))).collect()
}

/// Why a resonance isn't claimed, in a few words; the table of flags says more. What has no words of its own comes with
/// the flag's sentence.
fn in_words(flag: Flag, places: usize) -> String {
    let words = match flag {
        // With one place there is no instant to share.
        Flag::NoTimeBase if places < 2 => "one position proves no mode",
        Flag::Overlapping => "modes overlap, or the sound is no sum of modes",
        Flag::WideInterval => "the decay is hardly known",
        Flag::ShortRecord => "the record is too short",
        Flag::OwnShareUnpredicted => "perhaps no mode",
        Flag::NotReproduced => "other fits don't find it again",
        Flag::NoTimeBase => "the files have no common time zero",
        Flag::LongForRecord => "the record is too short for so long a decay",
        Flag::SeenAtOnePlace => "seen at one position at most",
        Flag::NotOfThisBox => "below the room's lowest mode",
        Flag::NoQuietEnd => "the record ends before its noise",
        other => {
            let sentence = other.sentence().trim_end_matches('.');
            let mut rest = sentence.chars();
            return rest.next().map_or_else(String::new, |first| first.to_lowercase().chain(rest).collect());
        }
    };
    words.to_owned()
}

/// Two digits that matter; from 100 % on hundreds are enough.
fn percent(half: f64) -> String {
    let percent = 100.0 * half;
    if percent < 9.95 {
        format!("{percent:.1} %")
    } else if percent < 995.0 {
        format!("{percent:.0} %")
    } else {
        "1000 % and more".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode(hz: f64, half: f64, flag: Option<Flag>) -> ModeForecast {
        ModeForecast { hz, half, claimed: flag.is_none(), flag }
    }

    fn fitted(modes: &[ModeForecast]) -> SingleModes {
        SingleModes {
            state: "a".to_owned(),
            modes: modes.to_vec(),
            to_hz: Some(82.4),
            whole_range: false,
            places: 6,
        }
    }

    /// A flag is told in words, never by its name.
    #[test]
    fn no_flag_s_word_comes_to_the_screen() {
        for flag in Flag::ALL {
            let said = sentence(&fitted(&[mode(40.0, 0.3, Some(*flag))]));
            let because = said.split_once("at no mode; ").unwrap().1;
            assert!(!because.contains(flag.word()) || !flag.word().contains('-'), "{said}");
        }
        let said = sentence(&fitted(&[mode(40.0, 0.3, Some(Flag::LongForRecord))]));
        assert!(said.ends_with("; the record is too short for so long a decay: 40 Hz."), "{said}");
    }

    /// One file shares no instant with itself; what its modes lack is other places.
    #[test]
    fn one_place_proves_no_mode() {
        let mut alone = fitted(&[mode(40.0, 0.3, Some(Flag::NoTimeBase))]);
        assert!(sentence(&alone).ends_with("; the files have no common time zero: 40 Hz."));
        alone.places = 1;
        assert!(sentence(&alone).ends_with("; one position proves no mode: 40 Hz."));
    }

    #[test]
    fn the_range_is_the_fit_s() {
        assert!(range(&fitted(&[])).starts_with("Single modes: up to 82 Hz in a; above, they overlap"));
        assert!(
            range(&SingleModes { whole_range: true, ..fitted(&[]) })
                .ends_with("the range looked at can tell.")
        );
        assert!(range(&SingleModes { to_hz: None, ..fitted(&[]) }).contains("none can be told apart in a"));
    }

    #[test]
    fn the_median_is_over_what_is_known_well() {
        let modes = [
            mode(33.2, 0.012, None),
            mode(55.0, 0.034, None),
            mode(61.0, 0.09, None),
            mode(70.0, 0.14, None),
            mode(93.0, 0.02, Some(Flag::Overlapping)),
            mode(101.0, 0.02, Some(Flag::Overlapping)),
        ];
        assert_eq!(
            sentence(&fitted(&modes)),
            "Expected interval of a mode's T60 change: ±3.4 % (median over the 3 modes where it is ±10 % or less); less well \
             known: 70 Hz (±14 %); modes overlap, or the sound is no sum of modes: 93 Hz, 101 Hz."
        );
        let none = sentence(&fitted(&[]));
        assert!(none.contains("±10 % or less at no mode."), "{none}");
    }
}
