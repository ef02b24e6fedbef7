//! Folders as people bring them. Oracles: the rules that the documentation of `session.toml` states,
//! and measured archives whose names are published with them.

// What a test skips, and why, is for whoever runs it to see.
#![allow(clippy::print_stderr)]

use std::fs;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::*;

/// A folder that is filled file by file; contents don't matter, nobody opens audio here.
pub(super) struct Folder(pub TempDir);

impl Folder {
    pub fn of(files: &[&str]) -> Self {
        let folder = Self(tempfile::tempdir().unwrap());
        for file in files {
            folder.write(file, "");
        }
        folder
    }

    pub fn write(&self, file: &str, text: &str) {
        let path = self.path(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    pub fn path(&self, file: &str) -> PathBuf {
        self.0.path().join(file)
    }

    pub fn open(&self, file: &str) -> Result<Session, SessionError> {
        open(&[self.path(file)], &OpenOptions::default())
    }

    fn error(&self, file: &str) -> String {
        let error = self.open(file).unwrap_err();
        error.to_string().replace(&self.0.path().display().to_string(), "")
    }
}

/// `state: position@source#take, ...` for each state.
pub(super) fn shape(session: &Session) -> Vec<String> {
    let take = |take: &Take| {
        let source = if take.source.is_empty() { String::new() } else { format!("@{}", take.source) };
        let number = if take.take.is_empty() { String::new() } else { format!("#{}", take.take) };
        let unused = if take.used { "" } else { "!" };
        format!("{}{source}{number}{unused}", take.position)
    };
    let state = |state: &State| {
        format!("{}: {}", state.name, state.takes.iter().map(take).collect::<Vec<_>>().join(" "))
    };
    session.states.iter().map(state).collect()
}

fn files(session: &Session) -> Vec<&str> {
    session.states.iter().flat_map(|state| &state.takes).map(|take| take.file.as_str()).collect()
}

/// `../shared/ir` by default; without it the test says so and passes, on CI it fails.
fn measured(name: &str) -> Option<PathBuf> {
    let default = concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/ir");
    let root = std::env::var_os("STILLROOM_IR").map_or_else(|| PathBuf::from(default), PathBuf::from);
    let path = root.join(name);
    if !path.is_dir() {
        assert!(std::env::var_os("CI").is_none_or(|ci| ci != "true"), "{} is missing", path.display());
        eprintln!("skipped: no measured files at {}", path.display());
        return None;
    }
    Some(path)
}

#[test]
fn sub_folders_are_states_in_natural_order() {
    let job = Folder::of(&["job/setting-10/seat.wav", "job/setting-2/seat.wav", "job/notes/readme.txt"]);
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["setting-2: seat", "setting-10: seat"]);
    assert_eq!(files(&session), ["setting-2/seat.wav", "setting-10/seat.wav"]);
    assert_eq!((session.name.as_str(), session.baseline, session.channel), ("job", None, 1));
    assert_eq!((session.warnings.len(), session.failures.len()), (0, 0));
}

#[test]
fn a_folder_with_audio_is_one_state_named_like_it() {
    let job =
        Folder::of(&["attic/seat@left#2.wav", "attic/seat@left#10.wav", "attic/corner.FLAC", "attic/a.txt"]);
    let session = job.open("attic").unwrap();
    assert_eq!(shape(&session), ["attic: corner seat@left#2 seat@left#10"]);
    let responses: Vec<usize> = session.states[0].responses().map(<[Take]>::len).collect();
    assert_eq!(responses, [1, 2]);
}

#[test]
fn a_recorders_mess_is_read() {
    let job = Folder::of(&[
        "job/empty/T0041.WAV",
        "job/empty/._seat.wav",
        "job/empty/.DS_Store",
        "job/empty/Thumbs.db",
        "job/empty/desktop.ini",
        "job/empty/Seat.Wav",
        "job/empty/Ku\u{308}che hinten.AIFF",
        "job/empty/seat.wav.bak",
        "job/treated/seat.WAVE",
        "job/treated/K\u{fc}che hinten.aif",
        "job/treated/memo.m4a",
        "job/.trash/seat.wav",
        "job/__MACOSX/._empty.wav",
        "job/readme.md",
    ]);
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: Küche hinten Seat T0041", "treated: Küche hinten Seat"]);
    assert_eq!(session.warnings, ["treated/memo.m4a is not read: export as wav or flac"]);
    // An empty file is a take: the reader says what is wrong with it.
    assert!(files(&session).contains(&"empty/T0041.WAV"));
}

#[test]
fn odd_names_stay_names() {
    let odd = ["CON", "aux.1", "=cmd", "<script>", "a b  c", "-rf", "名前", "\u{202e}gnp"];
    let paths: Vec<String> = odd.iter().map(|name| format!("job/s/{name}.wav")).collect();
    let job = Folder::of(&paths.iter().map(String::as_str).collect::<Vec<_>>());
    let session = job.open("job").unwrap();
    for name in odd {
        assert!(session.states[0].takes.iter().any(|take| take.position == name), "{name}");
    }
}

#[cfg(unix)]
#[test]
fn names_that_are_no_text_do_not_stop_the_rest() {
    use std::os::unix::ffi::OsStrExt;
    let job = Folder::of(&["job/s/seat.wav"]);
    let odd = std::ffi::OsStr::from_bytes(b"s\xe9at.wav");
    fs::write(job.path("job/s").join(odd), "").unwrap();
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["s: seat s\u{fffd}at"]);
    assert_eq!(session.states[0].takes[1].path, job.path("job/s").join(odd));
}

