//! How long and how often a signal must be played: from the lowest mode, the longest decay and the noise there.
//!
//! In a third octave round f a response of level g has, divided out of a sweep whose frequency rises by e in τ, the
//! peak-to-noise S/N · 0.16 f τ: S the signal's level as it passes that octave, N the noise's in the octave. It
//! follows from the sweep's energy density a²τ/4f (its stationary phase) and the band's width of 0.23 f; a single mode
//! whose band is narrower than that loses the square of the ratio. Whole periods of noise: S/N · 0.23 f T.

use super::{SECONDS, SignalError, within};

/// What is to be measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Lowest mode to be found, Hz.
    pub lowest_hz: f64,
    /// Longest T60 expected, s.
    pub longest_t60_s: f64,
    /// Background noise in the octave of the lowest mode, dB under the test signal as it plays there.
    pub noise_under_db: f64,
    /// Highest frequency of the signal, Hz.
    pub to_hz: f64,
}

/// What to play.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Plan {
    /// Where the signal begins, Hz.
    pub from_hz: f64,
    /// Length of a sweep, or of one period of noise, s.
    pub seconds: f64,
    /// Sweeps, or periods beside the first.
    pub repeats: usize,
    /// Silence after a sweep, s.
    pub tail_s: f64,
    /// Peak-to-noise to expect round the lowest mode, dB.
    pub peak_to_noise_db: f64,
}

/// Peak-to-noise that a T30 needs, dB (ISO 3382-1:2009, 5.3.3: the noise 45 dB down), and 3 dB over it.
pub const WANTED_DB: f64 = 48.0;
/// Sweep lengths and repeats on offer, in the order of the time that they take.
const SWEEPS_S: [f64; 5] = [10.0, 20.0, 30.0, 45.0, 60.0];
const REPEATS: [usize; 6] = [1, 2, 4, 8, 16, 32];
/// The signal begins this far below the lowest mode, a ratio: the band of a third octave round it is whole, and the
/// fade outside.
const BELOW: f64 = 1.35;
/// Width of a third octave over its middle.
const THIRD: f64 = 0.2316;
/// Silence and period outlast the longest decay by this factor.
const LONGER: f64 = 1.25;

impl Question {
    fn check(&self) -> Result<(), SignalError> {
        within("lowest mode", self.lowest_hz, (5.0, 500.0), "Hz")?;
        within("longest T60", self.longest_t60_s, (0.1, 60.0), "s")?;
        within("noise", self.noise_under_db, (-40.0, 120.0), "dB under the signal")?;
        within("highest frequency", self.to_hz, (2.0 * self.lowest_hz, 200_000.0), "Hz")
    }

    /// What a mode narrower than the band loses.
    fn narrow(&self) -> f64 {
        let decay = LN_1000 / self.longest_t60_s;
        (decay / (THIRD * self.lowest_hz)).min(1.0).powi(2)
    }

    fn begins_hz(&self) -> f64 {
        self.lowest_hz / BELOW
    }

    /// Peak-to-noise in dB of `repeats` sweeps of some length.
    #[must_use]
    pub fn of_sweeps_db(&self, seconds: f64, repeats: usize) -> f64 {
        let tau = seconds / (self.to_hz / self.begins_hz()).ln();
        let gain = 0.5 * THIRD * std::f64::consts::SQRT_2 * self.lowest_hz * tau * repeats as f64;
        self.noise_under_db + 10.0 * (gain * self.narrow()).log10()
    }

    /// Peak-to-noise in dB of so many periods of noise, the first not counted.
    #[must_use]
    pub fn of_noise_db(&self, period_s: f64, periods: usize) -> f64 {
        let gain = THIRD * self.lowest_hz * period_s * periods as f64;
        self.noise_under_db + 10.0 * (gain * self.narrow()).log10()
    }

