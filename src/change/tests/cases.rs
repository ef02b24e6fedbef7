//! Single cases with known answers, and laws.
//!
//! The room is 5.2 × 3.9 × 2.6 m, walls of conductance 0.01: its first modes are (1,0,0) at 33.0 Hz,
//! (0,1,0) at 44.0 Hz, (1,1,0) at 55.0 Hz, (0,0,1) and (2,0,0) at 66.0 Hz, from the closed form.

use super::session::{Measured, RANGE_HZ, StateSetup, compared};
use crate::change::{ChainFindings, ChangeSettings, Changes, ModeChange, Verdict, compare};
use crate::flag::Flag;
use crate::room::simulate::sound::Background;
use crate::room::simulate::{Chain, Gauss, Scene, Section, seed_from};
use rustfft::num_complex::Complex64;

const ROOM: [f64; 3] = [5.2, 3.9, 2.6];
const UNIT_AT: [f64; 3] = [5.0, 0.2, 0.2];

fn empty() -> StateSetup {
    let mut scene = Scene::empty(ROOM, 20.0, 0.01, 200.0);
    scene.walls = [[0.009, 0.012], [0.011, 0.010], [0.008, 0.014]];
    scene.chain = Chain::high_pass(26.0, 2);
    let places = vec![
        [2.1, 1.7, 1.2],
        [0.05, 3.85, 0.05],
        [3.4, 2.9, 1.1],
        [5.15, 0.05, 2.55],
        [1.2, 0.9, 1.3],
        [5.15, 3.85, 0.05],
    ];
    StateSetup { scene, source: [0.35, 0.4, 0.3], places }
}

fn measured(setup: &StateSetup, name: &str, noise: f64) -> Measured {
    let background = Background { floor_per_hz: noise, knee_hz: 40.0 };
    setup.measure(background, 2.5, &mut Gauss::new(seed_from(&["case", name])))
}

/// Some 60 dB under the peak of the low end.
const QUIET: f64 = 3e-14;

fn settings() -> ChangeSettings {
    ChangeSettings { range_hz: RANGE_HZ, ..ChangeSettings::default() }
}

/// The room with a unit on the (1,0,0) mode; `damping` in units of its coupling.
fn with_unit(g_per_s: f64, damping: f64, off_hz: f64) -> StateSetup {
    let mut setup = empty();
    let (omega, decay) = setup.scene.bare_mode([1, 0, 0]).unwrap();
    let own = (omega + 2.0 * std::f64::consts::PI * off_hz, decay + damping * g_per_s);
    setup.scene.units.push(setup.scene.unit_for([1, 0, 0], g_per_s, UNIT_AT, own));
    setup
}

/// The change of the mode before that is nearest to a frequency.
fn near(changes: &Changes, hz: f64) -> &ModeChange {
    let off = |c: &&ModeChange| c.before_values.map_or(f64::INFINITY, |v| (v.frequency_hz - hz).abs());
    changes.modes.iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap()
}

fn count(changes: &Changes, verdict: Verdict) -> usize {
    changes.modes.iter().filter(|c| c.verdict == verdict).count()
}

#[test]
fn one_state_against_itself_is_unchanged() {
    let state = measured(&empty(), "empty", QUIET);
    let changes = compared(&state, &state, &settings());
    assert!(changes.modes.len() > 15, "{}", changes.modes.len());
    for change in &changes.modes {
        assert!(matches!(change.verdict, Verdict::Unchanged | Verdict::Unsure), "{change:?}");
        let ratio = change.t60_ratio.unwrap().unwrap();
        assert!((ratio.value - 1.0).abs() < 1e-12);
        assert!(change.shape_match.unwrap() > 1.0 - 1e-12);
    }
    assert!(count(&changes, Verdict::Unchanged) > 12);
    assert!((changes.chain.gain.unwrap().value - 1.0).abs() < 1e-12);
    assert!((changes.frequency_factor.unwrap().value - 1.0).abs() < 1e-12);
    assert!(changes.worst_seat.is_none());
}

