use super::*;
use crate::change::{ModeValues, Ratio};
use crate::estimate::Estimate;

fn mode(frequency_hz: f64, verdict: Verdict, percent: f64, half: f64) -> ModeChange {
    let sd = half / 100.0 / SD_PER_95;
    // One pole before and after: its ringing is its T60.
    let ratio = Some(Ok(Ratio::from_log((1.0 + percent / 100.0).ln(), sd)));
    ModeChange {
        before_values: Some(ModeValues { frequency_hz, t60_s: Estimate::new(1.0, 0.01) }),
        t60_ratio: ratio,
        ring_ratio: ratio,
        ..ModeChange::sample(verdict)
    }
}

fn said(modes: &[ModeChange]) -> Message {
    let chain = ChainFindings { gain: Some(Estimate::exact(1.0)), ..ChainFindings::default() };
    summary(modes, &[], 6, &chain, &ChangeSettings::default())
}

/// What overlaps is not counted among single modes, however narrow its interval came out.
#[test]
fn the_range_of_single_modes_ends_where_they_overlap() {
    let mut modes = vec![mode(33.0, Verdict::Shorter, -35.0, 2.0)];
    modes.extend([70.0, 90.0].map(|hz| mode(hz, Verdict::Unchanged, 0.0, 2.0)));
    let mut beyond = mode(150.0, Verdict::Unsure, 1.0, 3.0);
    beyond.flags.add(Flag::Overlapping);
    modes.push(beyond);
    let text = said(&modes);
    assert!(text.contains("the other 2 up to 90.0 Hz ring as before"), "{text}");
    assert!(text.contains("150.0 Hz can’t be told by itself: read the bands"), "{text}");
}

/// A verdict stands above the last of the others that is told: the range reaches up to it.
#[test]
fn nothing_with_a_verdict_lies_above_the_range() {
    let mut modes = vec![
        mode(34.0, Verdict::Unchanged, 0.0, 2.0),
        mode(38.5, Verdict::Unchanged, 0.0, 2.0),
        mode(45.0, Verdict::Unsure, 1.0, 80.0),
        mode(52.3, Verdict::Shorter, -26.0, 7.0),
    ];
    modes.extend([60.0, 70.0].map(|hz| mode(hz, Verdict::Unsure, 0.0, 80.0)));
    assert_eq!(
        said(&modes),
        "52.3 Hz rings 26 % shorter; of the other 3 up to 45.0 Hz, 2 ring as before, 1 can’t be told by itself\
         ; mean change of all 3: 0.0 ± 1.4 %; above 52.3 Hz read the bands."
    );
    let counted = counted(&modes, &[]).unwrap();
    assert_eq!((counted.shorter, counted.as_before, counted.undecided.len()), (1, 2, 1));
    // All told lies under the verdict: nothing is left above it.
    assert!(!said(&modes[..4]).contains("read the bands"), "{}", said(&modes[..4]));
}

/// The mode that a unit stands at is named where it has no verdict, and stays out of what the others are together; so
/// does a change that a filter may have made.
#[test]
fn what_the_treatment_was_for_is_named_without_a_verdict() {
    let mut treated = mode(34.5, Verdict::Unsure, -22.0, 2.4);
    treated.before = Some(7);
    let others = [43.0, 55.2, 67.0].map(|hz| mode(hz, Verdict::Unchanged, 0.0, 2.0));
    let mut modes = vec![treated];
    modes.extend(others);
    let rest = "the other 3 up to 67.0 Hz ring as before; mean change of all 3: 0.0 ± 1.2 %.";
    let chain = ChainFindings { gain: Some(Estimate::exact(1.0)), ..ChainFindings::default() };
    let at_unit = summary(&modes, &[7], 6, &chain, &ChangeSettings::default());
    assert_eq!(
        at_unit,
        format!("Whether 34.5 Hz, where the unit stands, rings shorter or longer can’t be told (−24 to −20 %); {rest}")
            .as_str()
    );
    modes[0].flags.add(Flag::ChainUntold);
    assert_eq!(
        said(&modes),
        format!(
            "34.5 Hz rings 22 % shorter, unless a filter in the measuring chain did it (undecided); {rest}"
        )
        .as_str()
    );
    assert_eq!(counted(&modes, &[]).unwrap().undecided, [7]);
}

/// One that is left is named, several are no number without a noun.
#[test]
fn others_of_which_nothing_is_told() {
    let treated = mode(97.4, Verdict::Shorter, -39.0, 11.0);
    let untold = |hz| mode(hz, Verdict::Unsure, 0.0, 80.0);
    assert_eq!(
        said(&[untold(66.0), treated.clone()]),
        "97.4 Hz rings 39 % shorter; whether 66.0 Hz rings as before can’t be told."
    );
    assert_eq!(
        said(&[untold(66.0), untold(77.0), treated]),
        "97.4 Hz rings 39 % shorter; whether any of the other 2 rings as before can’t be told."
    );
}

/// No single mode: nothing is counted.
#[test]
fn where_nothing_is_told_nothing_is_counted() {
    assert_eq!(counted(&[mode(50.0, Verdict::Unsure, 5.0, 90.0)], &[]), None);
}

