//! Who may import whom: data flows one way, and each module knows only what stands before it.
//!
//! The table is the architecture; `src/lib.rs` tells it in words.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Ground that every module may stand on.
const GROUND: &[&str] = &["estimate", "flag", "error", "spectrum", "matching", "filter", "language"];

/// Module and what it may import besides the ground and itself.
const RULES: &[(&str, &[&str])] = &[
    ("estimate", &[]),
    ("flag", &[]),
    ("language", &[]),
    ("error", &["session", "recording", "response", "output"]),
    ("spectrum", &[]),
    ("matching", &[]),
    ("filter", &[]),
    ("layout", &[]),
    ("session", &["layout"]),
    ("excitation", &[]),
    ("capture", &[]),
    ("recording", &["session", "layout"]),
    ("response", &["recording", "session"]),
    ("recovery", &["recording", "excitation", "capture"]),
    ("decay", &["response"]),
    ("modes", &["response"]),
    ("room", &["modes", "session"]),
    ("criterion", &["session", "decay", "room", "modes"]),
    ("procedure", &["session", "decay", "room", "modes"]),
    ("state", &["session", "response", "recording", "decay", "modes", "room", "criterion", "procedure"]),
    ("change", &["state", "response", "modes", "room", "criterion", "session", "decay"]),
    ("absorber", &["change", "state", "modes", "response", "room", "session"]),
    ("design", &["change", "absorber", "modes", "room"]),
    (
        "analysis",
        &[
            "capture",
            "session",
            "recording",
            "response",
            "decay",
            "modes",
            "room",
            "criterion",
            "procedure",
            "state",
            "change",
            "absorber",
        ],
    ),
    ("curves", &["state", "response", "decay", "modes"]),
    (
        "table",
        &[
            "analysis",
            "state",
            "change",
            "absorber",
            "procedure",
            "criterion",
            "decay",
            "modes",
            "room",
            "session",
            "recording",
        ],
    ),
    ("output", &["table", "analysis", "session"]),
    ("archive", &["output", "table", "session"]),
    (
        "report",
        &[
            "analysis",
            "table",
            "curves",
            "state",
            "change",
            "absorber",
            "criterion",
            "procedure",
            "room",
            "modes",
            "decay",
            "session",
            "recording",
        ],
    ),
    ("measure", &["capture", "excitation", "output", "recording", "recovery", "room", "session"]),
    ("demo", &["room", "recording", "session", "output"]),
];

#[test]
fn imports_follow_the_pipeline() {
    let rules: BTreeMap<&str, BTreeSet<&str>> = RULES
        .iter()
        .map(|(module, allowed)| (*module, allowed.iter().chain(GROUND).copied().collect()))
        .collect();
    let mut broken = Vec::new();
    for file in rust_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")) {
        let Some(module) = module_of(&file) else { continue };
        let Some(allowed) = rules.get(module.as_str()) else {
            broken.push(format!("{module} has no rule: add it to RULES"));
            continue;
        };
        for import in imports(&fs::read_to_string(&file).expect("a source file is readable")) {
            if import != module && !allowed.contains(import.as_str()) {
                broken.push(format!("{} imports {import}, which {module} may not", file.display()));
            }
        }
    }
    broken.dedup();
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn a_forbidden_import_is_seen() {
    assert_eq!(imports("use crate::report::page;\nlet x = crate::decay::run();"), ["report", "decay"]);
}

/// What callers hold goes from thread to thread, and errors pass through `?` into a boxed one (Rust API Guidelines,
/// C-SEND-SYNC and C-GOOD-ERR): held by the compiler.
#[test]
fn values_and_errors_cross_threads() {
    fn value<T: Send + Sync + std::fmt::Debug>() {}
    fn error<T: std::error::Error + Send + Sync + 'static>() {}
    value::<(stillroom::Session, stillroom::OpenOptions, stillroom::Settings, stillroom::CompareSettings)>();
    value::<(
        stillroom::Analysis,
        stillroom::Comparison,
        stillroom::table::Results,
        stillroom::recording::Recording,
    )>();
    error::<stillroom::session::SessionError>();
    error::<stillroom::recording::AudioError>();
    error::<stillroom::response::ResponseError>();
    error::<stillroom::recovery::RecoveryError>();
    error::<stillroom::excitation::SignalError>();
    error::<stillroom::output::OutputError>();
    error::<stillroom::archive::ArchiveError>();
    error::<stillroom::room::RoomError>();
    error::<stillroom::design::DesignError>();
    error::<stillroom::demo::DemoError>();
}

/// `tests/main.rs` is the only test program: a file that it doesn't name would never run.
#[test]
fn every_test_file_is_a_module_of_the_one_program() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
    let main = fs::read_to_string(folder.join("main.rs")).expect("it is there");
    for file in rust_files(&folder).iter().filter_map(|file| file.strip_prefix(&folder).ok()) {
        let first = file.iter().next().and_then(|name| name.to_str()).expect("a plain name");
        let name = first.trim_end_matches(".rs");
        let named = main.lines().any(|line| line.trim() == format!("mod {name};"));
        assert!(named || name == "main", "tests/{first} would never run: name it in tests/main.rs");
    }
}

/// Top-level module of a file under `src`, or `None` for the crate roots and the program's own part.
fn module_of(file: &Path) -> Option<String> {
    let inside = file.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).ok()?;
    let first = inside.components().next()?.as_os_str().to_str()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (!matches!(name, "lib" | "main" | "cli")).then(|| name.to_owned())
}

/// Modules named by `crate::…` paths outside comments and outside unit tests, which may look anywhere.
fn imports(source: &str) -> Vec<String> {
    let program = source.split("#[cfg(test)]\nmod tests").next().unwrap_or(source);
    let mut found = Vec::new();
    for line in program.lines().map(str::trim_start).filter(|l| !l.starts_with("//")) {
        for rest in line.split("crate::").skip(1) {
            let name: String = rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            if name.chars().next().is_some_and(char::is_lowercase) && !found.contains(&name) {
                found.push(name);
            }
        }
    }
    found
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).expect("src is readable").flatten() {
        let path = entry.path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs")
            && path.file_name().is_some_and(|n| n != "tests.rs")
        {
            files.push(path);
        }
    }
    files.sort();
    files
}
