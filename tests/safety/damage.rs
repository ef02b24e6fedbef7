//! Damaged input on every way in: audio, manifest, names, options, recordings of a test signal.
//!
//! Each way has its own alphabet, and the search keeps what gave a new kind of answer (a message, a repair,
//! a warning seen for the first time, numbers aside) and damages that further: so it gets past one check to
//! the next, as a search guided by coverage does, without an instrumented build. `STILLROOM_DAMAGE_S` sets
//! the seconds for each way in the longer run.

use std::collections::BTreeSet;
use std::fs;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use stillroom::analysis::{Control, Settings, analyze};
use stillroom::recording::{inspect, read_whole_from};
use stillroom::recovery::{Deconvolution, deconvolve, two_channel};
use stillroom::session::{OpenOptions, draft, open};

use super::Dice;
use crate::program::{Job, ended, response};

/// How long a search lasts.
#[derive(Clone, Copy)]
enum Budget {
    Cases(usize),
    Time(Duration),
}

impl Budget {
    fn long() -> Self {
        let seconds = std::env::var("STILLROOM_DAMAGE_S").ok().and_then(|text| text.parse().ok());
        Self::Time(Duration::from_secs(seconds.unwrap_or(15)))
    }
}

/// Searches from `seeds` on; `answer` says in words what an input gave, and panics where it may not be so.
fn search<T: Clone + std::fmt::Debug>(
    what: &str,
    budget: Budget,
    mut pool: Vec<T>,
    damage: impl Fn(&mut Dice, &T, &T) -> T,
    answer: impl Fn(&T) -> String,
) {
    const POOL: usize = 3_000;
    let (mut dice, mut kinds, begin) = (Dice(11), BTreeSet::new(), Instant::now());
    let mut cases = 0;
    while match budget {
        Budget::Cases(most) => cases < most,
        Budget::Time(most) => begin.elapsed() < most,
    } {
        let input = if cases < pool.len() && cases < 8 {
            pool[cases].clone()
        } else {
            let (one, other) = (dice.one(&pool).clone(), dice.one(&pool).clone());
            damage(&mut dice, &one, &other)
        };
        let found = catch_unwind(AssertUnwindSafe(|| answer(&input)));
        let Ok(found) = found else { panic!("{what}, case {cases}: {input:?}") };
        if kinds.insert(kind(&found)) && pool.len() < POOL {
            pool.push(input);
        }
        cases += 1;
    }
    println!("{what}: {cases} inputs, {} kinds of answer, no crash", kinds.len());
}

/// An answer without what differs from input to input: numbers and what it quotes.
fn kind(answer: &str) -> String {
    let words = answer.split(|c: char| !c.is_ascii_alphabetic()).filter(|word| (2..14).contains(&word.len()));
    words.take(60).collect::<Vec<_>>().join(" ")
}

/// Bytes at the edges of what fields can hold.
const EDGES: [u8; 8] = [0, 1, 2, 0x7f, 0x80, 0xfe, 0xff, 0x20];

fn damaged_bytes(dice: &mut Dice, one: &[u8], other: &[u8]) -> Vec<u8> {
    let mut bytes = one.to_vec();
    for _ in 0..=dice.below(4) {
        let at = if dice.below(2) == 0 { dice.below(bytes.len().min(64)) } else { dice.below(bytes.len()) };
        match dice.below(7) {
            _ if bytes.is_empty() => bytes.push(0),
            0 => bytes[at] = *dice.one(&EDGES),
            1 => bytes[at] ^= 1 << dice.below(8),
            2 => bytes.truncate(at),
            3 => {
                let end = (at + 4).min(bytes.len());
                let value = *dice.one(&[0_u32, 1, 0x7fff_ffff, 0x8000_0000, u32::MAX, 44, 1 << 27]);
                bytes[at..end].copy_from_slice(&value.to_le_bytes()[..end - at]);
            }
            4 => {
                let from = dice.below(other.len());
                let part = &other[from..(from + dice.below(64)).min(other.len())];
                bytes.splice(at..at, part.iter().copied());
            }
            5 => drop(bytes.drain(at..(at + dice.below(16)).min(bytes.len()))),
            _ => bytes.extend_from_within(at..(at + dice.below(64)).min(bytes.len())),
        }
    }
    bytes.truncate(1 << 16);
    bytes
}

