//! The independent path of `tests/reference/bands.py` (numpy, scipy) on synthetic and measured responses.
//!
//! `cargo test --release -- --ignored reference_script` runs it; `STILLROOM_PYTHON` names an interpreter with the
//! packages of `tests/reference/requirements.txt` (default `python3`), `STILLROOM_IR` the measured responses.

use super::super::{BandDecay, Signal, Value, band_decays, bank};
use super::signals::seconds;
use crate::filter::Fraction;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One row of the script: its cells by column.
type Row = BTreeMap<String, String>;

fn script(arguments: &[&str]) -> String {
    let python = std::env::var("STILLROOM_PYTHON").unwrap_or_else(|_| "python3".into());
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/bands.py");
    let run = Command::new(python).arg(path).args(arguments).output().expect("python must start");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    String::from_utf8(run.stdout).expect("the script writes UTF-8")
}

fn rows(files: &[PathBuf]) -> Vec<Row> {
    let arguments: Vec<&str> = files.iter().filter_map(|file| file.to_str()).collect();
    let text = script(&arguments);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows: Vec<Row> = reader.deserialize().map(|row| row.expect("a row of the script")).collect();
    assert!(rows.len() >= 30 * files.len(), "the script must have rows for every file");
    rows
}

fn samples(path: &str) -> Vec<f64> {
    let mut wav = hound::WavReader::open(path).expect("the script could read the file");
    let spec = wav.spec();
    let channels = usize::from(spec.channels);
    if spec.sample_format == hound::SampleFormat::Float {
        wav.samples::<f32>().step_by(channels).map(|s| f64::from(s.expect("a sample"))).collect()
    } else {
        let full = f64::from(1_u32 << (spec.bits_per_sample - 1));
        wav.samples::<i32>().step_by(channels).map(|s| f64::from(s.expect("a sample")) / full).collect()
    }
}

/// Program and script, value by value.
#[derive(Default)]
struct Comparison {
    /// Relative differences per quantity, with where they were found.
    differences: BTreeMap<&'static str, Vec<(f64, String)>>,
    only_script: BTreeMap<&'static str, usize>,
    only_program: BTreeMap<&'static str, usize>,
}

impl Comparison {
    fn add(&mut self, row: &Row, band: &BandDecay) {
        let theirs = |column: &str| row.get(column).and_then(|cell| cell.parse::<f64>().ok());
        // Within a few dB of a limit, and where the record ends in the decay, two floors may disagree on it.
        let margin_db = |least_db: f64| 10.0 * theirs("peak_to_noise").unwrap_or(0.0).log10() - least_db;
        for (quantity, ours, least_db) in [
            ("t20_s", seconds(band.t20_s), 35.0),
            ("t30_s", seconds(band.t30_s), 45.0),
            ("edt_s", band.edt_s, 25.0),
            ("c50", band.c50, 40.0),
            ("c80", band.c80, 40.0),
            ("d50", band.d50, 40.0),
            ("ts_s", band.ts_s, 35.0),
            ("level", band.level, 35.0),
            ("peak_to_noise", band.peak_to_noise, 25.0),
        ] {
            if margin_db(least_db) < 8.0 || theirs("ends_in_decay") == Some(1.0) {
                continue;
            }
            self.hold(quantity, ours, theirs(quantity), || {
                let file = Path::new(&row["file"]).file_name().map(|f| f.to_string_lossy().into_owned());
                format!("{} {} {:.0} Hz", file.unwrap_or_default(), row["fraction"], band.band.centre_hz)
            });
        }
    }

    fn hold(&mut self, quantity: &'static str, ours: Value, theirs: Option<f64>, place: impl Fn() -> String) {
        match (ours, theirs) {
            (Ok(ours), Some(theirs)) => {
                self.differences.entry(quantity).or_default().push(((ours / theirs - 1.0).abs(), place()));
            }
            (Ok(_), None) => *self.only_program.entry(quantity).or_default() += 1,
            (Err(_), Some(_)) => *self.only_script.entry(quantity).or_default() += 1,
            (Err(_), None) => {}
        }
    }