#[cfg(unix)]
#[test]
fn links_that_lead_round_in_circles_are_passed_over() {
    use std::os::unix::fs::symlink;
    let job = Folder::of(&["job/seat.wav", "deep/s/seat.wav"]);
    symlink(job.path("job"), job.path("job/loop")).unwrap();
    symlink(job.path("job/self"), job.path("job/self")).unwrap();
    symlink("nowhere.wav", job.path("job/gone.wav")).unwrap();
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["job: gone seat"]);
    assert_eq!(session.warnings, ["loop: passed over, it leads back to the session's folder"]);
    symlink(job.path("deep"), job.path("deep/s/up")).unwrap();
    assert_eq!(shape(&job.open("deep").unwrap()), ["s: seat"]);
    assert!(job.error("job/self").starts_with("/job/self: can't be read"), "{}", job.error("job/self"));
}

#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_read_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let job = Folder::of(&["job/a/seat.wav", "job/b/seat.wav"]);
    fs::set_permissions(job.path("job/b"), fs::Permissions::from_mode(0o000)).unwrap();
    let session = job.open("job").unwrap();
    fs::set_permissions(job.path("job/b"), fs::Permissions::from_mode(0o755)).unwrap();
    if session.states.len() == 2 {
        eprintln!("skipped: this user may read everything");
        return;
    }
    assert_eq!(session.failures[0].file, "b");
    assert!(session.is_incomplete());
}

#[test]
fn only_two_levels_are_looked_at() {
    let deep = format!("job/s/{}seat.wav", "deeper/".repeat(40));
    let job = Folder::of(&[&deep]);
    assert_eq!(
        job.error("job"),
        "/job: no audio found\n  found    1 sub-folder without audio\n  allowed  wav, wave, flac, aif, aiff (in any case) in the folder or in its sub-folders, not deeper\n  do       name the folder that holds the recordings"
    );
    assert!(!job.open("job").unwrap_err().is_usage());
}