fn audio(budget: Budget) {
    let mut seeds = vec![response("seed", 0.3, 1)[..3_000].to_vec()];
    let fixtures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/audio");
    for entry in fs::read_dir(fixtures).expect("it is there").flatten() {
        if entry.path().extension().is_some_and(|extension| extension != "sh") {
            seeds.push(fs::read(entry.path()).expect("readable"));
        }
    }
    let float = [0.5_f32, -0.25, 1e-3, 0.0].map(f32::to_le_bytes).concat().repeat(50);
    let head = b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\x03\0\x01\0\x80\xbb\0\0\0\xee\x02\0\x04\0\x20\0data\xff\xff\xff\xff";
    seeds.push([&head[..], &float].concat());
    search(
        "audio",
        budget,
        seeds,
        |dice, a, b| damaged_bytes(dice, a, b),
        |bytes| match read_whole_from(Cursor::new(bytes.clone()), "seat.wav", 1) {
            Ok(found) => {
                assert!(!found.samples.is_empty() && found.samples.iter().all(|x| x.is_finite()));
                let faults = inspect(&found.samples, found.rate_hz);
                assert!(faults.usable_samples <= found.samples.len());
                let told: Vec<String> = faults.found.iter().map(ToString::to_string).collect();
                format!(
                    "{} {} {}",
                    found.provenance.format,
                    found.provenance.repairs.join(" "),
                    told.join(" ")
                )
            }
            Err(error) => {
                let text = error.to_string();
                assert!(text.starts_with("seat.wav: ") && text.lines().count() == 4, "{text}");
                text
            }
        },
    );
}

const MANIFEST: &str = r#"title = "Cello room"
baseline = "empty"
names = "{position}@{source}#{take}"
channel = 1
same_chain = true
time_base = "emission"
[room]
length = 5.60
width = "14 ft"
height = 2.75
temperature_c = 20.0
[visit]
date = 2026-10-03
by = "me"
occupied = false
[[sources]]
name = "left"
at = [0.2, 0.2, 0.3]
[[states]]
name = "empty"
[[states]]
name = "treated"
temperature_c = 22.0
[[states.units]]
name = "A"
at = [5.5, 0.1, 0.1]
tuned_hz = 41.0
dials = { depth = 0.6, fine = 3 }
[[positions]]
name = "seat"
at = [2.4, 2.1, 1.2]
role = "listening"
[[takes]]
file = "treated/T0041.wav"
position = "seat"
use = false
"#;

/// What a manifest may hold in the wrong place.
const WORDS: [&str; 34] = [
    "nan",
    "inf",
    "-inf",
    "-1",
    "0",
    "1e308",
    "-1e308",
    "1e-320",
    "9223372036854775807",
    "99999999999999999999",
    "true",
    "\"\"",
    "\"\"\"",
    "''",
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    "5,60",
    "1979-05-27",
    "25:99",
    "\"18 ft 4 in\"",
    "\"../..\"",
    "\"/\"",
    "\"a\\u0000b\"",
    "\"\u{202e}\"",
    "#",
    "\n",
    "states",
    "\"Empty\"",
];

fn damaged_text(dice: &mut Dice, one: &str, other: &str) -> String {
    let mut lines: Vec<String> = one.lines().map(str::to_owned).collect();
    for _ in 0..=dice.below(3) {
        if lines.is_empty() {
            lines.push(String::new());
        }
        let at = dice.below(lines.len());
        let donor: Vec<&str> = other.lines().collect();
        match dice.below(6) {
            0 => drop(lines.remove(at)),
            1 => lines.insert(at, donor.get(dice.below(donor.len())).copied().unwrap_or("=").to_owned()),
            2 => lines.swap(at, 0),
            3 => {
                let key = lines[at].split('=').next().unwrap_or_default().to_owned();
                lines[at] = format!("{key}= {}", dice.one(&WORDS));
            }
            4 => {
                let mut words: Vec<&str> = lines[at].split(' ').collect();
                let word = dice.below(words.len());
                words[word] = *dice.one(&WORDS);
                lines[at] = words.join(" ");
            }
            _ => {
                let place = dice.below(lines[at].len() + 1);
                if lines[at].is_char_boundary(place) {
                    lines[at].insert_str(place, dice.one::<&str>(&WORDS));
                }
            }
        }
    }
    let mut text = lines.join("\n");
    while text.len() > 1 << 14 {
        text.pop();
    }
    text
}

