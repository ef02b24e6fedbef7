//! What the user can add to a recording: corrections, levels, a second run; and a signal sized by question.

use super::simulator::{Chain, sweep};
use super::site::Site;
use crate::program::{number, rows};
use serde_json::Value;
use stillroom::excitation::{Noise, Question, Sweep};
use stillroom::recovery::{Deconvolution, deconvolve};

const RATE: f64 = 8_000.0;

fn chain() -> Chain {
    let mut chain = Chain { noise: 1e-5, direct: 0.1, ..Chain::default() };
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    chain.tail.0 *= 0.3;
    chain
}

/// The record of a response, after `respond` with these arguments.
fn record(site: &Site, arguments: &[&str]) -> Value {
    let (status, said) =
        site.run(&[&["respond", "seat.wav", "--out", "room/now", "--force"], arguments].concat());
    assert!(status == 0 || status == 3, "{said}");
    let text = std::fs::read_to_string(site.at("room/now/seat.capture.json")).expect("a record");
    serde_json::from_str(&text).expect("JSON")
}

fn words(record: &Value) -> Vec<&str> {
    record["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|finding| finding["word"].as_str())
        .collect()
}

fn peak(site: &Site) -> f32 {
    let mut wav = hound::WavReader::open(site.at("room/now/seat.wav")).expect("a response");
    wav.samples::<f32>().map(|x| x.expect("a sample").abs()).fold(0.0, f32::max)
}

#[test]
fn corrections_of_microphone_and_reference_are_applied_and_named() {
    let site = Site::new();
    let (microphone, reference) = chain().record(&sweep());
    site.write("seat.wav", RATE, &[&microphone, &reference]);
    std::fs::write(site.at("mic.txt"), "* louder by 6.0206 dB\n10 6.0206\n4000 6.0206\n").expect("writable");
    let plain = record(&site, &["--reference", "2"]);
    assert_eq!(plain["corrections"], Value::Array(Vec::new()));
    let before = peak(&site);
    let corrected = record(&site, &["--reference", "2", "--correct-microphone", "mic.txt"]);
    assert_eq!(corrected["corrections"][0], "mic.txt");
    assert!((peak(&site) / before - 0.5).abs() < 1e-3, "{}", peak(&site) / before);
    record(&site, &["--reference", "2", "--correct-reference", "mic.txt"]);
    assert!((peak(&site) / before - 2.0).abs() < 4e-3, "{}", peak(&site) / before);
    std::fs::write(site.at("mic.txt"), "10 6\n20 six\n").expect("writable");
    let (status, said) =
        site.run(&["respond", "seat.wav", "--reference", "2", "--correct-microphone", "mic.txt"]);
    assert!(status == 2 && said.contains("mic.txt: line 2"), "{status} {said}");
}

/// A calibrator of 94 dB with an rms of 0.1: full scale, a sine of rms 0.7071, is 110.99 dB.
#[test]
fn a_calibrator_gives_sound_pressure_levels() {
    let site = Site::new();
    let (microphone, reference) = chain().record(&sweep());
    site.write("seat.wav", RATE, &[&microphone, &reference]);
    let tone: Vec<f64> = (0..24_000)
        .map(|n| 0.1 * 2.0_f64.sqrt() * (std::f64::consts::FRAC_PI_4 * f64::from(n)).sin())
        .collect();
    site.write("calibrator.wav", RATE, &[&tone]);
    let found = record(&site, &["--reference", "2", "--calibrator", "calibrator.wav"]);
    let full_scale = found["full_scale_db_spl"].as_f64().expect("a level");
    assert!((full_scale - 110.99).abs() < 0.05, "{full_scale}");
    // A sweep with a peak of 0.25 has an rms of 0.177: 12 dB under full scale.
    let zero = found["zero_db_spl"].as_f64().expect("a level");
    assert!((zero - (full_scale - 12.04)).abs() < 0.3, "{zero}");
    background_is_known(&site, full_scale);
    let (status, said) = site.run(&["analyze", "room", "--modes-from", "26", "--modes-to", "90"]);
    assert_eq!(status, 0, "{said}");
    let page = std::fs::read_to_string(site.at("room-results/report.html")).expect("a report");
    assert!(page.contains("Resonances as sound pressure levels"));
    let rows = rows(&site.at("room-results/mode_levels.csv"));
    assert!(rows.len() > 4);
    for row in rows {
        assert!((number(&row, "level_spl_db") - number(&row, "level_db") - zero).abs() < 0.01, "{row:?}");
    }
    site.write("calibrator.wav", RATE, &[&microphone]);
    let (status, said) =
        site.run(&["respond", "seat.wav", "--reference", "2", "--calibrator", "calibrator.wav"]);
    assert!(status == 2 && said.contains("no steady tone"), "{status} {said}");
}

/// White noise of rms σ has σ²·B/(fs/2) in an octave; hum of 50 Hz stands over it. Check, tables and report have both,
/// as sound pressure.
fn background_is_known(site: &Site, full_scale: f64) {
    let (clean, signal) = Chain { noise: 0.0, ..chain() }.record(&sweep());
    // A second more before the sweep: hum takes a second of silence.
    let [clean, reference] = [clean, signal].map(|samples| [vec![0.0; RATE as usize], samples].concat());
    let noisy = Chain { noise: 1e-3, ..chain() }.noisy(clean);
    let hum = |n: usize| 1e-3 * (std::f64::consts::TAU * 50.0 / RATE * n as f64).sin();
    let noisy: Vec<f64> = noisy.iter().enumerate().map(|(n, x)| x + hum(n)).collect();
    site.write("seat.wav", RATE, &[&noisy, &reference]);
    record(site, &["--reference", "2", "--calibrator", "calibrator.wav", "--temperature", "19.5"]);
    let (status, said) = site.run(&["check", "room"]);
    assert!(status == 0 && said.contains("Noise before the signal by octave (Hz), dB SPL"), "{said}");
    let (status, said) = site.run(&["analyze", "room", "--no-modes", "--force"]);
    assert_eq!(status, 0, "{said}");
    let text = std::fs::read_to_string(site.at("room-results/results.json")).expect("results");
    let results: Value = serde_json::from_str(&text).expect("JSON");
    let bands = results["capture_bands"].as_array().expect("a list");
    for hz in [500.0, 1_000.0] {
        let band = bands.iter().find(|band| band["band_hz"] == hz).expect("an octave");
        // Of a sine at full scale, whose mean square is one half; read from 1.85 s, some 600 degrees of freedom.
        let truth = 10.0 * (2.0 * 1e-6 * hz * 0.5_f64.sqrt() / 4_000.0).log10() + full_scale;
        let found = band["noise_spl_db"].as_f64().expect("a level");
        assert!((found - truth).abs() < 1.0, "{hz}: {found} {truth}");
    }
    assert_eq!(results["captures"][0]["temperature_c"], 19.5);
    assert!(results["hum"].as_array().expect("a list").iter().any(|line| line["frequency_hz"] == 50.0));
    let page = std::fs::read_to_string(site.at("room-results/report.html")).expect("a report");
    assert!(page.contains("Background noise by octave") && page.contains("Mains hum before the signal"));
    let (microphone, reference) = chain().record(&sweep());
    site.write("seat.wav", RATE, &[&microphone, &reference]);
    record(site, &["--reference", "2", "--calibrator", "calibrator.wav"]);
}

/// The signal of another rate, described beside the recordings, doesn't stand in the way of a reference; alone, what to do
/// about it is said.
#[test]
fn a_described_signal_of_another_rate_is_not_missed_beside_a_reference() {
    let site = Site::new();
    let (microphone, reference) = chain().record(&sweep());
    site.write("seat.wav", RATE, &[&microphone, &reference]);
    let (status, said) =
        site.run(&["excite", "--rate", "16000", "--to", "3600", "--seconds", "8", "--tail", "3"]);
    assert_eq!(status, 0, "{said}");
    record(&site, &["--reference", "2"]);
    for more in [&["--channel", "1"][..], &["--reference", "2", "--signal", "sweep.wav"]] {
        let (status, said) = site.run(&[&["respond", "seat.wav", "--out", "other"], more].concat());
        assert!(status == 1 && said.contains("excite --rate 8000"), "{status} {said}");
    }
}

/// Ten decibels lower: a linear chain answers alike, one that compresses does not.
#[test]
fn a_quieter_run_shows_what_is_not_linear() {
    let soft = Sweep { peak: 0.25 / 10.0_f64.sqrt(), ..sweep() };
    for (third, told) in [(0.0, false), (-2.0, true)] {
        let chain = Chain { distortion: (0.0, third), ..chain() };
        let site = Site::new();
        let (microphone, reference) = chain.record(&sweep());
        site.write("seat.wav", RATE, &[&microphone, &reference]);
        let (microphone, reference) = chain.record(&soft);
        site.write("quiet.wav", RATE, &[&microphone, &reference]);
        let found = record(&site, &["--reference", "2", "--quieter", "quiet.wav"]);
        let lower = found["quieter"]["lower_db"].as_f64().expect("a second run");
        assert!((lower - 10.0).abs() < 1.5, "{lower}");
        assert_eq!(words(&found).contains(&"not-linear"), told, "{found}");
    }
}

#[test]
fn two_seeds_show_the_distortion_that_one_hides() {
    for (second, told) in [(0.0, "distortion-low"), (0.5, "distortion")] {
        let chain = Chain { distortion: (second, 0.0), noise: 1e-4, ..chain() };
        let site = Site::new();
        for (seed, name) in [(1, "seat.wav"), (2, "again.wav")] {
            let noise =
                Noise { period_s: 2.73, periods: 9, to_hz: 3_600.0, rate_hz: RATE, seed, ..Noise::default() };
            let played = [vec![0.0; 8_000], noise.samples().expect("in range"), vec![0.0; 8_000]].concat();
            let heard =
                Chain { seed, ..chain.clone() }.noisy(Chain { seed: 1, ..chain.clone() }.through(&played));
            site.write(name, RATE, &[&heard, &played]);
        }
        let alone = record(&site, &["--reference", "2", "--noise"]);
        assert!(words(&alone).contains(&"distortion-not-seen"), "{alone}");
        assert!(alone["bracket_db"].as_f64().is_some_and(|db| (0.0..1.0).contains(&db)), "{alone}");
        let both = record(&site, &["--reference", "2", "--noise", "--second-seed", "again.wav"]);
        assert!(words(&both).contains(&told) && !words(&both).contains(&"distortion-not-seen"), "{both}");
        assert_eq!(both["repeats"], 16);
    }
}

/// The peak-to-noise that the signal was sized for is what comes out, within 2 dB, in a chain without a room.
#[test]
fn a_sized_signal_gives_what_it_promised() {
    for noise_under_db in [30.0, 42.0] {
        let asked = Question { lowest_hz: 31.25, longest_t60_s: 0.3, noise_under_db, to_hz: 3_600.0 };
        let plan = asked.sweeps().expect("in range");
        let sweep = Sweep {
            from_hz: plan.from_hz,
            to_hz: 3_600.0,
            seconds: plan.seconds,
            rate_hz: RATE,
            tail_s: 3.0,
            ..Sweep::default()
        };
        // Level of the signal 0.3·0.25/√2; white noise has the share B/(fs/2) in the octave.
        let octave = 31.25 * 0.5_f64.sqrt() / 4_000.0;
        let rms = 0.3 * 0.25 / 2.0_f64.sqrt() * 10_f64.powf(-noise_under_db / 20.0) / octave.sqrt();
        let measured = |seed: u64| {
            let quiet = Chain { modes: Vec::new(), tail: (0.0, 0.3), high_pass_hz: 1.0, ..Chain::default() };
            let chain = Chain { noise: rms, seed, ..quiet };
            let (microphone, reference) = chain.record(&sweep);
            let found =
                deconvolve(&microphone, &reference, RATE, &Deconvolution::default()).expect("a response");
            let lowest = found.peak_to_noise.iter().find(|octave| octave.band_hz == 31.25);
            10.0 * lowest.expect("an octave").ratio.log10()
        };
        let promised = asked.of_sweeps_db(plan.seconds, 1);
        // A second of noise in 7 Hz scatters by some 2 dB: the mean of six.
        let measured = (1..=6).map(measured).sum::<f64>() / 6.0;
        println!("noise {noise_under_db} dB under: {measured:.1} dB, promised {promised:.1}");
        assert!((measured - promised).abs() < 2.0, "{noise_under_db}: {measured} {promised}");
    }
}

/// Nothing tells two clocks exactly from one sweep, but 300 ppm show, and widen what is known of frequencies.
#[test]
fn a_single_sweep_shows_that_its_clocks_are_far_apart() {
    for (ppm, told) in [(20.0, false), (300.0, true)] {
        let site = Site::new();
        let (microphone, _) = Chain { ppm, ..chain() }.record(&sweep());
        site.write("seat.wav", RATE, &[&microphone]);
        site.write("signal.wav", RATE, &[&sweep().samples().expect("in range")]);
        let found = record(&site, &["--signal", "signal.wav"]);
        let limit = found["clock_limit_ppm"].as_f64();
        assert_eq!(limit.is_some_and(|limit| limit > 290.0), told, "{ppm}: {limit:?}");
        assert_eq!(words(&found).contains(&"clock"), told, "{found}");
    }
}

#[test]
fn a_signal_is_sized_by_question_and_says_what_to_expect() {
    let site = Site::new();
    let asked = ["excite", "--lowest-mode", "25", "--longest-t60", "2", "--to", "300", "--rate", "8000"];
    let (status, said) = site.run(&[&asked[..], &["--noise-under", "45"]].concat());
    assert!(status == 0 && said.contains("Expect a peak-to-noise of about"), "{status} {said}");
    let text = std::fs::read_to_string(site.at("sweep.signal.json")).expect("a description");
    let described: Value = serde_json::from_str(&text).expect("JSON");
    assert!((described["range_hz"][0].as_f64().expect("a number") - 18.5).abs() < 0.1, "{described}");
    let (status, said) = site.run(&[&asked[..], &["--noise-under", "-10", "--force"]].concat());
    assert!(status == 0 && said.contains("no more than about"), "{status} {said}");
    let (status, said) = site.run(&[&asked[..], &["--noise", "pink", "--noise-under", "45"]].concat());
    assert!(status == 0 && said.contains("periods of noise of 2.5 s"), "{status} {said}");
}

/// 26 minutes of sweeps were written, played, and then refused by `respond`. Each case: what is asked, its length, words of
/// the advice, and command lines that follow it, which must get as far as to the description that is there already.
#[test]
fn a_signal_too_long_to_be_read_is_refused_before_it_is_played() {
    let sized = "--lowest-mode 25 --longest-t60 1.7 --noise-under 20";
    let by_hand = "--from 18.5 --seconds 45 --tail 2.125 --repeats 16";
    let slower = "--rate 32000 --to 14400";
    let noise = "--noise pink --seconds 100";
    let sweeps = "--seconds 120";
    for (asked, seconds, advice, advised) in [
        (sized.to_owned(), 1_540, [by_hand, slower], [by_hand.to_owned(), format!("{sized} {slower}")]),
        (
            format!("{sweeps} --repeats 12"),
            1_512,
            ["(--repeats 6), and record them 2 times", slower],
            [format!("{sweeps} --repeats 6"), format!("{sweeps} --repeats 12 {slower}")],
        ),
        (
            format!("{noise} --periods 16"),
            1_600,
            ["(--periods 9), and record them 2 times", slower],
            [format!("{noise} --periods 9"), format!("{noise} --periods 16 {slower}")],
        ),
        (
            "--seconds 1400 --to 300".to_owned(),
            1_406,
            ["shorter one (--seconds)", "--rate 44100)"],
            ["--seconds 1300 --to 300".to_owned(), "--seconds 1400 --to 300 --rate 44100".to_owned()],
        ),
    ] {
        let site = Site::new();
        let excite = |options: &str| {
            let line = format!("excite --out long.wav {options}");
            site.run(&line.split_whitespace().collect::<Vec<_>>())
        };
        let (status, said) = excite(&asked);
        let found = format!("the signal lasts {seconds} s");
        assert!(status == 2 && said.contains(&found) && said.contains("up to 1338 s at 48000 Hz"), "{said}");
        assert!(advice.iter().all(|words| said.contains(words)), "{asked}: {said}");
        assert!(!site.at("long.wav").exists(), "{asked}");
        std::fs::write(site.at("long.signal.json"), "{}").expect("writable");
        for options in advised {
            let (status, said) = excite(&options);
            assert!(status == 2 && said.contains("already exists"), "{options}: {said}");
        }
    }
}

/// A signal that plays twice, player and recorder each by itself: both repeats are found and stand together to a small
/// part of a sample.
#[test]
fn repeats_without_a_reference_are_averaged_where_they_stand() {
    for sign in [1.0, -0.8] {
        let mut chain = Chain { ppm: 40.0, ..chain() };
        chain.modes.iter_mut().step_by(3).for_each(|mode| mode.amplitude *= sign);
        let site = Site::new();
        let written = sweep().samples().expect("in range");
        site.write("signal.wav", RATE, &[&[&written[..], &written[..]].concat()]);
        let (_, once) = chain.record(&sweep());
        let mut played = once.clone();
        // 12 s later on the player's clock are 3.84 samples more on the recorder's: 4 are 1.7 ppm more.
        played.resize(written.len() + 4, 0.0);
        played.extend_from_slice(&once);
        site.write("seat.wav", RATE, &[&chain.noisy(chain.through(&played))]);
        let found = record(&site, &["--signal", "signal.wav"]);
        assert_eq!(found["repeats"], 2, "{found}");
        assert!(found["repeat_difference_db"].as_f64().is_some_and(|db| db < -35.0), "{found}");
        let ppm = found["clock"]["ppm"].as_f64().expect("a clock");
        assert!((ppm - 41.7).abs() < 2.0, "{ppm}");
        assert_eq!(words(&found), Vec::<&str>::new(), "{found}");
    }
}
