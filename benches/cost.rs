//! What a fit costs against positions, bandwidth and number of modes.
//!
//! `cargo bench --bench cost` prints the tables of docs/method-checks.md: CPU seconds of all threads for one state
//! with all refits, closed-form rooms, 60 dB, 3 s. The least of two runs. `-- 6 200` runs one case of the 50 m³ room:
//! so many positions, up to so many hertz.

#![allow(clippy::print_stdout, reason = "a bench reports on the screen")]

#[path = "../tests/synthetic/score.rs"]
mod score;
#[path = "../tests/synthetic/mod.rs"]
mod synthetic;

use score::places;
use std::time::Instant;
use stillroom::modes::{FitSettings, fit};
use synthetic::{Conditions, Room, measure, scene};

/// One case: a room, how many positions, up to where.
struct Case {
    room: Room,
    positions: usize,
    to_hz: f64,
}

impl Case {
    /// Prints a row of the table.
    fn run(&self) {
        let conditions = Conditions::plain(self.positions, 60.0);
        let measured = measure(&scene(&self.room, &conditions, 7), &conditions, 7);
        let (places, mut settings) = (places(&measured), FitSettings::default());
        settings.to_hz = self.to_hz;
        let mut seconds = [f64::INFINITY; 2];
        let mut found = 0;
        for _ in 0..2 {
            for (least, refits) in seconds.iter_mut().zip([true, false]) {
                settings.refits = refits;
                let start = Clock::now();
                found = fit(&places, &settings).modes.len();
                *least = least.min(start.elapsed_s());
            }
        }
        println!(
            "| {} | {} | {:.0} | {found} | {:.2} | {:.2} |",
            self.room.name, self.positions, self.to_hz, seconds[0], seconds[1]
        );
    }
}

/// CPU time of this process where the system tells it, else the time on the wall.
struct Clock {
    cpu_s: Option<f64>,
    wall: Instant,
}

impl Clock {
    fn now() -> Self {
        Self { cpu_s: cpu_s(), wall: Instant::now() }
    }

    fn elapsed_s(&self) -> f64 {
        match (self.cpu_s, cpu_s()) {
            (Some(before), Some(after)) => after - before,
            _ => self.wall.elapsed().as_secs_f64(),
        }
    }
}

/// User and system time in /proc/self/stat, fields 14 and 15 in ticks of 10 ms (proc(5)).
fn cpu_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let mut fields = stat.rsplit_once(')')?.1.split_whitespace().skip(11);
    let mut ticks = || fields.next()?.parse::<f64>().ok();
    Some((ticks()? + ticks()?) / 100.0)
}

fn main() {
    let room = |name, size_m, admittance| Room { name, size_m, admittance };
    let middle = || room("50 m³", [5.1, 3.8, 2.6], (0.004, 0.015));
    let asked: Vec<f64> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    if let [positions, to_hz] = asked[..] {
        Case { room: middle(), positions: positions as usize, to_hz }.run();
        return;
    }
    println!("| room | positions | up to, Hz | resonances found | CPU, s | without refits, s |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for positions in [1, 3, 6, 12, 24] {
        Case { room: middle(), positions, to_hz: 200.0 }.run();
    }
    for to_hz in [60.0, 100.0, 130.0, 160.0] {
        Case { room: middle(), positions: 6, to_hz }.run();
    }
    let others = [
        room("13 m³", [2.9, 2.1, 2.2], (0.008, 0.03)),
        room("25 m³", [3.6, 2.8, 2.5], (0.006, 0.02)),
        room("100 m³", [6.5, 5.2, 2.95], (0.003, 0.012)),
    ];
    for room in others {
        Case { room, positions: 6, to_hz: 130.0 }.run();
    }
}
