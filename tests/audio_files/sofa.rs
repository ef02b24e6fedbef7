//! SOFA files: the samples exactly, or refused by the same rules as sound files. Written here by the HDF5 crate, small and
//! plain; tests/reference/sofa.py holds the reader against files of independent libraries.

use std::fs;
use std::path::PathBuf;

use hdf5_pure::{AttrValue, FileBuilder};
use proptest::prelude::*;
use stillroom::recording::{AudioError, MAX_SAMPLES, Recording, Wanted, read_take};

const FRAMES: usize = 300;

/// What a file says; each test changes one thing.
#[derive(Clone)]
struct Sofa {
    conventions: (&'static str, &'static str, &'static str),
    shape: Vec<u64>,
    data: Vec<f64>,
    single: bool,
    rates: Option<Vec<f64>>,
    delays: Vec<f64>,
    /// Points that count from the first, by variable.
    points: Vec<(&'static str, Vec<[f64; 3]>)>,
}

fn truth(response: usize) -> Vec<f64> {
    (0..FRAMES)
        .map(|k| f64::from(((k * 7919 + response * 104_729) % 60_000) as i32 - 30_000) / 32_768.0)
        .collect()
}

impl Default for Sofa {
    fn default() -> Self {
        Self {
            conventions: ("SOFA", "GeneralFIR", "FIR"),
            shape: vec![2, 1, FRAMES as u64],
            data: [truth(0), truth(1)].concat(),
            single: false,
            rates: Some(vec![48_000.0]),
            delays: vec![0.0],
            points: Vec::new(),
        }
    }
}

impl Sofa {
    fn with(mut self, change: impl FnOnce(&mut Self)) -> Self {
        change(&mut self);
        self
    }

    fn bytes(&self) -> Vec<u8> {
        let mut file = FileBuilder::new();
        let (conventions, convention, kind) = self.conventions;
        for (name, text) in
            [("Conventions", conventions), ("SOFAConventions", convention), ("DataType", kind)]
        {
            file.set_attr(name, AttrValue::AsciiString(text.into()));
        }
        let data = file.create_dataset("Data.IR");
        if self.single {
            data.with_f32_data(&self.data.iter().map(|x| *x as f32).collect::<Vec<_>>());
        } else {
            data.with_f64_data(&self.data);
        }
        data.with_shape(&self.shape);
        if let Some(rates) = &self.rates {
            file.create_dataset("Data.SamplingRate").with_f64_data(rates);
        }
        let delays = self.delays.len() as u64;
        file.create_dataset("Data.Delay").with_f64_data(&self.delays).with_shape(&[delays, 1]);
        for (name, points) in &self.points {
            let data = file.create_dataset(name);
            data.with_f64_data(points.as_flattened()).with_shape(&[points.len() as u64, 3]);
            data.set_attr("Type", AttrValue::AsciiString("cartesian".into()));
        }
        file.finish().expect("a file")
    }

    fn read(&self, channel: usize) -> Result<Recording, AudioError> {
        read(&self.bytes(), channel)
    }
}

fn read(bytes: &[u8], channel: usize) -> Result<Recording, AudioError> {
    let home = tempfile::tempdir().expect("a folder");
    let path: PathBuf = home.path().join("hall.sofa");
    fs::write(&path, bytes).expect("writable");
    read_take(&path, "state/hall.sofa", Wanted { channel, rate_hz: Some(1_000) })
}

fn message(read: Result<Recording, AudioError>) -> String {
    let text = read.expect_err("must be refused").to_string();
    assert_eq!(text.lines().count(), 4, "{text}");
    text
}

#[test]
fn each_response_reads_as_its_samples() {
    for single in [false, true] {
        for channel in [1, 2] {
            let read = Sofa::default().with(|s| s.single = single).read(channel).expect("sound");
            // Counts of 16 bits are exact in single precision.
            assert_eq!(read.samples, truth(channel - 1));
            assert_eq!(
                (read.rate_hz, read.provenance.channels),
                (48_000.0, 2),
                "the file's rate is believed"
            );
            assert_eq!(read.provenance.bit_depth, if single { 32 } else { 64 });
        }
    }
    let late = Sofa::default().with(|s| s.delays = vec![0.0, 7.0]).read(2).expect("sound");
    assert_eq!(late.samples, [vec![0.0; 7], truth(1)].concat());
}

/// Takes are averaged: only what the file puts at one microphone and one source is a take of it.
#[test]
fn takes_are_what_was_measured_twice_between_the_same_points() {
    let here = vec![[1.0, 2.0, 1.2]];
    let nowhere = vec![[f64::NAN; 3]];
    let named = |shape: [u64; 3], points: &[(&'static str, &Vec<[f64; 3]>)]| {
        let sofa = Sofa::default().with(|s| {
            s.shape = vec![shape[0], shape[1], shape[2]];
            s.points = points.iter().map(|(name, points)| (*name, (*points).clone())).collect();
        });
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().join("hall.sofa");
        fs::write(&path, sofa.bytes()).expect("writable");
        let told = stillroom::layout::responses(&path).expect("responses");
        told.into_iter().map(|one| one.name + &one.source.unwrap_or_default()).collect::<Vec<_>>()
    };
    let frames = FRAMES as u64;
    let (listener, source) = ("ListenerPosition", "SourcePosition");
    assert_eq!(named([2, 1, frames], &[(listener, &here), (source, &here)]), ["hall-1#1", "hall-1#2"]);
    assert_eq!(named([2, 1, frames], &[(listener, &here), (source, &nowhere)]), ["hall-1s1", "hall-1s2"]);
    assert_eq!(named([2, 1, frames], &[(listener, &here)]), ["hall-1s1", "hall-1s2"]);
    assert_eq!(named([2, 1, frames], &[(source, &here)]), ["hall-1", "hall-2"]);
    assert_eq!(named([2, 1, frames], &[]), ["hall-1", "hall-2"]);
    assert_eq!(named([1, 2, frames], &[(listener, &here), (source, &here)]), ["hall-1", "hall-2"]);
}

#[test]
fn what_is_wrong_is_named() {
    let sound = Sofa::default();
    type Change = fn(&mut Sofa);
    let cases: [(Change, usize, &str); 17] = [
        (|s| s.conventions.0 = "other", 1, "another kind"),
        (|s| s.conventions.1 = "SimpleFreeFieldHRIR", 1, "free field"),
        (|s| s.conventions.1 = "GeneralTF", 1, "GeneralTF"),
        (|s| s.conventions.2 = "TF", 1, "TF of shape"),
        (|s| s.shape = vec![2, FRAMES as u64], 1, "three axes"),
        (|s| s.rates = None, 1, "Data.SamplingRate"),
        (|s| s.rates = Some(vec![48_000.0, 44_100.0]), 1, "several rates"),
        (|s| s.rates = Some(vec![0.0]), 1, "0 Hz"),
        (|s| s.rates = Some(vec![f64::NAN]), 1, "NaN"),
        (|s| s.rates = Some(vec![999.0]), 1, "999 Hz"),
        (|s| s.rates = Some(vec![48_000.5]), 1, "whole hertz"),
        (|s| s.data[100] = f64::NAN, 1, "sample 100 of channel 1 is not a number"),
        (|s| s.data[FRAMES + 7] = f64::INFINITY, 2, "sample 7 of channel 2 is out of all scale"),
        (|s| s.data[3] = 1e13, 1, "out of all scale"),
        (|s| s.delays = vec![0.5], 1, "whole samples"),
        (|s| s.delays = vec![-1.0], 1, "whole samples"),
        (|s| s.delays = vec![f64::NAN], 1, "whole samples"),
    ];
    for (change, channel, said) in cases {
        let text = message(sound.clone().with(change).read(channel));
        assert!(text.contains(said), "{said} not in {text}");
    }
    for channel in [0, 3, 70_000] {
        assert!(message(sound.read(channel)).contains(&format!("no channel {channel}")));
    }
    // Another response's fault is not this one's.
    assert!(sound.with(|s| s.data[100] = f64::NAN).read(2).is_ok());
}

/// Sizes are refused by the header, before anything is decoded: the file itself is small.
#[test]
fn sizes_are_capped() {
    let mut file = FileBuilder::new();
    for (name, text) in [("Conventions", "SOFA"), ("SOFAConventions", "GeneralFIR"), ("DataType", "FIR")] {
        file.set_attr(name, AttrValue::AsciiString(text.into()));
    }
    let data = file.create_dataset("Data.IR");
    // Zeros in chunks that are deflated: 64 MiB of values and one more, in a few hundred kB.
    let long = MAX_SAMPLES + 4096;
    data.with_f32_data(&vec![0.0; long as usize]).with_shape(&[1, 1, long]);
    data.with_chunks(&[1, 1, 1 << 20]).with_deflate(1);
    file.create_dataset("Data.SamplingRate").with_f64_data(&[48_000.0]);
    let text = message(read(&file.finish().expect("a file"), 1));
    assert!(text.contains("values in a measurement"), "{text}");
}

#[test]
fn a_file_cut_anywhere_is_refused() {
    let bytes = Sofa::default().bytes();
    for end in (8..bytes.len() - 1).step_by(97) {
        if let Ok(read) = read(&bytes[..end], 1) {
            // What is missing lies behind the response that was asked for.
            assert_eq!(read.samples, truth(0), "cut at {end}");
        }
    }
    assert!(message(read(&[], 1)).contains("empty"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_files_are_read_or_refused(
        bytes in prop::collection::vec((any::<prop::sample::Index>(), any::<bool>(), any::<u8>()), 0..6),
        keep in prop::option::of(any::<prop::sample::Index>()),
        channel in 0usize..4,
    ) {
        let mut file = Sofa::default().bytes();
        for (at, in_header, value) in bytes {
            let reach = if in_header { 1_500.min(file.len()) } else { file.len() };
            file[at.index(reach)] = value;
        }
        if let Some(keep) = keep {
            file.truncate(keep.index(file.len()));
        }
        match read(&file, channel) {
            Ok(found) => {
                prop_assert!(!found.samples.is_empty());
                prop_assert!(found.samples.iter().all(|v| v.is_finite()));
            }
            Err(error) => prop_assert_eq!(error.to_string().lines().count(), 4),
        }
    }
}
