//! FLAC and AIFF: files of `fixtures/audio` (made by flac and sox) and AIFF-C written here by hand.

#[cfg(feature = "flac-aiff")]
pub use with_feature::corpus;

const MONO_FLAC: &[u8] = include_bytes!("../../fixtures/audio/mono16.flac");

#[cfg(not(feature = "flac-aiff"))]
#[test]
fn without_the_feature_the_refusal_says_so() {
    let text = super::read(MONO_FLAC.to_vec(), 1).expect_err("not built in").to_string();
    assert!(text.contains("FLAC is not read") && text.contains("a program built without it"), "{text}");
}

#[cfg(not(feature = "flac-aiff"))]
pub fn corpus() -> Vec<Vec<u8>> {
    Vec::new()
}

#[cfg(feature = "flac-aiff")]
mod with_feature {
    use super::super::read;
    use super::super::wave::{count, truth};
    use super::MONO_FLAC;

    const STEREO_FLAC: &[u8] = include_bytes!("../../fixtures/audio/stereo24.flac");
    const MONO_AIFF: &[u8] = include_bytes!("../../fixtures/audio/mono16.aiff");
    const STEREO_AIFF: &[u8] = include_bytes!("../../fixtures/audio/stereo24.aif");

    /// Sound files to be damaged.
    pub fn corpus() -> Vec<Vec<u8>> {
        let f32s =
            aifc(b"fl32", 32, &[0.5f32, -0.25].iter().flat_map(|v| v.to_be_bytes()).collect::<Vec<u8>>());
        vec![MONO_FLAC.to_vec(), STEREO_FLAC.to_vec(), MONO_AIFF.to_vec(), STEREO_AIFF.to_vec(), f32s]
    }

