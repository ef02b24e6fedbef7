//! A folder with recordings, and the program run in it.

use super::claims::{Claim, claims};
use crate::program;
use std::path::{Path, PathBuf};

/// A temporary folder of one visit.
pub struct Site {
    folder: tempfile::TempDir,
}

impl Site {
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a temporary folder") }
    }

    pub fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes channels of a recording, 24 bits, clipped at full scale.
    pub fn write(&self, name: &str, rate_hz: f64, channels: &[&[f64]]) {
        let spec = hound::WavSpec {
            channels: channels.len() as u16,
            sample_rate: rate_hz as u32,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(self.at(name), spec).expect("writable");
        for n in 0..channels.iter().map(|c| c.len()).max().unwrap_or(0) {
            for channel in channels {
                let value = channel.get(n).copied().unwrap_or(0.0).clamp(-1.0, 1.0);
                wav.write_sample((value * 8_388_607.0) as i32).expect("writable");
            }
        }
        wav.finalize().expect("writable");
    }

    /// Runs the program here; its exit status and all it said.
    pub fn run(&self, arguments: &[&str]) -> (i32, String) {
        let run = program::run(self.folder.path(), arguments);
        (run.status, run.out + &run.err)
    }

    /// Responses of a recording in `room/now`, analysed: the claimed modes.
    pub fn modes(&self, respond: &[&str], analyze: &[&str]) -> Vec<Claim> {
        let (status, said) = self.run(&[&["respond"], respond, &["--out", "room/now"]].concat());
        assert_eq!(status, 0, "{said}");
        let (status, said) = self.run(&[&["analyze", "room"], analyze].concat());
        assert_eq!(status, 0, "{said}");
        claims(&self.at("room-results/modes.csv"))
    }

    /// Copies a response with its record into a state of the session `all`.
    pub fn keep_as(&self, state: &str, into: &Path) {
        let folder = into.join(state);
        std::fs::create_dir_all(&folder).expect("writable");
        for name in ["seat.wav", "seat.capture.json"] {
            std::fs::copy(self.at("room/now").join(name), folder.join(name)).expect("a response");
        }
    }
}
