//! A second recording of one place: quieter, to see what isn't linear; or with noise of another seed, to see the
//! distortion that periods of one seed hide.

use super::reference::centres;
use super::transform::{Lags, quick_length, spectrum};
use super::trouble::against;
use super::{PeriodicResponse, Trouble};

/// What a second recording shows.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Linearity {
    /// By how much the second recording was lower, dB.
    pub lower_db: f64,
    /// Largest change of the response between both in a third octave, dB; its overall gain is counted only where the
    /// signal was recorded beside both.
    pub change_db: f64,
    /// Middle of that third octave, Hz.
    pub band_hz: f64,
}

/// A response that changes by more with the level isn't linear, dB; own choice.
const LINEAR_DB: f64 = 0.5;
/// A second run this much lower or more tells something, dB.
const LEAST_LOWER_DB: f64 = 3.0;

/// Energy by third octave within a range.
fn bands(samples: &[f64], rate_hz: f64, (low_hz, high_hz): (f64, f64)) -> Vec<(f64, f64)> {
    let length = quick_length(samples.len());
    let lines = spectrum(samples, length);
    let bands = centres(1.15 * low_hz, high_hz / 1.15).filter_map(|hz| Lags::of(&lines, length, rate_hz, hz));
    bands.map(|band| (band.centre_hz, band.power.iter().sum::<f64>() * band.step_s)).collect()
}

/// A response with what it was made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run<'a> {
    /// The response.
    pub samples: &'a [f64],
    /// Range in which it stands over its noise, Hz.
    pub range_hz: (f64, f64),
    /// Rms of the recording.
    pub rms: f64,
    /// Whether it was divided by the signal as recorded beside it: then its level means something.
    pub absolute: bool,
}

/// Holds a quieter run against the main one. `None` where it isn't lower, or no band is in both.
#[must_use]
pub fn linearity(main: Run<'_>, quieter: Run<'_>, rate_hz: f64) -> Option<Linearity> {
    let lower_db = 20.0 * (main.rms / quieter.rms.max(f64::MIN_POSITIVE)).log10();
    let range = (main.range_hz.0.max(quieter.range_hz.0), main.range_hz.1.min(quieter.range_hz.1));
    if lower_db < LEAST_LOWER_DB || range.1 <= range.0 {
        return None;
    }
    let loud = bands(main.samples, rate_hz, range);
    let soft = bands(quieter.samples, rate_hz, range);
    let changes: Vec<(f64, f64)> = loud
        .iter()
        .zip(&soft)
        .map(|(a, b)| (10.0 * (a.1 / b.1.max(f64::MIN_POSITIVE)).log10(), a.0))
        .collect();
    let mut sorted: Vec<f64> = changes.iter().map(|change| change.0).collect();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.get(sorted.len() / 2).copied()?;
    let gain = if main.absolute && quieter.absolute { 0.0 } else { middle };
    let off = changes.into_iter().map(|(db, hz)| (db - gain, hz));
    let (change_db, band_hz) = off.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    Some(Linearity { lower_db, change_db, band_hz })
}

impl Linearity {
    /// What of it the user should know.
    #[must_use]
    pub fn trouble(&self) -> Option<Trouble> {
        (self.change_db.abs() > LINEAR_DB).then(|| {
            Trouble::note(
                "not-linear",
                format!(
                    "at {:.0} Hz the response stands {:+.1} dB against the run {:.0} dB lower",
                    self.band_hz, self.change_db, self.lower_db
                ),
                "measure at the lower level, and look for what rattles",
            )
        })
    }
}

/// Distortion as two seeds show it: its power over the response's, mean over the lines; and one standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct SeedDifference {
    /// Ratio of powers; may be negative where the noise of the lines is all there is.
    pub ratio: f64,
    /// One standard error of it.
    pub sd: f64,
}

/// Lines of two seeds against each other, noise taken off. One line differs by the noise of both and by two
/// products of distortion that have nothing to do with each other. `None` where the periods differ or single ones
/// leave the noise unknown.
#[must_use]
pub fn seed_difference(first: &PeriodicResponse, second: &PeriodicResponse) -> Option<SeedDifference> {
    if (first.period_s - second.period_s).abs() > 1e-6 * first.period_s {
        return None;
    }
    let at = |hz: f64| {
        let near = second.lines.partition_point(|line| line.hz < hz - 1e-6);
        second.lines.get(near).filter(|line| (line.hz - hz).abs() < 1e-3)
    };
    let pairs = first.lines.iter().filter_map(|line| Some((line, at(line.hz)?)));
    let mut excess: Vec<(f64, f64)> = Vec::new();
    for (a, b) in pairs {
        let apart = (a.re - b.re).powi(2) + (a.im - b.im).powi(2);
        let noise = 2.0 * (a.sd?.powi(2) + b.sd?.powi(2));
        excess
            .push((0.5 * (apart - noise), 0.5 * (a.re.powi(2) + a.im.powi(2) + b.re.powi(2) + b.im.powi(2))));
    }
    let n = excess.len() as f64;
    let power = excess.iter().map(|line| line.1).sum::<f64>() / n;
    let mean = excess.iter().map(|line| line.0).sum::<f64>() / n;
    let variance = excess.iter().map(|line| (line.0 - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (n > 10.0 && power > 0.0)
        .then(|| SeedDifference { ratio: mean / power, sd: (variance / n).sqrt() / power })
}

impl SeedDifference {
    /// What of it the user should know: distortion, or up to where there is none.
    #[must_use]
    pub fn trouble(&self) -> Trouble {
        if self.ratio > 3.0 * self.sd {
            return Trouble::note(
                "distortion",
                format!("two seeds differ by distortion {} the response", against(self.ratio)),
                "turn the volume down by 6 dB and see whether it falls by more",
            );
        }
        let most = against((self.ratio.max(0.0) + 2.0 * self.sd).max(1e-12));
        Trouble::note(
            "distortion-low",
            format!("two seeds show no distortion down to {most} the response"),
            "nothing to do",
        )
    }
}

impl PeriodicResponse {
    /// The mean of both seeds, with what their difference shows instead of the word that nothing could.
    #[must_use]
    pub fn with_second_seed(mut self, second: &Self, difference: &SeedDifference) -> Self {
        self.samples.iter_mut().zip(&second.samples).for_each(|(a, b)| *a = 0.5 * (*a + b));
        self.averages += second.averages;
        self.troubles.retain(|trouble| trouble.word != "distortion-not-seen");
        let own: Vec<&str> = self.troubles.iter().map(|trouble| trouble.word).collect();
        let more: Vec<Trouble> = second
            .troubles
            .iter()
            .filter(|trouble| trouble.word != "distortion-not-seen" && !own.contains(&trouble.word))
            .cloned()
            .collect();
        self.troubles.extend(more);
        self.troubles.push(difference.trouble());
        self
    }
}
