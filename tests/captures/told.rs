//! What is said of a take is what happened: the sweep that was disturbed, the instant that the loudspeaker went off at, the
//! step by which a second run was lower; once, and with one verdict in the row, the record and `check`.

use super::silent::{chain, passes_s};
use super::simulator::{Chain, sweep};
use super::site::Site;
use serde_json::Value;
use stillroom::excitation::Sweep;

const RATE: f64 = 8_000.0;
const TOGETHER: [&str; 2] = ["--reference", "2"];

fn timed(samples: &[f64], rate_hz: f64, gain: impl Fn(f64) -> f64) -> Vec<f64> {
    samples.iter().enumerate().map(|(n, x)| x * gain(n as f64 / rate_hz)).collect()
}

fn scaled(samples: &[f64], gain: f64) -> Vec<f64> {
    samples.iter().map(|x| x * gain).collect()
}

/// What `respond` made of `seat.wav`: its status, all it said, and what the record holds as (word, again, sentence).
struct Told {
    status: i32,
    said: String,
    findings: Vec<(String, bool, String)>,
}

impl Told {
    fn of(site: &Site, arguments: &[&str]) -> Self {
        let all = [&["respond", "seat.wav", "--out", "room/now", "--force"], arguments].concat();
        let (status, said) = site.run(&all);
        let text = std::fs::read_to_string(site.at("room/now/seat.capture.json")).unwrap_or_default();
        let record: Value = serde_json::from_str(&text).unwrap_or_default();
        let finding = |found: &Value| {
            let text = |key: &str| found[key].as_str().unwrap_or_default().to_owned();
            (text("word"), found["again"] == true, format!("{}; {}", text("found"), text("advice")))
        };
        let findings = record["findings"].as_array().cloned().unwrap_or_default();
        Self { status, said, findings: findings.iter().map(finding).collect() }
    }

    /// The one finding of a word.
    fn one(&self, word: &str) -> &(String, bool, String) {
        let those: Vec<_> = self.findings.iter().filter(|found| found.0 == word).collect();
        assert!(those.len() == 1, "{word}: {:?}\n{}", self.findings, self.said);
        those[0]
    }

    fn row_says(&self, verdict: &str) -> bool {
        self.said.lines().any(|line| line.contains("seat.wav ") && line.contains(verdict))
    }
}

fn take(chain: &Chain, played: &[f64], reference: &[f64]) -> Site {
    let site = Site::new();
    site.write("seat.wav", RATE, &[&chain.noisy(chain.through(played)), reference]);
    site
}

/// Below 100 Hz up to 8 dB are missing; the second run was 10 dB lower, and the row says what the note says.
#[test]
fn what_is_held_is_again_everywhere_and_its_step_is_the_dials() {
    let reference = sweep().samples().expect("in range");
    let hz = |t: f64| 15.0 * 240_f64.powf(((t - 1.0) / sweep().seconds).clamp(0.0, 1.0));
    let held =
        timed(&reference, RATE, |t| 10_f64.powf(-(8.0 * (100.0 / hz(t)).log2()).clamp(0.0, 8.0) / 20.0));
    for seed in 0..3 {
        let chain = chain(seed);
        let site = take(&chain, &held, &reference);
        let quiet = chain.noisy(chain.through(&scaled(&reference, 0.1_f64.sqrt())));
        site.write("low.wav", RATE, &[&quiet, &reference]);
        let found = Told::of(&site, &["--reference", "2", "--quieter", "low.wav"]);
        let (_, again, said) = found.one("level-held");
        assert!(*again && said.contains("the run 10.0 dB quieter has"), "{said}");
        assert!(found.status == 3 && found.row_says(": record again: "), "{}", found.said);
    }
}

/// A run that agrees says so, and what it can't exclude; a limiter before the room that holds all bands alike shows only in
/// the step, which the user knows.
#[test]
fn a_quieter_run_says_what_it_shows() {
    let reference = sweep().samples().expect("in range");
    let chain = chain(4);
    let heard = |played: &[f64]| chain.noisy(chain.through(played));
    let hard = |x: &f64| 0.1 * (x / 0.1).tanh();
    let site = Site::new();
    site.write("low.wav", RATE, &[&heard(&scaled(&reference, 0.1_f64.sqrt())), &reference]);
    site.write("seat.wav", RATE, &[&heard(&reference), &reference]);
    let quieter = ["--reference", "2", "--quieter", "low.wav"];
    let told = Told::of(&site, &quieter);
    let (_, again, said) = told.one("linear");
    assert!(!again && said.contains("the run 10.0 dB quieter agrees within 0.1 dB"), "{said}");
    assert!(said.contains("if you turned it down by more") && told.status == 0, "{said}");
    let by = |site: &Site, db: &str| Told::of(site, &[&quieter[..], &["--quieter-by", db]].concat());
    let told = by(&site, "10");
    assert!(
        told.one("linear").2.contains("no limiter or compressor shows; nothing to do"),
        "{:?}",
        told.findings
    );
    assert_eq!(by(&site, "1").status, 2);
    site.write("seat.wav", RATE, &[&heard(&reference.iter().map(hard).collect::<Vec<_>>()), &reference]);
    let told = Told::of(&site, &quieter);
    let said = &told.one("linear").2;
    assert!(said.contains("if you turned it down by more") && !said.contains("10.0 dB"), "{said}");
    let told = by(&site, "10");
    assert!(told.one("level-held").1 && told.row_says(": record again: "), "{:?}", told.findings);
    // Named the wrong way round.
    site.write("seat.wav", RATE, &[&heard(&scaled(&reference, 0.1_f64.sqrt())), &reference]);
    site.write("low.wav", RATE, &[&heard(&reference), &reference]);
    let said = Told::of(&site, &quieter).one("not-quieter").2.clone();
    assert!(said.contains("10.0 dB louder than this one: the two files are exchanged"), "{said}");
}

