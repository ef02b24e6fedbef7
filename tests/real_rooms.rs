//! The mode fit on measured responses and on finite-element rooms: what it claims must hold.
//!
//! Sources: `SOURCE.txt` beside each response. Slow, so run as `cargo test --release -- --ignored`.

use crate::measured::{
    self, Agreement, arni, below_90_beyond_chance, claims, fit_lows, known, single, stable, stable_between,
};
use crate::score::{self, Score};

/// Takes 1, 3, 5 against 2, 4: two measurements of one room have nothing in common but the room.
fn halves(state: &str, least: usize, most_under_45: usize) {
    let (Some(odd), Some(even)) = (arni(state, &[1, 3, 5]), arni(state, &[2, 4])) else { return };
    let (a, b) = (fit_lows(&[odd], 0.0, true), fit_lows(&[even], 0.0, true));
    let agreed = Agreement::of(&a, &b);
    println!("Arni {state}: {agreed:?}");
    for set in [&a, &b] {
        assert!(stable(set).len() >= least, "{}", measured::list(set));
        assert!(stable_between(set, 0.0, 45.0) <= most_under_45, "{}", measured::list(set));
        // One place of a large room: what the first part of the decay shows doesn't predict the next.
        assert!(claims(set).is_empty(), "{}", measured::list(set));
    }
    assert!(agreed.pairs >= 4, "{agreed:?}");
    assert!(!below_90_beyond_chance(agreed.held()), "{agreed:?}");
}

#[test]
#[ignore = "slow"]
fn halves_of_the_live_room_agree() {
    halves("50", 12, 0);
}

/// Two rows under 45 Hz, at 26.6 and 31.9 Hz, whose T60 are known to 13 and 17 %, stand or fall with the rounding of sums.
#[test]
#[ignore = "slow"]
fn halves_of_the_dry_room_agree() {
    halves("2", 6, 2);
}

/// A single fit makes a comb of absurd poles at 48–68 Hz out of this record's background, and one record alone does not
/// say which of its poles would have told the next part of its decay: rows, and no claim.
#[test]
#[ignore = "slow"]
fn the_hotel_room_shows_no_comb() {
    let Some(low) = single("but_room112") else { return };
    let set = fit_lows(&[low], 0.0, true);
    assert!(set.modes.len() >= 20 && claims(&set).is_empty(), "{}", measured::list(&set));
    assert_eq!(stable_between(&set, 50.0, 57.0), 0, "{}", measured::list(&set));
}

/// Whatever holds at the direct sound holds 12 ms later.
#[test]
#[ignore = "slow"]
fn the_studio_holds_when_the_start_moves() {
    let Some(low) = single("openair_genesis6_live_room") else { return };
    let set = fit_lows(std::slice::from_ref(&low), 0.0, true);
    let agreed = Agreement::of(&set, &fit_lows(&[low], 0.012, true));
    println!("studio: {agreed:?}");
    assert!(agreed.pairs >= 4 && !below_90_beyond_chance(agreed.held()), "{agreed:?}");
}

/// Finite-element rooms against their poles, 20 to 110 Hz: 44 of 45 are claimed, the damped box's pole at 87.4 Hz is not.
#[test]
#[ignore = "slow"]
fn finite_element_rooms_are_found_as_they_are() {
    let mut whole = Score::default();
    for (room, state) in
        [("fem_l_room", "untreated"), ("fem_l_room", "treated"), ("fem_box_uneven", "as_found")]
    {
        let Some(known) = known(room, state) else { return };
        let set = fit_lows(&known.lows, 0.0, true);
        score::judge(&mut whole, &known.poles, &known.bounds(), &set, (20.0, 110.0), &mut Vec::new());
    }
    println!("{}\n{}", whole.row("finite elements"), whole.notes.join("\n"));
    let counts = whole.counts;
    assert!(counts.decidable >= 40 && counts.found * 100 >= counts.decidable * 97, "{:?}", whole.notes);
    assert_eq!(counts.false_claims, 0, "{:?}", whole.notes);
    let held = |part: u32| !below_90_beyond_chance((part as usize, counts.found as usize));
    assert!(held(counts.held_frequency) && held(counts.held_decay), "{}", whole.row("finite elements"));
}

/// As far as the finite-element rooms' modes can be told apart the program says so: up to the limit that it states,
/// which lies at least where it is asked for, nearly every pole that the data carry is claimed. Two missed in a hundred were
/// aimed at; three of 127 are, the decay of each known to 6 to 8 % at best (its bound); the same three at other gains.
#[test]
#[ignore = "slow"]
fn finite_element_rooms_are_told_up_to_a_limit() {
    let mut whole = Score::default();
    for (room, state, least_hz) in [
        ("fem_l_room", "untreated", 115.0),
        ("fem_l_room", "treated", 115.0),
        ("fem_box_uneven", "as_found", 85.0),
    ] {
        let Some(known) = known(room, state) else { return };
        let set = fit_lows(&known.lows, 0.0, true);
        let limit = set.single_modes_to_hz.unwrap_or(0.0);
        println!("{room} {state}: single modes up to {limit} Hz");
        assert!(limit >= least_hz, "{room} {state}: {limit}");
        score::judge(&mut whole, &known.poles, &known.bounds(), &set, (20.0, limit), &mut Vec::new());
    }
    println!("{}\n{}", whole.row("up to the limits"), whole.notes.join("\n"));
    let counts = whole.counts;
    assert!(counts.found * 100 >= counts.decidable * 97, "{:?}", whole.notes);
    assert!(counts.false_claims * 100 <= counts.claims, "{:?}", whole.notes);
}

/// The measured laboratory, before and after, ten places: sound decays there, but no modes that predict it.
#[test]
#[ignore = "slow"]
fn the_laboratory_shows_no_single_modes() {
    for state in ["panels_closed", "panels_75"] {
        let Some(folder) = measured::folder("r3vival_lab") else { return };
        let files = measured::waves(&folder.join(state));
        let lows: Vec<_> =
            files.iter().map(|file| measured::low_record(std::slice::from_ref(file))).collect();
        let set = fit_lows(&lows, 0.0, true);
        assert!(claims(&set).is_empty(), "{}", measured::list(&set));
    }
}

/// Odd against even positions of a finite-element room, 20 to 110 Hz as above: two surveys with no microphone
/// place in common find the same poles within the joint 95 % intervals. Above, where the box's modes run
/// together, they don't; what they show there is printed and stands in docs/method-checks.md.
#[test]
#[ignore = "slow"]
fn odd_and_even_positions_of_a_finite_element_room_agree() {
    let mut all = (0, 0);
    for (room, state) in
        [("fem_l_room", "untreated"), ("fem_l_room", "treated"), ("fem_box_uneven", "as_found")]
    {
        let Some(known) = known(room, state) else { return };
        let [odd, even] = [0, 1].map(|first| fit_lows(&known.every_other(first), 0.0, true));
        let agreed = Agreement::between(&odd, &even, (20.0, 110.0));
        let above = Agreement::between(&odd, &even, (110.0, 200.0));
        println!("{room} {state}: 20 to 110 Hz {agreed:?}\n    110 to 200 Hz {above:?}");
        assert!(agreed.pairs >= 8, "{agreed:?}");
        assert!(!below_90_beyond_chance(agreed.held()), "{room} {state}: {agreed:?}");
        all = (all.0 + agreed.held().0, all.1 + agreed.held().1);
    }
    println!("all, 20 to 110 Hz: {} of {} inside", all.0, all.1);
    assert!(!below_90_beyond_chance(all), "{all:?}");
}
