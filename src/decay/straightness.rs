//! Whether a decay is straight, judged against what chance does to a perfectly straight one.
//!
//! ISO 3382-2:2008, annex B, measures ξ = 1000(1 − r²) and C = 100(T30/T20 − 1) and calls a decay far from
//! straight where either passes 10. A Gaussian decay with one reverberation time passes both by chance
//! below B·T of about 128, so a flag is raised only beyond chance as well.

use super::line::Range;

/// 1 − r² above this is far from straight (ISO 3382-2:2008, annex B: 10 per mille).
const NONLINEARITY_LIMIT: f64 = 0.010;
/// |T30/T20 − 1| above this is far from straight (ISO 3382-2:2008, B.3: 10 %).
const CURVATURE_LIMIT: f64 = 0.10;

/// B·T and the values of ξ = 1000(1 − r²) over the T20 and the T30 range, in per mille, that one straight Gaussian decay
/// in twenty exceeds. Simulated: 2000 decays each, ideal band (the long test `chance_of_straightness`
/// repeats it through the filters).
const CHANCE_OF_XI: [(f64, f64, f64); 6] = [
    (16.0, 138.0, 79.0),
    (32.0, 83.0, 49.0),
    (64.0, 48.0, 28.0),
    (128.0, 25.0, 13.0),
    (256.0, 14.0, 7.0),
    (512.0, 6.0, 3.5),
];

/// 1 − r² that a straight decay exceeds once in twenty; on a straight line in the logarithms.
fn chance_of_nonlinearity(bt: f64, range: Range) -> f64 {
    let value = |row: &(f64, f64, f64)| 1e-3 * if range == Range::T20 { row.1 } else { row.2 };
    let above = CHANCE_OF_XI.iter().position(|row| row.0 > bt).unwrap_or(CHANCE_OF_XI.len() - 1).max(1);
    let (low, high) = (&CHANCE_OF_XI[above - 1], &CHANCE_OF_XI[above]);
    let share = (bt / low.0).ln() / (high.0 / low.0).ln();
    value(low) * (share * (value(high) / value(low)).ln()).exp()
}

/// Whether 1 − r² is beyond both the standard's limit and chance.
pub fn is_crooked(nonlinearity: f64, bt: f64, range: Range) -> bool {
    nonlinearity > NONLINEARITY_LIMIT.max(chance_of_nonlinearity(bt, range))
}

/// Standard deviation of T30/T20 − 1 of a straight decay: 0.75/√(N·B·T), simulated like ξ.
pub fn curvature_sd(bt: f64, positions: usize) -> f64 {
    0.75 / (bt * positions as f64).sqrt()
}

/// Whether T30/T20 − 1 is beyond both the standard's limit and two standard deviations of chance.
pub fn is_curved(curvature: f64, bt: f64, positions: usize) -> bool {
    curvature.abs() > CURVATURE_LIMIT.max(2.0 * curvature_sd(bt, positions))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// The table's own rows come back, the limit of the standard rules where chance is small.
    #[test]
    fn chance_rules_at_small_bt_and_the_standard_at_large() {
        let chance = chance_of_nonlinearity;
        assert_relative_eq!(chance(64.0, Range::T20), 0.048, epsilon = 0.0, max_relative = 1e-12);
        assert_relative_eq!(chance(128.0, Range::T30), 0.013, epsilon = 0.0, max_relative = 1e-12);
        assert!(chance(8.0, Range::T20) > 0.138 && chance(2_000.0, Range::T20) < 0.006);
        assert!(!is_crooked(0.1, 16.0, Range::T20) && is_crooked(0.1, 64.0, Range::T20));
        assert!(!is_crooked(0.0099, 1e4, Range::T20) && is_crooked(0.0101, 1e4, Range::T20));
        assert!(!is_curved(0.3, 16.0, 1) && is_curved(0.3, 256.0, 1) && is_curved(-0.3, 16.0, 12));
        assert!(!is_curved(0.099, 1e5, 1) && is_curved(0.101, 1e5, 1));
    }
}
