//! Random damage to sound files: never a panic, never a sample that is no number, always a full message.

use proptest::prelude::*;

use super::read;
use super::wave::{As, Wave};

/// Sound files of all kinds, to be damaged.
fn corpus() -> Vec<Vec<u8>> {
    let wide = As::Integer { bits: 24, bytes: 4, up: false };
    let short = |sample| Wave::new(sample).with(|w| (w.frames, w.channels) = (40, 2));
    let mut files = vec![
        short(As::plain(8)).chunk_before(b"LIST", 3, true).bytes(),
        short(As::plain(16)).chunk_before(b"LIST", 3, false).bytes(),
        short(As::plain(24)).with(|w| w.valid_bits = Some(24)).bytes(),
        short(wide).with(|w| w.bits = Some(24)).bytes(),
        short(As::plain(32)).with(|w| w.id = *b"RIFX").bytes(),
        short(As::F32).with(|w| w.fmt_last = true).bytes(),
        short(As::F64).bytes(),
        short(As::plain(24))
            .with(|w| (w.id, w.data_size, w.long_size) = (*b"RF64", Some(u32::MAX), Some(240)))
            .bytes(),
    ];
    if cfg!(feature = "flac-aiff") {
        files.extend(super::other_formats::corpus());
    }
    files
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_files_are_read_or_refused(
        which in any::<prop::sample::Index>(),
        bytes in prop::collection::vec((any::<prop::sample::Index>(), any::<bool>(), any::<u8>()), 0..6),
        keep in prop::option::of(any::<prop::sample::Index>()),
        channel in 0usize..4,
    ) {
        let corpus = corpus();
        let mut file = corpus[which.index(corpus.len())].clone();
        for (at, in_header, value) in bytes {
            // Half of the damage goes into the first bytes, where it does most.
            let reach = if in_header { 64 } else { file.len() };
            file[at.index(reach)] = value;
        }
        if let Some(keep) = keep {
            file.truncate(keep.index(corpus[0].len()));
        }
        match read(file, channel) {
            Ok(found) => {
                prop_assert!(!found.samples.is_empty());
                prop_assert_eq!(found.samples.len() as u64, found.provenance.frames);
                prop_assert!(found.samples.iter().all(|v| v.is_finite()));
                prop_assert!(found.rate_hz >= 1_000.0);
            }
            Err(error) => prop_assert_eq!(error.to_string().lines().count(), 4),
        }
    }
}