/// One pair of walls damped: 2 c Δβ/L for the modes along that axis and half of it for the rest
/// (first-order damping); every claimed mode must come out shorter, by about the known amount.
#[test]
fn walls_that_take_more_make_every_mode_shorter_and_the_swap_longer() {
    let mut after = empty();
    after.scene.walls[1] = [0.022, 0.020];
    let (old, new) = (measured(&empty(), "bare walls", QUIET), measured(&after, "soft walls", QUIET));
    let there = compared(&old, &new, &settings());
    let back = compared(&new, &old, &settings());
    assert!(count(&there, Verdict::Shorter) > 15 && count(&there, Verdict::Longer) == 0);
    assert_eq!(count(&there, Verdict::Shorter), count(&back, Verdict::Longer));
    let (one, other) = (near(&there, 44.0), near(&back, 44.0));
    let (a, b) = (one.t60_ratio.unwrap().unwrap(), other.t60_ratio.unwrap().unwrap());
    assert!((a.value * b.value - 1.0).abs() < 1e-9 && (a.low * b.high - 1.0).abs() < 1e-9);
    let decay = |setup: &StateSetup| setup.scene.bare_mode([0, 1, 0]).unwrap().1;
    let expected = decay(&empty()) / decay(&after);
    assert!(a.low <= expected && expected <= a.high, "{a:?} {expected}");
    // One pole rings for its T60.
    let ring = one.ring_ratio.unwrap().unwrap();
    assert!(
        (ring.value / a.value - 1.0).abs() < 1e-12 && (ring.high / a.high - 1.0).abs() < 1e-12,
        "{ring:?}"
    );
    // Plain damping lowers the level by the ratio of decays; the loudspeaker's high-pass is a little
    // another one at the new pole (1 %).
    let level = one.level_ratio.unwrap().unwrap();
    assert!((level.value / expected - 1.0).abs() < 0.02, "{level:?} {expected}");
    assert!(there.worst_seat.is_some());
}

#[test]
fn a_gain_is_found_and_changes_no_verdict() {
    let mut louder = with_unit(10.0, 0.9, 0.0);
    let plain = measured(&louder, "unit", QUIET);
    louder.scene.gain *= 3.7;
    let loud = measured(&louder, "unit", QUIET * 3.7 * 3.7);
    let old = measured(&empty(), "empty", QUIET);
    let (one, other) = (compared(&old, &plain, &settings()), compared(&old, &loud, &settings()));
    assert!((other.chain.gain.unwrap().value / 3.7 - 1.0).abs() < 0.01);
    // The levels stand as recorded, their change without the gain: a row says so.
    for place in other.positions.iter().filter(|p| p.level_ratio.is_ok()) {
        assert!(place.flags.has(Flag::GainRemoved), "{place:?}");
    }
    for (a, b) in one.modes.iter().zip(&other.modes) {
        assert_eq!(a.verdict, b.verdict, "{} / {}", a.reason, b.reason);
        if let (Some(Ok(a)), Some(Ok(b))) = (a.level_ratio, b.level_ratio) {
            assert!((a.value / b.value).ln().abs() < 0.01, "{a:?} {b:?}");
        }
    }
}

/// At one place or two what a treatment does to the direct sound looks like a gain: the user's word decides, and what it
/// overrules is told. Three places know a gain from that, whatever is said.
#[test]
fn so_few_places_take_the_chain_as_stated() {
    let stated = ChangeSettings { same_chain: Some(true), ..settings() };
    for (places, overruled) in [(1, true), (2, true), (4, false)] {
        let (mut quiet, mut loud) = (empty(), with_unit(10.0, 0.9, 0.0));
        quiet.places.truncate(places);
        loud.places.truncate(places);
        loud.scene.gain *= 1.3;
        let old = measured(&quiet, "empty", QUIET);
        let new = measured(&loud, "unit", QUIET);
        let [by_word, by_sound] = [&stated, &settings()].map(|settings| compared(&old, &new, settings).chain);
        let gain = |chain: &ChainFindings| chain.gain.unwrap().value;
        assert!((gain(&by_sound) / 1.3 - 1.0).abs() < 0.02 && by_sound.gain_overruled.is_none());
        assert_eq!((gain(&by_word) - 1.0).abs() < 1e-9, overruled, "{places} places");
        assert_eq!(by_word.gain_overruled.is_some_and(|g| (g / 1.3 - 1.0).abs() < 0.02), overruled);
    }
}

