//! How many residual terms a window uses: more as long as the criterion falls.

use super::residual_terms::ResidualTerms;
use super::window::{CLOSE, Window};

impl Window {
    /// The window with as many terms for poles outside as lower the criterion; `poles_below` if poles lie below it too.
    pub fn with_outer_terms(mut self, poles_below: bool) -> Self {
        while let Some(better) = self.improved_by(self.problem.terms.with_one_outer_more(poles_below)) {
            self = better;
        }
        self
    }

    /// The window with as many outer terms, and then as high a polynomial, as lower the criterion. The polynomial comes
    /// only at the end, since it takes more from the modes, and poles still missing would be made up for by it.
    pub fn with_order_selected(self, poles_below: bool) -> Self {
        let mut window = self.with_outer_terms(poles_below);
        while let Some(better) = window.improved_by(window.problem.terms.of_higher_degree()) {
            window = better.with_outer_terms(poles_below);
        }
        window
    }

    /// The window with the best of these sets of residual terms, refined; `None` if its criterion is no lower.
    fn improved_by(&self, choices: impl IntoIterator<Item = ResidualTerms>) -> Option<Self> {
        let tried = choices
            .into_iter()
            .filter_map(|terms| Window::new(self.problem.with_terms(terms)?, &self.fit.poles));
        let mut best = tried.min_by(|a, b| a.cost().total_cmp(&b.cost()))?;
        let (cost, gain) = (self.cost(), best.fit.expected_gain(&best.problem, &best.variances)?);
        if is_hopeless(best.cost(), gain, cost) {
            return None;
        }
        best.refine_with_noise(CLOSE, 1);
        (best.cost() < cost).then_some(best)
    }
}

/// Terms whose criterion would be higher even if moving the poles gained so many times what a linear step predicts are not
/// tried.
const MARGIN: f64 = 10.0;

/// Whether terms of this criterion, `gain` less after a linear step, stay over that of the fit without them.
fn is_hopeless(tried: f64, gain: f64, cost: f64) -> bool {
    tried - MARGIN * gain > cost
}

#[cfg(test)]
mod tests {
    use super::super::pole::Pole;
    use super::super::record::{Cut, Records};
    use super::super::tests::closed_form::Case;
    use super::*;
    use crate::modes::noise::NoiseSpectrum;

    /// The case has modes at 38, 53, 54, 71 and 89 Hz; the window's poles are those of them that lie in it.
    fn window(band_hz: (f64, f64), seed: u64) -> Window {
        let case = Case::new(3600, 0.01, seed);
        let records = Records::new(&case.places(), Cut::WHOLE);
        let problem =
            records.problem(band_hz, ResidualTerms::of_degree_below(3), &NoiseSpectrum::default()).unwrap();
        let inside = |p: &&Pole| (band_hz.0..band_hz.1).contains(&p.frequency_hz());
        let poles: Vec<Pole> = case.poles.iter().filter(inside).copied().collect();
        let mut window = Window::new(problem, &poles).unwrap();
        window.refine_with_noise(CLOSE, 1);
        window
    }

    /// Noise alone adds a term about once in fifty (a chance of 1 % each, two kinds tried).
    #[test]
    fn noise_adds_no_terms() {
        let terms = |seed| window((20.0, 105.0), seed).with_order_selected(true).problem.terms;
        let added = (0..20).filter(|seed| terms(*seed) != ResidualTerms::of_degree_below(3)).count();
        assert!(added <= 2, "{added} of 20");
    }

    /// Terms are added on the side on which a pole was left out.
    #[test]
    fn outer_terms_are_taken_where_poles_lie_outside() {
        for seed in 0..4 {
            let without_the_last = window((20.0, 81.0), seed).with_outer_terms(true).problem.terms;
            assert!(without_the_last.upper > without_the_last.lower, "{without_the_last:?}");
            let without_the_first = window((46.0, 105.0), seed).with_outer_terms(true).problem.terms;
            assert!(without_the_first.lower > without_the_first.upper, "{without_the_first:?}");
            assert_eq!(window((46.0, 105.0), seed).with_outer_terms(false).problem.terms.lower, 0);
        }
    }

    /// Ten times the linear gain makes up for what the criterion is higher by, wherever its zero lies.
    #[test]
    fn terms_are_tried_that_could_still_lower_the_criterion() {
        for zero in [-1000.0, 0.0, 1000.0] {
            assert!(!is_hopeless(zero + 105.0, 0.6, zero + 100.0), "{zero}");
            assert!(is_hopeless(zero + 105.0, 0.4, zero + 100.0), "{zero}");
        }
    }
}
