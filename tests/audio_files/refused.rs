//! Files that can't be read: the message names file, place, finding, what is allowed, what to do.

use std::path::Path;

use stillroom::recording::MAX_SAMPLES;

use super::wave::{As, Wave};
use super::{read, read_file};

/// The message for `bytes`; checks its shape on the way.
fn message(bytes: Vec<u8>, channel: usize) -> String {
    let error = read(bytes, channel).expect_err("must be refused");
    let text = error.to_string();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 4, "{text}");
    assert!(lines[0].starts_with("treated/seat.wav: "), "{text}");
    for (line, start) in lines[1..].iter().zip(["  found    ", "  allowed  ", "  do       "]) {
        assert!(line.len() > start.len() && line.starts_with(start), "{text}");
    }
    text
}

/// The first three lines hold these words, in order.
fn assert_refused(bytes: Vec<u8>, what: &str, found: &str, allowed: &str) {
    let text = message(bytes, 1);
    let lines: Vec<&str> = text.lines().collect();
    for (line, words) in lines.iter().zip([what, found, allowed]) {
        assert!(line.contains(words), "{words:?} not in: {text}");
    }
}

fn sound() -> Wave {
    Wave::new(As::plain(24))
}

#[test]
fn an_empty_file() {
    assert_refused(Vec::new(), "the file is empty", "0 bytes", "WAV");
}

#[test]
fn text_and_scraps() {
    assert_refused(
        b"position,t20\nseat,0.4\n".to_vec(),
        "not an audio file",
        "\"position,t20\\nsea\"",
        "WAV",
    );
    assert_refused(b"RIF".to_vec(), "not an audio file", "\"RIF\"", "WAV");
    assert_refused(b"RIFF\x10\0\0\0AVI LIST".to_vec(), "not an audio file", "bytes 52 49 46 46", "WAV");
    assert_refused(vec![0; 100], "not an audio file", "bytes 00 00", "WAV");
}