#[test]
fn our_own_folders_are_passed_over_and_others_are_not() {
    let job =
        Folder::of(&["job/empty/seat.wav", "job/out/made.wav", "job/theirs/seat.wav", "job/broken/seat.wav"]);
    job.write("job/out/results.json", r#"{"version": "1", "schema": 3, "bands": []}"#);
    job.write("job/theirs/results.json", r#"{"scheme": 3}"#);
    job.write("job/broken/results.json", r#"{"schema": 3"#);
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["broken: seat", "empty: seat", "theirs: seat"]);
    assert_eq!(
        session.warnings,
        ["out: passed over with its 1 audio file, it holds results of this program"]
    );
    assert!(written_by_us(&job.path("job/out")) && !written_by_us(&job.path("job/empty")));
}

#[test]
fn audio_on_both_levels_needs_a_manifest() {
    let job = Folder::of(&["job/sweep.wav", "job/empty/seat.wav", "job/treated/seat.wav"]);
    let error = job.error("job");
    assert!(error.contains("found    sweep.wav beside empty, treated"), "{error}");
    assert!(job.open("job").unwrap_err().is_usage());
    job.write("job/session.toml", "");
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: seat", "treated: seat"]);
    assert!(
        session.warnings[0].starts_with("1 audio file in the session's own folder"),
        "{:?}",
        session.warnings
    );
    job.write("job/session.toml", "[[states]]\nname = \"outdoors\"\nfolder = \".\"");
    assert_eq!(shape(&job.open("job").unwrap()), ["outdoors: sweep", "empty: seat", "treated: seat"]);
}

#[test]
fn equal_names_collide_and_are_listed() {
    let job = Folder::of(&[
        "job/s/seat.wav",
        "job/s/SEAT.flac",
        "job/s/ü.wav",
        "job/s/U\u{308}.wav",
        "job/s/b.wav",
    ]);
    let error = job.error("job");
    assert!(error.starts_with("names collide: 2 names claimed more than once"), "{error}");
    assert!(
        error.contains("state s, position SEAT: SEAT.flac, seat.wav")
            || error.contains("s/SEAT.flac, s/seat.wav"),
        "{error}"
    );
    job.write(
        "job/session.toml",
        "[[takes]]\nfile = \"s/seat.wav\"\nuse = false\n[[takes]]\nfile = \"s/ü.wav\"\ntake = 2",
    );
    assert_eq!(shape(&job.open("job").unwrap()), ["s: b SEAT SEAT! Ü Ü#2"]);
    let job = Folder::of(&["job/Empty/seat.wav", "job/empty/corner.wav"]);
    let error = job.error("job");
    if job.path("job/Empty/corner.wav").exists() {
        eprintln!("skipped: this file system doesn't tell case apart");
    } else {
        assert!(error.contains("found    state Empty: Empty/, empty/"), "{error}");
    }
}

#[test]
fn names_that_do_not_fit_are_failures_and_the_rest_is_read() {
    let job = Folder::of(&["job/s/seat@.wav", "job/s/seat.wav", "job/s/#2.wav"]);
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["s: seat"]);
    let failures: Vec<&str> = session.failures.iter().map(|failure| failure.file.as_str()).collect();
    assert_eq!(failures, ["s/#2.wav", "s/seat@.wav"]);
    assert_eq!(session.failures[0].reason, "its name does not fit {position}@{source}#{take}");
    assert!(session.is_incomplete());
    let options = OpenOptions::default().with_names("mic{position}");
    let error = open(&[job.path("job")], &options).unwrap_err();
    assert!(error.is_usage() && error.to_string().starts_with("no file's name fits"), "{error}");
}

#[test]
fn a_flat_folder_is_a_session_where_names_say_the_state() {
    let job = Folder::of(&["job/empty_seat_1.wav", "job/empty_seat_2.wav", "job/full_seat_1.wav"]);
    let options = OpenOptions::default().with_names("{state}_{position}_{take}");
    let session = open(&[job.path("job")], &options).unwrap();
    assert_eq!(shape(&session), ["empty: seat#1 seat#2", "full: seat#1"]);
    let without = OpenOptions::default().with_names("{state}_{position}_*");
    let error = open(&[job.path("job")], &without).unwrap_err().to_string();
    assert!(error.contains("state empty, position seat: empty_seat_1.wav, empty_seat_2.wav"), "{error}");
    job.write("job/session.toml", "names = \"{state}_*_{take}\"\nbaseline = \"FULL\"");
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: mic#1 mic#2", "full: mic#1"]);
    assert_eq!(session.baseline.as_deref(), Some("full"));
}

#[test]
fn listed_names_settle_what_a_pattern_leaves_open() {
    let job = Folder::of(&["job/s/by_door_left.wav", "job/s/seat_left.wav"]);
    job.write("job/session.toml", "names = \"{position}_{source}\"");
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["s: by@door_left seat@left"]);
    assert_eq!(
        session.warnings,
        [
            "1 name can be read in more than one way; by_door_left taken as position `by`, source `door_left`, though it could be position `by_door`, source `left`; list the names in session.toml or use a clearer pattern"
        ]
    );
    job.write("job/session.toml", "names = \"{position}_{source}\"\n[[sources]]\nname = \"Left\"");
    let session = job.open("job").unwrap();
    assert_eq!((shape(&session), session.warnings.len()), (vec!["s: by_door@Left seat@Left".to_owned()], 0));
    job.write("job/session.toml", "names = \"{position}_{take}\"");
    job.write("job/s/by_door_2.wav", "");
    fs::remove_file(job.path("job/s/by_door_left.wav")).unwrap();
    assert_eq!(shape(&job.open("job").unwrap()), ["s: by_door#2 seat#left"]);
}

