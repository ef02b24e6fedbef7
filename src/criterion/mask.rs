//! Reverberation of listening rooms: ITU-R BS.1116-3 (2015), 8.2.3.1 and Fig. 1.

/// The mask's name in results.
pub const MASK: &str = "ITU-R BS.1116-3";

/// Nominal mean decay time of a listening room of this volume, seconds: `0.25 (V/100 m³)^(1/3)`
/// (ITU-R BS.1116-3, 8.2.3.1), meant for the mean over 200 Hz to 4 kHz.
#[must_use]
pub fn nominal_t_s(volume_m3: f64) -> f64 {
    0.25 * (volume_m3 / 100.0).cbrt()
}

/// Mean over 200 Hz to 4 kHz of bands' decay times, seconds, given with their frequencies; `None` without one there.
#[must_use]
pub fn mask_mean_s(bands: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let values: Vec<f64> = bands.filter(|(hz, _)| (180.0..4_500.0).contains(hz)).map(|(_, s)| s).collect();
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Between which decay times a band of a listening room should lie.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Limits {
    /// Least decay time, seconds; the figure has none below 100 Hz.
    pub lower_s: Option<f64>,
    /// Greatest decay time, seconds.
    pub upper_s: f64,
}

/// Limits of the band at `band_hz` (exact or nominal mid-band frequency) round the mean `mean_t_s`.
///
/// `mean_t_s`: the room's own mean over 200 Hz to 4 kHz, or [`nominal_t_s`] where only the volume is
/// known. `None` outside 63 Hz to 8 kHz, where the figure ends. The mask is one for bands: below
/// about 200 Hz a small room's third-octave shows its filter or two beating modes, so it judges no mode.
#[must_use]
pub fn limits(mean_t_s: f64, band_hz: f64) -> Option<Limits> {
    // Exact mid-band frequencies differ from the nominal ones of the figure by up to 1.2 %.
    const SLACK: f64 = 1.013;
    if !(63.0 / SLACK..=8000.0 * SLACK).contains(&band_hz) {
        return None;
    }
    let above = if band_hz > 4000.0 * SLACK {
        0.10
    } else if band_hz >= 200.0 {
        0.05
    } else {
        // Straight on a logarithmic frequency axis from +0.30 s at 63 Hz to +0.05 s at 200 Hz.
        0.30 - 0.25 * (band_hz.max(63.0) / 63.0).ln() / (200.0f64 / 63.0).ln()
    };
    let below = if band_hz > 4000.0 * SLACK { 0.10 } else { 0.05 };
    let lower_s = (band_hz >= 100.0 / SLACK).then_some((mean_t_s - below).max(0.0));
    Some(Limits { lower_s, upper_s: mean_t_s + above })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand from the formula of 8.2.3.1.
    #[test]
    fn nominal_times() {
        for (volume_m3, t_s) in [(30.0, 0.167), (50.0, 0.198), (65.45, 0.217), (100.0, 0.25), (200.0, 0.315)]
        {
            assert!((nominal_t_s(volume_m3) - t_s).abs() < 5e-4);
        }
    }

    /// Corners of Fig. 1 and points on its slope, worked by hand.
    #[test]
    fn the_figure() {
        let table = [
            (63.0, 0.300, None),
            (80.0, 0.248, None),
            (100.0, 0.200, Some(0.05)),
            (125.0, 0.152, Some(0.05)),
            (160.0, 0.098, Some(0.05)),
            (200.0, 0.05, Some(0.05)),
            (1000.0, 0.05, Some(0.05)),
            (4000.0, 0.05, Some(0.05)),
            (5000.0, 0.10, Some(0.10)),
            (8000.0, 0.10, Some(0.10)),
        ];
        for (band_hz, above, below) in table {
            let found = limits(0.3, band_hz).unwrap();
            assert!((found.upper_s - 0.3 - above).abs() < 5e-4, "{band_hz} Hz: {found:?}");
            assert_eq!(found.lower_s.is_some(), below.is_some());
            assert!(below.is_none_or(|b: f64| (0.3 - found.lower_s.unwrap() - b).abs() < 1e-12));
        }
        for outside in [50.0, 10_000.0, f64::NAN] {
            assert_eq!(limits(0.3, outside), None);
        }
    }

    /// Exact mid-band frequencies (63.096, 3981.07, 7943.28 Hz, IEC 61260-1) belong to their nominal bands.
    #[test]
    fn exact_bands_are_on_the_side_of_their_nominal_one() {
        assert!(limits(0.3, 63.096).is_some() && limits(0.3, 7943.28).is_some());
        assert!((limits(0.3, 3981.07).unwrap().upper_s - 0.35).abs() < 1e-12);
        assert!((limits(0.3, 199.526).unwrap().upper_s - 0.35).abs() < 1e-3);
    }
}
