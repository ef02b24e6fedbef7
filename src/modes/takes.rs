//! Single takes of a state, fitted with the poles found for the state: they show how well it repeats.

use super::collect::{empty, pole_of};
use super::run::{Job, Variant};
use super::settings::{FitSettings, Place};
use super::{Kind, Mode, ModeSet};

/// A take's pole this far from the state's is another one: in units of the state's decay constant and of 1/T.
const TAKE_SAME: f64 = 0.5;

/// Fits one take of some of a state's places from where the state's fit ended, with its poles and residual terms, so that
/// takes differ by what is in them and not by what two searches came upon.
///
/// Intervals are widened by what refits and overlap added to the state's variances: how far a choice of the fit moves a
/// value is the same for all its takes. A resonance near one of kind [`Kind::Mode`] in the state is of that kind; the
/// others are `Unsure`.
#[must_use]
pub fn fit_take(places: &[Place<'_>], settings: &FitSettings<'_>, state: &ModeSet) -> ModeSet {
    let cancelled = || settings.cancelled();
    let job = Job::new(places, settings.range_hz(), &cancelled);
    let Some(run) = job.again(&Variant::MAIN, &state.ended) else { return empty(places) };
    let seconds = run.seconds();
    let mut set = job.set_of(&run);
    for mode in &mut set.modes {
        let Some(of_state) = same_of(state, mode, seconds) else { continue };
        widen(mode, state.added.get(of_state).copied().unwrap_or_default());
        if state.modes[of_state].kind == Kind::Mode {
            mode.kind = Kind::Mode;
        }
    }
    set.cancelled = settings.cancelled();
    set
}

/// The state's nearest pole, where it is near enough to be this one.
fn same_of(state: &ModeSet, mode: &Mode, seconds: f64) -> Option<usize> {
    let own = pole_of(mode);
    let apart = |j: usize| pole_of(&state.modes[j]).distance_per_s(&own);
    let nearest = (0..state.modes.len()).min_by(|a, b| apart(*a).total_cmp(&apart(*b)))?;
    let reach = TAKE_SAME * (state.modes[nearest].decay_per_s + 1.0 / seconds);
    (apart(nearest) < reach).then_some(nearest)
}

/// Adds to the variances of ω and δ.
fn widen(mode: &mut Mode, [omega, decay]: [f64; 2]) {
    mode.omega_sd_per_s = (mode.omega_sd_per_s.powi(2) + omega).sqrt();
    mode.decay_sd_per_s = (mode.decay_sd_per_s.powi(2) + decay).sqrt();
}

#[cfg(test)]
mod tests {
    use super::super::fit;
    use super::super::tests::closed_form::{Case, RATE_HZ};
    use super::*;
    use crate::draws::Draws;

    const POLES: [(f64, f64); 5] = [(38.2, 1.1), (52.7, 0.7), (54.1, 0.9), (71.4, 0.5), (88.9, 0.6)];
    const NOISE_SD: f64 = 0.01;

    fn settings() -> FitSettings<'static> {
        FitSettings { to_hz: 105.0, ..FitSettings::default() }
    }

    fn places(records: &[Vec<f64>]) -> Vec<Place<'_>> {
        let named = records.iter().enumerate();
        named.map(|(m, samples)| Place::new(&format!("p{m}"), "", samples, RATE_HZ, 0.0)).collect()
    }

    /// A take: the same oscillations, other noise.
    fn take(poles: &[(f64, f64)], seed: u64) -> Vec<Vec<f64>> {
        let mut records = Case::of(poles, 3600, 0.0, 1).records;
        let mut draws = Draws::new(seed);
        records.iter_mut().flatten().for_each(|sample| *sample += NOISE_SD * draws.normal());
        records
    }

    /// The state of two takes: their mean.
    fn state(first: &[Vec<f64>], second: &[Vec<f64>]) -> ModeSet {
        let mean = |(a, b): (&Vec<f64>, &Vec<f64>)| a.iter().zip(b).map(|(x, y)| 0.5 * (x + y)).collect();
        let records: Vec<Vec<f64>> = first.iter().zip(second).map(mean).collect();
        fit(&places(&records), &settings())
    }

    /// Squared differences of ln δ of two takes over the variances they claim, mode by mode.
    fn squares(first: &ModeSet, second: &ModeSet) -> Vec<f64> {
        let relative = |m: &Mode| (m.decay_sd_per_s / m.decay_per_s).powi(2);
        let pairs = first.modes.iter().zip(&second.modes);
        let square = |(a, b): (&Mode, &Mode)| {
            (b.decay_per_s / a.decay_per_s).ln().powi(2) / (relative(a) + relative(b))
        };
        pairs.map(square).collect()
    }

    /// Takes that differ by noise alone scatter by no more than they claim, and by a good part of it.
    #[test]
    fn takes_scatter_as_they_claim() {
        let mut all = Vec::new();
        for seed in 0..8 {
            let takes = [take(&POLES, 2 * seed), take(&POLES, 2 * seed + 1)];
            let state = state(&takes[0], &takes[1]);
            let sets = takes.each_ref().map(|records| fit_take(&places(records), &settings(), &state));
            assert!(sets.iter().all(|set| set.modes.len() == POLES.len()), "{seed}: {sets:?}");
            assert!(sets.iter().flat_map(|set| &set.modes).all(|m| m.kind == Kind::Mode));
            all.extend(squares(&sets[0], &sets[1]));
        }
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        assert!((0.3..1.3).contains(&mean), "{mean}");
    }

    /// A take in which every mode rings 15 % longer gives the longer times, not the state's.
    #[test]
    fn a_take_goes_by_its_own_data() {
        let longer = POLES.map(|(hz, t60_s)| (hz, 1.15 * t60_s));
        let takes = [take(&POLES, 1), take(&longer, 2)];
        let state = state(&takes[0], &takes[1]);
        let second = fit_take(&places(&takes[1]), &settings(), &state);
        for (mode, (hz, t60_s)) in second.modes.iter().zip(longer) {
            let (omega, relative) = (std::f64::consts::TAU * hz, mode.decay_sd_per_s / mode.decay_per_s);
            assert!((mode.omega_per_s - omega).abs() < 4.0 * mode.omega_sd_per_s, "{hz}: {mode:?}");
            let off = (mode.t60().value / t60_s).ln();
            assert!(off.abs() < 4.0 * relative && relative < 0.04, "{t60_s}: {off} {relative}");
        }
    }
}
