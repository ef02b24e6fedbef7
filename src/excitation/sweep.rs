//! The exponential sweep (Farina, *Simultaneous measurement of impulse response and distortion with a
//! swept-sine technique*, AES 108, 2000).

use super::{RATES_HZ, SECONDS, SignalError, within};
use std::f64::consts::{PI, TAU};

/// A sine whose frequency rises by the same factor every second.
///
/// f(t) = f1 (f2/f1)^(t/T): equal energy per octave, which suits a floor that rises toward the bass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    /// Frequency at the start, Hz; default 15.
    pub from_hz: f64,
    /// Frequency at the end, Hz; default 20 000, below half the rate.
    pub to_hz: f64,
    /// Length of the sweep itself, s; default 20. Twice as long gives 3 dB more peak-to-noise
    /// (ISO 18233:2006, B.6).
    pub seconds: f64,
    /// Sample rate, Hz; default 48 000.
    pub rate_hz: f64,
    /// Peak amplitude, full scale 1; default 0.25 (−12 dB).
    pub peak: f64,
    /// Raised-cosine fade at the start, s; default 0.2.
    pub fade_in_s: f64,
    /// Raised-cosine fade at the end, s; default 0.01.
    pub fade_out_s: f64,
    /// Silence before the sweep, s; default 1 (the floor can be read there).
    pub lead_s: f64,
    /// Silence after it, s; default 5. It must outlast the longest decay (ISO 18233:2006, B.2).
    pub tail_s: f64,
}

impl Default for Sweep {
    fn default() -> Self {
        Self {
            from_hz: 15.0,
            to_hz: 20_000.0,
            seconds: 20.0,
            rate_hz: 48_000.0,
            peak: 0.25,
            fade_in_s: 0.2,
            fade_out_s: 0.01,
            lead_s: 1.0,
            tail_s: 5.0,
        }
    }
}

impl Sweep {
    /// The samples: silence, sweep, silence.
    ///
    /// # Errors
    /// [`SignalError`] names the setting that is out of range.
    pub fn samples(&self) -> Result<Vec<f64>, SignalError> {
        self.check()?;
        let at = |seconds: f64| (seconds * self.rate_hz).round() as usize;
        let (lead, length, tail) = (at(self.lead_s), at(self.seconds), at(self.tail_s));
        let mut samples = vec![0.0; lead + length + tail];
        for (n, sample) in samples[lead..lead + length].iter_mut().enumerate() {
            let t = n as f64 / self.rate_hz;
            *sample = self.peak * self.fade(t) * self.phase(t).sin();
        }
        Ok(samples)
    }

    /// How long one sweep takes with the silence round it, s.
    #[must_use]
    pub fn lasts_s(&self) -> f64 {
        self.lead_s + self.seconds + self.tail_s
    }

    /// How long before the linear response the product of order `k` lands after deconvolution, s:
    /// T ln k / ln(f2/f1) (Farina 2000; ISO 18233:2006, B.5).
    #[cfg(test)]
    fn harmonic_lead_s(&self, order: u32) -> f64 {
        self.time_constant_s() * f64::from(order).ln()
    }

    fn time_constant_s(&self) -> f64 {
        self.seconds / (self.to_hz / self.from_hz).ln()
    }

    fn phase(&self, t: f64) -> f64 {
        let tau = self.time_constant_s();
        // Whole turns carry nothing; taking them off before the sine keeps its argument exact.
        (TAU * self.from_hz * tau * (t / tau).exp_m1()) % TAU
    }

    fn fade(&self, t: f64) -> f64 {
        let ramp = |since: f64, length: f64| {
            if since >= length { 1.0 } else { 0.5 - 0.5 * (PI * since.max(0.0) / length).cos() }
        };
        ramp(t, self.fade_in_s) * ramp(self.seconds - t, self.fade_out_s)
    }

    /// Whether it can be made.
    ///
    /// # Errors
    /// [`SignalError`] names the setting that is out of range.
    pub fn check(&self) -> Result<(), SignalError> {
        within("rate", self.rate_hz, RATES_HZ, "Hz")?;
        within("length", self.seconds, SECONDS, "s")?;
        within("lowest frequency", self.from_hz, (1.0, 0.45 * self.rate_hz), "Hz")?;
        let least_hz = 1.5 * self.from_hz;
        if self.to_hz < least_hz {
            let allowed = format!("1.5 times the lowest (--from) at least: {least_hz} Hz or more");
            let found = format!("{} Hz", self.to_hz);
            return Err(SignalError { field: "highest frequency (--to)", found, allowed });
        }
        within("highest frequency", self.to_hz, (least_hz, 0.495 * self.rate_hz), "Hz")?;
        within("peak", self.peak, (1e-4, 1.0), "of full scale")?;
        within("fade in", self.fade_in_s, (0.0, 0.25 * self.seconds), "s")?;
        within("fade out", self.fade_out_s, (0.0, 0.25 * self.seconds), "s")?;
        within("silence before", self.lead_s, (0.0, 60.0), "s")?;
        within("silence after", self.tail_s, (0.0, 120.0), "s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Worked numbers for 20 Hz–20 kHz in 10 s: orders 2, 3, 4 at 1.003, 1.590, 2.007 s
    /// (computed from the formula in ISO 18233:2006, B.5).
    #[test]
    fn harmonics_land_where_the_formula_says() {
        let sweep = Sweep { from_hz: 20.0, to_hz: 20_000.0, seconds: 10.0, ..Sweep::default() };
        for (order, lead) in [(2, 1.003), (3, 1.590), (4, 2.007)] {
            assert!((sweep.harmonic_lead_s(order) - lead).abs() < 6e-4, "{order}");
        }
    }

    /// Between two zero crossings lies half a turn; their spacing gives the frequency f1 (f2/f1)^(t/T).
    #[test]
    fn the_frequency_rises_exponentially() -> Result<(), SignalError> {
        let sweep = Sweep { from_hz: 20.0, to_hz: 2_000.0, seconds: 8.0, lead_s: 0.0, ..Sweep::default() };
        let samples = sweep.samples()?;
        for t in [1.0, 3.0, 6.0] {
            let start = (t * sweep.rate_hz) as usize;
            let crossings: Vec<f64> = (start..samples.len() - 1)
                .filter(|&n| samples[n] < 0.0 && samples[n + 1] >= 0.0)
                .take(2)
                .map(|n| n as f64 + samples[n] / (samples[n] - samples[n + 1]))
                .collect();
            let middle = (crossings[0] + crossings[1]) / 2.0 / sweep.rate_hz;
            let expected = 20.0 * 100.0_f64.powf(middle / 8.0);
            let found = sweep.rate_hz / (crossings[1] - crossings[0]);
            assert_relative_eq!(found, expected, epsilon = 0.0, max_relative = 1e-3);
        }
        Ok(())
    }

    /// "20 Hz can't be used, allowed 750 to 23760 Hz" didn't say why.
    #[test]
    fn an_end_too_near_the_start_is_refused_with_the_reason() {
        let error =
            Sweep { from_hz: 500.0, to_hz: 20.0, ..Sweep::default() }.samples().unwrap_err().to_string();
        assert!(error.contains("1.5 times the lowest (--from) at least: 750 Hz or more"), "{error}");
    }

    #[test]
    fn a_frequency_above_half_the_rate_is_refused_with_what_is_allowed() {
        let error = Sweep { to_hz: 24_000.0, ..Sweep::default() }.samples().err().map(|e| e.to_string());
        assert!(error.is_some_and(|text| text.contains("highest frequency") && text.contains("23760")));
    }
}
