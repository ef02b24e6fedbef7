//! What a fit costs against positions, bandwidth and number of modes.
//!
//! `cargo bench --bench cost` prints the table of docs/cost.md, `-- --write` writes it there: CPU time of all threads for
//! one state, closed-form rooms, 60 dB, 3 s, the least of two runs, first as ratios to an orthogonal decomposition of the
//! widest window's columns in the same run. `-- 6 200` runs one case of the 50 m³ room: so many positions, up to so many
//! hertz.

#![allow(clippy::print_stdout, reason = "a bench reports on the screen")]

#[path = "../tests/synthetic/score.rs"]
mod score;
#[path = "../tests/synthetic/mod.rs"]
mod synthetic;

use nalgebra::DMatrix;
use score::places;
use std::hint::black_box;
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
    /// Fits it with and without refits.
    fn run(self) -> Cost {
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
        Cost { case: self, found, seconds }
    }
}

/// What a case took.
struct Cost {
    case: Case,
    /// Resonances found.
    found: usize,
    /// With refits and without.
    seconds: [f64; 2],
}

impl Cost {
    /// A row of the table, times in units of `qr_s` too.
    fn row(&self, qr_s: f64) -> String {
        let Case { room, positions, to_hz } = &self.case;
        let [all, once] = self.seconds;
        format!(
            "| {} | {positions} | {to_hz:.0} | {} | {:.0} | {:.0} | {all:.2} | {once:.2} |\n",
            room.name,
            self.found,
            all / qr_s,
            once / qr_s
        )
    }
}

/// Seconds of one Householder decomposition of 630 × 106 numbers: the real rows of 105 Hz at 3 s by two columns a pole and
/// the residual terms. The least of many.
fn qr_s() -> f64 {
    let columns = DMatrix::from_fn(630, 106, |i, j| ((i * 7 + j * 13) as f64).sin() + f64::from(i == j));
    let once = |()| {
        let start = Instant::now();
        drop(black_box(columns.clone().qr()));
        start.elapsed().as_secs_f64()
    };
    std::iter::repeat_n((), 25).map(once).fold(f64::INFINITY, f64::min)
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

fn room(name: &'static str, size_m: [f64; 3], admittance: (f64, f64)) -> Room {
    Room { name, size_m, admittance }
}

fn middle() -> Room {
    room("50 m³", [5.1, 3.8, 2.6], (0.004, 0.015))
}

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let asked: Vec<f64> = arguments.iter().filter_map(|argument| argument.parse().ok()).collect();
    if let [positions, to_hz] = asked[..] {
        print!("{}", Case { room: middle(), positions: positions as usize, to_hz }.run().row(qr_s()));
        return Ok(());
    }
    let page = page();
    if arguments.iter().any(|argument| argument == "--write") {
        return std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/cost.md"), page);
    }
    print!("{page}");
    Ok(())
}

fn cases() -> Vec<Case> {
    let positions = [1, 3, 6, 10, 24].map(|positions| Case { room: middle(), positions, to_hz: 200.0 });
    let ranges = [60.0, 100.0, 130.0, 160.0].map(|to_hz| Case { room: middle(), positions: 6, to_hz });
    let rooms = [
        room("13 m³", [2.9, 2.1, 2.2], (0.008, 0.03)),
        room("25 m³", [3.6, 2.8, 2.5], (0.006, 0.02)),
        room("100 m³", [6.5, 5.2, 2.95], (0.003, 0.012)),
    ]
    .map(|room| Case { room, positions: 6, to_hz: 130.0 });
    positions.into_iter().chain(ranges).chain(rooms).collect()
}

fn page() -> String {
    let qr_s = qr_s();
    let mut page = format!(
        "# What a fit costs\n\n\
         Written by `cargo bench --bench cost -- --write`: closed-form rooms, 60 dB of peak-to-noise, 3 s, one state. Ratios don't \
         depend\nmuch on the machine: processor time of all threads over that of one orthogonal decomposition of 630 × 106 \
         numbers (the columns\nof a window 105 Hz wide) in the same run, here {:.1} ms. How accurate the fits are: \
         [accuracy.md](accuracy.md).\n\n\
         | room | positions | up to, Hz | resonances found | all, in decompositions | without refits | all, s | without \
         refits, s |\n| --- | --- | --- | --- | --- | --- | --- | --- |\n",
        1e3 * qr_s
    );
    for case in cases() {
        page.push_str(&case.run().row(qr_s));
    }
    page
}
