//! `tune --watch` on a raw recording that grows: eight periods give a first response, more refine it, another setting
//! starts anew, and the page says what was found.

use super::simulator::{Chain, Pole};
use super::site::Site;
use crate::program::program;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};
use stillroom::excitation::Noise;
use stillroom::output::audio::{SampleForm, write_wav};

const RATE: f64 = 8_000.0;
const PERIOD_S: f64 = 2.0;
/// Long enough for a slow machine: nothing here is a test of speed.
const PATIENCE: Duration = Duration::from_secs(150);

struct Running(Child, std::path::PathBuf);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn chain() -> Chain {
    let mut chain = Chain { noise: 1e-4, direct: 0.1, tail: (0.0, 0.3), ..Chain::default() };
    chain.modes.truncate(4);
    chain.modes.iter_mut().for_each(|mode| mode.amplitude *= 0.3);
    chain
}

/// Twelve periods with the mode at 46.4 Hz damped, then twelve with it split in two, as by a unit.
fn recording() -> (Vec<f64>, Vec<f64>) {
    let noise = Noise { period_s: PERIOD_S, periods: 12, to_hz: 3_600.0, rate_hz: RATE, ..Noise::default() };
    let played = noise.samples().expect("in range");
    let heard = [false, true].map(|split| {
        let mut chain = chain();
        chain.modes[2].t60_s = 0.6;
        if split {
            let half = Pole { amplitude: 0.5 * chain.modes[2].amplitude, ..chain.modes[2] };
            chain.modes[2] = Pole { hz: 45.6, t60_s: 0.7, ..half };
            chain.modes.push(Pole { hz: 47.2, t60_s: 0.5, ..half });
        }
        chain.noisy(chain.through(&played))
    });
    (heard.concat(), [&played[..], &played[..]].concat())
}

fn wait(what: &str, running: &mut Running, done: impl Fn() -> bool) {
    let begin = Instant::now();
    while !done() {
        let said = || std::fs::read_to_string(&running.1).unwrap_or_default();
        let ended = running.0.try_wait().expect("its status can be asked for");
        assert!(ended.is_none(), "{what}: it ended with {ended:?}: {}", said());
        assert!(begin.elapsed() < PATIENCE, "{what}: {}", said());
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn repeats(record: &Path) -> u64 {
    let text = std::fs::read_to_string(record).unwrap_or_default();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
    record["repeats"].as_u64().unwrap_or(0)
}

#[test]
fn a_recording_that_grows_is_followed() {
    let site = Site::new();
    std::fs::create_dir_all(site.at("job/empty")).expect("writable");
    let empty = chain().truth(0.1, 2.0);
    write_wav(&site.at("job/empty/seat.wav"), &empty, RATE as u32, SampleForm::Float32, true)
        .expect("writable");
    let (microphone, reference) = recording();
    site.write("whole.wav", RATE, &[&microphone, &reference]);
    let whole = std::fs::read(site.at("whole.wav")).expect("readable");
    let until = |periods: f64| (44.0 + periods * PERIOD_S * RATE * 6.0) as usize;
    std::fs::write(site.at("dials.txt"), "open\n").expect("writable");
    std::fs::write(site.at("raw.wav"), &whole[..until(5.0)]).expect("writable");
    let file = |name: &str| Stdio::from(std::fs::File::create(site.at(name)).expect("writable"));
    let tune = ["tune", "job", "--mode", "46.4", "--before", "empty", "--watch", "--out", "out"];
    let follow = ["--recording", "raw.wav", "--microphones", "1=seat", "--dials", "dials.txt"];
    let mut tune = program(&site.at(""), &[&tune[..], &follow, &["--page", "page.html"]].concat());
    let child = tune.stdout(file("stdout")).stderr(file("stderr")).spawn();
    let mut running = Running(child.expect("the program runs"), site.at("stderr"));
    let page = || std::fs::read_to_string(site.at("page.html")).unwrap_or_default();
    wait("the baseline", &mut running, || page().contains("rings without the unit"));
    assert!(!site.at("job/open/seat.wav").exists(), "five periods are too few");

    std::fs::write(site.at("raw.wav"), &whole[..until(9.5)]).expect("writable");
    let open = site.at("job/open/seat.capture.json");
    wait("eight periods beside the first", &mut running, || repeats(&open) == 8);
    wait("its page", &mut running, || page().contains("rings now (open)"));
    std::fs::write(site.at("raw.wav"), &whole[..until(12.0)]).expect("writable");
    wait("all periods", &mut running, || repeats(&open) == 11);

    std::fs::write(site.at("dials.txt"), "open\nclosed\n").expect("writable");
    wait("the note", &mut running, || site.at("job/closed").exists());
    std::fs::write(site.at("raw.wav"), &whole).expect("writable");
    let closed = site.at("job/closed/seat.capture.json");
    wait("another setting", &mut running, || repeats(&closed) >= 10);
    wait("its page", &mut running, || {
        page().contains("rings now (closed)") && page().contains("http-equiv=\"refresh\"")
    });
    assert_eq!(repeats(&open), 11);
    // The page's ring time is the table's, which is not the T60 of the slower of two poles.
    let number = |text: Option<&str>| {
        text.and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok()).unwrap_or(f64::NAN)
    };
    wait("one ring time", &mut running, || {
        let screen = std::fs::read_to_string(site.at("stdout")).unwrap_or_default();
        let row = screen.lines().rev().find(|line| line.trim_start().starts_with("closed  "));
        let cells: Vec<&str> = row.unwrap_or_default().split("  ").filter(|cell| !cell.is_empty()).collect();
        let (t60_s, ring_s) = (number(cells.get(2).copied()), number(cells.get(3).copied()));
        let shown = number(page().split("rings now (closed)</small>").nth(1));
        (shown - ring_s).abs() < 0.0051 && (shown - t60_s).abs() > 0.0151
    });
}
