//! Frequency responses of a microphone or an input, as text files give them, taken out of a response.

use super::transform::{inverse, quick_length, spectrum};
use rustfft::num_complex::Complex64;

/// A device's response over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Frequency in Hz, level in dB, phase in radians where the file gives it; in rising frequency.
    points: Vec<(f64, f64, Option<f64>)>,
}

/// A text that is no such response.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "line {line}: {found}\n  allowed  lines of frequency in Hz, level in dB, and perhaps phase in degrees, in rising \
     frequency, with decimal points; comments after # or *\n  do       mend the line, or export the file anew"
)]
#[non_exhaustive]
pub struct CorrectionError {
    /// Number of the line, from 1.
    pub line: usize,
    /// What stands there.
    pub found: String,
}

/// A device that departs by more than this is no microphone or input, dB; own bound.
const MOST_DB: f64 = 60.0;
/// What a line may begin with that is a remark.
const REMARKS: [char; 5] = ['#', '*', ';', '"', '!'];

impl Correction {
    /// Reads the text of a file.
    ///
    /// # Errors
    /// [`CorrectionError`] names the line.
    pub fn parse(text: &str) -> Result<Self, CorrectionError> {
        let mut points: Vec<(f64, f64, Option<f64>)> = Vec::new();
        let mut unread = None;
        for (index, raw) in text.trim_start_matches('\u{feff}').lines().enumerate() {
            let line = raw.trim();
            if line.is_empty() || line.starts_with(REMARKS) {
                continue;
            }
            let wrong = |found: String| CorrectionError { line: index + 1, found };
            let numbers = match numbers(line) {
                Some(numbers) => numbers,
                // A heading over the columns.
                None if points.is_empty() => {
                    unread = unread.or_else(|| is_of_digits(line).then(|| wrong(format!("`{line}`"))));
                    continue;
                }
                None => return Err(wrong(format!("`{line}`"))),
            };
            if let Some(unread) = unread.take() {
                return Err(unread);
            }
            let (hz, db) = (numbers[0], numbers[1]);
            let degrees = numbers.get(2).copied();
            let last = points.last();
            if !(hz > 0.0 && db.abs() <= MOST_DB) || last.is_some_and(|last| hz <= last.0) {
                return Err(wrong(format!("`{line}`: {hz} Hz, {db} dB")));
            }
            if last.is_some_and(|last| last.2.is_some() != degrees.is_some()) {
                return Err(wrong(format!("`{line}`: another number of columns than above")));
            }
            let turned = degrees.map(|degrees| unwrapped(degrees.to_radians(), last.and_then(|last| last.2)));
            points.push((hz, db, turned));
        }
        if points.len() < 2 {
            let found = format!("{} lines of numbers in the whole file", points.len());
            return Err(CorrectionError { line: text.lines().count(), found });
        }
        Ok(Self { points })
    }

    /// Level in dB and phase in radians at a frequency: straight over the logarithm of frequency, the ends' values
    /// beyond them.
    fn at(&self, hz: f64) -> (f64, Option<f64>) {
        let above = self.points.partition_point(|point| point.0 < hz);
        let right = self.points[above.min(self.points.len() - 1)];
        let left = self.points[above.saturating_sub(1)];
        if above == 0 || above == self.points.len() {
            return (right.1, right.2);
        }
        let share = (hz / left.0).ln() / (right.0 / left.0).ln();
        let between = |a: f64, b: f64| a + share * (b - a);
        (between(left.1, right.1), left.2.zip(right.2).map(|(a, b)| between(a, b)))
    }

    /// The device's transfer function on the lines of a transform of `length` samples. Without a phase in the file
    /// that of the minimum-phase system of this magnitude (Oppenheim & Schafer, *Discrete-Time Signal Processing*,
    /// ch. 13): microphones are close to one.
    fn lines(&self, length: usize, rate_hz: f64) -> Vec<Complex64> {
        let hertz = |k: usize| (k as f64 * rate_hz / length as f64).max(1e-3);
        let bins = length / 2 + 1;
        let nepers = |db: f64| db * std::f64::consts::LN_10 / 20.0;
        if self.points[0].2.is_some() {
            let line = |k: usize| {
                let (db, phase) = self.at(hertz(k));
                Complex64::new(nepers(db), phase.unwrap_or(0.0)).exp()
            };
            return (0..bins).map(line).collect();
        }
        let logs = (0..bins).map(|k| Complex64::new(nepers(self.at(hertz(k)).0), 0.0)).collect();
        let mut cepstrum = inverse(logs, length);
        cepstrum[1..length / 2].iter_mut().for_each(|c| *c *= 2.0);
        cepstrum[length / 2 + 1..].fill(0.0);
        spectrum(&cepstrum, length).into_iter().map(Complex64::exp).collect()
    }
}

/// Whether a line holds digits and what stands between them alone: numbers that can't be read, as with decimal commas, are no
/// heading.
fn is_of_digits(line: &str) -> bool {
    line.chars().all(|c| c.is_ascii_digit() || " \t;,.+-eE".contains(c))
}

/// Two or three numbers, between blanks, commas or semicolons.
fn numbers(line: &str) -> Option<Vec<f64>> {
    // `20,5 0,1` has commas for decimal points: nobody can tell it from a list in general.
    let decimal_commas = line.split([' ', '\t', ';']).filter(|word| !word.is_empty()).count() > 1
        && line.split([' ', '\t', ';']).any(|word| word.trim_end_matches(',').contains(','));
    if decimal_commas {
        return None;
    }
    let words = line.split([' ', '\t', ',', ';']).filter(|word| !word.is_empty());
    let found =
        words.map(|word| word.parse::<f64>().ok().filter(|x| x.is_finite())).collect::<Option<Vec<_>>>()?;
    (2..=3).contains(&found.len()).then_some(found)
}