    /// A mono AIFF-C file at 48 kHz.
    fn aifc(kind: &[u8; 4], bits: u16, samples: &[u8]) -> Vec<u8> {
        let frames = (samples.len() * 8 / usize::from(bits)) as u32;
        let mut comm = vec![0, 1];
        comm.extend(frames.to_be_bytes());
        comm.extend(bits.to_be_bytes());
        // 48000 as an 80-bit extended float: 2^15 times 1.46484375.
        comm.extend([0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
        comm.extend(kind);
        comm.extend([0, 0]);
        let mut body = b"AIFCFVER\0\0\0\x04\xA2\x80\x51\x40COMM".to_vec();
        body.extend((comm.len() as u32).to_be_bytes());
        body.extend(comm);
        body.extend(b"SSND");
        body.extend((samples.len() as u32 + 8).to_be_bytes());
        body.extend([0; 8]);
        body.extend(samples);
        let mut file = b"FORM".to_vec();
        file.extend((body.len() as u32).to_be_bytes());
        file.extend(body);
        file
    }

    /// The header's count of frames against the samples that are there, more or fewer: told.
    #[test]
    fn aiff_whose_frames_contradict_its_samples_says_so() {
        let samples: Vec<u8> = (0..40_i16).flat_map(i16::to_be_bytes).collect();
        let good = aifc(b"NONE", 16, &samples);
        let at = good.windows(4).position(|four| four == b"COMM").expect("there") + 10;
        assert!(read(good.clone(), 1).expect("reads").provenance.repairs.is_empty());
        for stated in [30_u32, 50] {
            let mut bytes = good.clone();
            bytes[at..at + 4].copy_from_slice(&stated.to_be_bytes());
            let found = read(bytes, 1).expect("reads").provenance;
            let told = found.repairs.join(" ");
            assert!(told.contains(&format!("{stated} frames")), "{stated}: {} {told}", found.frames);
        }
    }

    #[test]
    fn flac_and_aiff_read_exactly() {
        for (bytes, format, bits, rate_hz, channels) in [
            (MONO_FLAC, "FLAC 16-bit integer", 16, 44_100, 1),
            (STEREO_FLAC, "FLAC 24-bit integer", 24, 96_000, 2),
            (MONO_AIFF, "AIFF 16-bit integer", 16, 44_100, 1),
            (STEREO_AIFF, "AIFF 24-bit integer", 24, 96_000, 2),
        ] {
            for channel in 1..=channels {
                let found = read(bytes.to_vec(), channel).unwrap_or_else(|e| panic!("{e}"));
                assert_eq!(found.samples, truth(400, channel, bits), "{format}");
                let p = found.provenance;
                let facts = (p.format.as_str(), p.bit_depth, p.rate_hz, p.channels, p.frames);
                assert_eq!(facts, (format, bits, rate_hz, channels as u32, 400));
                assert!(p.repairs.is_empty(), "{:?}", p.repairs);
                assert_eq!(p.sha256.len(), 64);
            }
            let text = read(bytes.to_vec(), channels + 1).expect_err("no such channel").to_string();
            assert!(text.contains("there is no channel"), "{text}");
        }
    }

    #[test]
    fn aiff_c_reads_exactly_in_either_byte_order_and_as_float() {
        let counts = || (0..100).map(|k| count(k, 1, 16) as i16);
        let big: Vec<u8> = counts().flat_map(i16::to_be_bytes).collect();
        let little: Vec<u8> = counts().flat_map(i16::to_le_bytes).collect();
        let f32s: Vec<u8> = counts().flat_map(|v| (f32::from(v) / 32_768.0).to_be_bytes()).collect();
        let f64s: Vec<u8> = counts().flat_map(|v| (f64::from(v) / 32_768.0).to_be_bytes()).collect();
        for (kind, bits, samples, format) in [
            (b"NONE", 16, big, "AIFF 16-bit integer"),
            (b"sowt", 16, little, "AIFF 16-bit integer"),
            (b"fl32", 32, f32s, "AIFF 32-bit float"),
            (b"fl64", 64, f64s, "AIFF 64-bit float"),
        ] {
            let found = read(aifc(kind, bits, &samples), 1).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(found.samples, truth(100, 1, 16), "{format}");
            assert_eq!(found.provenance.format, format);
        }
    }

    #[test]
    fn a_bad_float_is_named() {
        let samples: Vec<u8> = [0.5, 0.25, f32::NAN].iter().flat_map(|v| v.to_be_bytes()).collect();
        let text = read(aifc(b"fl32", 32, &samples), 1).expect_err("NaN").to_string();
        assert!(text.contains("sample 2 of channel 1 is not a number"), "{text}");
        assert!(text.contains("NaN (AIFF 32-bit float, 48000 Hz, mono)"), "{text}");
    }

    #[test]
    fn an_unknown_aiff_coding_is_refused() {
        let text = read(aifc(b"ima4", 16, &[0; 68]), 1).expect_err("compressed").to_string();
        assert!(
            text.contains("coding is not read") && text.contains("24-bit integer or 32-bit float"),
            "{text}"
        );
    }

    /// Every length: cut in the metadata it is refused, cut in the samples it gives exact first blocks.
    #[test]
    fn a_cut_flac_gives_its_whole_blocks_or_a_refusal() {
        let mut kept = Vec::new();
        for len in 4..MONO_FLAC.len() {
            match read(MONO_FLAC[..len].to_vec(), 1) {
                Ok(found) => {
                    let n = found.samples.len();
                    assert_eq!(found.samples, truth(n, 1, 16), "cut at {len}");
                    assert!(found.provenance.repairs[0].contains("promises 400 frames"), "cut at {len}");
                    kept.push(n);
                }
                Err(error) => assert_eq!(error.to_string().lines().count(), 4),
            }
        }
        assert!(kept.iter().all(|n| n % 128 == 0), "{kept:?}");
        assert_eq!((kept.first(), kept.last()), (Some(&128), Some(&384)));
    }

    /// The decoder drops a frame whose checksum fails and goes on with the next: what follows would come
    /// too early. In the last frame the damage looks like an early end, and what is left is right.
    #[test]
    fn a_flipped_bit_never_moves_or_changes_a_sample() {
        let (mut refused, mut shortened) = (0, 0);
        // A frame starts with fourteen ones and two bits of 0 (RFC 9639, 9.1).
        let frames = MONO_FLAC.windows(2).position(|w| w == [0xFF, 0xF8]).expect("a frame");
        for at in frames..MONO_FLAC.len() {
            for bit in 0..8 {
                let mut bytes = MONO_FLAC.to_vec();
                bytes[at] ^= 1 << bit;
                match read(bytes, 1) {
                    Ok(found) => {
                        shortened += 1;
                        let n = found.samples.len();
                        assert_eq!(found.samples, truth(n, 1, 16), "bit {bit} of byte {at}");
                        assert!(found.provenance.repairs[0].contains("could be read"), "byte {at}");
                    }
                    Err(error) => {
                        refused += 1;
                        assert_eq!(error.to_string().lines().count(), 4);
                    }
                }
            }
        }
        assert!(refused > 4000 && shortened > 100, "{refused} {shortened}");
    }

    #[test]
    fn a_cut_aiff_is_refused_or_mended() {
        for len in 12..MONO_AIFF.len() {
            match read(MONO_AIFF[..len].to_vec(), 1) {
                Ok(found) => {
                    let n = found.samples.len();
                    assert_eq!(found.samples, truth(n, 1, 16), "cut at {len}");
                    assert!(n == 400 || !found.provenance.repairs.is_empty(), "cut at {len}");
                }
                Err(error) => assert_eq!(error.to_string().lines().count(), 4),
            }
        }
    }
}
