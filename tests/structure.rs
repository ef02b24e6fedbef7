//! Who may import whom: data flows one way, and each module knows only what stands before it.
//!
//! The table is the architecture; `src/lib.rs` tells it in words.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Ground that every module may stand on.
const GROUND: &[&str] =
    &["estimate", "flag", "spectrum", "oscillation", "matching", "mean", "draws", "filter", "language"];

/// Module and what it may import besides the ground and itself.
const RULES: &[(&str, &[&str])] = &[
    ("estimate", &[]),
    ("flag", &[]),
    ("language", &[]),
    ("spectrum", &[]),
    ("oscillation", &[]),
    ("matching", &[]),
    ("mean", &[]),
    ("draws", &[]),
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
    ("change", &["state", "procedure", "response", "modes", "room", "criterion", "session", "decay"]),
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
            "capture",
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

/// Pairs of files that still import each other, each way a part of one idea: a sentence and its catalogue, …
const KNOWN_CIRCLES: &[(&str, &str)] = &[
    ("language/catalogue", "language/message"),
    ("room/enclosure", "room/load"),
    ("session/pattern", "session/pattern/search"),
    ("modes/problem", "modes/projection"),
    ("modes/noise", "modes/record"),
    ("absorber/by_frequency", "absorber/dials"),
];

/// Within a module, too, imports flow one way: no file reaches itself through others, but for the pairs above.
#[test]
fn files_do_not_import_each_other_in_a_circle() {
    let sources = sources();
    let graph: BTreeMap<&String, BTreeSet<String>> = sources
        .iter()
        .map(|(name, text)| {
            let known = |a: &str, b: &str| KNOWN_CIRCLES.contains(&(a, b)) || KNOWN_CIRCLES.contains(&(b, a));
            let ways = paths(text).into_iter().filter_map(|path| target(&sources, name, &path, 0));
            (name, ways.filter(|to| to != name && !known(name, to)).collect())
        })
        .collect();
    for start in graph.keys() {
        let (mut met, mut ahead) = (BTreeSet::new(), vec![*start]);
        while let Some(file) = ahead.pop() {
            for to in &graph[file] {
                assert!(to != *start, "{start} imports {to} in a circle through {file}");
                if met.insert(to) {
                    ahead.extend(sources.get_key_value(to).map(|(name, _)| name));
                }
            }
        }
    }
}

/// `a/b` for `src/a/b.rs` and for `src/a/b/mod.rs`, with its text up to the unit tests and without comments.
fn sources() -> BTreeMap<String, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let files =
        rust_files(&root).into_iter().filter(|file| !file.components().any(|c| c.as_os_str() == "tests"));
    files
        .map(|file| {
            let inside = file.strip_prefix(&root).expect("under src").with_extension("");
            let name = inside.to_str().expect("a plain name").trim_end_matches("/mod").to_owned();
            let text = fs::read_to_string(&file).expect("a source file is readable");
            let program = text.split("#[cfg(test)]\nmod tests").next().unwrap_or_default();
            let lines = program.lines().filter(|line| !line.trim_start().starts_with("//"));
            (name, lines.collect::<Vec<_>>().join("\n"))
        })
        .collect()
}

/// Paths through the crate that a file names, braces of `use` written out; what it only hands on is left out.
fn paths(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for statement in text.split(';') {
        let handed_on = statement.contains("pub use ") || statement.contains("pub(super) use ");
        if let Some((_, tree)) = statement.split_once("use ").filter(|_| !handed_on) {
            written_out("", tree, &mut found);
        }
    }
    for start in ["super::", "crate::"] {
        let first = text.match_indices(start).filter(|(at, _)| !text[..*at].ends_with("::"));
        let named = first.map(|(at, _)| {
            let name = |c: &char| c.is_alphanumeric() || matches!(c, '_' | ':');
            text[at..].chars().take_while(name).collect::<String>()
        });
        // What stands before a brace was written out above.
        found.extend(named.filter(|path| !path.ends_with("::")));
    }
    found
}

/// `a::{b, c::d}` as `a::b` and `a::c::d`.
fn written_out(head: &str, tree: &str, into: &mut Vec<String>) {
    let Some((stem, rest)) = tree.split_once('{') else {
        let name = tree.split(" as ").next().unwrap_or_default().trim();
        return into.push(format!("{head}{name}"));
    };
    let (mut depth, mut from) = (0, 0);
    for (at, c) in rest.char_indices() {
        if depth == 0 && matches!(c, ',' | '}') {
            written_out(&format!("{head}{}", stem.trim()), rest[from..at].trim(), into);
            from = at + 1;
        }
        depth += i32::from(c == '{') - i32::from(c == '}');
        if depth < 0 {
            return;
        }
    }
}

/// The file that a path leads to, past what a module hands on from its files.
fn target(sources: &BTreeMap<String, String>, from: &str, path: &str, depth: usize) -> Option<String> {
    let mut base: Vec<&str> = from.split('/').collect();
    let mut parts = path.split("::").peekable();
    match *parts.peek()? {
        "crate" => base.clear(),
        "super" => {}
        "self" => {}
        first if sources.contains_key(&format!("{from}/{first}")) => {}
        _ => return None,
    }
    while parts.next_if(|part| matches!(*part, "crate" | "self")).is_some() {}
    while parts.next_if_eq(&"super").is_some() {
        base.pop();
    }
    while let Some(part) =
        parts.next_if(|part| sources.contains_key(&[&base[..], &[part]].concat().join("/")))
    {
        base.push(part);
    }
    let file = base.join("/");
    let text = sources.get(&file)?;
    let name = parts.next().filter(|_| depth < 6);
    let handed = text.split(';').filter_map(|s| s.split_once("pub use ").or(s.split_once("pub(super) use ")));
    let mut ways = Vec::new();
    handed.for_each(|(_, tree)| written_out("", tree, &mut ways));
    let way = ways.iter().find(|way| name.is_some_and(|name| way.rsplit("::").next() == Some(name)));
    way.and_then(|way| target(sources, &file, way, depth + 1)).filter(|to| *to != file).or(Some(file))
}

#[test]
fn a_circle_is_seen() {
    let file = |text: &str| text.to_owned();
    let sources = BTreeMap::from([
        ("a".to_owned(), file("mod b;\nmod c;\npub use b::Thing;")),
        ("a/b".to_owned(), file("use super::c::{self, Other};\nlet x = crate::a::c::run();")),
        ("a/c".to_owned(), file("use super::{Thing, Else};")),
    ]);
    let to = |name: &str| -> Vec<String> {
        paths(&sources[name]).iter().filter_map(|path| target(&sources, name, path, 0)).collect()
    };
    assert!(to("a/b").contains(&"a/c".to_owned()), "{:?}", to("a/b"));
    assert!(to("a/c").contains(&"a/b".to_owned()), "through what a hands on: {:?}", to("a/c"));
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
    error::<stillroom::recovery::TooLong>();
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
