//! NumPy arrays and columns of text: the samples exactly, or refused by the same rules as sound files.

use std::fs;
use std::path::PathBuf;

use proptest::prelude::*;
use stillroom::recording::{AudioError, MAX_SAMPLES, Recording, Wanted, read_take};

/// Bytes of an array after NumPy's description of its format, version 1.0.
fn npy(descr: &str, fortran: &str, shape: &str, data: &[u8]) -> Vec<u8> {
    let mut dictionary = format!("{{'descr': '{descr}', 'fortran_order': {fortran}, 'shape': {shape}, }}");
    while (10 + dictionary.len() + 1) % 64 != 0 {
        dictionary.push(' ');
    }
    dictionary.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((dictionary.len() as u16).to_le_bytes());
    bytes.extend(dictionary.as_bytes());
    bytes.extend(data);
    bytes
}

/// Sample `k` of row `row`: exact as a 16-bit integer, so that every kind of number holds it.
fn count(row: usize, k: usize) -> i16 {
    (((k * 7919 + row * 104_729) % 60_000) as i32 - 30_000) as i16
}

fn truth(row: usize, frames: usize) -> Vec<f64> {
    (0..frames).map(|k| f64::from(count(row, k)) / 32_768.0).collect()
}

struct File(tempfile::TempDir, PathBuf);

impl File {
    fn new(name: &str, bytes: &[u8]) -> Self {
        let home = tempfile::tempdir().expect("a folder");
        let path = home.path().join(name);
        fs::write(&path, bytes).expect("writable");
        Self(home, path)
    }

    fn read(&self, channel: usize, rate_hz: Option<u32>) -> Result<Recording, AudioError> {
        assert!(self.0.path().is_dir());
        read_take(&self.1, "state/file", Wanted { channel, rate_hz })
    }
}

fn message(read: Result<Recording, AudioError>) -> String {
    let text = read.expect_err("must be refused").to_string();
    assert_eq!(text.lines().count(), 4, "{text}");
    text
}

const FRAMES: usize = 2_000;

