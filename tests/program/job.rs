//! A fresh folder with what a job needs, and the program run in it.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

use super::{Row, Run, program, rows, run_within};

/// A fresh folder to run in.
pub struct Job(TempDir);

impl Job {
    pub fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    pub fn folder(&self) -> &Path {
        self.0.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder().join(name)
    }

    /// The path of a file that is to be written, in folders that are made.
    pub fn place(&self, name: &str) -> PathBuf {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("inside the folder")).expect("writable");
        path
    }

    pub fn with_bytes(self, name: &str, bytes: impl AsRef<[u8]>) -> Self {
        fs::write(self.place(name), bytes).expect("writable");
        self
    }

    pub fn with_response(self, name: &str, t60_s: f64) -> Self {
        self.with_bytes(name, response(name, t60_s, 1))
    }

    /// Of two seconds, for tests that hold figures of the decay.
    pub fn with_long_response(self, name: &str, t60_s: f64) -> Self {
        self.with_bytes(name, response(name, t60_s, 2))
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        program(self.folder(), arguments)
    }

    pub fn run(&self, arguments: &[&str]) -> Run {
        run_within(120, self.folder(), arguments)
    }

    /// Arguments as they are typed, none of them with a blank in it.
    pub fn run_line(&self, arguments: &str) -> Run {
        self.run(&arguments.split_whitespace().collect::<Vec<_>>())
    }

    pub fn rows(&self, table: &str) -> Vec<Row> {
        rows(&self.path(table))
    }

    pub fn json(&self, name: &str) -> serde_json::Value {
        serde_json::from_slice(&fs::read(self.path(name)).expect("it is there")).expect("JSON")
    }
}

/// One damped tone of 50 Hz over a little noise, 16 bit, 8 kHz.
pub fn response(seed: &str, t60_s: f64, seconds: i32) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 8_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut wav = hound::WavWriter::new(&mut bytes, spec).expect("memory");
    let mut word = seed.bytes().fold(1_u32, |seed, byte| seed.wrapping_mul(31).wrapping_add(byte.into()));
    let begin = 400 * seconds;
    for n in 0..8_000 * seconds {
        // A linear congruential generator (Numerical Recipes' constants) is noise enough here.
        word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = f64::from(word >> 16) / 32_768.0 - 1.0;
        let t = f64::from(n - begin) / 8_000.0;
        let click = if n == begin { 20_000.0 } else { 0.0 };
        let ringing = 9_000.0 * (-6.9078 * t / t60_s).exp() * (TAU * 50.0 * t).cos();
        let tone = if t < 0.0 { 0.0 } else { ringing };
        wav.write_sample((click + tone + 4.0 * noise) as i16).expect("memory");
    }
    wav.finalize().expect("memory");
    bytes.into_inner()
}

/// Every file of a folder, which holds no other folder, with its bytes.
pub fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).expect("the folder is there").map(|entry| entry.expect("readable"));
    let name = |entry: &fs::DirEntry| entry.file_name().to_string_lossy().into_owned();
    entries.map(|entry| (name(&entry), fs::read(entry.path()).expect("a file"))).collect()
}
