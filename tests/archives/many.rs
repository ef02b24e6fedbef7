//! A million rows: how long gathering takes, and in how much memory.

use std::fs;
use std::process::Stdio;
use std::time::Duration;

use crate::program::Job;

/// A million rows from 2,000 sessions of 500: processor time and the most memory, as the system counts them.
#[test]
#[ignore = "writes some hundred MB"]
#[cfg(target_os = "linux")]
fn a_million_rows_in_seconds_and_little_memory() {
    const SESSIONS: usize = 2_000;
    const ROWS: usize = 500;
    let home = Job::new();
    let mut results = crate::tables::sample::results();
    let band = results.bands[0].clone();
    results.bands = vec![band; ROWS - 10];
    for number in 0..SESSIONS {
        results.files[0].sha256 = Some(format!("{number:064x}"));
        home.write_results(&format!("all/s{number}-results"), &results);
    }
    let mut gather = home.command(&["gather", "all", "--out", "one"]);
    let mut child = gather.stdout(Stdio::null()).stderr(Stdio::inherit()).spawn().expect("the program runs");
    let (mut seconds, mut megabytes) = (0.0_f64, 0.0_f64);
    while child.try_wait().expect("a child").is_none() {
        if let Some((cpu, peak)) = used(child.id()) {
            (seconds, megabytes) = (seconds.max(cpu), megabytes.max(peak));
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let lines = fs::read_to_string(home.path("one/bands.csv")).expect("written").lines().count();
    println!("{lines} lines of bands.csv: {seconds:.2} s of processor time, {megabytes:.0} MB");
    assert_eq!(lines, SESSIONS * (ROWS - 10) + 1);
    assert!(seconds < 5.0 && megabytes < 200.0, "{seconds} s, {megabytes} MB");
}

/// Processor time, s, and most memory, MB, of a process so far.
fn used(id: u32) -> Option<(f64, f64)> {
    const TICKS: f64 = 100.0; // of Linux, sysconf(_SC_CLK_TCK)
    let stat = fs::read_to_string(format!("/proc/{id}/stat")).ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks: f64 = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    let status = fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let peak = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some((ticks / TICKS, peak.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1e3))
}
