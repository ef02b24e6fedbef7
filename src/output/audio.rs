//! Audio files that the program writes: one channel, whole or not at all.

use super::OutputError;
use super::file::{Existing, put};
use std::io::Cursor;
use std::path::Path;

/// How a sample stands in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleForm {
    /// 24-bit integer: every player takes it. Beyond full scale clips.
    Integer24,
    /// 32-bit float: no level is too high or too low.
    Float32,
}

/// Largest value of a 24-bit sample, plus one.
const FULL_24: f64 = 8_388_608.0;

/// The bytes of a mono WAV file.
///
/// `samples`: full scale is 1; `rate_hz`: whole hertz, as the format has it.
///
/// # Errors
/// More samples than a WAV file holds (4 GiB); none else can occur in memory.
pub fn wav(samples: &[f64], rate_hz: u32, form: SampleForm) -> std::io::Result<Vec<u8>> {
    wav_of(&[samples], rate_hz, form)
}

/// The bytes of a WAV file of several channels, as long as the shortest.
///
/// # Errors
/// As [`wav`]; and more than 65,535 channels.
pub fn wav_of(channels: &[&[f64]], rate_hz: u32, form: SampleForm) -> std::io::Result<Vec<u8>> {
    let (bits_per_sample, sample_format) = match form {
        SampleForm::Integer24 => (24, hound::SampleFormat::Int),
        SampleForm::Float32 => (32, hound::SampleFormat::Float),
    };
    let count = u16::try_from(channels.len()).map_err(std::io::Error::other)?;
    let spec = hound::WavSpec { channels: count, sample_rate: rate_hz, bits_per_sample, sample_format };
    let frames = channels.iter().map(|samples| samples.len()).min().unwrap_or(0);
    let mut file = Cursor::new(Vec::with_capacity(4 * frames * channels.len() + 128));
    let written = hound::WavWriter::new(&mut file, spec).and_then(|mut writer| {
        for sample in (0..frames).flat_map(|n| channels.iter().map(move |samples| samples[n])) {
            match form {
                SampleForm::Integer24 => writer.write_sample(to_24_bit(sample))?,
                SampleForm::Float32 => writer.write_sample(sample as f32)?,
            }
        }
        writer.finalize()
    });
    written.map(|()| file.into_inner()).map_err(std::io::Error::other)
}

fn to_24_bit(sample: f64) -> i32 {
    (sample * FULL_24).round().clamp(-FULL_24, FULL_24 - 1.0) as i32
}

/// Writes a mono WAV file, by rename: no reader sees half of it. `replace`: whether one may be there.
///
/// # Errors
/// [`OutputError::Exists`] if one is there and may not be replaced; [`OutputError::Write`].
pub fn write_wav(
    path: &Path,
    samples: &[f64],
    rate_hz: u32,
    form: SampleForm,
    replace: bool,
) -> Result<(), OutputError> {
    let bytes = wav(samples, rate_hz, form).map_err(OutputError::write(path))?;
    put(path, &bytes, Existing::replaced_if(replace))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read back with hound directly, not by the project's own reader.
    #[test]
    fn samples_come_back_to_the_form_s_precision() {
        let samples = [0.0, 0.5, -0.25, 1e-3, -1.0];
        let both = wav_of(&[&samples, &[0.25; 9]], 8_000, SampleForm::Float32).expect("fits");
        let mut reader = hound::WavReader::new(Cursor::new(both)).expect("a WAV file");
        assert_eq!((reader.spec().channels, reader.duration()), (2, 5));
        assert_eq!(reader.samples::<f32>().nth(3).and_then(Result::ok), Some(0.25));
        for (form, step) in [(SampleForm::Integer24, 0.5 / FULL_24), (SampleForm::Float32, 1e-9)] {
            let bytes = wav(&samples, 44_100, form).expect("fits");
            let mut reader = hound::WavReader::new(Cursor::new(bytes)).expect("a WAV file");
            assert_eq!((reader.spec().sample_rate, reader.spec().channels), (44_100, 1));
            let back: Vec<f64> = match form {
                SampleForm::Integer24 => {
                    reader.samples::<i32>().map(|s| f64::from(s.expect("a sample")) / FULL_24).collect()
                }
                SampleForm::Float32 => {
                    reader.samples::<f32>().map(|s| f64::from(s.expect("a sample"))).collect()
                }
            };
            assert_eq!(back.len(), samples.len());
            assert!(back.iter().zip(samples).all(|(a, b)| (a - b).abs() <= step), "{back:?}");
        }
    }
}
