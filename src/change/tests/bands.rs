//! Verdicts on bands over many invented pairs of states: none where nothing changed, and how small a change shows.

use crate::change::{
    BandChange, BandFacts, ChangeSettings, Changes, ModeChange, ModeValues, PlaceFacts, StateFacts, Verdict,
    compare, split_hz,
};
use crate::decay::{self, BandDecay, Signal};
use crate::estimate::Estimate;
use crate::filter::{Bank, Fraction};
use crate::flag::Flag;
use crate::modes::ModeSet;
use crate::room::simulate::Gauss;
use crate::session::Role;

const RATE_HZ: f64 = 4_000.0;
const T60_S: f64 = 0.6;
const ONSET_S: f64 = 0.02;
const SECONDS: f64 = 1.6;

/// Bands of one place: a field of its own (Gaussian noise, as above the range of single modes) decays from the
/// direct sound on into a floor 65 dB down.
fn place(t60_s: f64, field: &mut Gauss, floor: &mut Gauss, bank: &Bank) -> Vec<BandDecay> {
    let onset = (ONSET_S * RATE_HZ) as usize;
    let rate = 1000_f64.ln() / t60_s / RATE_HZ;
    let mut samples: Vec<f64> = (0..(SECONDS * RATE_HZ) as usize).map(|_| 5.6e-4 * floor.normal()).collect();
    for (k, sample) in samples.iter_mut().enumerate().skip(onset) {
        *sample += (-rate * (k - onset) as f64).exp() * field.normal();
    }
    let signal = Signal { samples: &samples, rate_hz: RATE_HZ, onset_s: ONSET_S };
    decay::band_decays(&signal, Fraction::Third, bank)
}

fn facts<'a>(
    set: &'a ModeSet,
    names: &'a [String],
    bands: &'a [Vec<BandDecay>],
    mean: &'a [BandDecay],
) -> StateFacts<'a> {
    let band = |position: &'a str, band: &'a BandDecay| BandFacts {
        position,
        source: "",
        band_hz: band.band.centre_hz,
        t20_s: band.t20_s,
        level: band.level,
        course: band.course.as_ref(),
    };
    let place = |position: &'a String| PlaceFacts {
        fault: None,
        position,
        source: "",
        role: Role::Other,
        at_m: [None; 2],
        low: None,
        file_rate_hz: RATE_HZ,
        arrival_s: ONSET_S,
        arrival_within_s: 0.0,
        origin_s: ONSET_S,
        emission_known: true,
        direct: Vec::new(),
        whole: Vec::new(),
        sounds_alike: false,
        normalised: false,
    };
    let own = names.iter().zip(bands).flat_map(|(name, all)| all.iter().map(|b| band(name, b)));
    StateFacts {
        modes: set,
        places: names.iter().map(place).collect(),
        relabelled: None,
        at_units: Vec::new(),
        bands: own.chain(mean.iter().map(|b| band("*", b))).collect(),
        repeats: Vec::new(),
    }
}

