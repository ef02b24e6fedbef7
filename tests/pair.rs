//! Two modes 1.2 Hz apart that ring about a second, heard at six positions with 60 dB: the case that a narrow
//! filter can't solve, since no filter both parts them and follows their decay.
//!
//! B·T of at least 4 (ISO 3382-2:2008, 7.3, time-reversed filter) asks for 4 Hz at 1 s; half-way to the
//! neighbour is 0.6 Hz, a filter 1.2 Hz wide. The yardstick is the Cramér–Rao bound with all poles and amplitudes unknown.

use crate::synthetic::{Draws, RATE_HZ, modal_sum, t60_of};
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;
use stillroom::decay::{NarrowRecord, narrow_t20};
use stillroom::flag::Flag;
use stillroom::modes::{FitSettings, Kind, Mode, Place, Pole, RecordConditions, bound, fit};

const SAMPLES: usize = 6000;
const LEAD: usize = 100;
/// The pair.
const PAIR: [(f64, f64); 2] = [(62.0, 1.1), (63.2, 0.9)];
/// Modes around it.
const OTHERS: [(f64, f64); 7] =
    [(31.0, 1.4), (44.5, 1.2), (53.0, 0.8), (71.5, 1.0), (80.0, 0.7), (95.5, 0.9), (104.0, 0.8)];

/// Six records, what was in them, and the noise.
struct Measured {
    poles: Vec<Pole>,
    amplitudes: Vec<Vec<Complex<f64>>>,
    records: Vec<Vec<f64>>,
    density: f64,
}

fn measured(seed: u64) -> Measured {
    let mut draws = Draws::new(seed);
    let poles: Vec<Pole> = PAIR.iter().chain(&OTHERS).map(|(hz, t60_s)| Pole::new(*hz, *t60_s)).collect();
    // Standing waves: each position sees a mode in phase or in antiphase, from its node to its belly.
    let amplitudes: Vec<Vec<Complex<f64>>> =
        poles.iter().map(|_| (0..6).map(|_| Complex::new(0.0, draws.between(-1.0, 1.0))).collect()).collect();
    let clean: Vec<Vec<f64>> = (0..6)
        .map(|m| {
            let own: Vec<Complex<f64>> = amplitudes.iter().map(|a| a[m]).collect();
            modal_sum(&poles, &own, 0.0, SAMPLES)
        })
        .collect();
    let peak = clean.iter().flatten().fold(0.0_f64, |top, s| top.max(s.abs()));
    // 60 dB from the largest square to the noise's power within 15 to 200 Hz.
    let density = peak * peak * 1e-6 / (200.0 - 15.0);
    let sd = (density * RATE_HZ / 2.0).sqrt();
    let records = clean.iter().map(|x| {
        let silent = std::iter::repeat_n(&0.0, LEAD);
        silent.chain(x).map(|s| s + sd * draws.normal()).collect()
    });
    Measured { records: records.collect(), poles, amplitudes, density }
}

impl Measured {
    fn fit(&self) -> Vec<Mode> {
        let onset_s = LEAD as f64 / RATE_HZ;
        let places = self.records.iter().enumerate();
        let places: Vec<Place<'_>> = places
            .map(|(m, x)| Place::new(&format!("p{m}"), "", x, RATE_HZ, onset_s).emitted_at(onset_s))
            .collect();
        let claimed = fit(&places, &FitSettings::default()).modes.into_iter();
        claimed.filter(|mode| mode.kind == Kind::Mode).collect()
    }

    /// Cramér–Rao sds of T60 of the pair, s.
    fn bounds_s(&self) -> Vec<f64> {
        let density = |_: f64| self.density;
        let listening = RecordConditions { rate_hz: RATE_HZ, samples: SAMPLES, density: &density };
        let covariance = bound(&[listening; 6], &self.poles, &self.amplitudes, (15.0, 200.0)).unwrap();
        let t60_sd = |j: usize| t60_of(self.poles[j].decay_per_s) * covariance[(2 * j + 1, 2 * j + 1)].sqrt();
        (0..2).map(|j| t60_sd(j) / self.poles[j].decay_per_s).collect()
    }

