//! Fit variants: how the records are cut and which options a fit uses. [`FitRun`] is the result of one such fit.

use super::ModeSet;
use super::collect::{collect, empty};
use super::fall::{Fall, middles};
use super::joint_fit::{Choices, Task, WindowFit, WindowSetup, fit_changed_windows, fit_windows, revisit};
use super::noise::NoiseSpectrum;
use super::pole::Pole;
use super::record::{Cut, Records};
use super::search::search;
use super::settings::{FEW_PLACES, Place};
use super::window::NEARBY;
use super::windows::Span;

/// Poles are fitted this far above the highest frequency reported, so that it has neighbours on both sides. Our own
/// choice.
const BEYOND_HZ: f64 = 12.0;

/// A pole this far (20 dB) under the strongest one's energy is hardly heard. Our own choice.
const HARDLY_HEARD: f64 = 0.01;

/// One way of fitting a state.
#[derive(Debug, Clone, Copy)]
pub(super) struct Variant {
    pub cut: Cut,
    pub choices: Choices,
    /// Whether the background at the record's end weights the bins.
    pub background: bool,
}

impl Variant {
    /// The fit whose values are reported.
    pub const MAIN: Variant = Variant { cut: Cut::WHOLE, choices: Choices::USUAL, background: true };

    /// The fit as it would be from a later start, with a higher polynomial, narrower windows, a shorter record: choices
    /// that are as good, begun at the poles of the main fit. How far they move a value tells what the data carry
    /// beside the noise. The set is that of the trials on measured rooms in docs/accuracy.md.
    pub const AGAIN: [Variant; 5] = {
        let choices = Choices { last: NEARBY, ..Choices::REFIT };
        let again = Variant { choices, ..Self::MAIN };
        [
            Variant { cut: Cut { later_s: 0.010, ..Cut::WHOLE }, ..again },
            Variant { cut: Cut { later_s: 0.020, ..Cut::WHOLE }, ..again },
            Variant { choices: Choices { degree: 4, ..choices }, ..again },
            Variant { choices: Choices { own_hz: 45.0, most_at_once: 0, ..choices }, ..again },
            Variant { cut: Cut { keep: 0.65, ..Cut::WHOLE }, ..again },
        ]
    };

    /// A fit that searches for its poles anew, from a later start in other bands.
    pub const ANEW: Variant = Variant {
        cut: Cut { later_s: 0.010, ..Cut::WHOLE },
        choices: Choices { offset_hz: 9.0, ..Choices::REFIT },
        background: true,
    };

    /// A search for poles in records that end at `until_s` after the onset, the noise's spectrum taken from the residual alone.
    pub const fn early(until_s: f64) -> Variant {
        Variant {
            cut: Cut { later_s: 0.005, keep: 1.0, until_s },
            choices: Choices { search_hz: 14.0, weighs_first: true, ..Choices::REFIT },
            background: false,
        }
    }
}

/// What all runs share.
pub(super) struct Job<'a> {
    pub places: &'a [Place<'a>],
    pub range_hz: (f64, f64),
    /// Records end so long after their onset at the latest, s.
    pub until_s: f64,
    pub cancelled: &'a (dyn Fn() -> bool + Sync),
}

/// What a run came to.
#[derive(Debug, Clone)]
pub(super) struct FitRun {
    /// The records it was made from.
    pub records: Records,
    /// The windows it was fitted in, with what was found there.
    pub windows: Vec<WindowFit>,
    /// Its poles, those beyond the range reported among them, in rising frequency.
    pub poles: Vec<Pole>,
}

/// Where a run ended: what another fit of the same state begins with.
#[derive(Debug, Clone, Default)]
pub(crate) struct Ended {
    /// Its windows.
    pub windows: Vec<WindowSetup>,
    /// Its poles, those beyond the range among them.
    pub poles: Vec<Pole>,
}

impl FitRun {
    /// What windows of these records found.
    pub fn new(records: Records, windows: Vec<WindowFit>) -> Self {
        let mut poles: Vec<Pole> = windows.iter().flat_map(WindowFit::own_poles).collect();
        poles.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
        Self { records, windows, poles }
    }

    /// Where it ended.
    pub fn ended(&self) -> Ended {
        Ended { windows: self.windows.iter().map(WindowFit::setup).collect(), poles: self.poles.clone() }
    }

