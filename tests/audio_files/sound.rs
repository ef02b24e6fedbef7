//! Files that must be read, with the exact samples and every repair noted.

use super::read;
use super::wave::{As, Extra, Wave, truth};

/// Reads each channel and compares bit by bit with what was written; returns the repairs.
fn repairs(wave: &Wave) -> Vec<String> {
    frames_and_repairs(wave, wave.frames)
}

fn frames_and_repairs(wave: &Wave, frames: usize) -> Vec<String> {
    let mut repairs = Vec::new();
    for channel in 1..=usize::from(wave.channels) {
        let found = read(wave.bytes(), channel).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(found.samples, truth(frames, channel, wave.sample.truth_bits()), "channel {channel}");
        assert_eq!(found.provenance.frames, frames as u64);
        assert_eq!(found.provenance.rate_hz, wave.rate_hz);
        assert_eq!(found.provenance.channels, u32::from(wave.channels));
        repairs = found.provenance.repairs;
    }
    repairs
}

fn assert_clean(wave: &Wave) {
    assert_eq!(repairs(wave), Vec::<String>::new());
}

/// Exactly one repair, which says `words`.
fn assert_mended(wave: &Wave, frames: usize, words: &str) {
    let repairs = frames_and_repairs(wave, frames);
    assert_eq!(repairs.len(), 1, "{repairs:?}");
    assert!(repairs[0].contains(words), "{repairs:?}");
}

const ALL: [As; 6] = [
    As::Integer { bits: 8, bytes: 1, up: true },
    As::Integer { bits: 16, bytes: 2, up: true },
    As::Integer { bits: 24, bytes: 3, up: true },
    As::Integer { bits: 32, bytes: 4, up: true },
    As::F32,
    As::F64,
];

#[test]
fn every_coding_reads_exactly_in_mono_stereo_and_forty_channels() {
    for sample in ALL {
        for channels in [1, 2, 40] {
            assert_clean(&Wave::new(sample).with(|w| {
                w.channels = channels;
                w.frames = if channels == 40 { 61 } else { 601 };
            }));
        }
    }
}

#[test]
fn a_record_longer_than_one_block_reads_exactly() {
    for sample in ALL {
        assert_clean(&Wave::new(sample).with(|w| {
            w.channels = 3;
            w.frames = 30_011;
        }));
    }
}

#[test]
fn rates_from_8_to_192_khz_are_kept() {
    for rate_hz in [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000] {
        assert_clean(&Wave::new(As::plain(24)).with(|w| w.rate_hz = rate_hz));
    }
}

#[test]
fn the_results_say_what_the_file_was() {
    let format = |wave: Wave| read(wave.bytes(), 1).map(|r| (r.provenance.format, r.provenance.bit_depth));
    assert_eq!(format(Wave::new(As::plain(24))), Ok(("WAV 24-bit integer".into(), 24)));
    assert_eq!(format(Wave::new(As::F32).with(|w| w.id = *b"RIFX")), Ok(("RIFX 32-bit float".into(), 32)));
    let wide = As::Integer { bits: 24, bytes: 4, up: true };
    assert_eq!(
        format(Wave::new(wide).with(|w| w.valid_bits = Some(24))),
        Ok(("WAV 24-bit integer in 32".into(), 24))
    );
}

/// The digest is that of Python's `hashlib` over the same file, there built by `struct.pack`.
#[test]
fn the_digest_is_sha_256_of_the_whole_file() {
    let wave = Wave::new(As::plain(16)).with(|w| w.raw = Some(vec![0; 6])).chunk_after(b"LIST", 4);
    let digest = read(wave.bytes(), 1).expect("a sound file").provenance.sha256;
    assert_eq!(digest, "55582ac96ead632c820ef37d0a85bd1ba550e48fe7dac09693ede5f3fa1a90f9");
}

#[test]
fn chunks_before_and_after_the_samples_are_passed_over() {
    for id in [b"LIST", b"bext", b"JUNK", b"ab12"] {
        assert_clean(&Wave::new(As::plain(24)).chunk_before(id, 602, true).chunk_after(id, 30));
    }
}

#[test]
fn an_odd_chunk_with_its_pad_byte_is_passed_over() {
    for len in [1, 3, 101] {
        assert_clean(&Wave::new(As::plain(16)).chunk_before(b"LIST", len, true));
    }
}

#[test]
fn an_odd_chunk_without_its_pad_byte_is_passed_over_and_noted() {
    for len in [1, 3, 101] {
        // 0x64 x 0x61 bytes of samples: read from one byte late, the size would look like a name too.
        for frames in [601, 0x6161 / 2] {
            let wave = Wave::new(As::plain(16)).with(|w| w.frames = frames).chunk_before(b"LIST", len, false);
            assert_mended(&wave, frames, "pad byte");
        }
    }
}

