//! What goes wrong with recordings, and what `respond` and `analyze` make of it: a bad take is named and not
//! analysed, a good one shows the room's modes and no other.

use super::simulator::{Chain, room, sweep};
use assert_cmd::Command;
use std::path::{Path, PathBuf};
use stillroom::excitation::{Noise, Sweep};

const RATE: u32 = 8_000;

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

fn write(path: &Path, channels: &[&[f64]]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).expect("writable");
    for n in 0..channels.iter().map(|c| c.len()).max().unwrap_or(0) {
        for channel in channels {
            let value = channel.get(n).copied().unwrap_or(0.0).clamp(-1.0, 1.0);
            wav.write_sample((value * 8_388_607.0) as i32).expect("writable");
        }
    }
    wav.finalize().expect("writable");
}

fn run(folder: &Path, arguments: &[&str]) -> (i32, String) {
    let mut command = Command::cargo_bin("stillroom").expect("the program was built");
    let output = command.current_dir(folder).env("NO_COLOR", "1").args(arguments).output().expect("it runs");
    let text = [output.stdout, output.stderr].concat();
    (output.status.code().unwrap_or(-1), String::from_utf8_lossy(&text).into_owned())
}

/// Records, recovers, analyses; what was wrong with the outcome, if anything.
fn judge(case: &Case) -> Result<(), String> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| -> PathBuf { folder.path().join(name) };
    write(&at("signal.wav"), &[&sweep().samples().expect("in range")]);
    write(&at("twice.wav"), &[&twice(&sweep().samples().expect("in range"))]);
    let other = Sweep { seconds: 5.0, ..sweep() };
    write(&at("other.wav"), &[&other.samples().expect("in range")]);
    write(&at("seat.wav"), &[&case.microphone, &case.reference]);
    let (status, said) =
        run(folder.path(), &[&["respond", "seat.wav", "--out", "room/now"], &case.arguments[..]].concat());
    let wrong = |what: &str| Err(format!("{}: {what}: status {status}\n{said}", case.name));
    match case.expected {
        Refused(why) if status != 1 || !said.contains(why) => return wrong("not refused"),
        Refused(_) => return Ok(()),
        Again(_) if status != 3 || !said.contains("again, because") => return wrong("not named"),
        Kept if status != 0 => return wrong("not kept"),
        _ => {}
    }
    let record = std::fs::read_to_string(at("room/now/seat.capture.json")).expect("a record beside it");
    let (ended, report) = run(folder.path(), &["analyze", "room", "--modes-from", "26", "--modes-to", "90"]);
    match case.expected {
        Again(word) if !record.contains(&format!("\"{word}\"")) => wrong(&record),
        Again(_) if ended != 1 => wrong(&format!("analysed all the same: {report}")),
        Again(_) => Ok(()),
        _ => modes_are_the_rooms(&at("room-results/modes.csv"))
            .map_err(|what| format!("{}: {what}\n{said}", case.name)),
    }
}

/// Every claimed mode is one of the room's, and its interval holds.
fn modes_are_the_rooms(table: &Path) -> Result<(), String> {
    let mut reader = csv::Reader::from_path(table).map_err(|error| error.to_string())?;
    let head = reader.headers().expect("a header").clone();
    let mut claimed = 0;
    for row in reader.records().map(|row| row.expect("a row")) {
        let cell = |name: &str| head.iter().position(|h| h == name).and_then(|k| row.get(k)).unwrap_or("");
        let number = |name: &str| cell(name).parse::<f64>().unwrap_or(f64::NAN);
        if cell("kind") != "mode" {
            continue;
        }
        claimed += 1;
        let (hz, sd) = (number("frequency_hz"), number("frequency_sd_hz"));
        let nearest = room().into_iter().min_by(|a, b| (a.hz - hz).abs().total_cmp(&(b.hz - hz).abs()));
        let Some(truth) = nearest.filter(|mode| (mode.hz - hz).abs() < 0.3_f64.max(4.0 * sd)) else {
            return Err(format!("a false mode at {hz} ± {sd} Hz"));
        };
        let (t60, t60_sd) = (number("t60_s"), number("t60_sd_s"));
        if (t60 - truth.t60_s).abs() > (4.0 * t60_sd).max(0.07 * truth.t60_s) {
            return Err(format!("{hz} Hz: T60 {t60} ± {t60_sd}, in truth {}", truth.t60_s));
        }
    }
    if claimed >= 4 { Ok(()) } else { Err(format!("only {claimed} of 8 modes found")) }
}

fn twice(samples: &[f64]) -> Vec<f64> {
    [samples, samples].concat()
}

fn scaled(samples: &[f64], gain: f64) -> Vec<f64> {
    samples.iter().map(|x| (gain * x).clamp(-1.0, 1.0)).collect()
}

fn tone(samples: &[f64], hz: f64, amplitude: f64) -> Vec<f64> {
    let turn = std::f64::consts::TAU * hz / f64::from(RATE);
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
        case("stopped in the sweep, reference", part(clean, 0, 7 * second), &TOGETHER, Again("early-stop")),
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
    vec![
        case("clipped", (scaled(&microphone, 1.6 / peak), reference.clone()), &TOGETHER, Again("clipped")),
        case(
            "clipped, signal",
            (scaled(&microphone, 1.6 / peak), reference.clone()),
            &APART,
            Again("clipped"),
        ),
        case("reference clipped", (microphone.clone(), scaled(&reference, 6.0)), &TOGETHER, Again("clipped")),
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
        let signal =
            Noise { period_s, periods, to_hz: 3_600.0, rate_hz: f64::from(RATE), ..Noise::default() };
        let played = [vec![0.0; 8_000], signal.samples().expect("in range"), vec![0.0; 8_000]].concat();
        (chain().noisy(chain().through(&played)), played)
    };
    let arguments = ["--reference", "2", "--noise"];
    vec![
        case("noise, 2.73 s", taken(2.73, 6), &arguments, Kept),
        case("noise, period too short", taken(0.5, 12), &arguments, Again("short-period")),
    ]
}

fn failures(cases: &[Case]) -> Vec<String> {
    cases.iter().filter_map(|case| judge(case).err()).collect()
}

/// The takes that made false modes or wrong words before, and one of each kind.
#[test]
fn a_bad_take_is_named_and_not_analysed() {
    let clean = chain().record(&sweep());
    let mut cases = faults_of_start_and_end(&clean);
    cases.extend(faults_of_channels(&clean));
    let bad: Vec<Case> = cases.into_iter().filter(|case| !matches!(case.expected, Kept)).step_by(3).collect();
    let wrong = failures(&bad);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
#[ignore = "long: 32 takes from recording to modes; run with --profile suite"]
fn every_fault_of_a_take() {
    let clean = chain().record(&sweep());
    let mut cases = faults_of_start_and_end(&clean);
    cases.extend(faults_of_channels(&clean));
    cases.extend(several(&clean));
    cases.extend(harmless(&clean));
    cases.extend(noise());
    assert!(cases.len() >= 25, "{}", cases.len());
    let wrong = failures(&cases);
    println!("{} takes, {} wrong", cases.len(), wrong.len());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