/// <https://doi.org/10.5281/zenodo.6985104>: names as published, `numClosed` the state of the panels.
#[test]
fn a_published_archive_is_read_without_renaming() {
    let Some(folder) = measured("arni_two_states") else { return };
    let options = OpenOptions::default().with_names("IR_numClosed_{state}_*_mic_{position}_sweep_{take}");
    let session = open(&[folder], &options).unwrap();
    assert_eq!(shape(&session), ["2: 1#1 1#2 1#3 1#4 1#5", "50: 1#1 1#2 1#3 1#4 1#5"]);
    assert_eq!((session.warnings.len(), session.failures.len()), (0, 0));
}

#[test]
fn the_simulated_sessions_are_read_with_their_manifests() {
    let Some(folder) = measured("fem_l_room") else { return };
    let session = open(&[folder], &OpenOptions::default()).unwrap();
    let seats = "bench@corner corner_by_door@corner corner_by_window@corner corner_far@corner inner_edge@corner keyboard@corner vice@corner visitor@corner";
    assert_eq!(shape(&session), [format!("untreated: {seats}"), format!("treated: {seats}")]);
    assert_eq!((session.baseline.as_deref(), session.room.volume_m3), (Some("untreated"), Some(57.06)));
    assert_eq!(session.state("treated").unwrap().units[0].tuned_hz, Some(32.0));
    assert_eq!(session.positions.iter().filter(|p| p.role == Role::Listening).count(), 2);
    assert_eq!(session.warnings, [""; 0]);

    let Some(folder) = measured("fem_box_uneven") else { return };
    let session = open(&[folder], &OpenOptions::default()).unwrap();
    assert_eq!(shape(&session).len(), 1);
    assert_eq!(session.room.dimensions_m, Some([4.75, 3.55, 2.72]));
    assert_eq!((session.temperature_c(&session.states[0]), session.role("CORNER_A")), (22.5, Role::Boundary));
    // By hand: the differences are 2.42, 1.75 and 0.84 m.
    let distance = session.distance_m("pupil", "corner").unwrap();
    approx::assert_relative_eq!(distance, 9.6245_f64.sqrt(), epsilon = 0.0, max_relative = 1e-12);
    assert_eq!((session.warnings, session.failures), (vec![], vec![]));
}

#[test]
fn every_file_is_a_state_if_asked() {
    let job = Folder::of(&[
        "ir/hall.wav",
        "ir/a/room.wav",
        "ir/b/room.wav",
        "ir/odd@.wav",
        "ir/x.wav",
        "ir/x.flac",
    ]);
    let session = open(&[job.path("ir")], &OpenOptions::default().with_each(true)).unwrap();
    assert_eq!(
        shape(&session),
        ["a/room: room", "b/room: room", "hall: hall", "odd@: odd@", "x.flac: x", "x.wav: x"]
    );
    let paths = [job.path("ir/hall.wav"), job.path("ir/a/room.wav"), job.path("ir/b")];
    let session = open(&paths, &OpenOptions::default().with_each(true)).unwrap();
    assert_eq!(shape(&session), ["b/room: room", "hall: hall", "room: room"]);
}

