//! What lies beside a test signal, so that whoever has its recordings knows what was played.

use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// A test signal in numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Description {
    /// Number of this form, 1.
    pub schema: u32,
    /// `sweep` or `noise`.
    pub signal: String,
    /// Name of the file.
    pub file: String,
    /// Lowest and highest frequency, Hz.
    pub range_hz: [f64; 2],
    /// Length of one sweep, or of one period of noise, s.
    pub seconds: f64,
    /// How often it is played.
    pub repeats: u32,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Peak, full scale 1.
    pub peak: f64,
    /// Rms while it plays, full scale 1.
    pub rms: f64,
}

/// End of the name of a description: `sweep.wav` has `sweep.signal.json`.
const ENDING: &str = "signal.json";

impl Description {
    /// Of samples that were made; what is below −60 dB of the peak counts as silence.
    #[must_use]
    pub fn of(signal: &str, samples: &[f64], rate_hz: f64) -> Self {
        let peak = samples.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        let loud = samples.iter().filter(|x| x.abs() > 1e-3 * peak);
        let (sum, count) = loud.fold((0.0, 0_usize), |(sum, count), x| (sum + x * x, count + 1));
        Self {
            schema: 1,
            signal: signal.to_owned(),
            file: String::new(),
            range_hz: [0.0, 0.0],
            seconds: samples.len() as f64 / rate_hz,
            repeats: 1,
            rate_hz,
            peak,
            rms: (sum / count.max(1) as f64).sqrt(),
        }
    }

    /// Peak over rms, a ratio of pressures.
    #[must_use]
    pub fn crest(&self) -> f64 {
        self.peak / self.rms.max(f64::MIN_POSITIVE)
    }

    /// Where the description of a signal lies.
    #[must_use]
    pub fn path_beside(signal: &Path) -> PathBuf {
        signal.with_extension(ENDING)
    }

    /// As its file holds it.
    ///
    /// # Errors
    /// None of its values fails; the type is the serialiser's.
    pub fn text(&self) -> std::io::Result<String> {
        Ok(serde_json::to_string_pretty(self).map_err(std::io::Error::other)? + "\n")
    }

    /// The only described signal in a folder, with its path; `None` for none or several.
    #[must_use]
    pub fn only_in(folder: &Path) -> Option<(PathBuf, Self)> {
        let mut found = std::fs::read_dir(folder).ok()?.flatten().filter_map(|entry| {
            let path = entry.path();
            let named = path.file_name()?.to_str()?.ends_with(ENDING);
            let read = || serde_json::from_str::<Self>(&std::fs::read_to_string(&path).ok()?).ok();
            let described = named.then(read).flatten().filter(|d| d.schema == 1 && is_name(&d.file))?;
            Some((folder.join(&described.file), described))
        });
        let first = found.next()?;
        found.next().is_none().then_some(first)
    }
}

/// A name in the same folder, and no path out of it.
fn is_name(file: &str) -> bool {
    Path::new(file).file_name().is_some_and(|name| name == file)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::excitation::Sweep;

    /// A sine's crest is √2; its description leads back to it, unless there are two.
    #[test]
    fn a_signal_is_found_by_its_description() -> std::io::Result<()> {
        let samples = Sweep { seconds: 4.0, ..Sweep::default() }.samples().expect("in range");
        let mut found = Description::of("sweep", &samples, 48_000.0);
        assert!((found.crest() - 2.0_f64.sqrt()).abs() < 0.03, "{}", found.crest());
        let folder = tempfile::tempdir()?;
        assert_eq!(Description::only_in(folder.path()), None);
        found.file = "s.wav".into();
        std::fs::write(folder.path().join("s.signal.json"), found.text()?)?;
        assert_eq!(Description::only_in(folder.path()), Some((folder.path().join("s.wav"), found.clone())));
        std::fs::write(folder.path().join("t.signal.json"), found.text()?)?;
        assert_eq!(Description::only_in(folder.path()), None);
        Ok(())
    }
}