    /// T20 behind a filter of a width round the pair's `j`-th.
    fn filter(&self, j: usize, width_hz: f64) -> Result<f64, Flag> {
        let low: Vec<Vec<f32>> = self.records.iter().map(|x| x.iter().map(|s| *s as f32).collect()).collect();
        let onset_s = LEAD as f64 / RATE_HZ;
        let records: Vec<NarrowRecord<'_>> =
            low.iter().map(|samples| NarrowRecord { samples, rate_hz: RATE_HZ, onset_s }).collect();
        let hz = PAIR[j].0;
        narrow_t20(&records, hz - 0.5 * width_hz, hz + 0.5 * width_hz).map(|t20| t20.value)
    }
}

/// The claim nearest to a pole within a third of the pair's distance.
fn nearest<'a>(modes: &'a [Mode], pole: &Pole) -> Option<&'a Mode> {
    let apart = |m: &&Mode| (m.omega_per_s - pole.omega_per_s).abs();
    modes.iter().filter(|m| apart(m) < TAU * 0.4).min_by(|a, b| apart(a).total_cmp(&apart(b)))
}

/// One row: what the fit and the filters say of each of the two.
fn row(seed: u64, found: &[(f64, f64)], measured: &Measured) -> String {
    let filter = |j: usize, width_hz: f64| match measured.filter(j, width_hz) {
        Ok(t20_s) => format!("{t20_s:.2} s"),
        Err(flag) => flag.word().to_owned(),
    };
    let one = |j: usize| {
        let (t60_s, bound_s) = found[j];
        format!(
            "{:.3} s, {:+.1} bounds | {} | {}",
            t60_s,
            (t60_s - PAIR[j].1) / bound_s,
            filter(j, 1.2),
            filter(j, 5.0)
        )
    };
    format!("| {seed} | {} | {} |", one(0), one(1))
}

#[test]
fn the_fit_parts_two_modes_that_no_filter_can() {
    println!(
        "| draw | 62.0 Hz (1.1 s): fit | filter 1.2 Hz | filter 5 Hz | 63.2 Hz (0.9 s): fit | filter 1.2 Hz | filter 5 Hz |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    let (mut squares, mut within, mut filters_off, draws) = (0.0, 0, 0, 1..=6);
    let count = draws.clone().count();
    for seed in draws {
        let measured = measured(seed);
        let (modes, bounds_s) = (measured.fit(), measured.bounds_s());
        let found: Vec<(f64, f64)> = (0..2)
            .map(|j| {
                let mode = nearest(&modes, &measured.poles[j]);
                let mode = mode.unwrap_or_else(|| panic!("draw {seed}: {} Hz is not claimed", PAIR[j].0));
                (t60_of(mode.decay_per_s), bounds_s[j])
            })
            .collect();
        assert!(found[0] != found[1], "draw {seed}: one claim for both");
        println!("{}", row(seed, &found, &measured));
        for j in 0..2 {
            let off = (found[j].0 - PAIR[j].1) / bounds_s[j];
            squares += off * off;
            within += usize::from(off.abs() <= 2.0);
            // Half-way to the neighbour a filter has no value to give; where it is wide enough it hears both.
            assert!(measured.filter(j, 1.2).is_err(), "draw {seed}");
            let wide = measured.filter(j, 5.0);
            filters_off +=
                usize::from(wide.is_err() || wide.is_ok_and(|t| (t - PAIR[j].1).abs() > 2.0 * bounds_s[j]));
        }
    }
    let rms = (squares / (2 * count) as f64).sqrt();
    println!("fit: rms {rms:.2} bounds, {within} of {} within two; filters off in {filters_off}", 2 * count);
    // Two bounds hold 95 % of a fit at the bound; of twelve, two outside occur by chance in one case of nine.
    assert!(within + 2 >= 2 * count && rms < 1.5, "{within} within, rms {rms}");
    assert!(filters_off + 1 >= 2 * count, "{filters_off}");
}
