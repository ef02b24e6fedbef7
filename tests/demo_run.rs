//! One run of `stillroom demo`, the main job on the invented session, for all tests that look at it.

use assert_cmd::Command;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// What the run left and said.
pub struct DemoRun {
    /// The session, with `truth.json` beside the audio.
    pub session: PathBuf,
    pub results: PathBuf,
    pub status: Option<i32>,
    pub out: String,
    pub err: String,
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
        let output = Command::cargo_bin("stillroom")
            .expect("the program was built")
            .current_dir(&folder)
            .env("NO_COLOR", "1")
            .timeout(std::time::Duration::from_secs(240))
            .args(["demo", "job", "--jobs", "2"])
            .output()
            .expect("the program runs");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        DemoRun {
            session: folder.join("job"),
            results: folder.join("job-results"),
            status: output.status.code(),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    })
}
