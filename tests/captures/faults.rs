//! What goes wrong with recordings, and what `respond` and `analyze` make of it: a bad take is named and not
//! analysed, a good one shows the room's modes and no other.

use super::claims::{Claim, Score, claims};
use super::simulator::{Chain, room, sweep};
use super::site::Site;
use crate::program::rows;
use std::path::Path;
use stillroom::excitation::{Noise, Sweep};

const RATE: f64 = 8_000.0;

/// What must become of a take.
enum Expected {
    /// A response that is kept, and whose modes are the room's.
    Kept,
    /// A response named as bad by this word, and not analysed.
    Again(&'static str),
    /// No response; the message says this.
    Refused(&'static str),
}
use Expected::{Again, Kept, Refused};

/// A take: two channels and how they are read.
struct Case {
    name: &'static str,
    microphone: Vec<f64>,
    reference: Vec<f64>,
    arguments: Vec<&'static str>,
    expected: Expected,
}

const TOGETHER: [&str; 2] = ["--reference", "2"];
const APART: [&str; 2] = ["--signal", "signal.wav"];

fn case(
    name: &'static str,
    (microphone, reference): (Vec<f64>, Vec<f64>),
    arguments: &[&'static str],
    expected: Expected,
) -> Case {
    Case { name, microphone, reference, arguments: arguments.to_vec(), expected }
}

/// Records, recovers, analyses; how the claims stand, or what was wrong with the outcome. A response that is kept
/// goes into the session `all` as a state.
fn judge(case: &Case, all: &Path) -> Result<Score, String> {
    let site = Site::new();
    site.write("signal.wav", RATE, &[&sweep().samples().expect("in range")]);
    site.write("twice.wav", RATE, &[&twice(&sweep().samples().expect("in range"))]);
    let other = Sweep { seconds: 5.0, ..sweep() };
    site.write("other.wav", RATE, &[&other.samples().expect("in range")]);
    site.write("seat.wav", RATE, &[&case.microphone, &case.reference]);
    let (status, said) =
        site.run(&[&["respond", "seat.wav", "--out", "room/now"], &case.arguments[..]].concat());
    let wrong = |what: &str| Err(format!("{}: {what}: status {status}\n{said}", case.name));
    match case.expected {
        Refused(why) if status != 1 || !said.contains(why) => return wrong("not refused"),
        Refused(_) => return Ok(Score::default()),
        Again(_) if status != 3 || !said.contains("again, because") => return wrong("not named"),
        Kept if status != 0 => return wrong("not kept"),
        _ => {}
    }
    let record = std::fs::read_to_string(site.at("room/now/seat.capture.json")).expect("a record beside it");
    let (ended, report) = site.run(&["analyze", "room", "--modes-from", "26", "--modes-to", "90"]);
    let (_, look) = site.run(&["check", "room"]);
    let called_bad = look.contains("Measure again") && look.contains("not enough");
    match case.expected {
        Again(_) if !called_bad => wrong(&format!("check is content: {look}")),
        Again(word) if !record.contains(&format!("\"{word}\"")) => wrong(&record),
        Again(_) if ended != 1 => wrong(&format!("analysed all the same: {report}")),
        Again(_) => Ok(Score::default()),
        _ => {
            site.keep_as(&case.name.replace([' ', ',', '.'], "-"), all);
            let found = claims(&site.at("room-results/modes.csv"));
            let score = Score::of(&found, &room());
            let far = found.iter().any(|claim| !near_its_truth(claim));
            if far || score.claimed < 4 { wrong(&format!("{score:?}: {found:?}")) } else { Ok(score) }
        }
    }
}

/// No false mode, and T60 within 4 sd or 7 %.
fn near_its_truth(claim: &Claim) -> bool {
    room()
        .iter()
        .filter(|pole| (pole.hz - claim.hz.0).abs() < 0.3_f64.max(4.0 * claim.hz.1))
        .any(|truth| (claim.t60_s.0 - truth.t60_s).abs() <= (4.0 * claim.t60_s.1).max(0.07 * truth.t60_s))
}

fn twice(samples: &[f64]) -> Vec<f64> {
    [samples, samples].concat()
}

fn scaled(samples: &[f64], gain: f64) -> Vec<f64> {
    samples.iter().map(|x| (gain * x).clamp(-1.0, 1.0)).collect()
}

fn tone(samples: &[f64], hz: f64, amplitude: f64) -> Vec<f64> {
    let turn = std::f64::consts::TAU * hz / RATE;
    samples.iter().enumerate().map(|(n, x)| x + amplitude * (turn * n as f64).sin()).collect()
}

fn part((microphone, reference): &(Vec<f64>, Vec<f64>), from: usize, to: usize) -> (Vec<f64>, Vec<f64>) {
    let (from, to) = (from.min(microphone.len()), to.min(microphone.len()));
    (microphone[from..to].to_vec(), reference[from..to].to_vec())
}

/// A chain whose microphone comes near full scale.
fn chain() -> Chain {
    let mut chain = Chain { noise: 1e-5, direct: 0.1, ..Chain::default() };
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    chain.tail.0 *= 0.3;
    chain
}

fn faults_of_start_and_end(clean: &(Vec<f64>, Vec<f64>)) -> Vec<Case> {
    let second = RATE as usize;
    let rest = clean.0.len();
    vec![
        case("late start, reference", part(clean, 3 * second, rest), &TOGETHER, Again("late-start")),
        case("late start, signal", part(clean, 3 * second, rest), &APART, Again("late-start")),
        case("stopped in the sweep, reference", part(clean, 0, 7 * second), &TOGETHER, Refused("outlasts")),
        case("stopped in the sweep, signal", part(clean, 0, 7 * second), &APART, Refused("outlasts")),
        case("stopped before the tail", part(clean, 0, 9 * second + 1_600), &TOGETHER, Again("early-stop")),
    ]
}

fn faults_of_channels(clean: &(Vec<f64>, Vec<f64>)) -> Vec<Case> {
    let (microphone, reference) = clean.clone();
    let peak = microphone.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    let silence = vec![0.0; microphone.len()];
    let hiss = Chain { noise: 0.05, ..chain() }.noisy(silence.clone());
    let mut click = reference.clone();
    click[5 * RATE as usize] = 1.0;
    let hum = tone(&reference, 50.0, 0.006);
    let stretched = Chain { ppm: 120.0, ..chain() }.record(&sweep());
    vec![
        case("clipped", (scaled(&microphone, 1.6 / peak), reference.clone()), &TOGETHER, Again("clipped")),
        case(
            "clipped, signal",
            (scaled(&microphone, 1.6 / peak), reference.clone()),
            &APART,
            Again("clipped"),
        ),
        case("reference clipped", (microphone.clone(), scaled(&reference, 6.0)), &TOGETHER, Again("clipped")),
        case(
            "clipped, two clocks",
            (scaled(&stretched.0, 1.6 / peak), stretched.1),
            &["--signal", "signal.wav", "--reference", "2"],
            Again("clipped"),
        ),
        case("silence", (silence.clone(), reference.clone()), &TOGETHER, Refused("silent")),
        case("silent reference", (microphone.clone(), silence), &TOGETHER, Refused("silent")),
        case(
            "unrelated noise",
            (hiss.clone(), reference.clone()),
            &TOGETHER,
            Refused("nothing of the signal"),
        ),
        case("unrelated noise, signal", (hiss, reference.clone()), &APART, Refused("nothing of the signal")),
        case("swapped", (reference.clone(), microphone.clone()), &TOGETHER, Again("swapped-channels")),
        case("other sweep", clean.clone(), &["--signal", "other.wav"], Refused("not the one")),
        case("hum in the reference", (microphone.clone(), hum), &TOGETHER, Again("reference-noise")),
        case("click in the reference", (microphone, click), &TOGETHER, Again("click")),
    ]
}

fn faults_of_the_way(clean: &(Vec<f64>, Vec<f64>)) -> Vec<Case> {
    let (microphone, reference) = clean.clone();
    let second = RATE as usize;
    let mut zeros = microphone.clone();
    zeros[4 * second..4 * second + 160].fill(0.0);
    let lost = |samples: &[f64]| [&samples[..5 * second], &samples[5 * second + 256..]].concat();
    let mut knocked = microphone.clone();
    let knock = |n: usize| 0.05 * (-(n as f64) / 20.0).exp() * (1.3 * n as f64).sin();
    (0..160).for_each(|n| knocked[4 * second + n] += knock(n));
    let looped = Chain { noise: 1e-5, ..chain() }.noisy(scaled(&reference, 0.5));
    let alone = Chain { ppm: 100.0, ..chain() }.record(&sweep());
    let at_speed = |share: f64| Chain { ppm: 1e6 * share, ..chain() }.record(&sweep());
    let followed = followed(&microphone);
    vec![
        case("played 2 % slower", at_speed(0.02), &APART, Again("other-speed")),
        case("48 kHz taken for 44.1", at_speed(48.0 / 44.1 - 1.0), &APART, Again("other-speed")),
        case(
            "automatic gain, signal",
            (followed.clone(), reference.clone()),
            &APART,
            Again("automatic-gain"),
        ),
        case("automatic gain", (followed, reference.clone()), &TOGETHER, Again("automatic-gain")),
        case("a gap of zeros", (zeros, reference.clone()), &TOGETHER, Again("dropout")),
        case("samples lost, signal", (lost(&microphone), lost(&reference)), &APART, Again("dropout")),
        case("samples lost, reference", (lost(&microphone), lost(&reference)), &TOGETHER, Again("dropout")),
        case("the loopback for the microphone", (looped, reference.clone()), &TOGETHER, Again("loopback")),
        case("hum at the microphone", (tone(&microphone, 50.0, 1e-3), reference.clone()), &TOGETHER, Kept),
        case("a knock at the microphone", (knocked, reference), &TOGETHER, Kept),
        case("clock 100 ppm, one sweep", alone, &APART, Kept),
    ]
}

/// A recorder whose gain follows the level: down within 50 ms, up again within seconds.
fn followed(samples: &[f64]) -> Vec<f64> {
    let mut level = 1e-3;
    let mut gain = |x: f64| {
        let time_s = if x.abs() > level { 0.05 } else { 2.0 };
        level += (x.abs() - level) / (time_s * RATE);
        (0.1 / level).min(8.0)
    };
    samples.iter().map(|x| x * gain(*x)).collect()
}

fn several(clean: &(Vec<f64>, Vec<f64>)) -> Vec<Case> {
    let both = (twice(&clean.0), twice(&clean.1));
    vec![
        case("two sweeps, signal", both.clone(), &APART, Again("several-signals")),
        case("two sweeps averaged", both.clone(), &["--signal", "signal.wav", "--average"], Kept),
        case("two sweeps, both in the signal", both.clone(), &["--signal", "twice.wav"], Kept),
        case("two sweeps, reference", both, &TOGETHER, Kept),
    ]
}

fn harmless(clean: &(Vec<f64>, Vec<f64>)) -> Vec<Case> {
    let (microphone, reference) = clean.clone();
    let ahead = |samples: &[f64]| [vec![0.0; 6_480], samples.to_vec()].concat();
    let driven = Chain { distortion: (0.08, 0.6), ..chain() }.record(&sweep());
    let early = chain().noisy(ahead(&driven.0));
    let sub = Chain { low_pass_hz: Some(110.0), tail: (0.0, 0.3), ..chain() }.record(&sweep());
    let offset: Vec<f64> = microphone.iter().map(|x| x + 0.01).collect();
    let clock = |ppm: f64| Chain { ppm, ..chain() }.record(&sweep());
    let both = ["--signal", "signal.wav", "--reference", "2"];
    vec![
        case("clean", clean.clone(), &TOGETHER, Kept),
        case("clean, signal", clean.clone(), &APART, Kept),
        case("recorder ahead, distortion, signal", (early, reference.clone()), &APART, Kept),
        case("distortion, reference", driven, &TOGETHER, Kept),
        case("subwoofer", sub, &TOGETHER, Kept),
        case("offset", (offset, reference.clone()), &TOGETHER, Kept),
        case("polarity", (scaled(&microphone, -1.0), reference.clone()), &TOGETHER, Kept),
        case(
            "background noise",
            (Chain { noise: 1e-3, ..chain() }.noisy(microphone), reference),
            &TOGETHER,
            Kept,
        ),
        case("clock 100 ppm", clock(100.0), &both, Kept),
        case("clock 300 ppm", clock(300.0), &both, Kept),
    ]
}

fn noise() -> Vec<Case> {
    let taken = |period_s: f64, periods: usize| {
        let signal = Noise { period_s, periods, to_hz: 3_600.0, rate_hz: RATE, ..Noise::default() };
        let played = [vec![0.0; 8_000], signal.samples().expect("in range"), vec![0.0; 8_000]].concat();
        (chain().noisy(chain().through(&played)), played)
    };
    let arguments = ["--reference", "2", "--noise"];
    let (microphone, reference) = taken(2.73, 6);
    let peak = microphone.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
    vec![
        case("noise, 2.73 s", (microphone.clone(), reference.clone()), &arguments, Kept),
        case("noise, 10.92 s", taken(10.92, 5), &arguments, Kept),
        case("noise, clipped", (scaled(&microphone, 1.6 / peak), reference), &arguments, Again("clipped")),
        case("noise, period too short", taken(0.5, 12), &arguments, Again("short-period")),
    ]
}

/// What went wrong, and how the claims of all stand.
fn judged(cases: &[Case], all: &Path) -> (Vec<String>, Score) {
    let (mut wrong, mut score) = (Vec::new(), Score::default());
    for case in cases {
        match judge(case, all) {
            Ok(found) => score.add(found),
            Err(text) => wrong.push(text),
        }
    }
    (wrong, score)
}

/// The takes that made false modes or wrong words before, and one of each kind.
#[test]
fn a_bad_take_is_named_and_not_analysed() {
    let clean = chain().record(&sweep());
    let mut cases = faults_of_start_and_end(&clean);
    cases.extend(faults_of_channels(&clean));
    cases.extend(faults_of_the_way(&clean));
    let bad: Vec<Case> = cases.into_iter().filter(|case| !matches!(case.expected, Kept)).step_by(3).collect();
    let (wrong, _) = judged(&bad, Path::new(""));
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Every fault is found and named, no false mode comes of any take, 93 % of the intervals hold, and between two
/// takes of one unchanged room nothing is said to have changed its decay.
#[test]
#[ignore = "long: 46 takes from recording to modes and verdicts; run with --release"]
fn every_fault_of_a_take() {
    let all = Site::new();
    let clean = chain().record(&sweep());
    let mut cases = faults_of_start_and_end(&clean);
    cases.extend(faults_of_channels(&clean));
    cases.extend(faults_of_the_way(&clean));
    cases.extend(several(&clean));
    cases.extend(harmless(&clean));
    cases.extend(noise());
    assert!(cases.len() >= 25, "{}", cases.len());
    let (mut wrong, score) = judged(&cases, &all.at("all"));
    wrong.extend(verdicts(&all));
    println!("{} takes, {} wrong; {score:?}, held {:?}", cases.len(), wrong.len(), score.held());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(score.false_modes, 0);
    assert!(score.held().iter().all(|held| *held >= 0.93), "{:?}", score.held());
}

/// Verdicts of a changed decay between the clean take and the others of the same room.
fn verdicts(all: &Site) -> Vec<String> {
    let arguments = ["compare", "all", "--before", "clean", "--modes-from", "26", "--modes-to", "90"];
    let (status, said) = all.run(&arguments);
    assert_eq!(status, 0, "{said}");
    let rows = rows(&all.at("all-results/changes.csv"));
    assert!(rows.len() > 40, "{}", rows.len());
    let changed = ["shorter", "longer", "gone", "new"];
    let told = rows.iter().filter(|row| changed.contains(&row["verdict"].as_str()));
    told.map(|row| format!("a wrong verdict: {row:?}")).collect()
}