/// The turn nearest to the one before.
fn unwrapped(radians: f64, before: Option<f64>) -> f64 {
    let turn = std::f64::consts::TAU;
    before.map_or(radians, |before| radians - turn * ((radians - before) / turn).round())
}

/// A response without the microphone's own, and without that of the input that recorded the reference (by which it
/// was divided).
#[must_use]
pub fn corrected(
    samples: &[f64],
    rate_hz: f64,
    microphone: Option<&Correction>,
    reference: Option<&Correction>,
) -> Vec<f64> {
    if microphone.is_none() && reference.is_none() {
        return samples.to_vec();
    }
    // Twice as long: what a correction moves past the end doesn't come round to the start.
    let length = quick_length(2 * samples.len());
    let mut lines = spectrum(samples, length);
    if let Some(of_input) = reference {
        lines.iter_mut().zip(of_input.lines(length, rate_hz)).for_each(|(line, gain)| *line *= gain);
    }
    if let Some(of_microphone) = microphone {
        lines.iter_mut().zip(of_microphone.lines(length, rate_hz)).for_each(|(line, gain)| *line /= gain);
    }
    let mut found = inverse(lines, length);
    found.truncate(samples.len());
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Lines with decimal commas above others are no heading: the first of them is named.
    #[test]
    fn lines_of_unreadable_numbers_are_no_heading() {
        let error = Correction::parse("Hz dB\n20 -6,5\n50 -3,2\n100 0\n1000 0\n").unwrap_err();
        assert_eq!(error.line, 2, "{error}");
        assert!(error.found.contains("-6,5") && error.to_string().contains("decimal points"), "{error}");
        assert!(Correction::parse("frequency, level\n20 -6.5\n50 -3.2\n").is_ok());
    }

    #[test]
    fn text_is_read_or_its_line_named() {
        let text = "# my microphone\nHz dB\n20 -1.5\n1000\t0\n20000;+2\n";
        let found = Correction::parse(text).expect("a correction");
        assert_eq!(found.at(10.0).0, -1.5);
        assert!((found.at(20.0 * 50.0_f64.sqrt()).0 + 0.75).abs() < 1e-9);
        assert_eq!(found.at(48_000.0).0, 2.0);
        let line = |text: &str| Correction::parse(text).map_err(|error| error.line);
        assert_eq!(line("20 0\n30 zero\n"), Err(2));
        assert_eq!(line("20 0\n20 1\n"), Err(2));
        assert_eq!(line("20 0 10\n30 1\n"), Err(2));
        assert_eq!(line("20 0\n30 90\n"), Err(2));
        assert_eq!(line("20,0 1,5\n30,0 1,5\n"), Err(2));
        assert!(line("").is_err());
        assert!(Correction::parse("20,-1.5\n1000,0\n").is_ok());
    }

    /// A first-order high-pass at 20 Hz, as electret microphones have, is taken out of an impulse: by its magnitude
    /// alone, and by magnitude and phase.
    #[test]
    fn a_high_pass_is_taken_out() {
        let rate_hz = 8_000.0;
        let decay = (-TAU * 20.0 / rate_hz).exp();
        // h = δ − (1 − a) aⁿ u(n − 1): the step response of an exponential, differentiated.
        let mut heard = vec![0.0; 16_000];
        heard[800] = 1.0;
        (1..15_000).for_each(|n| heard[800 + n] = -(1.0 - decay) * decay.powi(n as i32 - 1));
        let of = |hz: f64| {
            let z = Complex64::from_polar(1.0, -TAU * hz / rate_hz);
            1.0 - (1.0 - decay) * z / (1.0 - decay * z)
        };
        let rows = |phase: bool| -> String {
            (0..140)
                .map(|k| 3.0 * 1.05_f64.powi(k))
                .filter(|hz| *hz < 3_900.0)
                .map(|hz| {
                    let turn = if phase { format!(" {}", of(hz).arg().to_degrees()) } else { String::new() };
                    format!("{hz} {}{turn}\n", 20.0 * of(hz).norm().log10())
                })
                .collect()
        };
        for phase in [false, true] {
            let correction = Correction::parse(&rows(phase)).expect("a correction");
            let right = corrected(&heard, rate_hz, Some(&correction), None);
            // Compared where modes are: a tone's worth of either response.
            for hz in [15.0, 30.0, 60.0, 200.0] {
                let line = |n: usize| Complex64::from_polar(1.0, -TAU * hz * (n as f64 - 800.0) / rate_hz);
                let found: Complex64 = right.iter().enumerate().map(|(n, x)| line(n) * x).sum();
                // Below the file's 3 Hz nothing is corrected, which a magnitude alone feels most: 7° at 15 Hz, 1.3° with phase.
                let most = if phase { 0.03 } else { 0.15 };
                assert!(
                    (found.norm() - 1.0).abs() < 0.01 && found.arg().abs() < most,
                    "{phase} {hz}: {found}"
                );
            }
            let back = corrected(&right, rate_hz, None, Some(&correction));
            assert!((back[800] - heard[800]).abs() < 0.02, "{}", back[800]);
        }
    }
}
