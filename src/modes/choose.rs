//! Which poles the main fit takes: its own or those that a refit came to.

use super::attempt::{Attempt, Fitting, Job, Start};
use super::pole::Pole;
use rayon::prelude::*;

/// At most so many other sets of poles are tried against those of the main fit in a round …
const CHALLENGERS: usize = 3;
/// … and in so many rounds: single draws of one position at 60 and 80 dB needed the second.
const ROUNDS: usize = 2;
/// What another set must save, in units of χ²: less is the same minimum, or as good a one.
const WORTH: f64 = 1.0;
/// Poles that stay within this share of δ (and of 1/T) would settle to the same place.
const SAME: f64 = 0.3;

impl Job<'_> {
    /// Refits in other ways: those with a start at the main fit's poles, the rest from nothing.
    fn refits(&self, main: &Fitting, attempts: &[Attempt]) -> Vec<Option<Fitting>> {
        let from = |i: usize| if i < Attempt::STARTED { Start::Poles(&main.poles) } else { Start::Nothing };
        attempts.par_iter().enumerate().map(|(i, attempt)| self.attempt(attempt, from(i))).collect()
    }

    /// Refits, and the main fit made from their poles where that costs less: a search that takes one pole
    /// after another can end beside the best set, and the refits know of others.
    ///
    /// A fit that lost counts as a refit from then on, and the refit whose poles won no longer: a choice
    /// is no witness for itself.
    pub fn best_of(&self, main: &mut Fitting) -> Vec<Fitting> {
        let mut refits = self.refits(main, &Attempt::REFITS);
        let mut tried = vec![main.poles.clone()];
        for _ in 0..ROUNDS {
            let Some((source, better)) = self.challenge(main, &refits, &mut tried) else { break };
            let before = std::mem::replace(main, better);
            // Those that search from nothing stand; the others start where this fit stands.
            let anew = self.refits(main, &Attempt::REFITS[..Attempt::STARTED]);
            refits[source] = None;
            refits.splice(..Attempt::STARTED, anew);
            refits.push(Some(before));
        }
        refits.into_iter().flatten().collect()
    }

    /// The cheapest fit from poles of a refit that weren't tried yet, and which refit that was; `None` if
    /// none is cheaper than the main fit.
    fn challenge(
        &self,
        main: &Fitting,
        refits: &[Option<Fitting>],
        tried: &mut Vec<Vec<Pole>>,
    ) -> Option<(usize, Fitting)> {
        let mut sets: Vec<(usize, Vec<Pole>)> = Vec::new();
        // Those that searched from nothing come last and know most.
        for (source, refit) in refits.iter().enumerate().rev() {
            let Some(Fitting { poles, .. }) = refit else { continue };
            if sets.len() < CHALLENGERS && !tried.iter().any(|set| self.alike(set, poles, main.seconds)) {
                tried.push(poles.clone());
                sets.push((source, poles.clone()));
            }
        }
        let fits: Vec<Option<Fitting>> = sets
            .par_iter()
            .map(|(_, poles)| self.attempt(&Attempt::MAIN, Start::Within(poles, &main.spans)))
            .collect();
        let fits = sets.iter().zip(fits).filter_map(|((source, _), fit)| Some((*source, fit?)));
        fits.min_by(|a, b| a.1.cost.total_cmp(&b.1.cost)).filter(|(_, fit)| fit.cost < main.cost - WORTH)
    }

    /// Whether two sets of poles, in rising frequency, are the same within what a fit moves them, as far as
    /// they are reported.
    fn alike(&self, a: &[Pole], b: &[Pole], seconds: f64) -> bool {
        let own = |p: &&Pole| p.frequency_hz() <= self.range_hz.1;
        let near = |(p, q): (&Pole, &Pole)| p.distance_per_s(q) < SAME * (p.decay_per_s + 1.0 / seconds);
        let count = |set: &[Pole]| set.iter().filter(own).count();
        count(a) == count(b) && a.iter().filter(own).zip(b.iter().filter(own)).all(near)
    }
}
