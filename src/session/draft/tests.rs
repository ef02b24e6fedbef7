//! A draft, opened again, is the same session.

use super::*;
use crate::session::tests::{Folder, shape};
use crate::session::{OpenOptions, open};
use proptest::prelude::*;

/// Writes the draft beside the files and opens both again.
fn again(folder: &Folder, session: &Session) -> Session {
    folder.write("job/session.toml", &draft(session));
    folder.open("job").unwrap_or_else(|error| panic!("{error}\n{}", draft(session)))
}

fn assert_comes_back(folder: &Folder, first: &Session) {
    let second = again(folder, first);
    let text = draft(&second);
    assert_eq!(shape(&second), shape(first), "{text}");
    assert_eq!(second.failures, first.failures, "{text}");
    // From now on nothing changes any more.
    let third = again(folder, &second);
    assert_eq!(draft(&third), text);
    assert_eq!(Session { warnings: Vec::new(), ..third }, Session { warnings: Vec::new(), ..second });
}

#[test]
fn guesses_are_marked_and_the_rest_is_as_found() {
    let job = Folder::of(&[
        "job/treated/Sofa.wav",
        "job/empty/T0041.wav",
        "job/empty/corner@left.wav",
        "job/empty/x@.wav",
    ]);
    let session = job.open("job").unwrap();
    let text = draft(&session);
    for line in [
        "baseline = \"empty\"   # guess: the state that the others are compared against",
        "name = \"Sofa\"\n# at = [2.4, 2.1, 1.2]   # metres from one floor corner along length, width, height\nrole = \"listening\"   # guess",
        "role = \"boundary\"   # guess",
        "name = \"T0041\"\n# guess: a recorder's file number",
        "# empty/x@.wav: its name does not fit {position}@{source}#{take}\n# [[takes]]\n# file = \"empty/x@.wav\"",
        "# [[sources]]",
    ] {
        assert!(text.contains(line), "{line}\n---\n{text}");
    }
    assert_comes_back(&job, &session);
}

/// What a user gets by taking the marks off the lines to fill in must be read as well.
#[test]
fn lines_to_fill_in_are_valid_once_filled_in() {
    let job = Folder::of(&["job/empty/seat.wav", "job/empty/x@.wav"]);
    let text = draft(&job.open("job").unwrap());
    let keyed = |line: &str| {
        line.starts_with("[") || line.split_once(" = ").is_some_and(|(key, _)| !key.contains(' '))
    };
    let filled: Vec<String> = text
        .lines()
        .map(|line| match line.strip_prefix("# ").filter(|rest| keyed(rest)) {
            Some(rest) => rest.replace("= \"\"", "= \"something\"").replace("\"left\"", "\"corner\""),
            None => line.to_owned(),
        })
        .collect();
    job.write("job/session.toml", &filled.join("\n"));
    let session = job.open("job").unwrap_or_else(|error| panic!("{error}\n{}", filled.join("\n")));
    assert_eq!((session.room.dimensions_m, session.failures.len()), (Some([5.6, 4.25, 2.75]), 0));
    assert_eq!(shape(&session), ["empty: seat@corner something@corner"]);
}