/// A thump with noise at any time of either of two sweeps: never the other one is named.
#[test]
fn the_sweep_that_holds_a_door_is_named() {
    let once = sweep().samples().expect("in range");
    let reference = once.repeat(2);
    let mut random = super::simulator::noise(5, 6_400);
    let (mut named, mut either) = (0, 0);
    for (k, hz) in [35.0, 60.0, 110.0, 200.0, 330.0, 600.0].into_iter().enumerate() {
        for hit in [0, 1] {
            let chain = Chain { noise: 1e-5, ..chain(70 + k as u64) };
            let mut microphone = chain.noisy(chain.through(&reference));
            let from = ((passes_s(&sweep(), hz) + (hit * once.len()) as f64 / RATE) * RATE) as usize;
            for n in 0..6_400 {
                let t = n as f64 / RATE;
                let tone = (std::f64::consts::TAU * 38.0 * t).sin();
                let shape = (-t / 0.15).exp() * (1.0 - (-t / 0.01).exp());
                microphone[from + n] += 0.05 * shape * (tone + 0.5 * random.next().unwrap_or(0.0));
            }
            let site = Site::new();
            site.write("seat.wav", RATE, &[&microphone, &reference]);
            let told = Told::of(&site, &TOGETHER);
            let (_, again, said) = told.one("disturbed");
            assert!(*again, "{said}");
            assert!(!said.contains(&format!("sweep {} of 2", 2 - hit)), "sweep {}, {hz} Hz: {said}", hit + 1);
            named += usize::from(said.contains(&format!("sweep {} of 2", hit + 1)));
            either += usize::from(said.contains("one of the two"));
        }
    }
    println!("{named} of 12 named, {either} as either");
    assert!(named >= 10, "{named} named, {either} as either");
}

/// Off for two seconds of the second sweep: one reason, the right one, at its time in the recording.
#[test]
fn a_loudspeaker_off_in_one_sweep_is_one_fault() {
    let once = sweep().samples().expect("in range");
    let reference = once.repeat(2);
    let at_s = passes_s(&sweep(), 165.0) + once.len() as f64 / RATE;
    let off = timed(&reference, RATE, |t| if (at_s..at_s + 2.0).contains(&t) { 0.0 } else { 1.0 });
    for noise in [1e-6, 1e-5] {
        let site = take(&Chain { noise, ..chain(8) }, &off, &reference);
        let told = Told::of(&site, &TOGETHER);
        let again: Vec<_> = told.findings.iter().filter(|found| found.1).collect();
        assert_eq!(again.len(), 1, "{:?}", told.findings);
        let expected = format!("in sweep 2 of 2 the loudspeaker is off from {at_s:.1} s on");
        assert!(again[0].2.starts_with(&expected), "{expected}: {}", again[0].2);
    }
    // In one sweep alone no samples are lost.
    let off = timed(&once, RATE, |t| if t > passes_s(&sweep(), 500.0) { 0.0 } else { 1.0 });
    let told = Told::of(&take(&chain(8), &off, &once), &TOGETHER);
    assert!(
        told.one("broken-off").1 && told.findings.iter().all(|found| found.0 != "dropout"),
        "{:?}",
        told.findings
    );
}

/// Silent from 130 Hz on, within 0.2 s, in three rooms: one verdict, and `check` asks for no decay where nothing was played.
#[test]
fn one_fault_has_one_verdict() {
    let reference = sweep().samples().expect("in range");
    let at_s = passes_s(&sweep(), 110.0);
    let off = timed(&reference, RATE, |t| (1.0 - (t - at_s) / 0.2).clamp(0.0, 1.0));
    let mut verdicts = Vec::new();
    for seed in 30..36 {
        let site = take(&Chain { noise: 1e-6, ..chain(seed) }, &off, &reference);
        let told = Told::of(&site, &TOGETHER);
        let named = |word: &str| told.findings.iter().any(|found| found.0 == word);
        assert!(named("ends-at-once") || named("broken-off"), "{seed}: {:?}", told.findings);
        verdicts.push(told.status);
        let (_, look) = site.run(&["check", "room"]);
        assert!(!look.contains("the record ends before the decay"), "{look}");
    }
    assert!(verdicts.iter().all(|status| *status == verdicts[0]), "{verdicts:?}");
}

