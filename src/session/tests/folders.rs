//! What lies in a folder.

use std::fs;

use super::{Folder, files, shape};
use crate::session::*;

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
}

#[test]
fn only_two_levels_are_looked_at() {
    let deep = format!("job/s/{}seat.wav", "deeper/".repeat(40));
    let job = Folder::of(&[&deep]);
    assert_eq!(
        job.error("job"),
        "/job: no audio found\n  found    1 sub-folder without audio\n  allowed  wav, wave, flac, aif, aiff, npy, sofa (in any case); csv or txt with a column time_s or a line # rate_hz = ... in the folder or in its sub-folders, not deeper\n  do       name the folder that holds the recordings"
    );
    assert!(!job.open("job").unwrap_err().is_usage());
}

/// Takes sorted into folders of their own within a state would vanish; who names such a folder has them read.
#[test]
fn audio_a_folder_too_deep_is_named() {
    let job = Folder::of(&["job/empty/seat.wav", "job/treated/seat.wav", "job/treated/day 1/seat#2.wav"]);
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: seat", "treated: seat"]);
    assert_eq!(
        session.warnings,
        [
            "treated/day 1: passed over with its 1 audio file, a state's files lie in the state's own folder; move them into treated, or name this folder in session.toml (folder = \"treated/day 1\")"
        ]
    );
    let only = Folder::of(&["job/treated/day1/seat.wav", "job/treated/day2/seat.wav"]);
    assert!(
        only.error("job").contains("audio a folder too deep: treated/day1, treated/day2\n"),
        "{}",
        only.error("job")
    );
    job.write("job/session.toml", "[[states]]\nname = \"late\"\nfolder = \"treated/day 1\"");
    let session = job.open("job").unwrap();
    assert!(session.warnings.iter().all(|w| !w.contains("passed over")), "{:?}", session.warnings);
}

/// A folder of jobs is none itself; which of its folders are is said.
#[test]
fn a_folder_of_jobs_names_them() {
    let jobs = Folder::of(&["jobs/hall/empty/seat.wav", "jobs/studio/empty/seat.wav"]);
    jobs.write("jobs/hall/session.toml", "title = \"Hall\"");
    jobs.write("jobs/studio/session.toml", "title = \"Studio\"");
    let error = jobs.error("jobs");
    assert!(error.contains("sessions in its sub-folders: hall, studio\n"), "{error}");
}

#[test]
fn a_room_before_its_first_take_is_a_session_for_who_asks() {
    let job = Folder::of(&[]);
    job.write("job/session.toml", "[room]\nlength = 5.6\nwidth = 4.25\nheight = 2.75\n");
    assert!(job.error("job").contains("session.toml alone"));
    let session = open(&[job.path("job")], &OpenOptions::default().with_or_without_audio()).unwrap();
    assert_eq!((session.room.dimensions_m, session.states.len()), (Some([5.6, 4.25, 2.75]), 0));
}

#[test]
fn our_own_folders_are_passed_over_and_others_are_not() {
    let job =
        Folder::of(&["job/empty/seat.wav", "job/out/made.wav", "job/theirs/seat.wav", "job/broken/seat.wav"]);
    job.write(
        "job/out/results.json",
        r#"{"version": "1", "schema": 3, "bands": [], "program": "stillroom"}"#,
    );
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
