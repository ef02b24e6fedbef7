//! What paths mean.

use std::fs;
use std::path::{Path, PathBuf};

use super::{Folder, files, shape};
use crate::session::*;

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
    assert!(session.failures.is_empty() && session.states.iter().all(|state| state.missing.is_none()));
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
fn a_state_opened_alone_keeps_what_the_manifest_says_of_its_takes() {
    let job = Folder::of(&[
        "job/e/a.wav",
        "job/e/late.wav",
        "job/e/x.txt",
        "job/t/a.wav",
        "job/t/early.wav",
        "job/t/b.wav",
        "job/t/y.txt",
    ]);
    job.write(
        "job/session.toml",
        r#"
[[positions]]
name = "a"
[[positions]]
name = "early"
[[states]]
name = "empty"
folder = "e"
[[states]]
name = "treated"
folder = "t"
[[takes]]
file = "t/B.wav"
position = "seat"
[[takes]]
file = "e/late.wav"
state = "Treated"
[[takes]]
file = "t/early.wav"
state = "empty"
[[takes]]
file = "t/gone.wav"
[[takes]]
file = "t/y.txt"
[[takes]]
file = "e/x.txt"
[[takes]]
file = "e/gone.wav"
state = "empty"
"#,
    );
    let session = job.open("job/t").unwrap();
    assert_eq!(shape(&session), ["treated: a late seat"]);
    let failed: Vec<&str> = session.failures.iter().map(|failure| failure.file.as_str()).collect();
    assert_eq!(failed, ["t/y.txt", "t/gone.wav"]);
    // That nobody stood at "early" is no news of this state.
    let listed = "is not listed in session.toml";
    assert_eq!(session.warnings, [format!("position late {listed}"), format!("position seat {listed}")]);
}

/// No path of this machine may reach the results.
#[test]
fn remarks_hold_no_absolute_path() {
    let job = Folder::of(&["a/seat.wav", "a/memo.mp3", "b/seat.wav", "b/x@.wav", "lone.wav"]);
    job.write("a/session.toml", "title = \"x\"");
    let paths = [job.path("a"), job.path("b"), job.path("lone.wav")];
    let session = open_each(&paths, &OpenOptions::default()).unwrap();
    assert_eq!(
        session.warnings,
        [
            "a: its session.toml is not used among several paths",
            "a: memo.mp3 is not read: export as wav or flac"
        ]
    );
    assert_eq!(session.failures[0].file, "b/x@.wav");
    let here = job.path("").display().to_string();
    let mut told = files(&session).into_iter().chain(session.warnings.iter().map(String::as_str));
    assert!(!here.is_empty() && told.all(|text| !text.contains(&here)));
}

#[test]
fn folders_of_any_kind_are_taken_apart_if_every_file_is_a_state() {
    let job = Folder::of(&["a/hall.wav", "b/s/room.wav", "c.wav"]);
    let paths = [job.path("a"), job.path("b"), job.path("c.wav")];
    let session = open(&paths, &OpenOptions::default().with_each(true)).unwrap();
    assert_eq!(shape(&session), ["c: c", "hall: hall", "room: room"]);
}