/// Less and less from 2.2 to 4.4 kHz, and nothing above, while the signal goes to 11: noted, and no loudspeaker that went off.
#[test]
fn a_range_that_ends_far_under_the_signals_is_noted() {
    let rate_hz = 24_000.0;
    let signal = Sweep { to_hz: 11_000.0, seconds: 5.0, rate_hz, ..sweep() };
    let reference = signal.samples().expect("in range");
    let mut chain = Chain { rate_hz, noise: 1e-6, ..chain(9) };
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    let octave_s = passes_s(&signal, 2.0) - passes_s(&signal, 1.0);
    for (from_hz, told) in [(11_500.0, false), (2_200.0, true)] {
        let cut = timed(&reference, rate_hz, |t| {
            (1.0 - (t - passes_s(&signal, from_hz)) / octave_s).clamp(0.0, 1.0)
        });
        let site = Site::new();
        site.write("seat.wav", rate_hz, &[&chain.noisy(chain.through(&cut)), &reference]);
        let found = Told::of(&site, &TOGETHER);
        let noted = found.findings.iter().any(|found| found.0 == "narrow-range" && !found.1);
        assert_eq!(noted, told, "{:?}\n{}", found.findings, found.said);
    }
}

/// One place divided by another is no response; two sweeps in the signal and one in the recording are said.
#[test]
fn what_is_named_as_the_signal_is_looked_at() {
    let written = sweep().samples().expect("in range");
    let site = take(&chain(10), &written, &written);
    let hard = Chain { direct: 0.02, tail: (0.1, 1.2), ..chain(11) };
    site.write("other.wav", RATE, &[&hard.noisy(hard.through(&written)), &written]);
    for more in [&[][..], &TOGETHER] {
        let told = Told::of(&site, &[&["--signal", "other.wav"], more].concat());
        assert_eq!(told.status, 1, "{}", told.said);
        assert!(told.said.contains("is a recording in a room, not the signal"), "{}", told.said);
    }
    site.write("signal.wav", RATE, &[&written.repeat(2)]);
    for more in [&[][..], &TOGETHER] {
        let told = Told::of(&site, &[&["--signal", "signal.wav"], more].concat());
        assert!(
            told.one("fewer-sweeps").2.contains("plays 2 sweeps, and the recording holds 1"),
            "{}",
            told.said
        );
    }
    site.write("signal.wav", RATE, &[&written]);
    let told = Told::of(&site, &["--signal", "signal.wav", "--reference", "2"]);
    assert!(told.findings.is_empty() && !told.said.contains(" -"), "{:?} {}", told.findings, told.said);
}

#[test]
fn a_folder_is_no_recording() {
    let written = sweep().samples().expect("in range");
    let site = take(&chain(12), &written, &written);
    std::fs::create_dir(site.at("raw")).expect("writable");
    let (status, said) = site.run(&["respond", "raw", "--reference", "2"]);
    assert!(status == 2 && said.contains("raw/*.wav"), "{status} {said}");
}

/// A sweep from 15 to 400 Hz in a room whose sound goes on above: bands from 500 Hz on are empty, with the reason, and those
/// below hold their T20. The tail's T60 is 0.35 s at all frequencies, modes apart.
#[test]
fn bands_beyond_the_signal_are_empty() {
    let low = Sweep { to_hz: 400.0, ..sweep() };
    let (microphone, reference) = chain(3).record(&low);
    let site = Site::new();
    site.write("seat.wav", RATE, &[&microphone, &reference]);
    let (status, said) = site.run(&["respond", "seat.wav", "--reference", "2", "--out", "room/now"]);
    assert_eq!(status, 0, "{said}");
    let (status, said) = site.run(&["analyze", "room", "--no-modes", "--bands", "octave"]);
    assert_eq!(status, 0, "{said}");
    let results = std::fs::read_to_string(site.at("room-results/results.json")).expect("results");
    let results: Value = serde_json::from_str(&results).expect("JSON");
    let bands = results["bands"].as_array().expect("bands");
    let beyond = |band: &&Value| band["band_hz"].as_f64().expect("a frequency") > 400.0;
    let flag = |band: &Value| band["flags"].to_string().contains("outside-capture");
    let empty = |band: &Value| ["t20_s", "t30_s", "edt_s", "level_db"].iter().all(|c| band[*c].is_null());
    assert!(bands.iter().filter(beyond).count() > 2);
    assert!(bands.iter().filter(beyond).all(|band| flag(band) && empty(band)), "{bands:?}");
    assert!(bands.iter().any(|band| !beyond(&band) && band["t20_s"].is_number() && !flag(band)), "{bands:?}");
}
