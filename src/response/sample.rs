//! Signals that the tests of this module share: closed forms, and measured files read in place.

use crate::draws::Draws;
use std::f64::consts::PI;

/// `e^{-δt} cos(2πft + φ)` from sample 0.
pub fn damped(hz: f64, decay_per_s: f64, phase: f64, rate_hz: f64, n: usize) -> Vec<f64> {
    let at = |k: usize| k as f64 / rate_hz;
    (0..n).map(|k| (-decay_per_s * at(k)).exp() * (2.0 * PI * hz * at(k) + phase).cos()).collect()
}

/// Gain of a symmetric kernel, given by its right half, for a sine of `cycles` per sample.
pub fn sine_gain(half_kernel: &[f64], cycles: f64) -> f64 {
    let sides: f64 =
        half_kernel.iter().enumerate().skip(1).map(|(k, t)| t * (2.0 * PI * cycles * k as f64).cos()).sum();
    half_kernel[0] + 2.0 * sides
}

/// Gaussian noise of unit variance.
pub fn noise(seed: u64, n: usize) -> Vec<f64> {
    let mut draws = Draws::new(seed);
    (0..n).map(|_| draws.normal()).collect()
}

/// Adds a band-limited impulse (windowed sinc) at any fraction of a sample.
pub fn add_impulse(samples: &mut [f64], at: f64, height: f64) {
    for (k, sample) in samples.iter_mut().enumerate() {
        let away = k as f64 - at;
        if away.abs() < 64.0 {
            let angle = PI * away;
            let sinc = if angle.abs() < 1e-9 { 1.0 } else { angle.sin() / angle };
            *sample += height * sinc * (0.5 + 0.5 * (angle / 64.0).cos());
        }
    }
}

/// Channel 1 of a measured file and its rate; `None`, and a word why, where the files are absent.
///
/// Read with hound directly: what is tested here must not hang on the project's own reader.
#[allow(clippy::print_stdout)] // A test that skips says so.
pub fn measured(file: &str) -> Option<(Vec<f64>, f64)> {
    let default = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/ir");
    let folder = std::env::var_os("STILLROOM_IR").map_or(default, Into::into);
    let path = folder.join(file);
    if !path.exists() {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "measured file {file} is missing");
        println!("skipped: {file} is not there (STILLROOM_IR names its folder)");
        return None;
    }
    let mut reader = hound::WavReader::open(path).expect("readable");
    let spec = reader.spec();
    let all: Vec<f64> = match spec.sample_format {
        hound::SampleFormat::Float => {
            reader.samples::<f32>().map(|x| f64::from(x.expect("sample"))).collect()
        }
        hound::SampleFormat::Int => {
            let full = 2.0_f64.powi(i32::from(spec.bits_per_sample) - 1);
            reader.samples::<i32>().map(|x| f64::from(x.expect("sample")) / full).collect()
        }
    };
    let first = all.into_iter().step_by(usize::from(spec.channels)).collect();
    Some((first, f64::from(spec.sample_rate)))
}