#[test]
fn single_files_form_one_state() {
    let job = Folder::of(&["a/seat.wav", "a/corner.wav", "b/seat.wav", "notes.txt"]);
    let session = open(&[job.path("a/seat.wav"), job.path("a/corner.wav")], &OpenOptions::default()).unwrap();
    assert_eq!(
        (shape(&session), files(&session)),
        (vec!["files: corner seat".to_owned()], vec!["corner.wav", "seat.wav"])
    );
    assert_eq!(default_out(&session), Path::new("files-results"));
    let session = job.open("a/seat.wav").unwrap();
    assert_eq!(shape(&session), ["files: seat"]);
    let error = open(&[job.path("a/seat.wav"), job.path("b/seat.wav")], &OpenOptions::default()).unwrap_err();
    assert!(error.to_string().contains("state files, position seat: a/seat.wav, b/seat.wav"), "{error}");
    assert!(job.error("notes.txt").starts_with("/notes.txt: not an audio file by its name"));
    // One that isn't there is left to the reader, as long as others are there.
    let session = open(&[job.path("a/seat.wav"), job.path("gone.wav")], &OpenOptions::default()).unwrap();
    assert_eq!(shape(&session), ["files: gone seat"]);
}

#[test]
fn paths_that_lead_nowhere_say_what_is_near() {
    let job = Folder::of(&["studio/empty/seat.wav"]);
    let error = job.error("studoi");
    assert_eq!(error, "/studoi: no such file or folder\n  do       check the spelling; there is `studio`");
    assert!(job.open("studoi").unwrap_err().is_usage());
    assert!(
        open(&[], &OpenOptions::default()).unwrap_err().to_string().starts_with("no folder or file given")
    );
    let session = job.open("studio");
    assert!(session.is_ok() && job.open("studio/session.toml").is_err());
}

#[test]
fn a_state_belongs_to_the_session_above_it() {
    let job = Folder::of(&[
        "job/e/seat.wav",
        "job/t/seat.wav",
        "job/t/seta.wav",
        "lone/box/seat.wav",
        "mix/a/x.wav",
        "mix/b/y.wav",
    ]);
    job.write("job/session.toml", "[room]\nvolume_m3 = 50\n[[states]]\nname = \"empty\"\nfolder = \"e\"\n[[states]]\nname = \"treated\"\nfolder = \"T\"\n[[states]]\nname = \"gone\"");
    let session = job.open("job/t").unwrap();
    assert_eq!(
        (shape(&session), files(&session)),
        (vec!["treated: seat seta".to_owned()], vec!["t/seat.wav", "t/seta.wav"])
    );
    assert_eq!((session.room.volume_m3, session.baseline.as_deref()), (Some(50.0), None));
    assert_eq!(default_out(&session), job.path("job-results"));
    assert!(!session.is_incomplete());
    fs::remove_file(job.path("job/session.toml")).unwrap();
    let session = job.open("job/e").unwrap();
    assert_eq!(
        (shape(&session), default_out(&session)),
        (vec!["e: seat".to_owned()], job.path("job-results"))
    );
    // Folders that merely lie side by side are sessions of their own.
    assert_eq!(default_out(&job.open("lone/box").unwrap()), job.path("lone/box-results"));
    assert_eq!(default_out(&job.open("mix/a").unwrap()), job.path("mix/a-results"));
    assert_eq!(default_out(&job.open("mix/").unwrap()), job.path("mix-results"));
    assert_eq!(
        default_out(&job.open("mix/a/..").unwrap()),
        fs::canonicalize(job.path(".")).unwrap().join("mix-results")
    );
}

