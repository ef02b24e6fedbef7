//! What the manifest lists, against what is there.

use super::{Folder, measured, shape};
use crate::session::*;

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
    assert!(missing[2..].iter().all(Option::is_none));
    assert_eq!(session.baseline.as_deref(), Some("empty"));
}

/// A stated folder that isn't there isn't silently another one, which the state's name fits.
#[test]
fn a_stated_folder_that_is_not_there_is_named() {
    let job = Folder::of(&["job/empty/seat.wav", "job/treated/seat.wav"]);
    job.write(
        "job/session.toml",
        "[[states]]\nname = \"empty\"\n[[states]]\nname = \"treated\"\nfolder = \"treatd\"",
    );
    let session = job.open("job").unwrap();
    assert_eq!(shape(&session), ["empty: seat", "treated: seat"]);
    let said = "state treated: no audio in a folder treatd; the folder of its name is taken for it";
    assert_eq!(session.warnings, [said]);
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
