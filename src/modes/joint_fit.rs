//! The joint fit of poles in wide windows, from poles that a search or an earlier fit gave.

use super::gain::Candidates;
use super::noise::{NoiseSpectrum, residual_slope};
use super::pole::Pole;
use super::problem::Prior;
use super::record::Records;
use super::refine::Effort;
use super::residual_terms::ResidualTerms;
use super::window::{CLOSE, MOST_PARAMETERS, THOROUGH, Window};
use super::windows::{Span, windows};
use rayon::prelude::*;

/// The choices of one fit that a refit may make otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Choices {
    /// Least degree of the polynomial; the data may ask for a higher one.
    pub degree: usize,
    /// Width of the range whose poles a window reports, Hz.
    pub own_hz: f64,
    /// What a window fits beyond, Hz.
    pub guard_hz: f64,
    /// At most so many poles are fitted over the whole range at once.
    pub most_at_once: usize,
    /// Width of the range whose poles a search band reports, Hz (it fits twice as much).
    pub search_hz: f64,
    /// By how much the search bands are moved, Hz.
    pub offset_hz: f64,
    /// Whether the slope of the noise spectrum is estimated from the residual before poles are added as well as after.
    /// Needed where the background at the records' ends isn't used (noise would be fitted by poles); harmful otherwise,
    /// since poles still missing look like noise.
    pub weighs_first: bool,
    /// How far the final poles are refined.
    pub last: Effort,
    /// How often, with the noise levels taken anew before each.
    pub rounds: usize,
}

impl Choices {
    /// Of the main fit, chosen on the rooms of docs/accuracy.md: a parabola at least, windows of about 105 Hz.
    pub const USUAL: Choices = Choices {
        degree: 2,
        own_hz: 55.0,
        guard_hz: 25.0,
        most_at_once: 35,
        search_hz: 18.0,
        offset_hz: 0.0,
        weighs_first: false,
        last: THOROUGH,
        rounds: 2,
    };

    /// The choices of a refit, which only shows how far such choices move a value: it stops at steps that lower χ² by less
    /// than a tenth (a third of an sd; each further step lowers it by the square of the last).
    pub const REFIT: Choices = Choices { last: CLOSE, rounds: 1, ..Self::USUAL };

    /// The residual terms to begin with.
    pub fn terms(&self) -> ResidualTerms {
        ResidualTerms::of_degree_below(self.degree + 1)
    }
}

/// A window with its final poles.
#[derive(Debug, Clone)]
pub(crate) struct WindowFit {
    /// Which poles it reports.
    pub span: Span,
    /// Fit of all poles that reach into it.
    pub window: Window,
}

/// What a window used beside its poles when its fit ended; a later fit of the same state begins with it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct WindowSetup {
    /// Which poles it reports, and the data it uses.
    pub span: Span,
    /// Its residual terms.
    pub terms: ResidualTerms,
    /// Slope of the noise spectrum ([`NoiseSpectrum::slope`]).
    pub slope: f64,
}

/// What a fit needs beside its records.
#[derive(Clone, Copy)]
pub(crate) struct Task<'a> {
    /// Frequencies to fit, Hz.
    pub range_hz: (f64, f64),
    /// Noise over frequency.
    pub noise: &'a NoiseSpectrum,
    /// How to go about it.
    pub choices: Choices,
    /// Whether to stop.
    pub cancelled: &'a (dyn Fn() -> bool + Sync),
}

impl WindowFit {
    /// What it used beside its poles.
    pub fn setup(&self) -> WindowSetup {
        let problem = &self.window.problem;
        WindowSetup { span: self.span, terms: problem.terms, slope: problem.slope }
    }

    /// The poles that the window reports.
    pub fn own_poles(&self) -> impl Iterator<Item = Pole> {
        self.window.fit.poles.iter().filter(|p| self.span.owns(p)).copied()
    }

    /// These poles, each with its energy at all places within records of that length: ∫ Σ |A|² exp(−2 δ t) dt.
    pub fn own_energies(&self, seconds: f64) -> impl Iterator<Item = (Pole, f64)> {
        let poles = self.window.fit.poles.iter().enumerate().filter(|(_, p)| self.span.owns(p));
        poles.map(move |(j, pole)| {
            let squares = self.window.fit.projection.groups.iter().map(|group| {
                let rows = group.coefficients.rows(2 * j, 2);
                rows.iter().map(|c| c * c).sum::<f64>()
            });
            let decay = 2.0 * pole.decay_per_s;
            (*pole, squares.sum::<f64>() * -(-decay * seconds).exp_m1() / decay)
        })
    }
}