    /// Frequency of the lowest pole that is heard, Hz: under the modes a loudspeaker may have a weak one.
    pub fn lowest_hz(&self) -> Option<f64> {
        let energies: Vec<(Pole, f64)> =
            self.windows.iter().flat_map(|window| window.own_energies(self.seconds())).collect();
        let most = energies.iter().map(|(_, energy)| *energy).fold(0.0, f64::max);
        let heard = energies.iter().filter(|(_, energy)| *energy >= HARDLY_HEARD * most);
        heard.map(|(pole, _)| pole.frequency_hz()).min_by(f64::total_cmp)
    }

    /// Longest record, s.
    pub fn seconds(&self) -> f64 {
        self.records.seconds()
    }
}

impl<'a> Job<'a> {
    /// A job whose records end when nothing in them sounds any more: what follows is noise, which costs time, and by which
    /// the length of a recording would reach the result. Few places have no numbers to give away, and theirs go on.
    pub fn new(
        places: &'a [Place<'a>],
        range_hz: (f64, f64),
        cancelled: &'a (dyn Fn() -> bool + Sync),
    ) -> Self {
        let many = places.len() >= FEW_PLACES;
        let past_s = many.then(|| Fall::of(places, &middles(range_hz.0, range_hz.1)).past_s()).flatten();
        Self { places, range_hz, until_s: past_s.unwrap_or(f64::INFINITY), cancelled }
    }

    /// Fits once, searching for the poles from nothing; `None` where no place has a record for it.
    pub fn run(&self, variant: &Variant) -> Option<FitRun> {
        self.run_beside(variant, &[])
    }

    /// Fits once, searching for the poles from nothing, with the residual terms of an earlier fit.
    pub fn run_beside(&self, variant: &Variant, earlier: &[WindowSetup]) -> Option<FitRun> {
        self.with_records(variant, |records, task| {
            let found = search(records, task);
            fit_windows(records, task, &task.windows(&found), &found, earlier)
        })
    }

    /// A fit from other poles in the windows it has; windows in which `differs` says no are kept as they are.
    pub fn instead(
        &self,
        variant: &Variant,
        main: &FitRun,
        poles: &[Pole],
        differs: impl Fn(&Span) -> bool + Sync,
    ) -> Option<FitRun> {
        self.with_records(variant, |records, task| {
            fit_changed_windows(records, task, &main.windows, poles, differs)
        })
    }

    /// A fit from where an earlier one ended: its poles and residual terms, a few steps.
    pub fn again(&self, variant: &Variant, earlier: &Ended) -> Option<FitRun> {
        self.with_records(variant, |records, task| revisit(records, task, &earlier.windows, &earlier.poles))
    }

    fn with_records(
        &self,
        variant: &Variant,
        fit: impl FnOnce(&Records, &Task<'_>) -> Vec<WindowFit>,
    ) -> Option<FitRun> {
        let until_s = variant.cut.until_s.min(self.until_s);
        let records = Records::new(self.places, Cut { until_s, ..variant.cut });
        if records.records.is_empty() {
            return None;
        }
        let used: Vec<&Place<'_>> = records.records.iter().map(|r| &self.places[r.place]).collect();
        let noise =
            if variant.background { NoiseSpectrum::of_background(&used) } else { NoiseSpectrum::default() };
        let task = Task {
            range_hz: (self.range_hz.0, self.fitted_to_hz(&records)),
            noise: &noise,
            choices: variant.choices,
            cancelled: self.cancelled,
        };
        let windows = fit(&records, &task);
        Some(FitRun::new(records, windows))
    }

    /// Up to where poles are fitted, Hz: beyond the range, as far as the records go.
    pub fn fitted_to_hz(&self, records: &Records) -> f64 {
        (self.range_hz.1 + BEYOND_HZ).min(records.top_hz())
    }

    /// The resonances that the windows of a run found within the range, with their covariance.
    pub fn set_of(&self, run: &FitRun) -> ModeSet {
        let mut set = empty(self.places);
        collect(&mut set, self.places, &run.records, &run.windows, self.range_hz.1);
        set.unfitted_hz.extend(gaps(&run.windows, self.range_hz));
        set.unfitted_hz.sort_by(|a, b| a.0.total_cmp(&b.0));
        set
    }
}

/// Parts of the range for which no window has a fit, Hz.
fn gaps(windows: &[WindowFit], (from_hz, to_hz): (f64, f64)) -> Vec<(f64, f64)> {
    let mut missing = Vec::new();
    let mut reached = from_hz;
    for span in windows.iter().map(|fitted| fitted.span) {
        if span.owns_from_hz > reached {
            missing.push((reached, span.owns_from_hz.min(to_hz)));
        }
        reached = reached.max(span.owns_to_hz);
    }
    if reached < to_hz {
        missing.push((reached, to_hz));
    }
    missing
}
