//! Up to where single modes can be told: the bands that a first part of the decay predicts (`prediction`) against those that
//! it doesn't.

use super::fall::{BAND_HZ, STEP_HZ};
use super::settings::FEW_PLACES;

/// Share of the energy that may stay unexplained. Modes left up to 0.55, decaying noise 0.65 or more (docs/accuracy.md);
/// chosen on rooms of our own so that the limit moves least when records change.
const BAND_MOST_UNEXPLAINED: f64 = 0.65;
/// Chance that a random prediction explains enough in one band. Our own choice.
const CHANCE: f64 = 0.03;
/// A band that isn't predicted speaks against the limit with this much at most; one that is predicted wholly speaks with 1
/// for it. Our own choice, on rooms of our own.
const MOST_AGAINST: f64 = 0.6;
/// Bands that must be predicted for any limit, with many places and with few.
const FEWEST_BANDS: [usize; 2] = [3, 4];
/// Below the limit a decay known this well, as a relative sd, stands even where its band isn't predicted: a first part too short to
/// part it from a neighbour tells nothing against it. Our own choice, on rooms of our own.
const KNOWN: f64 = 0.03;
/// With few places the limit is drawn in by this factor: one record has too few numbers to be sure near it. Our own choice.
const FAR_FROM_LIMIT: f64 = 0.85;

/// How well one band was predicted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Band {
    hz: f64,
    /// Share of the energy over the noise that the prediction leaves, larger where so few numbers could be met by chance;
    /// `None` without evidence.
    pub unexplained: Option<f64>,
}

impl Band {
    /// The band around a frequency, of which so large a share is left, and which holds so many numbers.
    ///
    /// A prediction in a random direction leaves a share under u of n complex numbers with the chance uⁿ⁻¹: where n is so
    /// small that less than the usual share must be left, what is left counts for more.
    pub fn new(hz: f64, left: Option<f64>, numbers: f64) -> Self {
        let most = CHANCE.powf(1.0 / (numbers - 1.0).max(0.2)).min(BAND_MOST_UNEXPLAINED);
        Self { hz, unexplained: left.map(|left| left * BAND_MOST_UNEXPLAINED / most) }
    }

    fn predicted(&self) -> Option<bool> {
        self.unexplained.map(|share| share < BAND_MOST_UNEXPLAINED)
    }

    /// What the band says for the limit (up to 1) or against it; `None` without evidence.
    fn score(&self) -> Option<f64> {
        self.unexplained.map(|share| (1.0 - share / BAND_MOST_UNEXPLAINED).max(-MOST_AGAINST))
    }

    /// The band by the better of two predictions: noise is predicted by none.
    pub fn or(self, other: Band) -> Band {
        let both = [self.unexplained, other.unexplained];
        Band { unexplained: both.into_iter().flatten().min_by(f64::total_cmp), ..self }
    }
}

/// Result of the hold-out test: where poles predict what comes next.
#[derive(Debug, Clone)]
pub(super) struct Predicted {
    bands: Vec<Band>,
    /// Up to here single modes can be told, Hz; `None` if nowhere.
    pub to_hz: Option<f64>,
}

impl Predicted {
    /// The limit by bands that go beyond the range, whose end is `to_hz`; the lowest pole that is heard lies at `lowest_hz`.
    pub fn new(bands: Vec<Band>, to_hz: f64, lowest_hz: f64, places: usize) -> Self {
        let few = places < FEW_PLACES;
        let fewest = FEWEST_BANDS[usize::from(few)];
        let with_poles = from_the_lowest_pole(&bands, lowest_hz);
        let middle_hz =
            limit_within(&bands, to_hz, fewest).or_else(|| limit_within(with_poles, to_hz, fewest));
        let near = if few { FAR_FROM_LIMIT } else { 1.0 };
        Self { to_hz: middle_hz.map(|middle_hz| near * middle_hz + 0.5 * STEP_HZ), bands }
    }

    /// The largest share that the prediction leaves in a band around a frequency; `None` without evidence.
    pub fn unexplained_near(&self, hz: f64) -> Option<f64> {
        let near = self.bands.iter().filter(|band| (band.hz - hz).abs() <= STEP_HZ);
        near.filter_map(|band| band.unexplained).max_by(f64::total_cmp)
    }

    /// Whether a resonance at this frequency, its decay known to this relative sd, stands where poles predict.
    pub fn holds(&self, hz: f64, log_sd: f64) -> bool {
        // The outermost bands reach further out than to their middles.
        let ends = self.bands.first().zip(self.bands.last());
        let middle_hz = ends.map_or(hz, |(first, last)| hz.clamp(first.hz, last.hz));
        let near = |band: &&Band| (band.hz - middle_hz).abs() <= STEP_HZ;
        let around: Vec<bool> = self.bands.iter().filter(near).filter_map(Band::predicted).collect();
        let local = log_sd < KNOWN || around.is_empty() || around.iter().any(|predicted| *predicted);
        self.to_hz.is_some_and(|limit| hz <= limit) && local
    }
}

/// The bands without those below the lowest pole: in these the next part holds what leaks out of the bands above, and
/// nothing is claimed.
fn from_the_lowest_pole(bands: &[Band], lowest_hz: f64) -> &[Band] {
    let first = bands.iter().position(|band| band.hz + 0.5 * BAND_HZ >= lowest_hz);
    &bands[first.unwrap_or(bands.len())..]
}

