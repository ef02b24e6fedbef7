//! Is the response above the modes the same at a place? Then nothing moved there.
//!
//! Away from the loudspeaker, levels of band noise scatter over places by 4.34 (1 + BT/6.9)^(-1/2) dB
//! (Schroeder, "Effect of frequency and space averaging on the transmission responses of multimode media",
//! J. Acoust. Soc. Am. 46 (1969), p. 277; the formula from memory): 1.5 dB for the third at 500 Hz in 0.4 s,
//! 0.6 dB at 4 kHz. A microphone that moved by a quarter of the wavelength, 2 cm at 4 kHz, draws anew from
//! that; six bands that all but agree are no chance.

use super::gain::usable;
use super::view::Common;
use crate::response::BandEnergy;

/// Fewest bands that can say so.
const BANDS: usize = 6;

/// Scatter over the bands, in nepers, up to which they agree: 0.3 dB, half of what a move would show at 4 kHz.
const ALIKE: f64 = 0.035;

/// For each place, whether its pattern over the bands above the modes stayed.
pub(super) fn kept(places: &[Common<'_>]) -> Vec<bool> {
    places.iter().map(|place| alike(&place.before.whole, &place.after.whole)).collect()
}

fn alike(before: &[BandEnergy], after: &[BandEnergy]) -> bool {
    let logs: Vec<f64> = usable(before, after).iter().map(|(b, a)| 0.5 * (a / b).ln()).collect();
    let mean = logs.iter().sum::<f64>() / logs.len().max(1) as f64;
    let scatter = logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / logs.len().max(1) as f64;
    logs.len() >= BANDS && scatter.sqrt() <= ALIKE
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bands(level_db: impl Fn(i32) -> f64) -> Vec<BandEnergy> {
        (0..8)
            .map(|b| BandEnergy {
                mid_hz: 500.0 * 10f64.powf(0.1 * f64::from(b)),
                energy: 10f64.powf(0.1 * level_db(b)),
                noise: 1e-9,
            })
            .collect()
    }

    #[test]
    fn a_gain_keeps_the_pattern_and_a_move_does_not() {
        let before = bands(|b| -20.0 - f64::from(b));
        assert!(alike(&before, &bands(|b| -14.0 - f64::from(b))), "6 dB of gain");
        assert!(alike(&before, &bands(|b| -20.0 - f64::from(b) + 0.2 * f64::from(b % 2))));
        assert!(!alike(&before, &bands(|b| -20.0 - f64::from(b) + 1.5 * f64::from(b % 2))));
        assert!(!alike(&before[..5], &before), "five bands say nothing");
    }
}
