//! Memory that a single file costs, whatever its length.

#![cfg(target_os = "linux")]

use std::fs;
use std::path::Path;

use crate::program::{Job, ended};

/// Most memory of a process so far, MB; `None` once it is gone.
fn peak_mb(id: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1e3)
}

/// A 16-bit file at 48 kHz: a click that dies away at its begin, then noise of one step.
fn long(path: &Path, frames: u32) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).expect("writable");
    let mut word = 1_u32;
    for n in 0..frames {
        word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let t = f64::from(n) / 48_000.0 - 0.02;
        let tone = 9_000.0 * (-6.9 * t / 1.5).exp() * (314.0 * t).cos();
        let sound = if n == 960 {
            20_000.0
        } else if t > 0.0 && t < 10.0 {
            tone
        } else {
            0.0
        };
        wav.write_sample((sound + f64::from(word >> 31)) as i16).expect("writable");
    }
    wav.finalize().expect("writable");
}

fn run(job: &Job, arguments: &[&str]) -> (i32, String, f64) {
    let child = job.command(arguments).spawn().expect("the program runs");
    let id = child.id();
    let watched = std::thread::spawn(move || {
        let mut most = 0.0_f64;
        while let Some(mb) = peak_mb(id) {
            most = most.max(mb);
            std::thread::sleep(std::time::Duration::from_millis(4));
        }
        most
    });
    let run = ended(&child.wait_with_output().expect("it ends"));
    (run.status, run.out + &run.err, watched.join().expect("it watched"))
}

/// 2 hours are refused before a sample is decoded; the longest file that is read, 23 minutes, is read as
/// far as a response goes; one of just that length, and of a prime number of frames, costs the most.
#[test]
#[ignore = "a minute, and some hundred MB of disk"]
fn no_file_costs_more_than_400_mb() {
    for (what, frames, status) in [
        ("2 hours", 2 * 3600 * 48_000_u32, 1),
        ("23 minutes", 23 * 60 * 48_000, 0),
        ("as long as is kept", 1 << 22, 0),
        ("a prime number", 4_194_301, 0),
    ] {
        let job = Job::new();
        if frames > 1 << 26 {
            // Sparse: the header is all that is on disk.
            long(&job.path("seat.wav"), 48_000);
            let mut bytes = fs::read(job.path("seat.wav")).expect("written");
            bytes[4..8].copy_from_slice(&(36 + 2 * frames).to_le_bytes());
            bytes[40..44].copy_from_slice(&(2 * frames).to_le_bytes());
            fs::write(job.path("seat.wav"), bytes).expect("writable");
            let file = fs::File::options().write(true).open(job.path("seat.wav")).expect("there");
            file.set_len(44 + 2 * u64::from(frames)).expect("sparse");
        } else {
            long(&job.path("seat.wav"), frames);
        }
        for arguments in [&["analyze", "seat.wav", "--modes-to", "60"][..], &["check", "seat.wav"]] {
            let (ended, said, mb) = run(&job, arguments);
            println!("{what}, {}: {mb:.0} MB, status {ended}", arguments[0]);
            assert_eq!(ended, status, "{what}: {said}");
            assert!(mb < 400.0, "{what}: {mb:.0} MB");
            if frames > 1 << 22 {
                assert!(said.contains("too long") || said.contains("were read"), "{what}: {said}");
            }
        }
    }
}