#[test]
fn every_kind_of_array_reads_as_its_samples() {
    let value = |row, k| f64::from(count(row, k)) / 32_768.0;
    type Write<'a> = &'a dyn Fn(usize, usize) -> Vec<u8>;
    let kinds: [(&str, Write<'_>); 6] = [
        ("<f8", &|row, k| value(row, k).to_le_bytes().to_vec()),
        (">f8", &|row, k| value(row, k).to_be_bytes().to_vec()),
        ("<f4", &|row, k| (value(row, k) as f32).to_le_bytes().to_vec()),
        ("<i2", &|row, k| count(row, k).to_le_bytes().to_vec()),
        (">i2", &|row, k| count(row, k).to_be_bytes().to_vec()),
        ("<i4", &|row, k| (i32::from(count(row, k)) << 16).to_le_bytes().to_vec()),
    ];
    for (descr, number) in kinds {
        let rows: Vec<u8> = (0..3).flat_map(|row| (0..FRAMES).flat_map(move |k| number(row, k))).collect();
        let frames: Vec<u8> = (0..FRAMES).flat_map(|k| (0..3).flat_map(move |row| number(row, k))).collect();
        for (fortran, shape, data) in [
            ("False", "(3, 2000)", &rows),
            ("True", "(2000, 3)", &rows),
            ("False", "(2000, 3)", &frames),
            ("True", "(3, 2000)", &frames),
        ] {
            let file = File::new("a.npy", &npy(descr, fortran, shape, data));
            for channel in 1..=3 {
                let read = file.read(channel, Some(44_100)).expect("sound");
                assert_eq!(read.samples, truth(channel - 1, FRAMES), "{descr} {fortran} {shape}");
                assert_eq!((read.rate_hz, read.provenance.channels), (44_100.0, 3));
            }
            assert!(message(file.read(4, Some(44_100))).contains("there is no channel 4"));
            assert!(message(file.read(1, None)).contains("rate_hz"));
        }
    }
}

#[test]
fn an_array_cut_short_or_without_numbers_is_told() {
    let bytes: Vec<u8> = truth(0, FRAMES).into_iter().flat_map(f64::to_le_bytes).collect();
    let cut = File::new("a.npy", &npy("<f8", "False", "(2000,)", &bytes[..8 * 1500 + 3]));
    let read = cut.read(1, Some(48_000)).expect("as far as it goes");
    assert_eq!((read.samples.len(), read.provenance.incomplete), (1500, true));
    assert!(read.provenance.repairs[0].contains("2000 samples promised, 1500 there"));
    let planar = File::new("a.npy", &npy("<f8", "False", "(2, 1000)", &bytes[..8 * 1500]));
    assert!(!planar.read(1, Some(48_000)).expect("whole").provenance.incomplete);
    assert_eq!(planar.read(2, Some(48_000)).expect("half").samples.len(), 500);
    let empty = File::new("a.npy", &npy("<f8", "False", "(2000,)", &[]));
    assert!(message(empty.read(1, Some(48_000))).contains("no samples"));
    let mut poisoned = bytes.clone();
    poisoned[8 * 700..8 * 701].copy_from_slice(&f64::NAN.to_le_bytes());
    let text = message(File::new("a.npy", &npy("<f8", "False", "(2000,)", &poisoned)).read(1, Some(48_000)));
    assert!(text.contains("sample 700 of channel 1 is not a number") && text.contains("byte 5728"), "{text}");
    // Refused by the header, whatever is behind it.
    let long = format!("({},)", MAX_SAMPLES + 1);
    let text = message(File::new("a.npy", &npy("<f8", "False", &long, &bytes)).read(1, Some(48_000)));
    assert!(text.contains("too long"), "{text}");
    let text = message(File::new("a.npy", &npy("|O", "False", "(2000,)", &bytes)).read(1, Some(48_000)));
    assert!(text.contains("|O") && text.contains("i2, i4, f4 or f8"), "{text}");
    let text = message(File::new("a.npy", &npy("<f8", "False", "(2000,)", &bytes)).read(1, Some(999)));
    assert!(text.contains("999 Hz"), "{text}");
}

fn table(head: &str, separator: &str, digits: usize) -> String {
    let row = |k: usize| {
        let time = k as f64 / 48_000.0;
        format!("{time:.digits$}{separator}{}{separator}{}\n", truth(0, k + 1)[k], truth(1, k + 1)[k])
    };
    head.to_owned() + &(0..300).map(row).collect::<String>()
}

#[test]
fn columns_read_as_their_samples_at_the_rate_of_their_times() {
    for (head, separator, digits) in [
        ("time_s,seat,corner\n", ",", 6),
        ("# by hand\n% twice\n\"Time [s]\";\"seat\";\"corner\"\n", ";", 9),
        ("\u{feff}", "\t", 8),
        ("", "   ", 7),
    ] {
        let text = table(head, separator, digits);
        for text in [text.clone(), text.replace('\n', "\r\n"), text.trim_end().to_owned()] {
            let file = File::new("a.csv", text.as_bytes());
            for channel in 1..=2 {
                let read = file.read(channel, Some(1_000)).expect("columns");
                assert_eq!(read.samples, truth(channel - 1, 300), "{head:?}");
                assert_eq!((read.rate_hz, read.provenance.channels), (48_000.0, 2), "the times are believed");
            }
            assert!(message(file.read(3, None)).contains("no channel 3"));
        }
    }
    for separator in [";", "\t"] {
        let commas = table("time_s@seat@corner\n", "@", 7).replace('.', ",").replace('@', separator);
        let read = File::new("a.csv", commas.as_bytes()).read(2, None).expect("decimal commas");
        assert_eq!((read.samples, read.rate_hz), (truth(1, 300), 48_000.0));
        let mixed = commas.replace("0,0020417", "1.000,5");
        assert!(message(File::new("a.csv", mixed.as_bytes()).read(1, None)).contains("line 100"), "{mixed}");
    }
    let rate = File::new("a.txt", b"# rate_hz = 44100\n0.5\n-0.25\n1e-3\n");
    assert_eq!(rate.read(1, None).expect("a column").samples, [0.5, -0.25, 0.001]);
}

#[test]
fn columns_with_faults_are_refused_by_line() {
    let sound = table("time_s,seat,corner\n", ",", 7);
    let line = |n: usize, new: &str| {
        let mut lines: Vec<&str> = sound.lines().collect();
        lines[n - 1] = new;
        File::new("a.csv", (lines.join("\n") + "\n").as_bytes())
    };
    for (n, new, said) in [
        (100, "0.0020417,nan,0", "sample 98 of channel 1 is not a number"),
        (100, "0.0020417,inf,0", "sample 98 of channel 1 is out of all scale"),
        (100, "0.0020417,1e13,0", "out of all scale"),
        (100, "0.0020417,,0", "line 100 can't be read"),
        (100, "0.0020417,0", "2 fields"),
        (100, "0,0020417,0,0", "4 fields"),
        (100, "0.0020417,loud,0", "\"loud\""),
        (100, "# a remark instead of a row", "steps"),
        (100, "0.0019,0,0", "steps"),
    ] {
        let text = message(line(n, new).read(1, None));
        assert!(text.contains(said), "{said} not in {text}");
    }
    // Another column's fault is not this one's.
    assert!(line(100, "0.0020417,nan,0").read(2, None).is_ok());
    let cut = File::new("a.csv", &sound.as_bytes()[..sound.len() - 30]);
    let read = cut.read(1, None).expect("all but the last");
    assert!(read.provenance.incomplete && read.provenance.repairs[0].contains("cut short"));
    let coarse = message(File::new("a.csv", table("time_s,seat,corner\n", ",", 5).as_bytes()).read(1, None));
    assert!(coarse.contains("more digits"), "{coarse}");
    let stated = table("# rate_hz = 48000\ntime_s,seat,corner\n", ",", 5);
    assert_eq!(File::new("a.csv", stated.as_bytes()).read(1, None).expect("stated").rate_hz, 48_000.0);
    let wrong = stated.replacen("48000", "44100", 1);
    assert!(message(File::new("a.csv", wrong.as_bytes()).read(1, None)).contains("sample rate"));
    // Times that end where they began contradict every rate, and so does a single one.
    for times in ["0.0,0.5\n1.0,0.2\n0.0,0.1\n", "0.0,0.5\n"] {
        let back = File::new("a.csv", format!("# rate_hz = 48000\ntime_s,seat\n{times}").as_bytes());
        let told = message(back.read(1, None));
        assert!(told.contains("rises by equal steps") && !told.contains("NaN"), "{told}");
    }
    let slow = "time_s,seat\n".to_owned()
        + &(0..20).map(|k| format!("{:.6},0.5\n", f64::from(k) / 500.0)).collect::<String>();
    assert!(message(File::new("a.csv", slow.as_bytes()).read(1, None)).contains("500 Hz"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_arrays_and_columns_are_read_or_refused(
        text in any::<bool>(),
        bytes in prop::collection::vec((any::<prop::sample::Index>(), any::<bool>(), any::<u8>()), 0..6),
        keep in prop::option::of(any::<prop::sample::Index>()),
        channel in 0usize..4,
    ) {
        let mut file = if text {
            table("# rate_hz = 48000\ntime_s,seat,corner\n", ",", 7).into_bytes()
        } else {
            let numbers: Vec<u8> = truth(0, 600).into_iter().flat_map(f64::to_le_bytes).collect();
            npy("<f8", "False", "(3, 200)", &numbers)
        };
        for (at, in_header, value) in bytes {
            let reach = if in_header { 80 } else { file.len() };
            file[at.index(reach)] = value;
        }
        if let Some(keep) = keep {
            file.truncate(keep.index(file.len()));
        }
        match File::new(if text { "a.csv" } else { "a.npy" }, &file).read(channel, Some(48_000)) {
            Ok(found) => {
                prop_assert!(!found.samples.is_empty());
                prop_assert!(found.samples.iter().all(|v| v.is_finite()));
            }
            Err(error) => prop_assert_eq!(error.to_string().lines().count(), 4),
        }
    }
}