#[test]
fn comparing_names_each_path_a_state() {
    let job = Folder::of(&[
        "job/z/seat.wav",
        "job/a/seat.wav",
        "job/c/seat.wav",
        "else/a/seat.wav",
        "x/before.wav",
        "x/after.wav",
        "whole/s/a.wav",
        "x2/y.wav",
    ]);
    let each = |paths: &[&str]| {
        let paths: Vec<PathBuf> = paths.iter().map(|path| job.path(path)).collect();
        open_each(&paths, &OpenOptions::default())
    };
    let session = each(&["job/z", "job/a"]).unwrap();
    assert_eq!(
        (shape(&session), session.baseline.as_deref()),
        (vec!["z: seat".to_owned(), "a: seat".to_owned()], Some("z"))
    );
    assert_eq!(default_out(&session), job.path("job-results"));

    let session = each(&["job/a", "else/a"]).unwrap();
    assert_eq!(
        (shape(&session), files(&session)),
        (
            vec!["job/a: seat".to_owned(), "else/a: seat".to_owned()],
            vec!["job/a/seat.wav", "else/a/seat.wav"]
        )
    );
    assert_eq!(default_out(&session), Path::new("compare-results"));

    let session = each(&["x/before.wav", "x/after.wav"]).unwrap();
    assert_eq!(shape(&session), ["before: mic", "after: mic"]);
    let session = each(&["job/z/seat.wav", "job/a/seat.wav"]).unwrap();
    assert_eq!(
        (shape(&session), session.warnings.len()),
        (vec!["z/seat: seat".to_owned(), "a/seat: seat".to_owned()], 0)
    );

    let error = each(&["job/z", "whole"]).unwrap_err();
    assert!(
        error.is_usage()
            && error
                .to_string()
                .contains("whole: a whole session among several paths\n  found    the states s"),
        "{error}"
    );
    let error = each(&["job/z", "job/../job/z"]).unwrap_err();
    assert!(error.to_string().contains("the same path twice"), "{error}");
    assert_eq!(each(&["job"]).unwrap().baseline, None);

    job.write(
        "job/session.toml",
        "[room]\nvolume_m3 = 50\n[[states]]\nname = \"c\"\n[[states]]\nname = \"treated\"\nfolder = \"a\"",
    );
    let session = each(&["job/z", "job/a", "job/c"]).unwrap();
    assert_eq!(
        (shape(&session), session.room.volume_m3),
        (vec!["z: seat".to_owned(), "treated: seat".to_owned(), "c: seat".to_owned()], Some(50.0))
    );
    assert_eq!(session.baseline.as_deref(), Some("z"));
}

#[test]
fn a_listed_state_without_its_folder_is_carried_as_missing() {
    let job = Folder::of(&["job/treated/seat.wav", "job/emptty/seat.wav", "job/bare/readme.txt"]);
    job.write(
        "job/session.toml",
        "[[states]]\nname = \"empty\"\n[[states]]\nname = \"bare\"\n[[states]]\nname = \"Treated\"",
    );
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: ", "bare: ", "Treated: seat", "emptty: seat"]);
    let missing: Vec<Option<&str>> = session.states.iter().map(|state| state.missing.as_deref()).collect();
    assert_eq!(
        missing[..2],
        [Some("no folder empty; there is emptty"), Some("the folder bare holds no audio that can be used")]
    );
    assert!(missing[2..].iter().all(Option::is_none) && session.is_incomplete());
    assert_eq!(session.baseline.as_deref(), Some("empty"));
}

#[test]
fn the_manifest_overrides_names() {
    let job = Folder::of(&[
        "job/treated/T0041.wav",
        "job/treated/seat.wav",
        "job/treated/bad.wav",
        "job/empty/seat.wav",
        "job/day/one/x.wav",
    ]);
    job.write(
        "job/session.toml",
        r#"
[[sources]]
name = "left"
[[sources]]
name = "right"
[[states]]
name = "empty"
[[states]]
name = "early"
folder = "day\\one"
[[takes]]
file = "treated/t0041.WAV"
position = "Seat"
source = "right"
take = 3
note = "door slammed"
[[takes]]
file = "treated/bad.wav"
state = "empty"
position = "door"
use = false
[[takes]]
file = "treated/gone.wav"
position = "seat"
[[takes]]
file = "treated/also gone.wav"
use = false
"#,
    );
    let session = job.open("job").unwrap();
    assert_eq!(
        shape(&session),
        ["empty: door@left! seat@left", "early: x@left", "treated: seat@left seat@right#3"]
    );
    let take = &session.states[2].takes[1];
    assert_eq!((take.file.as_str(), take.note.as_deref()), ("treated/T0041.wav", Some("door slammed")));
    assert_eq!(
        session.failures,
        [Failure {
            file: "treated/gone.wav".into(),
            reason: "[[takes]] names it but there is no such audio file; there is treated/seat.wav".into()
        }]
    );
    assert_eq!(session.warnings, ["[[takes]] leaves out what is not there: treated/also gone.wav"]);
}