fn manifest(budget: Budget) {
    let job = Job::new()
        .with_response("s/empty/seat@left.wav", 0.5)
        .with_response("s/treated/seat.wav", 0.3)
        .with_response("s/treated/T0041.wav", 0.3);
    let root = job.path("s");
    let mut settings = Settings::default();
    settings.modes = None;
    search(
        "manifest",
        budget,
        vec![MANIFEST.to_owned()],
        |dice, a, b| damaged_text(dice, a, b),
        |text| {
            fs::write(root.join("session.toml"), text).expect("writable");
            match open(std::slice::from_ref(&root), &OpenOptions::default()) {
                Ok(session) => {
                    let lengths = session.room.dimensions_m.into_iter().flatten();
                    assert!(lengths.chain(session.room.volume_m3).all(|x| x.is_finite() && x > 0.0));
                    let drafted = draft(&session);
                    let found = if text.len() % 16 == 0 {
                        analyze(&session, &settings, &Control::default()).warnings
                    } else {
                        session.warnings.clone()
                    };
                    let failures: Vec<&str> = session.failures.iter().map(|f| f.reason.as_str()).collect();
                    format!("{} {} {}", found.join(" "), failures.join(" "), drafted.len() / 64)
                }
                Err(error) => {
                    assert!(error.to_string().lines().all(|line| line.chars().count() < 600), "{error}");
                    error.to_string()
                }
            }
        },
    );
}

/// What file names and patterns are made of.
const PARTS: [&str; 26] = [
    "seat",
    "Seat",
    "left",
    "1",
    "02",
    "@",
    "#",
    "_",
    "-",
    " ",
    ".",
    "{position}",
    "{take}",
    "{state}",
    "{source}",
    "{",
    "}",
    "*",
    "**",
    "é",
    "e\u{301}",
    "\u{202e}",
    "座",
    "\u{1f4a5}",
    "{positoin}",
    "empty",
];

fn names(budget: Budget) {
    let seeds = vec![
        vec!["{position}@{source}#{take}".to_owned(), "seat@left#2".to_owned(), "seat".to_owned()],
        vec!["{state}_*_{position}_{take}".to_owned(), "empty_x_seat_1".to_owned(), "a_b_c_d".to_owned()],
    ];
    let damage = |dice: &mut Dice, one: &Vec<String>, other: &Vec<String>| {
        let mut all = one.clone();
        for _ in 0..=dice.below(3) {
            let at = dice.below(all.len());
            match dice.below(4) {
                0 => all[at] = (0..=dice.below(6)).map(|_| *dice.one(&PARTS)).collect(),
                1 => all[at].push_str(dice.one::<&str>(&PARTS)),
                2 if all.len() < 8 => all.push(dice.one(other).clone()),
                _ => all[at].insert_str(0, dice.one::<&str>(&PARTS)),
            }
        }
        for text in &mut all {
            *text = text.chars().take(60).collect();
        }
        all
    };
    search("names", budget, seeds, damage, |all| {
        let job =
            all[1..].iter().fold(Job::new(), |job, name| job.with_bytes(&format!("s/{name}.wav"), b"x"));
        let options = OpenOptions::default().with_names(&all[0]);
        let given = open(&[job.path("s")], &options).map(|session| (draft(&session), session));
        let plain = open(&[job.path("s")], &OpenOptions::default()).map(|session| (draft(&session), session));
        let told =
            |opened: Result<(String, stillroom::session::Session), stillroom::session::SessionError>| {
                opened.map_or_else(
                    |error| error.to_string(),
                    |(_, session)| {
                        let takes: usize = session.states.iter().map(|state| state.takes.len()).sum();
                        let failures: Vec<&str> =
                            session.failures.iter().map(|f| f.reason.as_str()).collect();
                        format!(
                            "takes {} {} {}",
                            "x".repeat(takes + 2),
                            session.warnings.join(" "),
                            failures.join(" ")
                        )
                    },
                )
            };
        format!("{} {}", told(given), told(plain))
    });
}