#[test]
fn format_behind_the_samples_is_found() {
    assert_clean(&Wave::new(As::plain(24)).with(|w| w.fmt_last = true));
}

#[test]
fn extensible_reads_like_the_plain_kinds() {
    for sample in ALL {
        let bits = 8 * sample.bytes() as u16;
        for valid in [bits, 0] {
            assert_clean(&Wave::new(sample).with(|w| w.valid_bits = Some(valid)));
        }
    }
}

#[test]
fn an_ambisonic_file_is_extensible_too() {
    let mut bytes = Wave::new(As::plain(24)).with(|w| (w.channels, w.valid_bits) = (4, Some(24))).bytes();
    bytes[46..60].copy_from_slice(b"\0\0\x21\x07\xd3\x11\x86\x44\xc8\xc1\xca\0\0\0");
    let found = read(bytes, 4).expect("B-format is integer samples");
    assert_eq!(found.samples, truth(601, 4, 24));
}

#[test]
fn valid_bits_at_the_upper_end_of_wider_bytes_read_exactly() {
    for (bits, bytes) in [(24, 4), (20, 3), (20, 4), (12, 2)] {
        let sample = As::Integer { bits, bytes, up: true };
        assert_clean(&Wave::new(sample).with(|w| w.valid_bits = Some(bits as u16)));
        assert_clean(&Wave::new(sample).with(|w| w.bits = Some(bits as u16)));
    }
}

#[test]
fn valid_bits_at_the_lower_end_read_exactly_and_are_noted() {
    for (bits, bytes) in [(24, 4), (20, 3), (20, 4), (12, 2)] {
        let sample = As::Integer { bits, bytes, up: false };
        let words = format!("The {bits} bits of a sample sit at the lower end of its {}", 8 * bytes);
        assert_mended(&Wave::new(sample).with(|w| w.bits = Some(bits as u16)), 601, &words);
        assert_mended(&Wave::new(sample).with(|w| w.valid_bits = Some(bits as u16)), 601, &words);
    }
}

#[test]
fn bits_beyond_the_valid_ones_are_believed_and_noted() {
    let wave = Wave::new(As::plain(32)).with(|w| w.valid_bits = Some(24));
    assert_mended(&wave, 601, "use all 32");
    assert_eq!(read(wave.bytes(), 1).expect("read").provenance.bit_depth, 32);
}

#[test]
fn long_files_with_64_bit_sizes_read_exactly() {
    for id in [*b"RF64", *b"BW64"] {
        for channels in [1, 2] {
            let wave = Wave::new(As::plain(24)).with(|w| {
                (w.id, w.channels, w.data_size) = (id, channels, Some(u32::MAX));
                w.long_size = Some(601 * 3 * u64::from(channels));
            });
            assert_clean(&wave.chunk_after(b"axml", 100));
        }
    }
}

#[test]
fn a_long_file_without_its_64_bit_size_is_read_to_the_end_and_noted() {
    for size in [None, Some(0)] {
        let wave = Wave::new(As::plain(24))
            .with(|w| (w.id, w.data_size, w.long_size) = (*b"RF64", Some(u32::MAX), size));
        let repairs = repairs(&wave.with(|w| w.frames = 600));
        assert!(repairs[0].contains("up to the end of the file"), "{repairs:?}");
    }
}

#[test]
fn big_endian_files_read_exactly() {
    for sample in ALL {
        assert_clean(&Wave::new(sample).with(|w| (w.id, w.channels) = (*b"RIFX", 2)));
    }
}

#[test]
fn a_truncated_file_gives_what_is_there() {
    let wave = Wave::new(As::plain(16)).with(|w| w.cut = 702);
    assert_mended(&wave, 250, "promises 1202 bytes of samples, the file holds 500");
    let within_a_frame = Wave::new(As::plain(24)).with(|w| (w.channels, w.cut) = (2, 1));
    let repairs = frames_and_repairs(&within_a_frame, 600);
    assert!(
        repairs[0].contains("promises") && repairs[1].contains("5 of 6 bytes were dropped"),
        "{repairs:?}"
    );
}

#[test]
fn sizes_that_a_dying_recorder_left_at_0_are_mended() {
    let wave =
        Wave::new(As::plain(24)).with(|w| (w.data_size, w.riff_size, w.frames) = (Some(0), Some(0), 600));
    assert_mended(&wave, 600, "left at 0");
}

