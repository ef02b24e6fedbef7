//! What names say.

use std::fs;

use super::{Folder, measured, shape};
use crate::session::*;

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
    // Another such folder beside it makes neither a state.
    let beside = Folder::of(&["a/x_seat_1.wav", "b/x_seat_1.wav"]);
    let session = open(&[beside.path("a")], &options).unwrap();
    assert_eq!((session.name.as_str(), shape(&session)), ("a", vec!["x: seat#1".to_owned()]));
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
fn a_name_in_a_message_cannot_move_the_cursor() {
    let job = Folder::of(&["job/s/a\u{1b}[2J@.wav", "job/s/b.wav"]);
    let session = job.open("job").unwrap();
    assert_eq!(session.failures[0].file, "s/a\u{1b}[2J@.wav");
    let options = OpenOptions::default().with_names("mic{position}");
    let error = open(&[job.path("job")], &options).unwrap_err().to_string();
    assert!(error.contains("a\\u{1b}[2J@.wav") && !error.contains('\u{1b}'), "{error}");
}