/// Pooled by hand: weights 1, 1, 1/4 of ±2, ±2, ±4 %: mean ln = (0.00995 − 0.01005 + 0.25·0.0198)/2.25 = 0.0022,
/// ±1.33 % from the weights, times √(2.76/2) for their scatter.
#[test]
fn one_treated_mode_and_the_others() {
    let modes = [
        mode(33.2, Verdict::Shorter, -35.0, 1.6),
        mode(44.3, Verdict::Unchanged, 1.0, 2.0),
        mode(66.4, Verdict::Unchanged, -1.0, 2.0),
        mode(130.1, Verdict::Unsure, 2.0, 4.0),
        mode(150.0, Verdict::Unsure, 10.0, 80.0),
    ];
    assert_eq!(
        said(&modes),
        "33.2 Hz rings 35 % shorter; of the other 3 up to 130.1 Hz, 2 ring as before, 1 can’t be told by itself\
         ; mean change of all 3: +0.2 ± 1.6 %; 150.0 Hz can’t be told by itself: read the bands."
    );
}

#[test]
fn nothing_told_is_said_of_the_modes_alone() {
    let modes = [mode(50.0, Verdict::Unsure, 5.0, 90.0), mode(60.0, Verdict::Unsure, 5.0, 90.0)];
    assert_eq!(said(&modes), "The data can’t tell whether any of 2 single modes rings shorter or longer.");
    assert_eq!(said(&[]), "The state before shows no mode to compare.");
}

/// T60 of the slower pole is not what the ear hears of a mode that a unit splits.
#[test]
fn ringing_is_what_the_sentence_gives() {
    let mut split = mode(33.2, Verdict::Shorter, -34.0, 2.0);
    split.ring_ratio = Some(Ok(Ratio::from_log(0.65_f64.ln(), 0.01)));
    assert_eq!(said(&[split]), "33.2 Hz rings 35 % shorter.");
}

#[test]
fn a_single_other_mode_is_named() {
    let treated = mode(33.2, Verdict::Shorter, -35.0, 1.6);
    let other = |verdict| [treated.clone(), mode(44.3, verdict, 1.0, 2.0)];
    assert_eq!(said(&other(Verdict::Unchanged)), "33.2 Hz rings 35 % shorter; 44.3 Hz rings as before.");
    assert_eq!(
        said(&other(Verdict::Unsure)),
        "33.2 Hz rings 35 % shorter; whether 44.3 Hz rings as before can’t be told."
    );
}

#[test]
fn where_no_row_is_single_none_is_counted_as_one() {
    let mut all = [70.0, 90.0].map(|hz| mode(hz, Verdict::Unsure, 0.0, 90.0));
    all.iter_mut().for_each(|m| m.flags.add(Flag::Overlapping));
    assert_eq!(
        said(&all),
        "No single mode can be established: 2 candidates (overlap or no modes; see changes.csv)."
    );
    all[1].flags.add(Flag::WideInterval);
    assert!(said(&all).to_string().contains("(overlap or no modes, wide intervals; see"));
    let alone = summary(&all, &[], 1, &ChainFindings::default(), &ChangeSettings::default());
    assert!(
        alone.to_string().contains("2 candidates, and one position proves no mode: measure at six or more")
    );
}

#[test]
fn many_changes_are_counted_and_a_longer_one_is_named() {
    let mut modes: Vec<ModeChange> =
        (0..5).map(|k| mode(30.0 + f64::from(k), Verdict::Shorter, -10.0 - f64::from(k), 3.0)).collect();
    modes.push(mode(60.0, Verdict::Longer, 22.0, 5.0));
    assert_eq!(
        said(&modes),
        "5 modes from 30.0 to 34.0 Hz ring 10 to 14 % shorter; 60.0 Hz rings 22 % longer."
    );
}

/// What changed in level only rings as before: it is named among those that do, with its size.
#[test]
fn a_change_of_level_is_told_with_its_size() {
    let mut louder = mode(94.7, Verdict::LevelOnly, 0.0, 2.0);
    louder.level_ratio = Some(Ok(Ratio::from_log(10_f64.powf(0.05).ln(), 0.01)));
    let all = [mode(33.2, Verdict::Shorter, -35.0, 1.6), mode(44.3, Verdict::Unchanged, 0.0, 2.0), louder];
    assert_eq!(
        said(&all),
        "33.2 Hz rings 35 % shorter; the other 2 up to 94.7 Hz ring as before; 94.7 Hz (+1.0 dB) changed in level, not in ringing."
    );
}

/// A mode that a unit stands at counts though it lies above the last of which anything is told; another there doesn't.
#[test]
fn the_unit_s_mode_is_counted_wherever_it_lies() {
    let mut modes = vec![
        mode(33.0, Verdict::Unchanged, 0.0, 2.0),
        mode(44.0, Verdict::Unsure, 0.0, 80.0),
        mode(55.0, Verdict::Unchanged, 0.0, 2.0),
        mode(97.0, Verdict::Unsure, 0.0, 80.0),
        mode(99.0, Verdict::Unsure, 0.0, 80.0),
    ];
    modes.iter_mut().enumerate().for_each(|(k, mode)| mode.before = Some(k));
    let counted = |at_units: &[usize]| counted(&modes, at_units).unwrap();
    assert_eq!((counted(&[]).undecided, counted(&[]).up_to_hz), (vec![1], 55.0));
    assert_eq!((counted(&[3]).undecided, counted(&[3]).up_to_hz), (vec![1, 3], 55.0));
}
