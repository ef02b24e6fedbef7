//! What the places together know of a band's change: the mean of their logarithms of T20 after over before, and
//! below 200 Hz the ensemble decay beside it, with Student's t over the places.

use super::facts::BandFacts;
use super::outcome::Ratio;
use crate::decay::{Course, ensemble_t20_s};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Least places, each a quarter wavelength from the others, that a verdict rests on: with two, Student's t has
/// one degree of freedom and only a change by several times would show.
pub(super) const LEAST_PLACES: usize = 3;

/// Below this band the ensemble decay takes part: few modes make a band's decay, and one place's curve bends.
const ENSEMBLE_BELOW_HZ: f64 = 180.0;
/// No T20 repeats better than this share, whatever the scatter of few places says by chance. No source.
const LEAST_SD: f64 = 0.002;
/// Speed of sound for a quarter wavelength, m/s (20 °C).
pub(super) const SOUND_M_S: f64 = 343.2;
/// Most places that a recommendation asks for.
const MOST_PLACES: usize = 40;

/// One band at one place, or of an average, in both states.
pub(super) struct Partner<'a> {
    pub before: &'a BandFacts<'a>,
    pub after: &'a BandFacts<'a>,
    /// Microphone and loudspeaker, where the user says; `None` of an average, and of a place that is no evidence of its own.
    pub at_m: Option<[Option<[f64; 3]>; 2]>,
}

/// Mean logarithm of T20 after over before with the standard deviation of that mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Evidence {
    pub log: f64,
    pub sd: f64,
    /// Places a quarter wavelength or more apart: one more than the degrees of freedom.
    pub places: usize,
    /// How many kinds of reading there were to choose the steadier from.
    choices: f64,
    /// Whether it is the ensemble decay's.
    pub ensemble: bool,
}

impl Evidence {
    /// A change of this many standard deviations.
    #[cfg(test)]
    pub fn of_t(t: f64, places: usize) -> Self {
        Self { log: 0.1 * t, sd: 0.1, places, choices: 1.0, ensemble: false }
    }

    /// Two-sided probability of so large a change by chance, times the choices (Bonferroni).
    pub fn p_value(&self) -> f64 {
        let beyond = student(self.places - 1).map_or(1.0, |t| t.cdf(-self.log.abs() / self.sd));
        (2.0 * self.choices * beyond).min(1.0)
    }

    /// The ratio with its 95 % interval.
    pub fn ratio(&self) -> Ratio {
        let reach = reach(self.places, self.choices) * self.sd;
        let end = |log: f64| (self.log + log).exp();
        Ratio { value: end(0.0), low: end(-reach), high: end(reach) }
    }

    /// How many places would narrow the half interval to `margin`, if they scatter as these do.
    pub fn places_for(&self, margin: f64) -> Option<usize> {
        let scatter = self.sd * (self.places as f64).sqrt();
        let enough = |n: &usize| reach(*n, self.choices) * scatter / (*n as f64).sqrt() <= margin;
        (self.places + 1..=MOST_PLACES).find(enough)
    }
}

/// Student's t with so many degrees of freedom.
fn student(freedom: usize) -> Option<StudentsT> {
    StudentsT::new(0.0, 1.0, freedom as f64).ok()
}

/// Half a 95 % interval in standard deviations of a mean over `places`.
fn reach(places: usize, choices: f64) -> f64 {
    student(places - 1).map_or(f64::INFINITY, |t| t.inverse_cdf(1.0 - 0.025 / choices))
}

