//! Mid-band frequencies and band edges.

use crate::language::worded;

worded! {
    /// Which fraction of an octave the bands span.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
    pub enum Fraction {
        /// Octave bands.
        Octave = "octave",
        /// One-third-octave bands.
        #[default]
        Third = "third",
    }
}

impl Fraction {
    /// Bandwidth designator b: a band spans 1/b of an octave.
    #[must_use]
    pub fn designator(self) -> i32 {
        match self {
            Fraction::Octave => 1,
            Fraction::Third => 3,
        }
    }

    /// Every band with its mid-band frequency from 20 Hz to 20 kHz (nominal), in rising frequency.
    ///
    /// IEC 61260-1:2014, 5.2 to 5.6, base ten: G = 10^(3/10), f_m = 1000·G^(x/b), edges f_m·G^(∓1/(2b)).
    #[must_use]
    pub fn bands(self) -> Vec<Band> {
        let steps = match self {
            Fraction::Octave => -5..=4,
            Fraction::Third => -17..=13,
        };
        steps.map(|step| self.band(step)).collect()
    }

    /// The band `step` bands above the one at 1 kHz.
    #[must_use]
    pub fn band(self, step: i32) -> Band {
        let per_decade = f64::from(10 * self.designator()) / 3.0;
        let at = |steps: f64| 10.0_f64.powf(3.0 + steps / per_decade);
        let step = f64::from(step);
        Band { centre_hz: at(step), lower_hz: at(step - 0.5), upper_hz: at(step + 0.5) }
    }
}

/// A frequency band: where its filter has unit gain, and where it is 3 dB down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Frequency of unit gain, in hertz.
    pub centre_hz: f64,
    /// Lower band-edge frequency, in hertz.
    pub lower_hz: f64,
    /// Upper band-edge frequency, in hertz.
    pub upper_hz: f64,
}

impl Band {
    /// A band of any width, for a single resonance; `None` unless 0 < lower < centre < upper, all finite.
    #[must_use]
    pub fn new(centre_hz: f64, lower_hz: f64, upper_hz: f64) -> Option<Self> {
        let ordered = 0.0 < lower_hz && lower_hz < centre_hz && centre_hz < upper_hz && upper_hz.is_finite();
        ordered.then_some(Self { centre_hz, lower_hz, upper_hz })
    }

    /// Distance of the edges, in hertz: the B of B·T.
    #[must_use]
    pub fn bandwidth_hz(&self) -> f64 {
        self.upper_hz - self.lower_hz
    }
}

/// Nominal mid-band frequencies of a decade (IEC 61260-1:2014, annex E).
const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// The nominal frequency of the third octave or octave whose exact mid-band frequency is `centre_hz`, Hz.
#[must_use]
pub fn nominal_hz(centre_hz: f64) -> f64 {
    let step = (10.0 * centre_hz.log10()).round() as i32;
    NOMINAL[step.rem_euclid(10) as usize] * 10_f64.powi(step.div_euclid(10))
}

/// The nominal name of an octave, thousands as `k`: 31.5, 63, 1k.
#[must_use]
pub fn octave_name(centre_hz: f64) -> String {
    let hz = nominal_hz(centre_hz);
    if hz < 1_000.0 { hz.to_string() } else { format!("{}k", hz / 1_000.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// IEC 61260-1:2014, 5.2 to 5.6 with G = 10^0.3: values computed with a pocket calculator's
    /// precision, as handbooks print them.
    #[test]
    fn third_octaves_have_the_exact_frequencies_of_base_ten() {
        let bands = Fraction::Third.bands();
        assert_eq!(bands.len(), 31);
        for (index, centre, lower, upper) in [
            (0, 19.953, 17.783, 22.387),
            (2, 31.623, 28.184, 35.481),
            (5, 63.096, 56.234, 70.795),
            (9, 158.489, 141.254, 177.828),
            (17, 1000.0, 891.251, 1122.018),
            (30, 19952.623, 17782.794, 22387.211),
        ] {
            let band = bands[index];
            assert_relative_eq!(band.centre_hz, centre, epsilon = 0.0, max_relative = 3e-5);
            assert_relative_eq!(band.lower_hz, lower, epsilon = 0.0, max_relative = 3e-5);
            assert_relative_eq!(band.upper_hz, upper, epsilon = 0.0, max_relative = 3e-5);
        }
    }

    /// As above, for octaves.
    #[test]
    fn octaves_have_the_exact_frequencies_of_base_ten() {
        let expected =
            [31.623, 63.096, 125.893, 251.189, 501.187, 1000.0, 1995.262, 3981.072, 7943.282, 15848.932];
        let bands = Fraction::Octave.bands();
        assert_eq!(bands.len(), expected.len());
        for (band, centre) in bands.iter().zip(expected) {
            assert_relative_eq!(band.centre_hz, centre, epsilon = 0.0, max_relative = 2e-5);
            assert_relative_eq!(band.bandwidth_hz() / centre, 0.704_592, epsilon = 0.0, max_relative = 2e-5);
        }
    }

    /// Neighbours share an edge: no gap, no overlap.
    #[test]
    fn bands_tile_the_axis() {
        for fraction in [Fraction::Octave, Fraction::Third] {
            for pair in fraction.bands().windows(2) {
                assert_relative_eq!(pair[0].upper_hz, pair[1].lower_hz, epsilon = 0.0, max_relative = 1e-14);
            }
        }
    }

    #[test]
    fn a_band_without_width_is_none() {
        assert!(Band::new(40.0, 38.0, 42.0).is_some());
        for (centre, lower, upper) in [
            (40.0, 40.0, 42.0),
            (40.0, 41.0, 42.0),
            (40.0, 38.0, f64::NAN),
            (40.0, 0.0, 42.0),
            (40.0, 38.0, f64::INFINITY),
        ] {
            assert!(Band::new(centre, lower, upper).is_none(), "{centre} {lower} {upper}");
        }
    }

    /// IEC 61260-1:2014, table E.1, from memory.
    #[test]
    fn nominal_frequencies_as_printed_on_instruments() {
        let third: Vec<f64> = Fraction::Third.bands().iter().map(|b| nominal_hz(b.centre_hz)).collect();
        let printed = [
            20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0,
            630.0, 800.0, 1e3, 1250.0, 1600.0, 2e3, 2500.0, 3150.0, 4e3, 5e3, 6300.0, 8e3, 1e4, 12_500.0,
            16e3, 2e4,
        ];
        assert!(third.iter().zip(printed).all(|(a, b)| (a / b - 1.0).abs() < 1e-12), "{third:?}");
        let octaves: Vec<f64> =
            Fraction::Octave.bands().iter().map(|b| nominal_hz(b.centre_hz).round()).collect();
        assert_eq!(octaves, [32.0, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3]);
    }
}
