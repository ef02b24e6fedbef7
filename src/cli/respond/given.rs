//! What the user knows of microphone, input and level, applied to responses.

use super::super::Failed;
use super::super::args::RespondArgs;
use super::super::write;
use super::channels::{Found, read};
use std::path::Path;
use stillroom::excitation::Description;
use stillroom::recording::Recording;
use stillroom::recovery::{Correction, calibrator_rms, corrected};

/// Corrections and levels.
#[derive(Default)]
pub struct Given {
    microphone: Option<Correction>,
    reference: Option<Correction>,
    /// Names of their files.
    names: Vec<String>,
    /// Sound pressure level of a sine at full scale, dB.
    full_scale_db_spl: Option<f64>,
}

/// Levels that a microphone's full scale may stand for, dB SPL; own bounds.
const FULL_SCALE_DB: std::ops::RangeInclusive<f64> = 60.0..=200.0;

impl Given {
    /// Reads the files that the arguments name.
    pub fn read(args: &RespondArgs, channel: usize) -> Result<Self, Failed> {
        let one = |path: &Option<std::path::PathBuf>| path.as_deref().map(correction).transpose();
        let names = [&args.correct_microphone, &args.correct_reference].into_iter().flatten();
        let full_scale_db_spl = match &args.calibrator {
            Some(path) => Some(by_calibrator(path, channel, args.calibrator_spl)?),
            None => args.full_scale_spl,
        };
        if let Some(found) = full_scale_db_spl.filter(|db| !FULL_SCALE_DB.contains(db)) {
            return Err(Failed::usage(format!(
                "full scale would be {found:.1} dB SPL\n  allowed  60 to 200 dB\n  \
                 do       check the calibrator's recording and level, or --full-scale-spl"
            )));
        }
        Ok(Self {
            microphone: one(&args.correct_microphone)?,
            reference: one(&args.correct_reference)?,
            names: names.map(|path| write::shown(path)).collect(),
            full_scale_db_spl,
        })
    }

    /// Corrects a response and states its levels; `played`: the signal that it was divided by.
    pub fn apply(&self, found: &mut Found, played: Option<&Recording>) {
        found.samples =
            corrected(&found.samples, found.rate_hz, self.microphone.as_ref(), self.reference.as_ref());
        let Some(record) = &mut found.record else { return };
        record.corrections.clone_from(&self.names);
        record.full_scale_db_spl = self.full_scale_db_spl;
        let tenths = |db: f64| (10.0 * db).round() / 10.0;
        record.zero_db_spl = self.full_scale_db_spl.zip(played).map(|(full_scale_db, played)| {
            let rms = Description::of("", &played.samples, played.rate_hz).rms;
            tenths(full_scale_db + 20.0 * (2.0_f64.sqrt() * rms).log10())
        });
    }
}

fn correction(path: &Path) -> Result<Correction, Failed> {
    let wrong = |what: String| Failed::usage(format!("{}: {what}", write::shown(path)));
    let text = std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))?;
    Correction::parse(&text).map_err(|error| wrong(error.to_string()))
}

/// Full scale by a calibrator's tone: a sine there has an rms of 1/√2.
fn by_calibrator(path: &Path, channel: usize, level_db_spl: f64) -> Result<f64, Failed> {
    let tone = read(path, channel).map_err(Failed::usage)?;
    let rms = calibrator_rms(&tone.samples, tone.rate_hz)
        .map_err(|error| Failed::usage(format!("{}: {error}", write::shown(path))))?;
    Ok(level_db_spl - 20.0 * (2.0_f64.sqrt() * rms).log10())
}
