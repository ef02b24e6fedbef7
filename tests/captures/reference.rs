//! The independent path of `tests/reference/deconvolution.py` (numpy, scipy): Farina's inverse filter.

use super::simulator::{Chain, sweep};
use rustfft::num_complex::Complex64;
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;
use stillroom::recovery::{Deconvolution, deconvolve};

/// What the script prints; `None`, with a word, where no Python with numpy and scipy is at hand.
fn script(input: &Value) -> Option<Value> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var("STILLROOM_PYTHON").unwrap_or_else(|_| "python3".into());
    let equipped = Command::new(&python).args(["-c", "import numpy, scipy"]).output();
    if !equipped.is_ok_and(|output| output.status.success()) {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "{python} lacks numpy or scipy");
        println!("skipped: {python} lacks numpy or scipy (STILLROOM_PYTHON names an interpreter)");
        return None;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("deconvolution.json");
    std::fs::write(&path, input.to_string()).expect("writable");
    let script = root.join("tests/reference/deconvolution.py");
    let output = Command::new(&python).arg(script).arg(&path).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(serde_json::from_slice(&output.stdout).expect("JSON"))
}

/// With distortion and noise in the recording: level within 0.1 dB, phase within 0.6° from 35 Hz up. Nearer the start of
/// the sweep the script's pulse, cut off 0.6 s from its middle to leave the harmonics out, is still ringing: 0.3 dB, 2°.
#[test]
fn the_inverse_filter_finds_the_same_response() {
    let rate_hz = 8_000.0;
    let chain = Chain { distortion: (0.02, 0.1), noise: 1e-5, ..Chain::default() };
    let (recording, reference) = chain.record(&sweep());
    let hertz: Vec<f64> = (0..48).map(|k| 22.0 * 1.1_f64.powi(k)).filter(|hz| *hz < 1_800.0).collect();
    let found = deconvolve(&recording, &reference, rate_hz, &Deconvolution::default()).expect("a response");
    let after_s = found.samples.len() as f64 / rate_hz - 0.1;
    let Some(answer) = script(&json!({
        "rate_hz": rate_hz,
        "sweep": { "from_hz": sweep().from_hz, "to_hz": sweep().to_hz, "seconds": sweep().seconds },
        "recording": recording,
        "reference": reference,
        "before_s": 0.6,
        "after_s": after_s,
        "frequencies_hz": hertz,
    })) else {
        return;
    };
    let emission = (0.1 * rate_hz) as i64;
    let mut worst = [(0.0_f64, 0.0_f64); 2];
    for (k, hz) in hertz.iter().enumerate() {
        let turn = -std::f64::consts::TAU * hz / rate_hz;
        let line = |(n, x): (usize, &f64)| Complex64::from_polar(*x, turn * (n as i64 - emission) as f64);
        let ours: Complex64 = found.samples.iter().enumerate().map(line).sum();
        let part = |i: usize| answer["transfer"][k][i].as_f64().expect("a number");
        let ratio = ours / Complex64::new(part(0), part(1));
        let (level, phase) = &mut worst[usize::from(*hz > 35.0)];
        *level = level.max((20.0 * ratio.norm().log10()).abs());
        *phase = phase.max(ratio.arg().to_degrees().abs());
    }
    println!("{} lines: {worst:?}", hertz.len());
    assert!(worst[0].0 < 0.3 && worst[0].1 < 2.0, "{worst:?}");
    assert!(worst[1].0 < 0.1 && worst[1].1 < 0.6, "{worst:?}");
}