impl Task<'_> {
    /// The windows that serve these poles.
    pub fn windows(&self, poles: &[Pole]) -> Vec<Span> {
        let c = self.choices;
        windows(self.range_hz, c.own_hz, c.guard_hz, c.most_at_once, poles)
    }
}

/// Fits given poles jointly in wide windows, adds what is missing and drops what isn't worth its penalty; where an
/// earlier fit is known, beside its residual terms.
pub(crate) fn fit_windows(
    records: &Records,
    task: &Task<'_>,
    spans: &[Span],
    poles: &[Pole],
    earlier: &[WindowSetup],
) -> Vec<WindowFit> {
    let windows: Vec<Option<WindowFit>> = spans
        .par_iter()
        .map(|span| match at_middle(earlier, span) {
            Some(known) => refit_window(records, task, span, (known, poles)),
            None => fit_window(records, task, span, poles),
        })
        .collect();
    windows.into_iter().flatten().collect()
}

/// The window of a fit that holds the middle of a window.
fn at_middle<'a>(windows: &'a [WindowSetup], span: &Span) -> Option<&'a WindowSetup> {
    let middle_hz = 0.5 * (span.owns_from_hz + span.owns_to_hz);
    windows.iter().find(|a| middle_hz < a.span.owns_to_hz).or(windows.last())
}

/// Fits given poles in the windows of an earlier fit; a window is kept where `differs` says that nothing would change.
pub(crate) fn fit_changed_windows(
    records: &Records,
    task: &Task<'_>,
    earlier: &[WindowFit],
    poles: &[Pole],
    differs: impl Fn(&Span) -> bool + Sync,
) -> Vec<WindowFit> {
    let windows: Vec<Option<WindowFit>> = earlier
        .par_iter()
        .map(|kept| {
            if !differs(&kept.span) {
                Some(kept.clone())
            } else if task.choices.weighs_first {
                // Where poles were missed their place is taken by residual terms: these are chosen anew.
                fit_window(records, task, &kept.span, poles)
            } else {
                rival_window(records, task, kept, poles).or_else(|| Some(kept.clone()))
            }
        })
        .collect();
    windows.into_iter().flatten().collect()
}

/// Fits again from where an earlier fit ended: poles, residual terms and the noise's slope are taken over, no pole is added
/// or left out.
pub(crate) fn revisit(
    records: &Records,
    task: &Task<'_>,
    earlier: &[WindowSetup],
    poles: &[Pole],
) -> Vec<WindowFit> {
    let usual = Choices::USUAL;
    let narrower = (task.choices.own_hz, task.choices.most_at_once) != (usual.own_hz, usual.most_at_once);
    let spans: Vec<Span> =
        if narrower { task.windows(poles) } else { earlier.iter().map(|a| a.span).collect() };
    let windows: Vec<Option<WindowFit>> = spans
        .par_iter()
        .map(|span| {
            let mut window = started(records, task, span, (at_middle(earlier, span)?, poles))?;
            window.refine_with_noise(task.choices.last, task.choices.rounds);
            Some(WindowFit { span: *span, window })
        })
        .collect();
    windows.into_iter().flatten().collect()
}

/// A window with these poles, and the residual terms and the noise's slope of an earlier fit.
fn started(
    records: &Records,
    task: &Task<'_>,
    span: &Span,
    (earlier, poles): (&WindowSetup, &[Pole]),
) -> Option<Window> {
    let limits = (span.fits_from_hz, span.fits_to_hz.min(records.top_hz()));
    let mut terms = earlier.terms;
    terms.polynomial += task.choices.degree - Choices::USUAL.degree;
    let mut noise = task.noise.clone();
    noise.slope = earlier.slope;
    let mut problem = records.problem(limits, terms, &noise)?;
    let poles: Vec<Pole> =
        nearest(span, poles.iter().filter(|p| span.meets(p)), problem.most_poles(MOST_PARAMETERS));
    let first = Window::new(problem.clone(), &poles)?;
    problem.prior = Some(Prior::new(&problem, &first.variances));
    Window::new(problem, &poles)
}

/// The fit from other poles than those of an earlier fit, beside its residual terms or more of them.
fn refit_window(
    records: &Records,
    task: &Task<'_>,
    span: &Span,
    earlier: (&WindowSetup, &[Pole]),
) -> Option<WindowFit> {
    let window = pruned_window(records, task, span, earlier)?;
    Some(WindowFit { span: *span, window: window.completed(task, span) })
}