    fn of(files: &[PathBuf]) -> Self {
        let mut comparison = Self::default();
        let mut last: Option<(String, String, Vec<BandDecay>)> = None;
        for row in rows(files) {
            let (file, fraction) = (row["file"].clone(), row["fraction"].clone());
            if last.as_ref().is_none_or(|(f, fr, _)| *f != file || *fr != fraction) {
                let kind = if fraction == "octave" { Fraction::Octave } else { Fraction::Third };
                let rate_hz: f64 = row["rate_hz"].parse().expect("a rate");
                let onset_s: f64 = row["onset_s"].parse().expect("an onset");
                let samples = samples(&file);
                let signal = Signal { samples: &samples, rate_hz, onset_s };
                last = Some((file, fraction, band_decays(&signal, kind, &bank(kind, rate_hz))));
            }
            let hz: f64 = row["band_hz"].parse().expect("a frequency");
            let bands = last.as_ref().map_or(&[][..], |last| &last.2);
            let band = bands.iter().find(|b| (b.band.centre_hz / hz - 1.0).abs() < 1e-6).expect("the band");
            comparison.add(&row, band);
        }
        comparison
    }

    /// Middle and 95th percentile and the worst of a quantity's differences.
    fn quantiles(&self, quantity: &str) -> (f64, f64, f64, usize) {
        let mut found: Vec<f64> = self.differences.get(quantity).into_iter().flatten().map(|d| d.0).collect();
        found.sort_by(f64::total_cmp);
        let at = |share: f64| found.get((share * found.len() as f64) as usize).copied().unwrap_or(f64::NAN);
        (at(0.5), at(0.95), found.last().copied().unwrap_or(f64::NAN), found.len())
    }

    fn print(&self) {
        for (quantity, found) in &self.differences {
            let (middle, most, worst, count) = self.quantiles(quantity);
            let place = found.iter().max_by(|a, b| a.0.total_cmp(&b.0)).map_or("", |d| &d.1);
            println!(
                "{quantity:>14}: {count:4} values, median {middle:.1e}, 95 % {most:.1e}, worst {worst:.1e} ({place}); only program {:?}, only script {:?}",
                self.only_program.get(quantity).unwrap_or(&0),
                self.only_script.get(quantity).unwrap_or(&0)
            );
        }
    }
}

#[test]
#[ignore = "needs python with numpy and scipy; .ci/run runs it"]
fn reference_script_agrees_on_synthetic_responses() {
    let folder = tempfile::tempdir().expect("a folder");
    script(&["--make", folder.path().to_str().expect("a plain path")]);
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder.path()).expect("the folder").map(|f| f.expect("a file").path()).collect();
    files.sort();
    let comparison = Comparison::of(&files);
    comparison.print();
}

#[test]
#[ignore = "needs python with numpy and scipy; .ci/run runs it"]
fn reference_script_agrees_on_measured_responses() {
    let folder = std::env::var_os("STILLROOM_IR")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/ir"), PathBuf::from);
    let files: Vec<PathBuf> = [
        "arni_two_states/IR_numClosed_2_numComb_200_mic_1_sweep_1.wav",
        "arni_two_states/IR_numClosed_50_numComb_5000_mic_1_sweep_3.wav",
        "but_room112/real.rir.Hotel_SkalskyDvur_Room112-micstep-0-spkstep-0-spkno-2-micno-10.wav",
        "fem_box_uneven/as_found/pupil.wav",
        "fem_l_room/untreated/bench.wav",
        "openair_genesis6_live_room/Genesis 6 Studio Live Room.wav",
        "surrey_room_a/UniS_Room_A_16k_az+000.wav",
    ]
    .iter()
    .map(|file| folder.join(file))
    .collect();
    if let Some(missing) = files.iter().find(|file| !file.exists()) {
        assert!(std::env::var_os("CI").is_none_or(|ci| ci != "true"), "missing: {}", missing.display());
        println!("skipped: no measured responses in {}", folder.display());
        return;
    }
    let comparison = Comparison::of(&files);
    comparison.print();
}
