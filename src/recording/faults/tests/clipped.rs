//! Sweeps and crests that are sound, and tops cut off that show little.

use super::*;

/// Crests of a sweep touch the same extreme whatever its rate: at 8 kHz the sharp ones, from some 180 Hz on, lay within
/// as many samples as 0.1 s are at 48 kHz, and the sweep that the program itself had written was clipped.
#[test]
fn a_sweep_s_crests_are_not_clipped() {
    for (rate_hz, seconds, to_hz) in
        [(8_000.0, 1.0, 3_000.0), (8_000.0, 0.5, 1_000.0), (48_000.0, 2.0, 20_000.0)]
    {
        for bits in [16, 24] {
            let growth = f64::ln(to_hz / 20.0) / seconds;
            let turn = |t: f64| 2.0 * PI * 20.0 / growth * ((growth * t).exp() - 1.0);
            let sweep: Vec<f64> =
                (0..(seconds * rate_hz) as usize).map(|k| 0.25 * turn(k as f64 / rate_hz).sin()).collect();
            assert_eq!(flat_tops(&quantised(&sweep, bits), rate_hz), None, "{rate_hz} Hz, {bits} bit");
        }
    }
}

/// A sweep from 20 Hz to `to_hz`, times what a coupling capacitor lets through of each frequency: it grows, and its loudest
/// crests lie close together at its end.
fn sweep_through_a_capacitor(rate_hz: f64, seconds: f64, to_hz: f64, corner_hz: f64) -> Vec<f64> {
    let growth = f64::ln(to_hz / 20.0) / seconds;
    let sample = |k: usize| {
        let t = k as f64 / rate_hz;
        let hz = 20.0 * (growth * t).exp();
        hz / hz.hypot(corner_hz) * (2.0 * PI * 20.0 / growth * ((growth * t).exp() - 1.0)).sin()
    };
    (0..(seconds * rate_hz) as usize).map(sample).collect()
}

/// A sweep recorded electrically is loudest near its end: of its crests there two or three lie within one step of the
/// highest, and hundreds a little lower. A direct sound that was cut off has none there.
#[test]
fn a_sweep_through_a_capacitor_is_not_clipped() {
    for (rate_hz, to_hz) in [(8_000.0, 3_600.0), (16_000.0, 7_200.0), (48_000.0, 20_000.0)] {
        for corner_hz in [7.0, 19.0, 33.0, 54.0] {
            for (seconds, level) in [(1.0, 0.5), (2.0, 0.9), (2.0, 0.99), (3.0, 0.9)] {
                let sweep = sweep_through_a_capacitor(rate_hz, seconds, to_hz, corner_hz);
                let peak = sweep.iter().fold(0.0f64, |p, v| p.max(v.abs()));
                let sweep: Vec<f64> = sweep.iter().map(|v| level * v / peak).collect();
                let found = flat_tops(&quantised(&sweep, 24), rate_hz);
                assert_eq!(found, None, "{rate_hz} Hz, {corner_hz} Hz, {seconds} s, {level}");
            }
        }
    }
}

/// Low modes alone, cut off, then the noise of an input on top: at 96 kHz the wave leaves its ceiling by hardly more than
/// the noise from one sample to the next. Uncut they are sound.
#[test]
fn low_tops_under_noise_are_found() {
    for seed in 0..6 {
        let noise = &mut Noise::new(40 + seed);
        let tone = |k: usize, hz: f64, t60_s: f64| {
            let t = k as f64 / 96_000.0;
            (-(1000f64.ln()) * t / t60_s).exp() * (TAU * hz * t).sin()
        };
        let low: Vec<(f64, f64)> =
            (0..5).map(|_| (25.0 + 110.0 * noise.uniform(), 0.5 + noise.uniform())).collect();
        let wave: Vec<f64> = std::iter::repeat_n(0.0, 4_800)
            .chain((0..96_000).map(|k| low.iter().map(|(hz, t60_s)| tone(k, *hz, *t60_s)).sum()))
            .collect();
        let peak = wave.iter().fold(0.0f64, |p, v| p.max(v.abs()));
        let mut at = |cut: f64| -> Option<Fault> {
            let cut: Vec<f64> =
                wave.iter().map(|v| 0.6 * (v / peak).clamp(-cut, cut) + 6e-5 * cut * noise.next()).collect();
            flat_tops(&quantised(&cut, 24), 96_000.0)
        };
        assert_eq!(at(1.0), None, "seed {seed}");
        for cut in [0.3, 0.5, 0.7, 0.9] {
            assert!(at(cut).is_some(), "seed {seed}, cut at {cut}");
        }
    }
}
