//! One response of a SOFA file; [`crate::layout::sofa`] knows such files.

use std::fs::File;
use std::path::Path;

use super::kept::Kept;
use super::source::Source;
use super::wav::number_words;
use super::{Provenance, Recording, Refusal, admit, first_unusable};
use crate::layout::sofa::{self, Fault, Sofa};

/// Reads a response, counted from 1; of it at most so many samples.
pub(super) fn read(path: &Path, file: File, channel: usize, most: u64) -> Result<Recording, Refusal> {
    let mut source = Source::new(file)?;
    let found = sofa::look(path).map_err(refusal)?;
    let responses = u32::try_from(found.responses()).unwrap_or(u32::MAX);
    let rate_hz = whole_rate(&found)?;
    admit(rate_hz, responses, channel, Some(found.samples))?;
    source.rewind()?;
    source.stream_to(source.len(), &mut vec![0; 1 << 16])?;
    let values = found.read(path, channel as u64).map_err(refusal)?;
    let format = format!("SOFA {}", found.convention);
    if let Some(sample) = first_unusable(&values) {
        return Err(Refusal::Sample {
            sample: sample as u64,
            channel,
            byte: None,
            found: number_words(values[sample]),
            format,
        });
    }
    let mut kept = Kept::new(most, values.len() as u64);
    kept.take(|into| {
        into.extend(values);
        Ok(())
    })?;
    let (samples, note) = kept.finish(rate_hz)?;
    let provenance = Provenance {
        sha256: source.digest(),
        format,
        rate_hz,
        bit_depth: if found.single { 32 } else { 64 },
        channels: responses,
        frames: samples.len() as u64,
        repairs: note.into_iter().collect(),
        incomplete: false,
    };
    Ok(Recording { samples, rate_hz: f64::from(rate_hz), provenance })
}

fn whole_rate(found: &Sofa) -> Result<u32, Refusal> {
    let whole = found.rate_hz.round();
    if (found.rate_hz - whole).abs() > 1e-6 || !(1.0..=4e9).contains(&whole) {
        let fault = Fault {
            what: "Data.SamplingRate",
            found: format!("{} Hz", found.rate_hz),
            allowed: "whole hertz".to_owned(),
        };
        return Err(refusal(fault));
    }
    Ok(whole as u32)
}

fn refusal(fault: Fault) -> Refusal {
    Refusal::Part { part: fault.what, found: fault.found, allowed: fault.allowed }
}