/// Poles that cost this much more than others when both were refined and pruned don't catch up, in units of χ²: of 187
/// sets in rooms in closed form 13 did, from 132 at most.
const HOPELESS: f64 = 400.0;

/// The fit of a rival of the earlier fit to the same records, from other poles beside its residual terms; `None` too where
/// the rival is far behind.
fn rival_window(records: &Records, task: &Task<'_>, kept: &WindowFit, poles: &[Pole]) -> Option<WindowFit> {
    let window = pruned_window(records, task, &kept.span, (&kept.setup(), poles))?;
    let hopeless = window.cost() > kept.window.cost() + HOPELESS;
    (!hopeless).then(|| WindowFit { span: kept.span, window: window.completed(task, &kept.span) })
}

/// Other poles than those of an earlier fit, beside its residual terms: brought close, those that aren't worth their
/// penalty left out.
fn pruned_window(
    records: &Records,
    task: &Task<'_>,
    span: &Span,
    earlier: (&WindowSetup, &[Pole]),
) -> Option<Window> {
    let mut window = started(records, task, span, earlier)?;
    window.refine_with_noise(CLOSE, 1);
    window.prune(task.cancelled);
    Some(window)
}

impl Window {
    /// With the poles and residual terms that are still missing, to the bottom.
    fn completed(mut self, task: &Task<'_>, span: &Span) -> Self {
        let candidates = Candidates::new(&self.problem, span.owns_from_hz - 3.0, span.owns_to_hz + 3.0);
        self.grow(&candidates, 0, task.cancelled);
        self.refine_with_noise(CLOSE, 1);
        let mut window = self.with_order_selected(span.fits_from_hz > task.range_hz.0);
        window.prune(task.cancelled);
        window.refined_without_twins(task.choices.last, task.choices.rounds)
    }
}

/// At most so many poles of those that reach into a window: first those it reports, then the nearest to them.
fn nearest<'a>(span: &Span, poles: impl Iterator<Item = &'a Pole>, most: usize) -> Vec<Pole> {
    let outside_hz = |p: &Pole| {
        let hz = p.frequency_hz();
        (span.owns_from_hz - hz).max(hz - span.owns_to_hz).max(0.0)
    };
    let mut kept: Vec<Pole> = poles.copied().collect();
    kept.sort_by(|a, b| outside_hz(a).total_cmp(&outside_hz(b)));
    kept.truncate(most);
    kept.sort_by(|a, b| a.omega_per_s.total_cmp(&b.omega_per_s));
    kept
}

fn fit_window(records: &Records, task: &Task<'_>, span: &Span, poles: &[Pole]) -> Option<WindowFit> {
    let limits = (span.fits_from_hz, span.fits_to_hz.min(records.top_hz()));
    // Nothing but the loudspeaker's own poles lies below the range, and these are fitted.
    let poles_below = limits.0 > task.range_hz.0;
    let problem = records.problem(limits, task.choices.terms(), task.noise)?;
    let poles = nearest(span, poles.iter().filter(|p| span.meets(p)), problem.most_poles(MOST_PARAMETERS));
    let mut window = Window::new(problem, &poles)?;
    window.refine_with_noise(CLOSE, 1);
    let mut window = window.with_outer_terms(poles_below);
    if task.choices.weighs_first {
        window = window.weighted_anew(records, task.noise)?;
        window.refine_with_noise(CLOSE, 1);
    }
    window.prune(task.cancelled);
    let candidates = Candidates::new(&window.problem, span.owns_from_hz - 3.0, span.owns_to_hz + 3.0);
    window.grow(&candidates, 0, task.cancelled);
    let mut window = window.weighted_anew(records, task.noise)?;
    window.refine_with_noise(CLOSE, 1);
    let mut window = window.with_order_selected(poles_below);
    // What only seemed significant under the first weights goes; what stays is refined to the bottom.
    window.prune(task.cancelled);
    let window = window.refined_without_twins(task.choices.last, task.choices.rounds);
    Some(WindowFit { span: *span, window })
}

impl Window {
    /// A window with the same poles, the noise spectrum's slope taken from the residual, and a weak prior on amplitudes.
    fn weighted_anew(&self, records: &Records, noise: &NoiseSpectrum) -> Option<Self> {
        let mut noise = noise.clone();
        noise.slope += residual_slope(&self.problem, &self.fit.projection);
        let problem = records.problem(self.problem.band_hz, self.problem.terms, &noise)?;
        let mut window = Window::new(problem, &self.fit.poles)?;
        window.problem.prior = Some(Prior::new(&window.problem, &window.variances));
        Window::new(window.problem, &self.fit.poles)
    }
}