/// Two states compared that have bands alone.
fn between(names: &[String], before: &[Vec<BandDecay>], after: &[Vec<BandDecay>]) -> Changes {
    let mean =
        |bands: &[Vec<BandDecay>]| decay::average(&bands.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let none = ModeSet::default();
    compare(
        &facts(&none, names, before, &mean(before)),
        &facts(&none, names, after, &mean(after)),
        &ChangeSettings::default(),
    )
}

/// The bands' changes from T60 to `factor` times it at `places` places. The field after is another one: nothing that
/// repeats helps, as if every microphone had been put elsewhere.
fn told(places: usize, factor: f64, seed: u64, bank: &Bank) -> Vec<BandChange> {
    let names: Vec<String> = (0..places).map(|k| format!("p{k}")).collect();
    let (mut field, mut floor) = (Gauss::new(seed), Gauss::new(seed + 1_000_000));
    let mut state = |t60_s: f64| -> Vec<Vec<BandDecay>> {
        names.iter().map(|_| place(t60_s, &mut field, &mut floor, bank)).collect()
    };
    let (before, after) = (state(T60_S), state(factor * T60_S));
    let changes = between(&names, &before, &after);
    changes.bands.into_iter().filter(|band| band.verdict.is_some()).collect()
}

fn share(bands: &[BandChange], from_hz: f64, to_hz: f64, verdict: Verdict) -> (usize, usize) {
    let inside: Vec<_> = bands.iter().filter(|b| (from_hz..to_hz).contains(&b.band_hz)).collect();
    (inside.iter().filter(|b| b.verdict == Some(verdict)).count(), inside.len())
}

/// Half the interval that is foretold over that found, median over the bands from 200 Hz up.
fn foretold_over_found(bands: &[BandChange], places: usize) -> Option<f64> {
    let ratio = |band: &BandChange| {
        let found = band.t20_ratio?.ok()?;
        let foretold = decay::expected_change(places, 0.2308 * band.band_hz, T60_S)?;
        Some(foretold / (0.5 * (found.high / found.low).ln()))
    };
    let mut all: Vec<f64> = bands.iter().filter(|b| b.band_hz > 180.0).filter_map(ratio).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied()
}

/// First seed of the pairs in which nothing changed: others than those on which `decay::expected_change` was set.
const FRESH: u64 = 100_000;

/// How many pairs the suites draw: 200, or `STILLROOM_PAIRS`.
fn pairs() -> u64 {
    std::env::var("STILLROOM_PAIRS").ok().and_then(|n| n.parse().ok()).unwrap_or(200)
}

/// Pairs in which nothing changed, at 3, 6 and 10 places: at most 1 % of verdicts say that something did, and of the pairs
/// that hold one as many as chance makes of 1 % in 201 (five: binomial, 98 %).
#[test]
#[ignore = "hundreds of sessions; a minute"]
#[allow(clippy::print_stdout)]
fn no_change_is_found_in_nothing() {
    let bank = decay::bank(Fraction::Third, RATE_HZ);
    let changed = |b: &&BandChange| matches!(b.verdict, Some(Verdict::Shorter | Verdict::Longer));
    let (mut foretold, mut drawn, mut wrong_pairs) = (Vec::new(), 0, 0);
    let (mut verdicts, mut wrong, mut held, mut intervals) = (0, 0, 0, 0);
    for places in [3, 6, 10] {
        for seed in 0..pairs().div_ceil(3) {
            let bands = told(places, 1.0, FRESH + 10 * seed + places as u64, &bank);
            let false_ones = bands.iter().filter(changed).count();
            drawn += 1;
            wrong_pairs += usize::from(false_ones > 0);
            verdicts += bands.len();
            wrong += false_ones;
            foretold.extend(foretold_over_found(&bands, places).map(|ratio| (places, ratio)));
            let by_places = bands.iter().filter(|b| b.reason.starts_with("T20 "));
            for ratio in by_places.filter_map(|b| b.t20_ratio?.ok()) {
                intervals += 1;
                held += usize::from(ratio.low <= 1.0 && ratio.high >= 1.0);
            }
        }
    }
    println!("nothing changed: {wrong} of {verdicts} verdicts wrong, in {wrong_pairs} of {drawn} pairs");
    for places in [3, 6, 10] {
        let mut ratios: Vec<f64> = foretold.iter().filter(|r| r.0 == places).map(|r| r.1).collect();
        ratios.sort_by(f64::total_cmp);
        let at = |share: f64| ratios[((ratios.len() - 1) as f64 * share) as usize];
        println!(
            "{places} places: half interval foretold over found {:.2}, {:.2}, {:.2} (5, 50, 95 %)",
            at(0.05),
            at(0.5),
            at(0.95)
        );
    }
    let near = foretold.iter().map(|r| r.1).filter(|r| (0.7..=1.4).contains(r)).count();
    println!(
        "half interval foretold over found, median of a session's bands: 0.7 to 1.4 in {near} of {drawn}"
    );
    println!("intervals that hold the truth: {held} of {intervals}");
    assert!(100 * wrong <= verdicts, "{wrong} of {verdicts}");
    assert!(wrong_pairs * 40 <= drawn, "{wrong_pairs} of {drawn} pairs");
    assert!(near * 100 >= drawn * 90, "{near} of {drawn}");
    assert!(held * 100 >= intervals * 90, "{held} of {intervals}");
}

/// How often changes of 10, 20 and 40 % are told at 3, 6 and 10 places.
#[test]
#[ignore = "hundreds of sessions; a minute"]
#[allow(clippy::print_stdout)]
fn what_size_of_change_shows() {
    let bank = decay::bank(Fraction::Third, RATE_HZ);
    println!("| places | change | 50 to 160 Hz told | 200 Hz to 1.25 kHz told | the wrong way |");
    println!("| --- | --- | --- | --- | --- |");
    let part = |(a, b): (usize, usize)| 100.0 * a as f64 / b.max(1) as f64;
    for (places, percent) in [3, 6, 10].into_iter().flat_map(|n| [10.0, 20.0, 40.0].map(|p| (n, p))) {
        let mut sums = [(0, 0); 3];
        for seed in 0..(pairs() / 16).max(2) {
            let bands = told(places, 1.0 - percent / 100.0, 7_000 + 10 * seed + places as u64, &bank);
            let of = [
                share(&bands, 45.0, 180.0, Verdict::Shorter),
                share(&bands, 180.0, 1300.0, Verdict::Shorter),
                share(&bands, 0.0, 2e4, Verdict::Longer),
            ];
            for (sum, of) in sums.iter_mut().zip(of) {
                *sum = (sum.0 + of.0, sum.1 + of.1);
            }
        }
        let [low, high, wrong] = sums;
        println!("| {places} | {percent:.0} % | {:.0} % | {:.0} % | {} |", part(low), part(high), wrong.0);
        assert_eq!(wrong.0, 0, "none the wrong way");
        assert!(
            places < 10 || percent < 30.0 || part(high) > 95.0,
            "40 % at ten places: {:.0} %",
            part(high)
        );
    }
}

/// Files measured twice without a change between: all bands that have a T20 ring as before.
#[test]
fn repeats_are_as_before() {
    let bank = decay::bank(Fraction::Third, RATE_HZ);
    let names: Vec<String> = (0..4).map(|k| format!("p{k}")).collect();
    let state = |seed: u64| -> Vec<Vec<BandDecay>> {
        let mut floor = Gauss::new(seed);
        (0..4).map(|k| place(T60_S, &mut Gauss::new(k), &mut floor, &bank)).collect()
    };
    let (before, after) = (state(91), state(92));
    let changes = between(&names, &before, &after);
    let upper: Vec<_> =
        changes.bands.iter().filter(|b| b.position == "*" && (190.0..1300.0).contains(&b.band_hz)).collect();
    assert_eq!(upper.len(), 9);
    assert!(upper.iter().all(|b| b.verdict == Some(Verdict::Unchanged)), "{upper:#?}");
    assert!(changes.band_summary.contains("as before"), "{}", changes.band_summary);
    assert!(!changes.band_summary.contains("shorter") && !changes.band_summary.contains("longer"));
    let single = changes.bands.iter().filter(|b| b.position != "*");
    assert!(single.into_iter().all(|b| b.verdict.is_none() && b.reason.is_empty()));
}

/// A mode that rings shorter as two is named by its frequency before; one that stayed one isn't, nor one that didn't change.
#[test]
fn split_modes_are_named() {
    let of = |frequency_hz: f64, verdict: Verdict, split: bool| {
        let values = ModeValues { frequency_hz, t60_s: Estimate::new(1.0, 0.01) };
        let mut change = ModeChange { before_values: Some(values), ..ModeChange::sample(verdict) };
        if split {
            change.flags.add(Flag::Split);
        }
        change
    };
    let modes = [
        of(35.0, Verdict::Shorter, false),
        of(45.0, Verdict::Shorter, true),
        of(55.0, Verdict::Unchanged, true),
    ];
    assert_eq!(split_hz(&modes), [45.0]);
}