#[test]
fn formats_that_are_not_read_are_named() {
    assert_refused(b"OggS\0\x02\0\0\0\0\0\0\0\0".to_vec(), "Ogg", "Ogg", "WAV");
    assert_refused(b"\0\0\0\x20ftypM4A \0\0\0\0".to_vec(), "MPEG-4", "MPEG-4", "FLAC");
    assert_refused(b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb".to_vec(), "Wave64", "Wave64", "WAV");
}

#[test]
fn a_header_and_nothing_else() {
    let bytes = sound().bytes();
    assert_refused(bytes[..12].to_vec(), "\"fmt \" chunk is missing", "end of the file at byte 12", "fmt ");
    assert_refused(bytes[..30].to_vec(), "\"data\" chunk is missing", "end of the file at byte 30", "data");
    assert_refused(bytes[..36].to_vec(), "\"data\" chunk is missing", "end of the file at byte 36", "data");
    assert_refused(bytes[..44].to_vec(), "no samples behind the header (byte 44)", "0 frames", "1 frame");
    assert_refused(bytes[..46].to_vec(), "no samples behind the header (byte 44)", "0 frames", "1 frame");
}

#[test]
fn no_format_chunk() {
    let bytes = sound().with(|w| w.fmt = false).bytes();
    assert_refused(bytes, "\"fmt \" chunk is missing", "end of the file", "fmt ");
}

#[test]
fn a_format_chunk_too_short_to_mean_anything() {
    let mut bytes = sound().chunk_before(b"fmt ", 14, true).with(|w| w.fmt = false).bytes();
    bytes[22] = 1;
    assert_refused(bytes, "fmt chunk (byte 20)", "14 bytes", "16 bytes or more");
}

#[test]
fn no_samples_chunk() {
    let bytes = sound().with(|w| w.data = false).chunk_after(b"LIST", 20).bytes();
    assert_refused(bytes, "\"data\" chunk is missing", "end of the file", "data");
}

#[test]
fn samples_really_empty() {
    let wave = sound().with(|w| w.raw = Some(Vec::new())).chunk_after(b"LIST", 20);
    assert_refused(wave.bytes(), "no samples", "0 frames", "1 frame");
}

#[test]
fn a_chunk_list_that_runs_into_rubbish() {
    let wave = sound()
        .with(|w| w.before.push(super::wave::Extra { id: [1, 2, 3, 4], body: vec![7; 10], padded: true }));
    assert_refused(wave.bytes(), "\"data\" chunk is missing", "01 02 03 04 0a 00 00 00 at byte 36", "data");
}

#[test]
fn endless_tiny_chunks() {
    let mut wave = sound();
    for _ in 0..5000 {
        wave = wave.chunk_before(b"JUNK", 0, true);
    }
    assert_refused(wave.bytes(), "\"data\" chunk is missing", "more than 4096 chunks", "data");
}

#[test]
fn zero_channels() {
    let bytes = sound().with(|w| (w.channels, w.raw) = (0, Some(vec![0; 300]))).bytes();
    assert_refused(bytes, "number of channels (byte 22)", "0", "1 or more");
}

#[test]
fn more_channels_than_the_block_align_can_say() {
    let bytes = sound().with(|w| (w.channels, w.raw) = (65_535, Some(vec![0; 300]))).bytes();
    assert_refused(bytes, "block align (byte 32)", "bytes", "196605 bytes for 65535 channels of 24 bits");
}

#[test]
fn a_sample_rate_of_0() {
    let bytes = sound().with(|w| w.rate_hz = 0).bytes();
    assert_refused(bytes, "sample rate (byte 24)", "0 Hz", "1000 to 768000 Hz");
}

#[test]
fn sample_rates_out_of_range() {
    for rate_hz in [1, 999, 768_001, u32::MAX] {
        let bytes = sound().with(|w| w.rate_hz = rate_hz).bytes();
        assert_refused(bytes, "sample rate", &format!("{rate_hz} Hz"), "1000 to 768000 Hz");
    }
    for rate_hz in [1_000, 768_000] {
        assert!(read(sound().with(|w| w.rate_hz = rate_hz).bytes(), 1).is_ok());
    }
}

#[test]
fn a_channel_that_is_not_there() {
    for channel in [0, 3, usize::MAX] {
        let text = message(sound().with(|w| w.channels = 2).bytes(), channel);
        assert!(
            text.contains(&format!("there is no channel {channel}")) && text.contains("channel 1 to 2"),
            "{text}"
        );
    }
}

#[test]
fn codings_that_are_not_read() {
    for (tag, name) in
        [(2, "Microsoft ADPCM"), (6, "A-law"), (7, "mu-law"), (0x11, "IMA ADPCM"), (0x55, "MP3")]
    {
        let bytes = Wave::new(As::plain(8)).with(|w| w.tag = Some(tag)).bytes();
        assert_refused(bytes, "coding (byte 20)", name, "uncompressed");
    }
    let extensible = Wave::new(As::plain(8)).with(|w| (w.tag, w.valid_bits) = (Some(6), Some(8)));
    assert_refused(extensible.bytes(), "coding (byte 44)", "A-law", "uncompressed");
    let mut unknown = sound().with(|w| w.valid_bits = Some(24)).bytes();
    unknown[50] = 0x55;
    assert_refused(unknown, "coding (byte 44)", "unknown sub-format", "uncompressed");
}

#[test]
fn widths_that_no_sample_has() {
    for bits in [0, 1, 7, 40, 64] {
        let bytes = Wave::new(As::plain(8)).with(|w| (w.bits, w.align) = (Some(bits), Some(8))).bytes();
        assert_refused(bytes, "bits per sample (byte 34)", &format!("{bits} bits"), "8 to 32 bits");
    }
    let half = Wave::new(As::F32).with(|w| (w.bits, w.align) = (Some(16), Some(2))).bytes();
    assert_refused(half, "bits per sample (byte 34)", "16 bits in 2 bytes", "32 or 64 bits (float)");
}

#[test]
fn extensible_without_its_extension() {
    let bytes = sound().with(|w| w.tag = Some(0xFFFE)).bytes();
    assert_refused(bytes, "fmt chunk (byte 20)", "16 bytes", "40 bytes for EXTENSIBLE");
}

/// 100 000 frames, so that the bad one lies in a later block.
#[test]
fn samples_that_are_no_numbers() {
    for (bad, found) in
        [(f32::NAN, "NaN"), (f32::INFINITY, "infinity"), (f32::NEG_INFINITY, "-infinity"), (3e38, "3.00e38")]
    {
        let mut raw: Vec<u8> = vec![0; 8 * 100_000];
        raw[8 * 90_123..8 * 90_123 + 4].copy_from_slice(&bad.to_le_bytes());
        let bytes = Wave::new(As::F32).with(|w| (w.channels, w.raw) = (2, Some(raw))).bytes();
        let place = format!("{found} at byte {} (WAV 32-bit float, 48000 Hz, stereo)", 44 + 8 * 90_123);
        assert_refused(bytes, "sample 90123 of channel 1", &place, "finite samples up to 1e12");
    }
    let raw: Vec<u8> = [0.0, f64::NAN].iter().flat_map(|v| v.to_le_bytes()).collect();
    let bytes = Wave::new(As::F64).with(|w| w.raw = Some(raw)).bytes();
    assert_refused(bytes, "sample 1 of channel 1 is not a number", "NaN at byte 52", "finite");
}

#[test]
fn a_recording_longer_than_memory_should_bear() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("long.wav");
    let bytes = Wave::new(As::plain(8)).with(|w| w.data_size = Some(u32::MAX)).bytes();
    std::fs::write(&path, bytes).expect("written");
    let file = std::fs::OpenOptions::new().write(true).open(&path).expect("open");
    // Sparse: the header is all that's on disk.
    file.set_len(44 + MAX_SAMPLES + 1).expect("sparse");
    let text = read_file(&path, "long.wav", 1).expect_err("too long").to_string();
    assert!(
        text.contains("too long") && text.contains("67108865 frames") && text.contains("67108864"),
        "{text}"
    );
}

/// Samples behind those that the header promises, in no chunk: left out, and told.
#[test]
fn samples_beyond_the_header_s_size_are_told() {
    let wave = Wave::new(As::plain(16));
    let bytes = [wave.bytes(), vec![0; 9_000]].concat();
    let found = read(bytes, 1).expect("reads").provenance;
    assert!(found.repairs.join(" ").contains("9000 more are in no chunk"), "{:?}", found.repairs);
    assert!(read(wave.bytes(), 1).expect("reads").provenance.repairs.is_empty());
}

#[test]
fn a_path_that_is_no_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = |path: &Path| read_file(path, "seat.wav", 1).expect_err("no file").to_string();
    assert_eq!(
        text(&folder.path().join("gone.wav")),
        "seat.wav: can't be opened\n  found    no such file\n  allowed  a readable file\n  \
         do       look whether the file is still there and may be read by you"
    );
    assert!(text(folder.path()).contains("found    a folder"));
}

#[cfg(unix)]
#[test]
fn a_device_does_not_block_or_flood() {
    let text = read_file(Path::new("/dev/zero"), "seat.wav", 1).expect_err("a device").to_string();
    assert!(text.contains("a pipe or device"), "{text}");
}