/// A lightly damped unit splits its mode: both poles together make up its shape, the slower one's T60
/// is that of the closed form, the ring is longer than the faster pole's and the rest stays as it was.
#[test]
fn a_lightly_damped_unit_splits_its_mode() {
    let setup = with_unit(12.0, 0.3, 0.2);
    let (old, new) = (measured(&empty(), "empty", QUIET), measured(&setup, "split", QUIET));
    let changes = compared(&old, &new, &settings());
    let change = near(&changes, 33.0);
    assert!(change.flags.has(Flag::Split) && change.verdict == Verdict::Shorter, "{change:?}");
    let own = new.solved.room_poles().iter().filter(|p| p.axes == Some([1, 0, 0]));
    let slowest = own.map(|p| p.t60_s()).fold(0.0, f64::max);
    let found = change.after_values.unwrap().t60_s;
    assert!((found.value - slowest).abs() < 4.0 * found.sd.unwrap(), "{found:?} {slowest}");
    assert!(change.second_after.is_some() && change.second_after != change.after);
    let ring = change.after_ring_s.unwrap().unwrap();
    assert!(ring > 0.6 * slowest && ring < 1.5 * slowest, "{ring} {slowest}");
    assert_eq!(count(&changes, Verdict::New), 0);
    assert_eq!(near(&changes, 55.0).verdict, Verdict::Unchanged, "{:?}", near(&changes, 55.0));
}

/// What a unit in the loudspeaker's own corner does reaches all positions through what the loudspeaker radiates: one
/// filter explains it, so the positions can't tell. The user's word that the chain stayed decides then, and never the
/// filter.
#[test]
fn a_unit_beside_the_loudspeaker_is_not_taken_for_a_filter() {
    let stated = ChangeSettings { same_chain: Some(true), ..settings() };
    for (number, (g_per_s, damping)) in
        [(6.0, 0.5), (9.0, 0.6), (12.0, 0.5), (15.0, 0.7)].into_iter().enumerate()
    {
        let mut after = with_unit(g_per_s, damping, 0.0);
        let own = (after.scene.units[0].omega_per_s, after.scene.units[0].decay_per_s);
        after.scene.units[0] = after.scene.unit_for([1, 0, 0], g_per_s, [0.35, 0.4, 0.3], own);
        let name = format!("beside {number}");
        let (old, new) = (measured(&empty(), "empty", QUIET), measured(&after, &name, QUIET));
        let change = compared(&old, &new, &stated);
        let mode = near(&change, 33.0);
        assert_eq!(mode.verdict, Verdict::Shorter, "{g_per_s}: {mode:?}");
        let unstated = compared(&old, &new, &settings());
        assert_ne!(near(&unstated, 33.0).verdict, Verdict::Chain, "{g_per_s}: {:?}", near(&unstated, 33.0));
    }
}

/// An equaliser whose zero sits on the mode's pole replaces it by a faster one: in the poles alone that
/// is damping. One that only dips leaves the pole and puts its own beside it.
#[test]
fn an_equaliser_is_not_taken_for_a_damper() {
    let old = measured(&empty(), "empty", QUIET);
    let (omega, decay) = empty().scene.bare_mode([0, 1, 0]).unwrap();
    let root = |decay: f64| Complex64::new(-decay, (omega * omega - decay * decay).sqrt());
    let mut inverse = empty();
    inverse.scene.chain = inverse.scene.chain.with(Section { zero: root(decay), pole: root(2.2 * decay) });
    let changes = compared(&old, &measured(&inverse, "inverse", QUIET), &settings());
    assert_eq!(near(&changes, 44.0).verdict, Verdict::Chain, "{:?}", near(&changes, 44.0));
    assert_eq!(count(&changes, Verdict::Shorter), 0);
    // Neighbours that show it overrule what the session says.
    let stated = ChangeSettings { same_chain: Some(true), ..settings() };
    let changes = compared(&old, &measured(&inverse, "inverse", QUIET), &stated);
    assert_eq!(near(&changes, 44.0).verdict, Verdict::Chain, "{:?}", near(&changes, 44.0));
    // The same change of the pole, by walls, is the room's: see the test of the walls above.
    let mut bell = empty();
    bell.scene.chain = bell.scene.chain.with(Section::bell(44.0, 25.0, -6.0));
    let changes = compared(&old, &measured(&bell, "bell", QUIET), &settings());
    assert_eq!(near(&changes, 44.0).verdict, Verdict::Chain, "{:?}", near(&changes, 44.0));
    assert_eq!((count(&changes, Verdict::Shorter), count(&changes, Verdict::New)), (0, 0));
    assert!(!changes.chain.filter_poles.is_empty());
}

