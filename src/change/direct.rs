//! The gain is read from the direct sound; what follows it must agree. Energy in a band grows with its decay time
//! (Kuttruff, Room Acoustics, chapter 5: stationary energy density 4P/cA, and A goes as 1/T), so levels that moved at
//! all places and bands alike, beyond what their decays explain, are not the room's: the direct sound was squeezed by
//! an overload, or something stood in its way.

use super::outcome::BandChange;
use super::view::robust_sd;
use crate::mean::median;

/// Bands in which the direct sound is a small part of the energy, Hz.
const BANDS_HZ: std::ops::Range<f64> = 40.0..700.0;
/// Fewest bands, over all places, that say something.
const FEWEST: usize = 6;
/// Least disagreement, nepers (1.3 dB), and its least size in spreads over places and bands. Our choice.
const LEAST: f64 = 0.15;
const SPREADS: f64 = 2.0;

/// ln of the factor by which the levels changed beyond what gain and decays explain; `None` where they agree.
pub(super) fn direct_off(bands: &[BandChange]) -> Option<f64> {
    let own = bands.iter().filter(|b| b.position != "*" && b.position != "listening");
    let beyond = |b: &BandChange| {
        let decay = (b.after_t20_s.ok()? / b.before_t20_s.ok()?).ln();
        Some(0.5 * (b.energy_ratio?.ok()?.ln() - decay))
    };
    let all: Vec<f64> = own.filter(|b| BANDS_HZ.contains(&b.band_hz)).filter_map(beyond).collect();
    let middle = median(all.clone()).filter(|_| all.len() >= FEWEST)?;
    (middle.abs() >= LEAST && middle.abs() >= SPREADS * robust_sd(&all, middle)).then_some(middle)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flag::Flags;
    use crate::language::Message;

    fn band(position: &str, t20: f64, energy: f64) -> BandChange {
        BandChange {
            position: position.into(),
            source: String::new(),
            band_hz: 125.0,
            before_t20_s: Ok(1.0),
            after_t20_s: Ok(t20),
            t20_ratio: None,
            energy_ratio: Some(Ok(energy)),
            verdict: None,
            reason: Message::default(),
            flags: Flags::default(),
        }
    }

    /// Half the decay time is half the energy: no disagreement. Twice the energy at the same decay is ln 2 / 2.
    #[test]
    fn levels_must_follow_decays() {
        let six = |t20: f64, energy: f64| (0..6).map(|_| band("seat", t20, energy)).collect::<Vec<_>>();
        assert_eq!(direct_off(&six(0.5, 0.5)), None);
        let off = direct_off(&six(1.0, 2.0)).unwrap();
        assert!((off - 0.5 * 2_f64.ln()).abs() < 1e-12);
        assert_eq!(direct_off(&six(1.0, 2.0)[..5]), None, "too few");
        assert_eq!(direct_off(&(0..6).map(|_| band("*", 1.0, 2.0)).collect::<Vec<_>>()), None);
        // Moved microphones change levels each way.
        let mixed: Vec<_> = [2.0, 0.5, 3.0, 1.0, 4.0, 0.7].map(|e| band("seat", 1.0, e)).into();
        assert_eq!(direct_off(&mixed), None);
    }
}
