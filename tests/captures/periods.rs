//! Periodic noise with a reference: level, phase and stated scatter against the closed form.

use super::simulator::Chain;
use rustfft::num_complex::Complex64;
use stillroom::excitation::{Colour, Noise};
use stillroom::recovery::{PeriodicResponse, RecoveryError, periodic, seed_difference};

fn signal(period_s: f64, periods: usize) -> Vec<f64> {
    let noise = Noise {
        colour: Colour::Pink,
        from_hz: 15.0,
        to_hz: 3_600.0,
        period_s,
        periods,
        rate_hz: 8_000.0,
        ..Noise::default()
    };
    noise.samples().expect("in range")
}

/// A second of silence before, as recorders are started.
fn recorded(chain: &Chain, period_s: f64, periods: usize) -> (Vec<f64>, Vec<f64>) {
    let played = [vec![0.0; 8_000], signal(period_s, periods), vec![0.0; 8_000]].concat();
    (chain.noisy(chain.through(&played)), played)
}

fn found(chain: &Chain, period_s: f64, periods: usize) -> PeriodicResponse {
    let (microphone, reference) = recorded(chain, period_s, periods);
    periodic(&reference, &microphone, 8_000.0).expect("a response").expect("a period")
}

/// The true transfer function at a line.
fn truth(response: &[f64], hz: f64) -> Complex64 {
    let turn = Complex64::from_polar(1.0, -std::f64::consts::TAU * hz / 8_000.0);
    let mut phase = Complex64::new(1.0, 0.0);
    response.iter().fold(Complex64::new(0.0, 0.0), |sum, x| {
        let next = sum + phase * x;
        phase *= turn;
        next
    })
}

/// A period of 2.73 s is no power of two at any rate: within 0.1 dB and 1° of the truth all the same.
#[test]
fn a_period_of_any_length_gives_the_room() {
    let chain = Chain { noise: 1e-6, ..Chain::default() };
    let found = found(&chain, 2.73, 6);
    assert!((found.period_s - 2.73).abs() < 1e-6, "{}", found.period_s);
    assert_eq!(found.averages, 5);
    assert!((found.arrival_s - 0.106).abs() < 0.003, "{}", found.arrival_s);
    let response = chain.truth(0.0, 6.0);
    for line in found.lines.iter().filter(|line| line.hz > 25.0 && line.hz < 120.0).step_by(7) {
        let ratio = Complex64::new(line.re, line.im) / truth(&response, line.hz);
        let (level, phase) = (20.0 * ratio.norm().log10(), ratio.arg().to_degrees());
        // 60 dB of decay in 1.3 s are 126 dB in a period: nothing wraps round.
        assert!(level.abs() < 0.1 && phase.abs() < 1.0, "{} Hz: {level} dB, {phase}°", line.hz);
        assert!(line.coherence.is_some_and(|g| g > 0.99), "{line:?}");
    }
}

/// Pooled over some hundred lines, the true error is what is stated, within a fifth; of one run, and of the mean of two.
#[test]
fn the_stated_scatter_is_the_true_one() {
    for (periods, runs) in [(3, 1), (5, 1), (9, 1), (17, 1), (3, 2), (4, 2)] {
        let chain =
            |seed: usize| Chain { noise: 3e-3, tail: (0.0, 0.3), seed: seed as u64, ..Chain::default() };
        let mut found = self::found(&chain(periods), 2.73, periods);
        if runs == 2 {
            let second = self::found(&chain(100 + periods), 2.73, periods);
            let difference = seed_difference(&found, &second).expect("several periods");
            found = found.with_second_seed(&second, &difference);
        }
        let chain = chain(periods);
        let lines: Vec<_> = found.lines.iter().filter(|line| (30.0..300.0).contains(&line.hz)).collect();
        assert!(lines.len() >= 200, "{}", lines.len());
        let response = chain.truth(0.0, 6.0);
        let (mut true_error, mut stated) = (0.0, 0.0);
        // Student's t for the parts of a line: 95 % of the errors lie within, also of few periods.
        let t = found.magnitude_interval().expect("several") / found.magnitude_sd().expect("several");
        let (mut within, mut parts) = (0, 0);
        for line in &lines {
            let sd = line.sd.expect("several periods");
            true_error += (Complex64::new(line.re, line.im) - truth(&response, line.hz)).norm_sqr() / 2.0;
            stated += sd * sd;
            let off = Complex64::new(line.re, line.im) - truth(&response, line.hz);
            within += [off.re, off.im].iter().filter(|part| part.abs() < t * sd).count();
            parts += 2;
        }
        let share = f64::from(within as u32) / f64::from(parts);
        println!(
            "{runs} runs of {periods} periods, {} lines: {:.3} of the stated scatter, {share:.3} within",
            lines.len(),
            (true_error / stated).sqrt()
        );
        assert!((0.93..0.97).contains(&share), "{periods}: {share}");
        let ratio = (true_error / stated).sqrt();
        assert!((0.8..1.2).contains(&ratio), "{periods}: {ratio}");
    }
}

#[test]
fn what_noise_can_not_tell_is_said() {
    let chain = Chain::default();
    let short = found(&chain, 0.5, 9);
    assert!(short.troubles.iter().any(|t| t.again && t.word == "short-period"), "{:?}", short.troubles);
    let (microphone, reference) = recorded(&chain, 2.73, 2);
    let single = periodic(&reference, &microphone, 8_000.0).expect("a response").expect("a period");
    assert_eq!((single.averages, single.coherence()), (1, None));
    let (microphone, reference) = recorded(&chain, 2.73, 5);
    let swapped = periodic(&microphone, &reference, 8_000.0);
    let named = swapped.map(|found| found.is_none_or(|f| f.troubles.iter().any(|t| t.again)));
    assert!(named.unwrap_or(true));
    let silent = vec![0.0; microphone.len()];
    assert_eq!(periodic(&reference, &silent, 8_000.0), Err(RecoveryError::SilentRecording));
    // What never repeats has no period.
    let long = signal(30.0, 1);
    assert_eq!(periodic(&long, &chain.through(&long), 8_000.0), Ok(None));
}
