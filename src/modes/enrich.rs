//! How many smooth terms a window takes: as many as the data pay for.

use super::smooth::Smooth;
use super::window::{QUICK, Window};

impl Window {
    /// The window with as many flanks of poles outside as are worth their price; `inner` if poles lie below it too.
    pub fn flanked(mut self, inner: bool) -> Self {
        while let Some(better) = self.cheaper(self.problem.smooth.with_a_flank(inner)) {
            self = better;
        }
        self
    }

    /// The same, and with as high a polynomial: last and not before, since it takes more from the modes, and poles
    /// still missing would ask for it.
    pub fn smoothed(self, inner: bool) -> Self {
        let mut window = self.flanked(inner);
        while let Some(better) = window.cheaper(window.problem.smooth.of_higher_degree()) {
            window = better.flanked(inner);
        }
        window
    }

    /// The window beside the best of these smooth terms, settled; `None` if that costs more.
    fn cheaper(&self, choices: impl IntoIterator<Item = Smooth>) -> Option<Self> {
        let tried = choices
            .into_iter()
            .filter_map(|smooth| Window::new(self.problem.beside(smooth)?, &self.fit.poles));
        let mut best = tried.min_by(|a, b| a.cost().total_cmp(&b.cost()))?;
        let (cost, gain) = (self.cost(), best.fit.expected_gain(&best.problem, &best.variances)?);
        if best.cost() - MARGIN * gain > cost {
            return None;
        }
        best.settle(QUICK, 1);
        (best.cost() < cost).then_some(best)
    }
}

/// Terms that would cost more even if moving the poles gained so many times what a linear step promises are not tried.
const MARGIN: f64 = 2.0;

#[cfg(test)]
mod tests {
    use super::super::pole::Pole;
    use super::super::record::{Cut, Records};
    use super::super::tests::closed_form::Case;
    use super::*;
    use crate::modes::noise::Shape;
    use crate::modes::window::CLOSE;

    /// The case has modes at 38, 53, 54, 71 and 89 Hz; the window's poles are those of them that lie in it.
    fn window(band_hz: (f64, f64), seed: u64) -> Window {
        let case = Case::new(3600, 0.01, seed);
        let records = Records::new(&case.places(), Cut::WHOLE);
        let problem = records.problem(band_hz, Smooth::of_degree_below(3), &Shape::default()).unwrap();
        let inside = |p: &&Pole| (band_hz.0..band_hz.1).contains(&p.frequency_hz());
        let poles: Vec<Pole> = case.poles.iter().filter(inside).copied().collect();
        let mut window = Window::new(problem, &poles).unwrap();
        window.settle(CLOSE, 1);
        window
    }

    /// Noise alone buys a term about once in fifty (a chance of 1 % each, two kinds tried).
    #[test]
    fn noise_pays_for_no_terms() {
        let smooth = |seed| window((20.0, 105.0), seed).smoothed(true).problem.smooth;
        let bought = (0..20).filter(|seed| smooth(*seed) != Smooth::of_degree_below(3)).count();
        assert!(bought <= 2, "{bought} of 20");
    }

    /// Terms are paid for by the side on which a pole was left out.
    #[test]
    fn flanks_are_taken_where_poles_lie_outside() {
        for seed in 0..4 {
            let without_the_last = window((20.0, 81.0), seed).flanked(true).problem.smooth;
            assert!(without_the_last.above > without_the_last.below, "{without_the_last:?}");
            let without_the_first = window((46.0, 105.0), seed).flanked(true).problem.smooth;
            assert!(without_the_first.below > without_the_first.above, "{without_the_first:?}");
            assert_eq!(window((46.0, 105.0), seed).flanked(false).problem.smooth.below, 0);
        }
    }
}