/// A bell an octave and more wide, or another high-pass, leaves no pole among the modes: it is the chain's all the same, and
/// none of it is the room's.
#[test]
fn a_wide_equaliser_is_the_chain() {
    let old = measured(&empty(), "empty", QUIET);
    let mut bell = empty();
    bell.scene.chain = bell.scene.chain.with(Section::bell(70.0, 300.0, 6.0));
    let mut high_pass = empty();
    high_pass.scene.chain = Chain::high_pass(40.0, 2);
    for (name, after, least) in [("wide bell", bell, 5), ("high-pass", high_pass, 2)] {
        let changes = compared(&old, &measured(&after, name, QUIET), &settings());
        assert_eq!(count(&changes, Verdict::LevelOnly), 0, "{name}: {}", changes.summary);
        assert!(count(&changes, Verdict::Chain) >= least, "{name}: {}", changes.summary);
        assert_eq!(count(&changes, Verdict::Shorter) + count(&changes, Verdict::Longer), 0, "{name}");
        let summary = changes.summary.to_string();
        assert!(summary.contains("changed in level by the measuring chain, not in ringing"), "{summary}");
        assert!(!summary.contains("none is shown to ring as before"), "{summary}");
    }
}

#[test]
fn a_moved_microphone_is_named_and_left_out() {
    let mut moved = empty();
    moved.places[2] = [3.15, 2.75, 1.1];
    let (old, new) = (measured(&empty(), "empty", QUIET), measured(&moved, "moved", QUIET));
    let changes = compared(&old, &new, &settings());
    assert_eq!(changes.chain.moved_microphones, [("p2".to_string(), String::new())]);
    assert!(!changes.chain.moved_loudspeaker);
    assert_eq!(count(&changes, Verdict::LevelOnly) + count(&changes, Verdict::Shorter), 0);
    assert!(count(&changes, Verdict::Unchanged) > 12);
}

/// A direct sound that only a low band shows may be read some milliseconds off: nothing moved for that, and shapes are compared
/// from the emission that both states share.
#[test]
fn a_vague_arrival_moves_no_microphone() {
    let (old, mut new) = (measured(&empty(), "empty", QUIET), measured(&empty(), "again", QUIET));
    new.arrivals_s[2] -= 5.6e-3;
    assert_eq!(compared(&old, &new, &settings()).chain.moved_microphones.len(), 1, "seen sharply");
    new.within_s = 9e-3;
    let changes = compared(&old, &new, &settings());
    assert!(changes.chain.moved_microphones.is_empty() && !changes.chain.moved_loudspeaker);
    let least = |changes: &Changes| {
        let matches = changes.modes.iter().filter_map(|mode| mode.shape_match);
        matches.fold(1.0, f64::min)
    };
    assert!(least(&changes) > 0.95, "{}", least(&changes));
}

#[test]
fn a_moved_loudspeaker_is_the_chain_and_not_the_room() {
    let mut moved = empty();
    moved.source = [1.3, 1.1, 0.3];
    let (old, new) = (measured(&empty(), "empty", QUIET), measured(&moved, "elsewhere", QUIET));
    let changes = compared(&old, &new, &settings());
    assert!(changes.chain.moved_loudspeaker);
    assert!(count(&changes, Verdict::Chain) > 5, "{}", changes.summary);
    assert_eq!(count(&changes, Verdict::LevelOnly) + count(&changes, Verdict::Shorter), 0);
}

/// 35 dB less: the same unit's effect on the weaker modes can't be told, and the sentence says what would.
#[test]
fn noise_makes_unsure_and_says_what_would_settle_it() {
    let noisy = QUIET * 10f64.powf(3.0);
    let (old, new) = (measured(&empty(), "empty", noisy), measured(&with_unit(8.0, 0.9, 0.0), "unit", noisy));
    let changes = compared(&old, &new, &settings());
    let unsure: Vec<&ModeChange> = changes.modes.iter().filter(|c| c.verdict == Verdict::Unsure).collect();
    assert!(unsure.len() > 3, "{}", changes.summary);
    assert!(unsure.iter().any(|c| c.reason.contains("dB more peak-to-noise")), "{:#?}", unsure);
    assert!(!unsure.iter().any(|c| c.reason.contains("about 1 times")), "{:#?}", unsure);
    for row in unsure {
        assert!(!row.flags.is_empty(), "{row:#?}");
        let out_of_reach = row.reason.contains("out of reach");
        assert_eq!(row.flags.has(Flag::OutOfReach), out_of_reach, "{row:#?}");
        if out_of_reach || row.reason.contains("would settle it (") {
            assert!(row.flags.has(Flag::WideChange), "{row:#?}");
        }
    }
}

