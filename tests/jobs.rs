//! A comparison works on as many threads as asked for, as the analysis before it does.

use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

use crate::demo_run::demo_run;
use stillroom::analysis::{ModeRange, compare_states};
use stillroom::{CompareSettings, Control, OpenOptions, Settings, analyze, open};

/// The threads that steps of the work see round them: one more than the machine has, so that no default is that.
#[test]
fn analysis_and_comparison_keep_to_the_threads_asked_for() {
    let asked = rayon::current_num_threads() + 1;
    let session =
        open(&[demo_run().session.clone()], &OpenOptions::default()).expect("the demo is a session");
    let mut settings = Settings::default();
    settings.modes = Some(ModeRange { from_hz: 15.0, to_hz: 40.0 });
    (settings.refits, settings.jobs) = (false, NonZeroUsize::new(asked));
    let (least, most) = (AtomicUsize::new(usize::MAX), AtomicUsize::new(0));
    let look = || {
        let threads = rayon::current_num_threads();
        least.fetch_min(threads, Relaxed);
        most.fetch_max(threads, Relaxed);
        false
    };
    let control = Control { cancelled: &look, ..Control::default() };
    let found = analyze(&session, &settings, &control);
    assert_eq!((least.swap(usize::MAX, Relaxed), most.swap(0, Relaxed)), (asked, asked), "analysis");
    let states = CompareSettings::new("empty", vec!["absorber".to_owned()]);
    let compared = compare_states(&session, &found, &settings, &states, &control).expect("both are there");
    assert!(!compared.pairs.is_empty());
    assert_eq!((least.into_inner(), most.into_inner()), (asked, asked), "comparison");
}
