//! From which decay time on the ringing of a mode can be heard.

use crate::flag::Flag;

/// A published curve of just audible decay times over frequency.
///
/// Both from Fazenda, Stephenson & Goldberg, J. Acoust. Soc. Am. 137 (2015) 1113. They are thresholds
/// for *detecting a difference* by trained listeners under laboratory conditions, with all modes of a
/// model room decaying alike; they don't say from where on ringing disturbs. The two cross near
/// 190 Hz: different tests, not an error. End points and the knee at 63 Hz are confirmed by two
/// sources; the points between are read from a summary of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Curve {
    /// Artificial sounds, nothing that masks: the strictest limit. 32 to 250 Hz; the point at
    /// 250 Hz is borrowed from the other curve.
    Absolute,
    /// Music: modes beat with each other and notes mask the decay. 63 to 250 Hz.
    Music,
}

impl Curve {
    /// Points of the curve: frequency in hertz, T60 in seconds.
    #[must_use]
    pub fn points(self) -> &'static [(f64, f64)] {
        match self {
            Curve::Absolute => {
                &[(32.0, 0.90), (63.0, 0.30), (100.0, 0.27), (150.0, 0.18), (200.0, 0.17), (250.0, 0.12)]
            }
            Curve::Music => &[(63.0, 0.51), (125.0, 0.30), (250.0, 0.12)],
        }
    }

    /// The just audible T60 at a frequency, seconds: straight in ln T over ln f between the points.
    ///
    /// # Errors
    /// [`Flag::NoThreshold`] or [`Flag::NoMusicThreshold`] outside the curve: no extrapolation.
    pub fn t60_s(self, frequency_hz: f64) -> Result<f64, Flag> {
        let points = self.points();
        // A frequency that is no number fails every comparison and ends here too.
        let span = points.windows(2).find(|ends| (ends[0].0..=ends[1].0).contains(&frequency_hz));
        let Some(&[(f0, t0), (f1, t1)]) = span.and_then(|ends| ends.first_chunk::<2>()) else {
            return Err(self.flag());
        };
        Ok(t0 * (t1 / t0).powf((frequency_hz / f0).ln() / (f1 / f0).ln()))
    }

    /// The value at the nearest end of the curve, for ranking only.
    pub(super) fn nearest_t60_s(self, frequency_hz: f64) -> f64 {
        let points = self.points();
        let (low, high) = (points[0].0, points[points.len() - 1].0);
        // The clamp stays on the curve, so the fallback (a frequency that is no number) is the strictest value.
        self.t60_s(frequency_hz.clamp(low, high)).unwrap_or(points[points.len() - 1].1)
    }

    fn flag(self) -> Flag {
        match self {
            Curve::Absolute => Flag::NoThreshold,
            Curve::Music => Flag::NoMusicThreshold,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The printed points themselves (32 Hz 0.9 s, 63 Hz knee 0.30 and 0.51 s, 125 Hz 0.30 s, 200 Hz
    /// 0.17 s, 250 Hz 0.12 s) and points between, worked by hand in ln T over ln f.
    #[test]
    fn values_on_and_between_the_points() {
        let absolute = [
            (32.0, 0.9),
            (63.0, 0.3),
            (200.0, 0.17),
            (40.0, 0.627),
            (50.0, 0.436),
            (80.0, 0.284),
            (125.0, 0.216),
            (160.0, 0.178),
            (225.0, 0.141),
            (250.0, 0.12),
        ];
        let music =
            [(63.0, 0.51), (125.0, 0.30), (80.0, 0.424), (100.0, 0.357), (160.0, 0.216), (200.0, 0.161)];
        for (curve, table) in [(Curve::Absolute, absolute.as_slice()), (Curve::Music, music.as_slice())] {
            for &(frequency_hz, expected) in table {
                let found = curve.t60_s(frequency_hz).unwrap();
                assert!((found - expected).abs() < 5.1e-4, "{curve:?} at {frequency_hz} Hz: {found}");
            }
        }
    }

    #[test]
    fn nothing_outside_the_curves() {
        for f in [31.9, 250.1, 0.0, -50.0, f64::NAN, f64::INFINITY] {
            assert_eq!(Curve::Absolute.t60_s(f), Err(Flag::NoThreshold));
        }
        assert_eq!(Curve::Music.t60_s(62.9), Err(Flag::NoMusicThreshold));
        assert!(Curve::Absolute.t60_s(62.9).is_ok());
    }

    /// "Different tests, not an error": below the crossing near 190 Hz music masks, above it is stricter.
    #[test]
    fn the_curves_cross_near_190_hz() {
        let music_masks = |f| Curve::Music.t60_s(f).unwrap() > Curve::Absolute.t60_s(f).unwrap();
        assert!(music_masks(180.0) && !music_masks(200.0));
    }
}
