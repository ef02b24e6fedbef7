//! Change of a decay, and which of many changes are significant.

use super::outcome::Ratio;
use statrs::distribution::{ContinuousCDF, Normal};

/// Logarithm of a change, with its standard deviation. The noise of two states is independent.
///
/// Of a decay ln(δ after/δ before): above zero rings shorter, so its sign is opposed to that of every ratio in the tables; of
/// a mode with a tuned unit −ln(ringing after/ringing before). Of a level ln(after/before).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LogChange {
    /// The logarithm.
    pub log: f64,
    /// Its standard deviation.
    pub sd: f64,
}

impl LogChange {
    /// Time after over time before, T60 or ringing: exp(−log ± 1.96 sd).
    pub fn ratio(&self) -> Ratio {
        Ratio::from_log(-self.log, self.sd)
    }

    /// p-value, two-sided: 2Φ(−|log|/sd).
    pub fn p_value(&self) -> f64 {
        normal_tail(self.log.abs() / self.sd) * 2.0
    }

    /// Whether the 95 % interval excludes no change at all: a ratio of 1, a logarithm of zero.
    pub fn excludes_zero(&self) -> bool {
        self.ratio().excludes_one()
    }

    /// Whether the 95 % interval of the ratio lies within 1 ± `margin`.
    pub fn within(&self, margin: f64) -> bool {
        let interval = self.ratio();
        interval.low >= 1.0 - margin && interval.high <= 1.0 + margin
    }
}

/// Upper tail of the standard normal distribution.
pub(super) fn normal_tail(z: f64) -> f64 {
    Normal::standard().cdf(-z)
}

/// Share of false discoveries among the significant changes of one before/after pair (Benjamini & Hochberg 1995). A mode
/// that a unit is labelled for is tested besides by itself, at 5 %.
pub(super) const FALSE_DISCOVERY: f64 = 0.05;

/// Which p-values are significant when the share of false discoveries among them is held at `rate`
/// (Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289).
pub(super) fn significant(p_values: &[f64], rate: f64) -> Vec<bool> {
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|a, b| p_values[*a].total_cmp(&p_values[*b]));
    let n = p_values.len() as f64;
    let passes = |rank: &usize| p_values[order[*rank]] <= rate * (*rank as f64 + 1.0) / n;
    let count = (0..order.len()).rev().find(passes).map_or(0, |rank| rank + 1);
    let mut found = vec![false; p_values.len()];
    for index in &order[..count] {
        found[*index] = true;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// The worked example of Benjamini & Hochberg (1995), section 4: 15 comparisons of a trial of
    /// treatments after heart attack, rate 5 %: the four smallest are significant (Bonferroni: three).
    /// Numbers from memory.
    #[test]
    fn the_published_example() {
        let chances = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
            0.6528, 0.7590, 1.0000,
        ];
        let found = significant(&chances, 0.05);
        assert_eq!(found.iter().filter(|f| **f).count(), 4);
        assert!(found[..4].iter().all(|f| *f));
        let bonferroni = chances.iter().filter(|p| **p <= 0.05 / 15.0).count();
        assert_eq!(bonferroni, 3);
    }

    #[test]
    fn order_does_not_matter_and_nothing_is_found_in_nothing() {
        let chances = [0.9, 0.001, 0.04, 0.02];
        let found = significant(&chances, 0.05);
        assert_eq!(found, [false, true, false, true]);
        let turned: Vec<f64> = chances.iter().rev().copied().collect();
        let mut back = significant(&turned, 0.05);
        back.reverse();
        assert_eq!(found.to_vec(), back);
        assert!(significant(&[], 0.05).is_empty());
    }

    /// T60 from 1.0 to 0.8 s with 2 % and 3 %: L = ln 1.25, s = sqrt(13) %; worked by hand.
    #[test]
    fn the_interval_of_a_ratio() {
        let change = LogChange { log: 1.25f64.ln(), sd: 13f64.sqrt() / 100.0 };
        let ratio = change.ratio();
        assert_relative_eq!(ratio.value, 0.8, epsilon = 0.0, max_relative = 1e-12);
        assert!((ratio.low - 0.745_42).abs() < 1e-5 && (ratio.high - 0.858_58).abs() < 1e-5, "{ratio:?}");
        assert!(change.excludes_zero() && !change.within(0.1));
        // 6.19 sd: 2Φ(−6.19) = 6.0e-10 (table of the normal distribution, interpolated).
        assert!((change.p_value().log10() + 9.22).abs() < 0.02, "{}", change.p_value());
    }

    /// A third of all chance changes lie beyond one sd (two-sided 0.3173), a twentieth beyond 1.96.
    #[test]
    fn p_values_of_the_normal_distribution() {
        for (z, chance) in
            [(0.0, 1.0), (1.0, 0.317_310_507_9), (1.959_963_985, 0.05), (3.0, 0.002_699_796_06)]
        {
            let found = LogChange { log: -0.1 * z, sd: 0.1 }.p_value();
            assert_relative_eq!(found, chance, epsilon = 0.0, max_relative = 1e-8);
        }
    }
}