/// A mode that vanishes from the list after is gone only where it would have been seen, and one that
/// appears is new only where it would have been seen before.
#[test]
fn gone_and_new_need_to_be_visible() {
    let full = measured(&empty(), "empty", QUIET);
    let mut without = measured(&empty(), "again", QUIET);
    let at = without
        .set
        .modes
        .iter()
        .position(|m| (m.omega_per_s / std::f64::consts::TAU - 44.0).abs() < 1.0)
        .unwrap();
    without.set.modes.remove(at);
    let side = 2 * (without.set.modes.len() + 1);
    let keep = |k: usize| k / 2 != at;
    without.set.covariance = (0..side * side)
        .filter(|k| keep(k / side) && keep(k % side))
        .map(|k| without.set.covariance[k])
        .collect();
    let there = compared(&full, &without, &settings());
    assert_eq!(near(&there, 44.0).verdict, Verdict::Gone, "{:?}", near(&there, 44.0));
    assert!(near(&there, 44.0).after_values.is_none());
    let back = compared(&without, &full, &settings());
    assert_eq!(count(&back, Verdict::New), 1, "{}", back.summary);
    assert!(back.summary.contains("; 1 new"), "{}", back.summary);
    // The same list, but with noise that would have hidden it.
    for low in &mut without.lows {
        let mut noise = vec![0.0; low.samples.len()];
        let loud = Background { floor_per_hz: 1e-4, knee_hz: 0.0 };
        loud.add(&mut noise, low.rate_hz, &mut Gauss::new(3));
        low.samples.iter_mut().zip(noise).for_each(|(x, n)| *x += n as f32);
    }
    assert_eq!(near(&compared(&full, &without, &settings()), 44.0).verdict, Verdict::Unsure);
    assert_eq!(count(&compared(&without, &full, &settings()), Verdict::New), 0);
}

/// One position, no word about the chain: a change is found, but not who made it, unless neighbours tell.
#[test]
fn without_common_places_decays_are_still_compared() {
    let mut after = empty();
    after.scene.walls[1] = [0.022, 0.020];
    let (old, mut new) = (measured(&empty(), "bare walls", QUIET), measured(&after, "soft walls", QUIET));
    for (m, name) in new.names.iter_mut().enumerate() {
        *name = format!("other {m}");
    }
    new.set.places = new.names.iter().map(|n| (n.clone(), String::new())).collect();
    let changes = compared(&old, &new, &settings());
    let change = near(&changes, 44.0);
    assert!(change.t60_ratio.unwrap().unwrap().high < 1.0);
    assert_eq!(change.verdict, Verdict::Unsure);
    assert!(change.flags.has(Flag::ChainUntold) && change.reason.contains("same_chain"), "{}", change.reason);
    let stated = ChangeSettings { same_chain: Some(true), ..settings() };
    let change = &compared(&old, &new, &stated);
    assert_eq!(near(change, 44.0).verdict, Verdict::Shorter);
    assert!(
        near(change, 44.0).flags.has(Flag::ChainAsStated)
            && near(change, 44.0).reason.contains("stated to be the same")
    );
}

/// A place whose file is faulty keeps its rows: empty, with the fault's flag, in the order of the places.
#[test]
fn a_place_left_out_has_empty_rows() {
    let (before, after) = (measured(&empty(), "a", QUIET), measured(&with_unit(9.0, 0.9, 0.0), "b", QUIET));
    let whole = compared(&before, &after, &settings());
    let (old, mut new) = (before.facts(), after.facts());
    new.places[1].fault = Some(Flag::Clipped);
    let changes = compare(&old, &new, &settings());
    let modes: Vec<usize> = changes.modes.iter().filter_map(|c| c.before).collect();
    assert_eq!(changes.positions.len(), 6 * modes.len());
    for (rows, mode) in changes.positions.chunks(6).zip(&modes) {
        assert!(rows.iter().all(|row| row.mode == *mode));
        let names: Vec<&str> = rows.iter().map(|row| row.position.as_str()).collect();
        assert_eq!(names, ["p0", "p1", "p2", "p3", "p4", "p5"]);
        assert!(rows[1].flags.has(Flag::Clipped) && !rows[0].flags.has(Flag::Clipped));
        assert_eq!(rows[1].before_level, Err(Flag::Clipped));
        assert!(rows[0].before_level.is_ok());
    }
    assert!(whole.positions.iter().all(|row| !row.flags.has(Flag::Clipped)));
    // Where every place is faulty nothing else is said, and the rows still stand.
    new.places.iter_mut().for_each(|place| place.fault = Some(Flag::Clipped));
    let changes = compare(&old, &new, &settings());
    assert!(changes.positions.iter().all(|row| row.level_ratio == Err(Flag::Clipped)));
    assert!(!changes.positions.is_empty());
}