#[test]
fn a_manifest_comes_back_with_everything_in_it() {
    let job = Folder::of(&[
        "job/e/seat.wav",
        "job/treated/seat@right#2.wav",
        "job/treated/T1.wav",
        "job/treated/bad.wav",
    ]);
    let text = r#"
title = "Quotes \" and \\ and \u202E"
baseline = "treated"
channel = 2
same_chain = false
time_base = "arrival"
[room]
length = "18 ft 4 in"
width = 0.1
height = 3.3333333333333335
volume_m3 = 2
temperature_c = -1e-3
[visit]
date = 2026-10-03T10:11:12
by = "a"
client = "b\nc"
apparatus = "d"
signal = "e"
occupied = true
notes = "f # g"
[[sources]]
name = "left"
at = [0.1, 0.05, 1]
[[sources]]
name = "right"
[[states]]
name = "empty"
folder = "e"
temperature_c = 3
[[states]]
name = "missing"
[[states.units]]
name = "A"
at = [0, 0, 0]
powered = false
tuned_hz = 41.5
dials = { zeta = 1, "a b" = -2.5e-7, alpha = 1e21 }
note = "n"
[[positions]]
name = "seat"
role = "listening"
at = [1, 0.1, 1]
[[takes]]
file = "treated/T1.wav"
position = "seat"
source = "right"
take = 7
note = "x"
[[takes]]
file = "treated/bad.wav"
use = false
"#;
    job.write("job/session.toml", text);
    let first = job.open("job").unwrap();
    assert_eq!(
        first.states.iter().map(|state| state.name.as_str()).collect::<Vec<_>>(),
        ["empty", "missing", "treated"]
    );
    let second = again(&job, &first);
    let dials: Vec<&str> = first.states[1].units[0].dials.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(dials, ["zeta", "a b", "alpha"]);
    assert_eq!(second.title, first.title);
    assert_eq!(second.room, first.room);
    assert_eq!((&second.visit, &second.sources, second.channel), (&first.visit, &first.sources, 2));
    assert_eq!(
        (&second.baseline, second.same_chain, second.time_base),
        (&first.baseline, Some(false), Some(TimeBase::Arrival))
    );
    assert_eq!(second.states[1].units, first.states[1].units);
    assert_eq!(second.states[0], first.states[0]);
    assert_comes_back(&job, &first);
}

#[test]
fn what_names_do_not_say_is_written_out() {
    let job = Folder::of(&["job/a_seat_1.wav", "job/b_seat_1.wav", "job/b_by_door_1.wav"]);
    let options = OpenOptions::default().with_names("{state}_{position}_{take}");
    let session = open(&[job.path("job")], &options).unwrap();
    assert_comes_back(&job, &session);
    std::fs::remove_file(job.path("job/session.toml")).unwrap();
    let session = open(&[job.path("job")], &OpenOptions::default().with_each(true)).unwrap();
    assert_eq!(session.states.len(), 3);
    assert_comes_back(&job, &session);
    let flat = Folder::of(&["job/seat.wav", "job/corner.wav"]);
    assert_comes_back(&flat, &flat.open("job").unwrap());
}

fn name() -> impl Strategy<Value = String> {
    // What a file system takes; a name of dots or with a hidden file's dot in front isn't looked at.
    "[a-zA-Zäßéñ名 0-9_'\"=<>&;,()\\[\\]{}+~$%!-]{1,8}".prop_filter("blank", |name| !name.trim().is_empty())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_folder_comes_back(
        states in prop::collection::vec(name(), 1..4),
        takes in prop::collection::vec((0_usize..4, name(), "(@[a-c]{1,2})?(#[0-9]{1,2})?"), 1..8),
    ) {
        let files: Vec<String> = takes
            .iter()
            .map(|(state, position, tail)| format!("job/{}/{position}{tail}.wav", states[state % states.len()]))
            .collect();
        let job = Folder::of(&files.iter().map(String::as_str).collect::<Vec<_>>());
        // Random names may collide; that is another test's concern.
        if let Ok(session) = job.open("job") {
            assert_comes_back(&job, &session);
        }
    }
}

/// A room on a plan keeps its plan.
#[test]
fn a_plan_comes_back() {
    let job = tempfile::tempdir().unwrap();
    let room = "[room]\nplan = [[0, 0], [5.45, 0], [5.45, 3.1], [0, 4.55]]\nheight = 2.58\n";
    std::fs::write(job.path().join("session.toml"), room).unwrap();
    let read =
        || crate::session::open(&[job.path().to_owned()], &OpenOptions::default().with_or_without_audio());
    let session = read().unwrap();
    assert!(session.plan.is_some() && session.room.volume_m3.is_some());
    let text = draft(&session);
    assert!(!text.contains("volume_m3 ="), "{text}");
    std::fs::write(job.path().join("session.toml"), text).unwrap();
    assert_eq!(read().unwrap().plan, session.plan);
}
