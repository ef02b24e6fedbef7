//! `tune --watch` with the real program: files that appear slowly, half written, replaced, removed; a
//! folder made under way, many files at once, a bad file; Ctrl-C with the last state written.

#![cfg(unix)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use crate::program::program;

/// Long enough for a slow machine: nothing here is a test of speed.
const PATIENCE: Duration = Duration::from_secs(150);

struct Watch {
    folder: tempfile::TempDir,
    child: Child,
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Watch {
    fn start(folder: tempfile::TempDir) -> Self {
        let file = |name: &str| fs::File::create(folder.path().join(name)).expect("writable");
        let tune = ["tune", "job", "--mode", "33.2", "--watch", "--format", "json", "--out", "out"];
        let mut command = program(folder.path(), &tune);
        command.stdout(file("stdout")).stderr(file("stderr"));
        let child = command.spawn().expect("the program runs");
        Self { folder, child }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The last whole document on standard output.
    fn last(&self) -> serde_json::Value {
        let text = fs::read_to_string(self.path("stdout")).unwrap_or_default();
        let documents = serde_json::Deserializer::from_str(&text).into_iter::<serde_json::Value>();
        documents.map_while(Result::ok).last().unwrap_or_default()
    }

    /// Waits until the last document satisfies `wanted`.
    fn wait(&mut self, what: &str, wanted: impl Fn(&serde_json::Value) -> bool) {
        let begin = Instant::now();
        while !wanted(&self.last()) {
            let ended = self.child.try_wait().expect("its status can be asked for");
            let stderr = fs::read_to_string(self.path("stderr")).unwrap_or_default();
            assert!(ended.is_none(), "{what}: it ended with {ended:?}: {stderr}");
            assert!(begin.elapsed() < PATIENCE, "{what}: {:#} {stderr}", self.last());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

fn states(document: &serde_json::Value) -> Vec<String> {
    let rows = document["absorber"].as_array().cloned().unwrap_or_default();
    rows.iter().filter_map(|row| row["state"].as_str().map(str::to_owned)).collect()
}

fn loaded_hz(document: &serde_json::Value, state: &str) -> Option<f64> {
    document["absorber"].as_array()?.iter().find(|row| row["state"] == state)?["loaded_frequency_hz"].as_f64()
}

fn audio(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> =
        fs::read_dir(folder).expect("it is there").flatten().map(|e| e.path()).collect();
    files.sort();
    files
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("writable");
    for file in audio(from) {
        fs::copy(&file, to.join(file.file_name().expect("a name"))).expect("copied");
    }
}

/// The demo's absorber by its own truth: |s1||s2|/ω0 over 2π is 33.376 Hz. A take's sd is 0.016 Hz there;
/// 0.1 Hz is six of them.
const LOADED_HZ: f64 = 33.376;

#[test]
fn a_folder_is_followed_until_the_user_stops() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let source = folder.path().join("source");
    stillroom::demo::write(&source).expect("written");
    let job = folder.path().join("job");
    copy(&source.join("empty"), &job.join("empty"));
    fs::copy(source.join("session.toml"), job.join("session.toml")).expect("copied");
    let mut watch = Watch::start(folder);
    watch.wait("the baseline alone", |d| d["schema"].is_u64() && states(d).is_empty());

    // A folder made under way, its files one after the other, one in two halves.
    let (from, to) = (source.join("absorber"), job.join("absorber"));
    fs::create_dir_all(&to).expect("writable");
    for (k, file) in audio(&from).iter().enumerate() {
        let bytes = fs::read(file).expect("readable");
        let target = to.join(file.file_name().expect("a name"));
        if k == 4 {
            fs::write(&target, &bytes[..bytes.len() / 2]).expect("writable");
            std::thread::sleep(Duration::from_millis(300));
        }
        fs::write(&target, &bytes).expect("writable");
        std::thread::sleep(Duration::from_millis(60));
    }
    let good =
        |d: &serde_json::Value, s: &str| loaded_hz(d, s).is_some_and(|hz| (hz - LOADED_HZ).abs() < 0.1);
    watch.wait("the first take", |d| good(d, "absorber"));

    // Twenty files and more at once, in two folders.
    copy(&from, &job.join("setting-2"));
    copy(&from, &job.join("setting-3"));
    watch.wait("two takes at once", |d| good(d, "setting-2") && good(d, "setting-3"));

    // A bad file is named and takes nothing down.
    fs::write(job.join("setting-3/sofa@corner.wav"), b"no audio").expect("writable");
    let begin = Instant::now();
    while !fs::read_to_string(watch.path("stderr")).unwrap_or_default().contains("setting-3/sofa@corner.wav")
    {
        assert!(begin.elapsed() < PATIENCE, "the bad file is not named");
        std::thread::sleep(Duration::from_millis(50));
    }
    watch.wait("still there", |d| good(d, "setting-3"));

    // Replaced: the empty room's files make it a state without a unit, which is not identified.
    copy(&source.join("empty"), &job.join("setting-3"));
    watch.wait("replaced", |d| states(d).len() == 3 && loaded_hz(d, "setting-3").is_none());

    // Renamed and removed.
    fs::rename(job.join("setting-2"), job.join("setting-9")).expect("renamed");
    fs::remove_dir_all(job.join("setting-3")).expect("removed");
    watch.wait("renamed and removed", |d| states(d) == ["absorber", "setting-9"] && good(d, "setting-9"));

    let process = watch.child.id().to_string();
    assert!(Command::new("kill").args(["-INT", &process]).status().expect("kill runs").success());
    let ended = watch.child.wait().expect("it ends");
    assert_eq!(ended.code(), Some(130));
    let written = fs::read_to_string(watch.path("out/results.json")).expect("the last state is written");
    let written: serde_json::Value = serde_json::from_str(&written).expect("JSON");
    assert_eq!(states(&written), ["absorber", "setting-9"]);
    assert!(good(&written, "absorber"));
}