#[test]
fn what_the_manifest_says_must_fit_the_folder() {
    let job = Folder::of(&["job/empty/seat.wav", "job/treated/seat.wav"]);
    job.write("job/session.toml", "baseline = \"emtpy\"");
    assert_eq!(
        job.error("job"),
        "/job/session.toml, line 1: `baseline` names no state\n  found    \"emtpy\"\n  allowed  empty, treated\n  do       write \"empty\""
    );
    job.write(
        "job/session.toml",
        "[[states]]\nname = \"empty\"\n[[takes]]\nfile = \"treated/seat.wav\"\nstate = \"treeted\"",
    );
    let error = job.error("job");
    assert!(
        error.contains("line 5: `state` in [[takes]] names no state") && error.contains("write \"treated\""),
        "{error}"
    );
}

#[test]
fn names_unknown_to_the_manifest_are_told() {
    let job = Folder::of(&["job/s/saet.wav", "job/s/corner.wav", "job/s/extra@lfet.wav"]);
    job.write(
        "job/session.toml",
        "[[sources]]\nname = \"left\"\n[[positions]]\nname = \"seat\"\n[[positions]]\nname = \"corner\"",
    );
    assert_eq!(
        job.open("job").unwrap().warnings,
        [
            "position extra is not listed in session.toml",
            "position saet is not listed in session.toml (is it seat, which no file names?)",
            "no file at the listed position seat",
            "source lfet is not listed in session.toml",
        ]
    );
}

#[test]
fn the_command_line_goes_before_the_manifest() {
    let job = Folder::of(&["job/s/seat_1.wav"]);
    job.write("job/session.toml", "names = \"{take}_{position}\"\nchannel = 2");
    let session = job.open("job").unwrap();
    assert_eq!((shape(&session), session.channel), (vec!["s: 1#seat".to_owned()], 2));
    let options = OpenOptions::default().with_names("{position}_{take}").with_channel(3);
    let session = open(&[job.path("job")], &options).unwrap();
    assert_eq!((shape(&session), session.channel), (vec!["s: seat#1".to_owned()], 3));
    let error = open(&[job.path("job")], &OpenOptions::default().with_channel(0)).unwrap_err();
    assert!(error.is_usage() && error.to_string().starts_with("--channel 0: no such channel"));
    let error =
        open(&[job.path("job")], &OpenOptions::default().with_names("{seat}")).unwrap_err().to_string();
    assert!(error.starts_with("--names \"{seat}\": unknown placeholder `{seat}`"), "{error}");
}

#[test]
fn a_manifest_is_found_in_any_case_and_slips_are_told() {
    let job = Folder::of(&["job/s/seat.wav"]);
    job.write("job/session.toml.txt", "title = \"x\"");
    assert_eq!(
        job.open("job").unwrap().warnings,
        ["session.toml.txt: not read, the manifest's name is session.toml"]
    );
    job.write("job/Session.TOML", "title = \"x\"");
    assert_eq!(job.open("job").unwrap().title.as_deref(), Some("x"));
    assert_eq!(job.open("job/Session.TOML").unwrap().title.as_deref(), Some("x"));
}

#[test]
fn a_name_in_a_message_cannot_move_the_cursor() {
    let job = Folder::of(&["job/s/a\u{1b}[2J@.wav", "job/s/b.wav"]);
    let session = job.open("job").unwrap();
    assert_eq!(session.failures[0].file, "s/a\u{1b}[2J@.wav");
    let options = OpenOptions::default().with_names("mic{position}");
    let error = open(&[job.path("job")], &options).unwrap_err().to_string();
    assert!(error.contains("a\\u{1b}[2J@.wav") && !error.contains('\u{1b}'), "{error}");
}