    /// The shortest sweeps that reach 48 dB, or the longest on offer.
    ///
    /// # Errors
    /// [`SignalError`] names what of the question is out of range.
    pub fn sweeps(&self) -> Result<Plan, SignalError> {
        self.check()?;
        let tail_s = (LONGER * self.longest_t60_s).max(1.0);
        let plan = |seconds: f64, repeats: usize| Plan {
            from_hz: self.begins_hz(),
            seconds,
            repeats,
            tail_s,
            peak_to_noise_db: self.of_sweeps_db(seconds, repeats),
        };
        let all = SWEEPS_S.iter().flat_map(|seconds| REPEATS.map(|repeats| plan(*seconds, repeats)));
        Ok(shortest(all.collect(), |plan| plan.repeats as f64 * (1.0 + plan.seconds + plan.tail_s)))
    }

    /// The fewest periods of noise that reach 48 dB; the period outlasts the decay (ISO 18233:2006, annex A).
    ///
    /// # Errors
    /// [`SignalError`] names what of the question is out of range.
    pub fn noise(&self) -> Result<Plan, SignalError> {
        self.check()?;
        let seconds = (LONGER * self.longest_t60_s).max(1.0);
        let plan = |repeats: usize| Plan {
            from_hz: self.begins_hz(),
            seconds,
            repeats,
            tail_s: 0.0,
            peak_to_noise_db: self.of_noise_db(seconds, repeats),
        };
        let all = (3..=10).map(|power| plan(1 << power));
        Ok(shortest(all.collect(), |plan| (plan.repeats + 1) as f64 * plan.seconds))
    }
}

/// ln 1000: decay constant times T60.
const LN_1000: f64 = 6.907_755_278_982_137;

/// Of those that reach what is wanted the one that takes least time; of the others the best that can be played.
fn shortest(plans: Vec<Plan>, lasts_s: impl Fn(&Plan) -> f64) -> Plan {
    let playable: Vec<Plan> = plans.iter().copied().filter(|plan| lasts_s(plan) <= SECONDS.1).collect();
    let enough = playable.iter().filter(|plan| plan.peak_to_noise_db >= WANTED_DB);
    let quick = enough.min_by(|a, b| lasts_s(a).total_cmp(&lasts_s(b)));
    let best = || playable.iter().max_by(|a, b| a.peak_to_noise_db.total_cmp(&b.peak_to_noise_db));
    quick.or_else(best).copied().unwrap_or(plans[0])
}

impl Plan {
    /// Whether it reaches what a T30 needs.
    #[must_use]
    pub fn is_enough(&self) -> bool {
        self.peak_to_noise_db >= WANTED_DB
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn question(noise_under_db: f64) -> Question {
        Question { lowest_hz: 20.0, longest_t60_s: 2.0, noise_under_db, to_hz: 20_000.0 }
    }

    /// Twice as long, or twice as often: 3 dB (ISO 18233:2006, B.6).
    #[test]
    fn twice_the_time_is_three_decibels() {
        let asked = question(30.0);
        let once = asked.of_sweeps_db(20.0, 1);
        assert!((asked.of_sweeps_db(40.0, 1) - once - 3.01).abs() < 0.01);
        assert!((asked.of_sweeps_db(20.0, 2) - once - 3.01).abs() < 0.01);
    }

    #[test]
    fn more_noise_takes_more_time_until_nothing_helps() {
        let quiet = question(50.0).sweeps().expect("in range");
        let loud = question(30.0).sweeps().expect("in range");
        let hopeless = question(0.0).sweeps().expect("in range");
        assert!(quiet.is_enough() && quiet.repeats == 1, "{quiet:?}");
        assert!(loud.is_enough() && loud.seconds * loud.repeats as f64 > quiet.seconds, "{loud:?}");
        assert!(!hopeless.is_enough(), "{hopeless:?}");
        assert!((quiet.tail_s - 2.5).abs() < 1e-12 && (quiet.from_hz - 14.8).abs() < 0.1);
        let noise = question(40.0).noise().expect("in range");
        assert!(noise.is_enough() && noise.seconds >= 2.0 && noise.repeats >= 8, "{noise:?}");
        assert!(Question { lowest_hz: 2.0, ..question(30.0) }.sweeps().is_err());
    }
}
