//! One run of `stillroom demo`, the main job on the invented session, for all tests that look at it.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use crate::program::{Run, run_within};

/// What the run left and said.
pub struct DemoRun {
    /// The session, with `truth.json` beside the audio.
    pub session: PathBuf,
    pub results: PathBuf,
    pub run: Run,
}

/// The run, made when it is first asked for. Read only: others look at it at the same time.
pub fn demo_run() -> &'static DemoRun {
    static RUN: OnceLock<DemoRun> = OnceLock::new();
    RUN.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("demo-run");
        if folder.exists() {
            std::fs::remove_dir_all(&folder).expect("what the last run left can be removed");
        }
        std::fs::create_dir_all(&folder).expect("writable");
        DemoRun {
            session: folder.join("job"),
            results: folder.join("job-results"),
            run: run_within(240, &folder, &["demo", "job", "--jobs", "2"]),
        }
    })
}
