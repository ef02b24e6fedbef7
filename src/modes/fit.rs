//! From places to a [`ModeSet`].

use super::ModeSet;
use super::chain::Chain;
use super::collect::empty;
use super::kinds::{Evidence, judge, unclaim_wide};
use super::limit::Predicted;
use super::overlap::{widen_overlapping, widen_unexplained};
use super::own_part::unpredicted;
use super::pole::Pole;
use super::prediction::{BETWEEN, SOONER, predicted, splits_s, without_steady_tones};
use super::refits::widen_by_refits;
use super::residual::residual_over_noise;
use super::run::{FitRun, Job, Variant};
use super::settings::{FitSettings, MANY_PLACES, Place};
use rayon::prelude::*;

/// Fits the resonances that all places share.
///
/// Every place takes part whose record is finite, at least 0.12 s long from its onset and not much shorter than most;
/// the others have no amplitudes and say so in [`ModeSet::residual_over_noise`]. Without places, or without poles that
/// stand out of the noise, the set is empty. The same input gives the same set on any number of threads. Never panics.
#[must_use]
pub fn fit(places: &[Place<'_>], settings: &FitSettings<'_>) -> ModeSet {
    let cancelled = || settings.cancelled();
    let job = Job::new(places, settings.range_hz(), &cancelled);
    let Some(main) = job.run(&Variant::MAIN) else { return empty(places) };
    let tested = if settings.refits { job.tested(main) } else { Tested::untested(&job, main) };
    let Tested { main, mut set, predicted, unpredicted } = tested;
    let (seconds, chain) = (main.seconds(), Chain::of(places));
    for (m, mode) in set.modes.iter_mut().enumerate() {
        let unpredicted = unpredicted.get(m).copied().unwrap_or(false);
        judge(mode, &Evidence { seconds, predicted: predicted.as_ref(), unpredicted, chain: &chain });
    }
    if let Some(predicted) = &predicted {
        // Claims are judged by intervals as their thresholds were chosen on; one that then becomes too wide is none.
        widen_unexplained(&mut set, |hz| predicted.unexplained_near(hz));
        set.modes.iter_mut().for_each(unclaim_wide);
    }
    let (all, own) = (variances(&set), variances(&job.set_of(&main)));
    set.added = all.iter().zip(own).map(|(all, own)| [all[0] - own[0], all[1] - own[1]]).collect();
    set.residual_over_noise = residual_over_noise(places, &main.records, &main.windows);
    set.sought_to_hz = Some(job.range_hz.1);
    set.ended = main.ended();
    set.cancelled = settings.cancelled();
    set
}

/// The main fit after its tests.
struct Tested {
    main: FitRun,
    /// Its resonances, intervals widened by what the tests showed.
    set: ModeSet,
    /// How well each band was predicted.
    predicted: Option<Predicted>,
    /// Which resonances had to be predicted by themselves and were not.
    unpredicted: Vec<bool>,
}

impl Tested {
    /// The main fit as it is.
    fn untested(job: &Job<'_>, main: FitRun) -> Self {
        Self { set: job.set_of(&main), main, predicted: None, unpredicted: Vec::new() }
    }
}

impl Job<'_> {
    /// Fits to the first part of the records. They serve twice: as independent searches for poles, and to test whether
    /// poles found there predict the next part.
    ///
    /// With many places such a fit may also start from the poles of the full records: little of the later data reaches it
    /// through the poles, since the amplitudes, many more numbers, come from the first part alone.
    fn early(&self, main: &FitRun) -> Vec<FitRun> {
        splits_s(self.places, self.range_hz, main.lowest_hz())
            .par_iter()
            .filter_map(|until_s| {
                let variant = Variant::early(*until_s);
                let fit = self.run(&variant)?;
                let many = self.places.len() >= MANY_PLACES;
                let better = many.then(|| self.best_of(&variant, &fit, &[main])).flatten();
                Some(better.unwrap_or(fit))
            })
            .collect()
    }

    /// A fit to a shorter first part than the longest.
    fn sooner(&self, longest: Option<&FitRun>) -> Option<FitRun> {
        self.run(&Variant::early(SOONER * longest?.seconds()))
    }

    /// A fit to a slightly shorter first part than that of the only one: two predictions scatter less than one.
    fn between(&self, early: &[FitRun]) -> Option<FitRun> {
        let [only] = early else { return None };
        self.run(&Variant::early(BETWEEN * only.seconds()))
    }

    /// A fit made again in each of the other ways.
    fn all_again(&self, main: &FitRun) -> Vec<ModeSet> {
        let ended = main.ended();
        Variant::AGAIN.par_iter().filter_map(|way| Some(self.set_of(&self.again(way, &ended)?))).collect()
    }

    /// The main fit held against fits to the first part of the records, and against refits.
    fn tested(&self, main: FitRun) -> Tested {
        let quiet = without_steady_tones(self.places, &main);
        let quiet = Job { places: &quiet, ..*self };
        let mut early = quiet.early(&main);
        // Poles are fitted beyond the range, so its last bands can be judged as well.
        let fitted_to_hz = self.fitted_to_hz(&main.records);
        let (sooner, between) = rayon::join(|| quiet.sooner(early.first()), || quiet.between(&early));
        early.extend(between);
        let predicted = predicted(quiet.places, &early, sooner.as_ref(), self.range_hz, fitted_to_hz);
        let (main, mut set) = self.refitted(main, &early);
        let cut: Vec<&FitRun> = early.first().into_iter().chain(&sooner).collect();
        let unpredicted = unpredicted(quiet.places, &set, &cut);
        set.single_modes_to_hz = predicted.to_hz.map(|hz| hz.min(self.range_hz.1));
        Tested { main, set, predicted: Some(predicted), unpredicted }
    }

    /// The main fit with the best poles that any search found, its intervals widened by the scatter of the refits, and
    /// flagged where they don't find a resonance again.
    fn refitted(&self, main: FitRun, early: &[FitRun]) -> (FitRun, ModeSet) {
        let mut whole: Vec<FitRun> =
            self.run_beside(&Variant::ANEW, &main.ended().windows).into_iter().collect();
        let searches: Vec<&FitRun> = whole.iter().chain(early).collect();
        let main = match self.best_of(&Variant::MAIN, &main, &searches) {
            Some(better) => {
                whole.push(main);
                better
            }
            None => main,
        };
        let again = self.all_again(&main);
        let whole: Vec<ModeSet> = whole.iter().map(|run| self.set_of(run)).collect();
        let early: Vec<&[Pole]> = early.iter().map(|run| run.poles.as_slice()).collect();
        let mut set = self.set_of(&main);
        widen_by_refits(&mut set, &again, &whole, &early);
        // Where modes overlap intervals are too narrow even with the refits.
        widen_overlapping(&mut set, main.seconds());
        (main, set)
    }
}

/// Variances of ω and δ of each resonance, (rad/s)².
fn variances(set: &ModeSet) -> Vec<[f64; 2]> {
    set.modes.iter().map(|m| [m.omega_sd_per_s.powi(2), m.decay_sd_per_s.powi(2)]).collect()
}