/// The limit by the bands within the range; those beyond its end, with fewer neighbours, only raise it where it lies at that
/// end, or where a range too short for a limit has no band that fails.
fn limit_within(bands: &[Band], to_hz: f64, fewest: usize) -> Option<f64> {
    let within = &bands[..bands.partition_point(|band| band.hz + 0.5 * BAND_HZ <= to_hz)];
    let found = limit(within, fewest);
    let at_the_end = match found {
        Some(hz) => within.last().is_some_and(|band| band.hz <= hz),
        None => within.iter().all(|band| band.predicted() != Some(false)),
    };
    if at_the_end { limit(bands, fewest) } else { found }
}

/// The band up to which the scores sum up to most, 1 at least: the likeliest place of a change from bands that are predicted
/// to bands that are not, as in a cumulative-sum test (Page 1954).
fn limit(bands: &[Band], fewest: usize) -> Option<f64> {
    let (mut sum, mut most, mut predicted, mut limit) = (0.0, 1.0, 0, None);
    for band in bands {
        let Some(score) = band.score() else { continue };
        sum += score;
        predicted += usize::from(band.predicted() == Some(true));
        if predicted >= fewest && sum >= most {
            (most, limit) = (sum, Some(band.hz));
        }
    }
    limit
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bands that fail below the lowest pole are no reason to doubt those above; above it they are.
    #[test]
    fn the_limit_is_counted_from_the_lowest_pole() {
        let band =
            |i: u32| Band { hz: 25.0 + 5.0 * f64::from(i), unexplained: Some(if i < 4 { 1.0 } else { 0.2 }) };
        let bands: Vec<Band> = (0..7).map(band).collect();
        assert_eq!(limit(from_the_lowest_pole(&bands, 55.0), 3), Some(55.0));
        assert_eq!(limit(from_the_lowest_pole(&bands, 20.0), 3), None);
        assert!(from_the_lowest_pole(&bands, f64::INFINITY).is_empty());
    }

    /// Bands beyond the range raise the limit to its end, but not over a band that fails.
    #[test]
    fn bands_beyond_the_range_confirm_its_end() {
        let bands = |failing: [bool; 8]| -> Vec<Band> {
            let band = |(i, fails): (u32, bool)| Band {
                hz: 30.0 + 5.0 * f64::from(i),
                unexplained: Some(if fails { 0.9 } else { 0.1 }),
            };
            (0..).zip(failing).map(band).collect()
        };
        // Asked for up to 60 Hz: bands up to 50 Hz lie within.
        let limit_within = |bands: &[Band], to_hz: f64| limit_within(bands, to_hz, 3);
        assert_eq!(limit_within(&bands([false; 8]), 60.0), Some(65.0));
        let fails_at_50 = bands([false, false, false, false, true, false, false, false]);
        assert_eq!(limit_within(&fails_at_50, 60.0), Some(45.0));
        assert_eq!(limit_within(&bands([true; 8]), 60.0), None);
    }

    /// The limit lies where bands that are predicted end, one that fails among them or behind them notwithstanding; by hand
    /// the sums are 0.69, 1.38, 0.91, 1.60, 2.29, 1.82, 1.35, 2.05.
    #[test]
    fn the_limit_is_where_the_sum_is_highest() {
        let shares = [0.2, 0.2, 0.955, 0.2, 0.2, 0.955, 0.955, 0.2];
        let bands: Vec<Band> =
            (0..).zip(shares).map(|(i, u)| Band { hz: f64::from(i), unexplained: Some(u) }).collect();
        assert_eq!(limit(&bands, 3), Some(4.0));
        assert_eq!(limit(&bands[..3], 3), None);
        // Bands that nothing is known of neither raise nor lower it.
        let silent = Band { hz: 4.5, unexplained: None };
        assert_eq!(limit(&[&bands[..5], &[silent], &bands[5..]].concat(), 3), Some(4.0));
    }

    /// Below the limit a resonance stands where a band around it is predicted, where none tells, or where it is known well;
    /// above it none does.
    #[test]
    fn a_resonance_needs_a_predicted_band_around_it_unless_known_well() {
        let band = |(hz, u): (f64, Option<f64>)| Band { hz, unexplained: u };
        let bands = [
            (40.0, Some(0.1)),
            (45.0, Some(0.9)),
            (50.0, Some(0.9)),
            (55.0, Some(0.9)),
            (60.0, None),
            (65.0, None),
        ];
        let predicted = Predicted { bands: bands.map(band).to_vec(), to_hz: Some(80.0) };
        assert!(predicted.holds(43.0, 0.1) && predicted.holds(70.0, 0.1));
        assert!(!predicted.holds(50.0, 0.1) && predicted.holds(50.0, 0.02));
        assert!(!predicted.holds(81.0, 0.02));
        let failing = Predicted { bands: predicted.bands[1..].to_vec(), ..predicted };
        assert!(!failing.holds(37.0, 0.1), "the lowest band reaches down to 35 Hz");
    }

    /// The better of two predictions counts, and one that says nothing doesn't.
    #[test]
    fn of_two_predictions_the_better_counts() {
        let band = |unexplained: Option<f64>| Band { hz: 50.0, unexplained };
        let both = |a, b| band(a).or(band(b)).unexplained;
        assert_eq!(both(Some(0.9), Some(0.3)), Some(0.3));
        assert_eq!(both(None, Some(0.8)), Some(0.8));
        assert_eq!(both(None, None), None);
    }
}
