//! What the user has is kept, whatever happens: interrupts, kills, full disks, names taken, damaged input.

mod damage;
mod kept;
mod kills;
mod memory;
mod status;

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// A fresh folder to run in.
pub struct Job(TempDir);

/// How a run ended and what it said.
pub struct Run {
    pub status: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Job {
    pub fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// A file with these bytes, in folders that are made.
    pub fn with_bytes(self, name: &str, bytes: &[u8]) -> Self {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("inside the folder")).expect("writable");
        fs::write(path, bytes).expect("writable");
        self
    }

    pub fn with_response(self, name: &str, t60_s: f64) -> Self {
        let bytes = response(name, t60_s);
        self.with_bytes(name, &bytes)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stillroom"));
        command.current_dir(self.0.path()).env("NO_COLOR", "1").args(arguments);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    pub fn run(&self, arguments: &[&str]) -> Run {
        ended(&self.command(arguments).output().expect("the program runs"))
    }

    pub fn json(&self, name: &str) -> serde_json::Value {
        serde_json::from_slice(&fs::read(self.path(name)).expect("it is there")).expect("JSON")
    }

    /// Names in the folder, hidden ones too.
    pub fn names(&self, folder: &str) -> Vec<String> {
        files(&self.path(folder)).into_keys().collect()
    }
}

pub fn ended(output: &std::process::Output) -> Run {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Run { status: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
}

/// One damped tone of 50 Hz over a little noise, 16 bit, 8 kHz, 1 s.
pub fn response(seed: &str, t60_s: f64) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 8_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut wav = hound::WavWriter::new(&mut bytes, spec).expect("memory");
    let mut word = seed.bytes().fold(1_u32, |seed, byte| seed.wrapping_mul(31).wrapping_add(byte.into()));
    for n in 0..8_000 {
        // A linear congruential generator (Numerical Recipes' constants) is noise enough here.
        word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = f64::from(word >> 16) / 32_768.0 - 1.0;
        let t = f64::from(n - 400) / 8_000.0;
        let click = if n == 400 { 20_000.0 } else { 0.0 };
        let ringing = 9_000.0 * (-6.9078 * t / t60_s).exp() * (TAU * 50.0 * t).cos();
        let tone = if t < 0.0 { 0.0 } else { ringing };
        wav.write_sample((click + tone + 4.0 * noise) as i16).expect("memory");
    }
    wav.finalize().expect("memory");
    bytes.into_inner()
}

/// Entries of a folder with the bytes of those that are files; nothing where there is none.
pub fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|entry| {
            let name = entry.file_name().to_string_lossy().into_owned();
            (name, fs::read(entry.path()).unwrap_or_default())
        })
        .collect()
}

/// Numbers from a linear congruential generator (Knuth's MMIX constants): the same in every run.
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    /// From 0 up to, but without, `n`.
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    pub fn one<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }
}