const VALUES: [&str; 27] = [
    "nan",
    "inf",
    "-1",
    "0",
    "1",
    "2",
    "50",
    "44100",
    "1e9",
    "1e300",
    "1e309",
    "-0.0",
    "18446744073709551616",
    "",
    " ",
    "é",
    "s",
    "s/a",
    "seat.wav",
    "nowhere",
    "octave",
    "json",
    "csv",
    "{position}",
    "5x4x3",
    "1e-300x1x1",
    "--",
];
const FLAGS: [&str; 43] = [
    "--out",
    "--force",
    "--format",
    "--quiet",
    "--jobs",
    "--bands",
    "--modes-from",
    "--modes-to",
    "--no-modes",
    "--names",
    "--each",
    "--channel",
    "--before",
    "--after",
    "--target-t60",
    "--target-mask",
    "--mode",
    "--dims",
    "--to",
    "--temperature",
    "--t60",
    "--from",
    "--seconds",
    "--tail",
    "--periods",
    "--rate",
    "--below",
    "--noise",
    "--signal",
    "--reference",
    "--segment",
    "--length",
    "--write",
    "--help",
    "--version",
    "--figures",
    "pink",
    "white",
    "seat.wav",
    "s",
    "s/a",
    "table",
    "third",
];
const COMMANDS: [&str; 8] =
    ["analyze", "compare", "check", "predict", "excite", "respond", "tune", "completions"];

#[cfg(unix)]
fn options(budget: Budget) {
    let job = Job::new()
        .with_response("seat.wav", 0.4)
        .with_response("s/a/seat.wav", 0.4)
        .with_response("s/b/seat.wav", 0.3);
    let words = |text: &str| text.split(' ').map(str::to_owned).collect::<Vec<String>>();
    let seeds = vec![
        words("predict --dims 5x4x3"),
        words("excite --seconds 1 --rate 8000 --to 3000 --force"),
        words("respond seat.wav --signal seat.wav --force"),
        words("respond seat.wav --reference 1 --channel 1 --noise --segment 0.2 --force"),
        words("analyze s --no-modes --bands octave"),
        words("compare s --before a --no-modes --bands octave"),
        words("check s"),
        words("tune s --mode 50 --before a --modes-from 45 --modes-to 55"),
    ];
    let damage = |dice: &mut Dice, one: &Vec<String>, other: &Vec<String>| {
        let mut all = one.clone();
        for _ in 0..=dice.below(3) {
            let at = dice.below(all.len() + 1);
            match dice.below(6) {
                0 => all[0] = (*dice.one(&COMMANDS)).to_owned(),
                1 if at < all.len() => drop(all.remove(at)),
                2 if at < all.len() && at > 0 => all[at] = (*dice.one(&VALUES)).to_owned(),
                3 => all.insert(at, dice.one(other).clone()),
                _ => {
                    all.push((*dice.one(&FLAGS)).to_owned());
                    all.push((*dice.one(&VALUES)).to_owned());
                }
            }
            if all.is_empty() {
                all.push("check".to_owned());
            }
        }
        all.truncate(16);
        all
    };
    search("options", budget, seeds, damage, |all| {
        // 3 GB and 100 s of processor are more than any of this may take.
        let limits = "ulimit -v 3000000; ulimit -t 100; exec \"$0\" \"$@\"";
        let output = std::process::Command::new("sh")
            .args(["-c", limits, env!("CARGO_BIN_EXE_stillroom")])
            .args(all)
            .current_dir(job.path(""))
            .stdin(std::process::Stdio::null())
            .output()
            .expect("it runs");
        let run = ended(&output);
        assert!(matches!(run.status, 0..=3), "{}: {}", run.status, run.err);
        assert!(!run.err.contains("panicked"), "{}", run.err);
        assert!(run.status != 0 || !run.err.contains("error:"), "{}", run.err);
        format!("{} {}", run.status, run.err)
    });
}