#[test]
fn a_size_left_open_by_a_stream_is_mended() {
    let wave = Wave::new(As::plain(24)).with(|w| (w.data_size, w.frames) = (Some(u32::MAX), 600));
    assert_mended(&wave, 600, "left open");
}

#[test]
fn half_a_frame_at_the_end_is_dropped_and_noted() {
    let mut raw = Wave::new(As::plain(24)).samples();
    raw.extend([1, 2]);
    assert_mended(&Wave::new(As::plain(24)).with(|w| w.raw = Some(raw)), 601, "2 of 3 bytes were dropped");
}

#[test]
fn a_wrong_byte_rate_is_ignored_and_noted() {
    for byte_rate in [0, 1, u32::MAX] {
        assert_mended(&Wave::new(As::plain(24)).with(|w| w.byte_rate = Some(byte_rate)), 601, "byte rate");
    }
}

#[test]
fn a_wrong_block_align_is_outvoted_by_bits_and_byte_rate() {
    let wave = Wave::new(As::plain(16)).with(|w| {
        (w.channels, w.align, w.byte_rate) = (2, Some(2), Some(48_000 * 4));
    });
    assert_mended(&wave, 601, "block align of 2 bytes");
}

#[test]
fn a_wrong_riff_size_is_ignored() {
    for riff_size in [0, 10, u32::MAX] {
        assert_clean(&Wave::new(As::plain(24)).with(|w| w.riff_size = Some(riff_size)));
    }
}

#[test]
fn floats_over_full_scale_pass_unchanged() {
    let raw: Vec<u8> = [1.5f32, -20.0, 2.1e9, 0.0].iter().flat_map(|v| v.to_le_bytes()).collect();
    let found = read(Wave::new(As::F32).with(|w| w.raw = Some(raw)).bytes(), 1).expect("finite");
    assert_eq!(found.samples, [1.5, -20.0, f64::from(2.1e9f32), 0.0]);
}

#[test]
fn a_bad_sample_of_another_channel_does_no_harm() {
    let raw: Vec<u8> = [0.5f32, f32::NAN, 0.25, f32::INFINITY].iter().flat_map(|v| v.to_le_bytes()).collect();
    let wave = Wave::new(As::F32).with(|w| (w.channels, w.raw) = (2, Some(raw)));
    assert_eq!(read(wave.bytes(), 1).expect("channel 1 is sound").samples, [0.5, 0.25]);
}

#[test]
fn garbage_behind_the_samples_is_none_of_our_business() {
    let wave = Wave::new(As::plain(24)).with(|w| {
        w.after.push(Extra { id: [0, 1, 2, 3], body: vec![0xFF; 33], padded: false });
    });
    assert_clean(&wave);
}

/// hound's own writer and reader as the outside reference, on the widths that are decoded here.
#[test]
fn samples_equal_what_hound_reads() {
    for (bits_per_sample, sample_format) in [
        (8, hound::SampleFormat::Int),
        (16, hound::SampleFormat::Int),
        (24, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Float),
    ] {
        let spec = hound::WavSpec { channels: 2, sample_rate: 44_100, bits_per_sample, sample_format };
        let mut bytes = std::io::Cursor::new(Vec::new());
        let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("in memory");
        for k in 0..999 {
            let count = super::wave::count(k / 2, 1 + k % 2, u32::from(bits_per_sample).min(24));
            match sample_format {
                hound::SampleFormat::Int => writer.write_sample(count as i32).expect("fits"),
                hound::SampleFormat::Float => writer.write_sample(count as f32 / 1e7).expect("fits"),
            }
        }
        writer.write_sample(0i32).or_else(|_| writer.write_sample(0f32)).expect("one of the two");
        writer.finalize().expect("in memory");
        let bytes = bytes.into_inner();
        let mut reader = hound::WavReader::new(bytes.as_slice()).expect("its own file");
        let expected: Vec<f64> = match sample_format {
            hound::SampleFormat::Int => {
                let scale = f64::from(2f32).powi(i32::from(bits_per_sample) - 1);
                reader.samples::<i32>().map(|s| f64::from(s.expect("whole")) / scale).collect()
            }
            hound::SampleFormat::Float => {
                reader.samples::<f32>().map(|s| f64::from(s.expect("whole"))).collect()
            }
        };
        for channel in [1, 2] {
            let ours = read(bytes.clone(), channel).expect("hound's file").samples;
            let theirs: Vec<f64> = expected.iter().skip(channel - 1).step_by(2).copied().collect();
            assert_eq!(ours, theirs, "{bits_per_sample} bits, channel {channel}");
        }
    }
}
