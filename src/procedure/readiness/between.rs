//! What lies between two states at the same places, and isn't the room: told by the direct sound above the modes.

use super::super::wording::few;
use super::Finding;

/// Two states side by side.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Between {
    /// Names of the earlier and the later one.
    pub states: [String; 2],
    /// Whether the direct sound changed by another factor than what follows it, or than elsewhere.
    pub uneven_gain: bool,
    /// Places whose gain or arrival is off the others'.
    pub odd_places: Vec<String>,
    /// Whether the arrivals at most places moved.
    pub moved_loudspeaker: bool,
    /// The rate that the later state's samples seem to have and that in its headers, hertz, where the two don't agree.
    pub wrong_rate_hz: Option<(f64, f64)>,
    /// Third octaves in which T20 was compared over the places, Hz, with half the 95 % interval of its change, as a ratio.
    pub thirds: Vec<(f64, f64)>,
}

pub(super) fn findings(all: &[Between]) -> Vec<Finding> {
    all.iter().filter_map(of_pair).collect()
}

fn of_pair(pair: &Between) -> Option<Finding> {
    let place = format!("{} beside {}", pair.states[1], pair.states[0]);
    if let Some((was, label)) = pair.wrong_rate_hz {
        return Some(Finding::again(
            place,
            format!(
                "all resonances lie elsewhere by one factor, as if recordings at {was} Hz were labelled {label} Hz: \
                 a wrong sample rate"
            ),
            "find out at which rate each state was recorded, and export it again",
        ));
    }
    if pair.uneven_gain {
        return Some(Finding::again(
            place,
            "the direct sound changed by another factor than the sound after it, or than elsewhere: an overload \
             that compresses the peaks, an automatic gain, or something in its way",
            "turn the gain down, switch automatic gain off, look for what stands before the loudspeaker, and \
             measure \
             again",
        ));
    }
    if pair.moved_loudspeaker {
        return Some(Finding::note(
            place,
            "the sound arrives at another time at most positions: the loudspeaker stood elsewhere, or another \
             program \
             cut the responses",
            "put it back and measure again if it moved: levels say nothing otherwise",
        ));
    }
    (!pair.odd_places.is_empty()).then(|| {
        let reason = format!(
            "at {} level or arrival changed differently from the other places: a moved microphone, files of two places \
             exchanged, or another gain",
            few(&pair.odd_places)
        );
        Finding::note(place, reason, "measure there again if something moved")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_finding_a_pair_the_graver_first() {
        let states = ["empty".to_owned(), "treated".to_owned()];
        let pair = Between { states, odd_places: vec!["seat".into()], ..Between::default() };
        let told = findings(&[pair.clone(), Between::default()]);
        assert_eq!(told.len(), 1);
        assert_eq!(told[0].place, "treated beside empty");
        assert!(
            told[0].reason.contains("at seat level or arrival changed differently"),
            "{}",
            told[0].reason
        );
        let relabelled = Between { wrong_rate_hz: Some((48_000.0, 44_100.0)), ..pair.clone() };
        let relabelled = findings(&[relabelled]);
        assert_eq!(relabelled[0].weight, super::super::Weight::Again);
        assert!(
            relabelled[0].reason.contains("at 48000 Hz were labelled 44100 Hz"),
            "{}",
            relabelled[0].reason
        );
        let uneven = findings(&[Between { uneven_gain: true, ..pair }]);
        assert_eq!(uneven[0].weight, super::super::Weight::Again);
    }
}