/// What is known of the band at `band_hz`; `None` for fewer places with a T20 in both states than
/// [`LEAST_PLACES`].
pub(super) fn evidence(band_hz: f64, all: &[Partner<'_>]) -> Option<Evidence> {
    let here: Vec<&Partner<'_>> = all
        .iter()
        .filter(|p| p.at_m.is_some() && (p.before.band_hz / band_hz).ln().abs() < 0.01)
        .filter(|p| p.before.t20_s.is_ok() && p.after.t20_s.is_ok())
        .collect();
    let groups = groups(&here, 0.25 * SOUND_M_S / band_hz);
    let ensemble = if band_hz < ENSEMBLE_BELOW_HZ { of_ensemble(&groups) } else { None };
    let choices = if ensemble.is_some() { 2.0 } else { 1.0 };
    let [places, ensemble] = [of_places(&groups), ensemble].map(|e| Some(Evidence { choices, ..e? }));
    steadier(places, ensemble)
}

/// The reading that scatters less; the ensemble's only where its interval holds the places' mean. A few places that
/// hold most of the energy make the sum: it can scatter less than the places do, and tell of these few alone.
fn steadier(places: Option<Evidence>, ensemble: Option<Evidence>) -> Option<Evidence> {
    let Some(mean) = places else { return ensemble };
    let agrees = |sum: &Evidence| {
        (sum.log - mean.log).abs() <= reach(sum.places, sum.choices) * sum.sd && sum.sd < mean.sd
    };
    Some(ensemble.filter(agrees).unwrap_or(mean))
}

/// Places nearer to each other than `apart_m` count as one: their sound fields are alike. A place whose
/// coordinates nobody gave stands by itself.
fn groups<'p, 'a>(places: &[&'p Partner<'a>], apart_m: f64) -> Vec<Vec<&'p Partner<'a>>> {
    let mut groups: Vec<Vec<&Partner<'_>>> = Vec::new();
    for place in places {
        let near = |group: &Vec<&Partner<'_>>| group.iter().any(|other| are_near(place, other, apart_m));
        match groups.iter_mut().find(|group| near(group)) {
            Some(group) => group.push(place),
            None => groups.push(vec![place]),
        }
    }
    groups
}

/// Whether both microphone and loudspeaker stand nearer than that; the same name is the same place.
fn are_near(a: &Partner<'_>, b: &Partner<'_>, apart_m: f64) -> bool {
    let (Some(at), Some(to)) = (a.at_m, b.at_m) else { return false };
    let near = |k: usize, same_name: bool| match (at[k], to[k]) {
        (Some(x), Some(y)) => (0..3).map(|i| (x[i] - y[i]).powi(2)).sum::<f64>().sqrt() < apart_m,
        _ => same_name,
    };
    near(0, a.before.position == b.before.position) && near(1, a.before.source == b.before.source)
}

fn of_places(groups: &[Vec<&Partner<'_>>]) -> Option<Evidence> {
    let log = |p: &&Partner<'_>| Some((p.after.t20_s.ok()?.value / p.before.t20_s.ok()?.value).ln());
    let logs: Vec<f64> =
        groups.iter().map(|group| group.iter().filter_map(log).sum::<f64>() / group.len() as f64).collect();
    let n = logs.len();
    let mean = logs.iter().sum::<f64>() / n.max(1) as f64;
    let squares: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
    of(mean, squares / (n as f64 * (n as f64 - 1.0)), n, false)
}

/// The ensemble decays' ratio; how it scatters is told by leaving out each place in turn (the jackknife: Efron,
/// The Jackknife, the Bootstrap and Other Resampling Plans, SIAM 1982, chapter 3).
fn of_ensemble(groups: &[Vec<&Partner<'_>>]) -> Option<Evidence> {
    let n = groups.len();
    let (old, old_less) = ensemble_t20_s(&courses(groups, |p| p.before)?)?;
    let (new, new_less) = ensemble_t20_s(&courses(groups, |p| p.after)?)?;
    let log = (new / old).ln();
    let less: Vec<f64> = new_less.iter().zip(&old_less).map(|(new, old)| (new / old).ln()).collect();
    let mean = less.iter().sum::<f64>() / n as f64;
    let squares: f64 = less.iter().map(|log| (log - mean).powi(2)).sum();
    of(log, squares * (n as f64 - 1.0) / n as f64, n, true)
}

/// The decays of one state, group by group; `None` where a place has none.
fn courses<'a>(
    groups: &[Vec<&Partner<'a>>],
    state: impl Fn(&Partner<'a>) -> &'a BandFacts<'a>,
) -> Option<Vec<Vec<&'a Course>>> {
    groups.iter().map(|group| group.iter().map(|p| state(p).course).collect()).collect()
}

fn of(log: f64, variance: f64, places: usize, ensemble: bool) -> Option<Evidence> {
    let sd = variance.sqrt().max(LEAST_SD / (places as f64).sqrt());
    (places >= LEAST_PLACES && log.is_finite() && sd.is_finite()).then_some(Evidence {
        log,
        sd,
        places,
        choices: 1.0,
        ensemble,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;
    use approx::assert_relative_eq;

    fn facts(position: &'static str, t20_s: f64) -> BandFacts<'static> {
        BandFacts {
            position,
            source: "",
            band_hz: 500.0,
            t20_s: Ok(Estimate::new(t20_s, 0.01)),
            level: Ok(1.0),
            course: None,
        }
    }

    const NAMES: [&str; 4] = ["a", "b", "c", "d"];

    fn told(after_s: [f64; 4], at: [Option<[f64; 3]>; 4]) -> Option<Evidence> {
        let before = NAMES.map(|name| facts(name, 1.0));
        let after: Vec<_> = NAMES.iter().zip(after_s).map(|(name, t)| facts(name, t)).collect();
        let all: Vec<Partner<'_>> = (0..4)
            .map(|k| Partner { before: &before[k], after: &after[k], at_m: Some([at[k], None]) })
            .collect();
        evidence(500.0, &all)
    }

    /// Logarithms −0.1, −0.2, −0.3, −0.4: mean −0.25, sd of the mean 0.06455; t(0.975, 3) = 3.182 (any table of
    /// Student's t); t = 3.873 on three degrees, two-sided 0.0305.
    #[test]
    fn student_s_t_by_hand() {
        let evidence = told([-0.1_f64, -0.2, -0.3, -0.4].map(f64::exp), [None; 4]).unwrap();
        assert_eq!(evidence.places, 4);
        assert_relative_eq!(evidence.log, -0.25, max_relative = 1e-12);
        assert_relative_eq!(evidence.sd, 0.064_55, max_relative = 1e-3);
        assert_relative_eq!(evidence.ratio().high, (-0.25 + 3.182 * 0.064_55_f64).exp(), max_relative = 1e-3);
        assert_relative_eq!(evidence.p_value(), 0.030_5, max_relative = 2e-2);
        let places = evidence.places_for(0.10).unwrap();
        assert!(
            (8..=12).contains(&places),
            "1.96 · 0.129/√n = 0.1 at n = 6.4, more with Student's t: {places}"
        );
    }

    /// A quarter wavelength at 500 Hz is 17 cm.
    #[test]
    fn near_places_count_as_one() {
        let at = |x: f64| Some([x, 1.0, 1.0]);
        let times = [0.9, 0.91, 0.9, 0.92];
        assert_eq!(told(times, [at(1.0), at(1.1), at(2.0), at(3.0)]).unwrap().places, 3);
        assert_eq!(told(times, [at(1.0), at(1.2), at(2.0), at(3.0)]).unwrap().places, 4);
        assert!(told(times, [at(1.0), at(1.1), at(1.2), at(3.0)]).is_none(), "two places decide nothing");
    }

    /// Six places of a measured room at 50 Hz changed by −14, −14, −10, −3, −2 and 0 %, −7.2 % in the mean; the sum of
    /// their decays said −17 to −8 %, which the mean lies outside of.
    #[test]
    fn an_ensemble_that_leaves_out_the_mean_of_the_places_is_not_taken() {
        let of = |logs: &[f64], ensemble: bool| {
            let (n, mean) = (logs.len() as f64, logs.iter().sum::<f64>() / logs.len() as f64);
            let squares: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
            super::of(mean, squares / (n * (n - 1.0)), logs.len(), ensemble)
                .map(|e| Evidence { choices: 2.0, ..e })
        };
        let places = of(&[0.86_f64, 0.86, 0.90, 0.97, 0.98, 1.0].map(f64::ln), false);
        let ensemble = |log: f64| of(&[0.0; 6], true).map(|e| Evidence { log, sd: 0.016, ..e });
        let told = steadier(places, ensemble(0.876_f64.ln())).unwrap();
        assert!(!told.ensemble && told.ratio().high > 1.0, "{told:?}");
        assert!(
            steadier(places, ensemble(0.91_f64.ln())).unwrap().ensemble,
            "where both agree, the steadier one"
        );
        assert!(steadier(None, ensemble(0.9)).unwrap().ensemble);
    }

    #[test]
    fn equal_files_have_no_interval_of_zero() {
        let evidence = told([1.0; 4], [None; 4]).unwrap();
        assert!(evidence.sd > 0.0 && evidence.p_value() > 0.99);
    }

    /// Who may choose the steadier of two readings finds a change by chance twice as often (Bonferroni).
    #[test]
    fn a_choice_of_two_doubles_the_chance() {
        let one = Evidence::of_t(3.0, 6);
        let two = Evidence { choices: 2.0, ..one };
        assert_relative_eq!(two.p_value(), 2.0 * one.p_value(), max_relative = 1e-12);
    }
}