/// Numbers as a recorder and an argument can give them.
const NUMBERS: [f64; 14] =
    [0.0, 1.0, -1.0, 1e-30, 1e12, 0.5, f64::NAN, f64::INFINITY, -5.0, 1e-3, 10.0, 1e300, 48_000.0, 3.0];

#[derive(Clone, Debug)]
struct Recorded {
    microphone: Vec<f64>,
    reference: Vec<f64>,
    rate_hz: f64,
    seconds: f64,
}

fn respond(budget: Budget) {
    let sweep: Vec<f64> = (0..800).map(|n| (1e-4 * f64::from(n * n)).sin()).collect();
    let seed = Recorded {
        microphone: [sweep.clone(), vec![0.0; 400]].concat(),
        reference: sweep,
        rate_hz: 1_000.0,
        seconds: 0.2,
    };
    let damage = |dice: &mut Dice, one: &Recorded, other: &Recorded| {
        let mut one = one.clone();
        for _ in 0..=dice.below(3) {
            let (rate, seconds) = (*dice.one(&[1e3, 8e3, 44.1e3, 768e3]), *dice.one(&NUMBERS));
            let track = if dice.below(2) == 0 { &mut one.microphone } else { &mut one.reference };
            let at = dice.below(track.len());
            match dice.below(7) {
                0 => one.rate_hz = rate,
                1 => one.seconds = seconds,
                2 => track.truncate(at),
                3 => track.extend_from_slice(&other.reference[..at.min(other.reference.len())]),
                4 => track[at..].fill(0.0),
                5 => track.iter_mut().for_each(|x| *x *= 1e6),
                // What the reader of files lets through: finite, up to 1e12.
                _ => track.iter_mut().skip(at).take(3).for_each(|x| *x = seconds.clamp(-1e12, 1e12)),
            }
            track_of_numbers(&mut one);
        }
        one
    };
    search("respond", budget, vec![seed], damage, |one| {
        let after_s = one.microphone.len().is_multiple_of(2).then_some(one.seconds);
        let sweep = Deconvolution { after_s, ..Deconvolution::default() };
        let finite =
            |samples: &[f64]| assert!(samples.iter().all(|x| x.is_finite()), "a sample is no number");
        let a = deconvolve(&one.microphone, &one.reference, one.rate_hz, &sweep);
        let b = two_channel(&one.reference, &one.microphone, one.rate_hz, one.seconds);
        let a = a.map_or_else(
            |e| e.to_string(),
            |found| {
                finite(&found.samples);
                "recovered".into()
            },
        );
        let b = b.map_or_else(
            |e| e.to_string(),
            |found| {
                finite(&found.samples);
                "recovered".into()
            },
        );
        format!("{a} {b} length {}", "x".repeat(2 + one.microphone.len().ilog2().min(9) as usize))
    });
}

fn track_of_numbers(one: &mut Recorded) {
    for track in [&mut one.microphone, &mut one.reference] {
        track.iter_mut().filter(|x| x.is_nan()).for_each(|x| *x = 0.0);
        track.truncate(4_000);
        if track.is_empty() {
            track.push(0.0);
        }
    }
}

#[test]
fn damaged_audio_is_read_or_refused() {
    audio(Budget::Cases(1_500));
}

#[test]
fn damaged_manifests_are_read_or_refused() {
    manifest(Budget::Cases(1_000));
}

#[test]
fn odd_names_are_read_or_refused() {
    names(Budget::Cases(600));
}

#[cfg(unix)]
#[test]
fn odd_options_are_taken_or_refused() {
    options(Budget::Cases(60));
}

#[test]
fn damaged_recordings_give_a_response_or_a_reason() {
    respond(Budget::Cases(200));
}

#[test]
#[ignore = "a minute and more"]
fn damage_of_every_kind_for_longer() {
    audio(Budget::long());
    manifest(Budget::long());
    names(Budget::long());
    #[cfg(unix)]
    options(Budget::long());
    respond(Budget::long());
}
