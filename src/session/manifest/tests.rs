//! Every key, and every way in which a manifest goes wrong. Oracle: the documentation of the format.

use super::*;
use crate::session::place::Role;
use proptest::prelude::*;

const SAMPLE: &str = r#"
title = "Cello room, first visit"
baseline = "empty"           # default: the first listed state
names = "{position}@{source}#{take}"
channel = 1
same_chain = true
time_base = "emission"

[room]
length = 5.60                # metres, or "18 ft 4 in"; so are all lengths
width = 4.25
height = 2.75
volume_m3 = 65.5
temperature_c = 20.0

[visit]
date = 2026-10-03
by = "..."
client = "..."
apparatus = "..."
signal = "exponential sweep, 20 s"
occupied = false
notes = "..."

[[sources]]
name = "left"
at = [0.2, 0.2, 0.3]

[[states]]
name = "empty"
folder = "empty"

[[states]]
name = "treated"
temperature_c = 22.0
[[states.units]]
name = "A"
at = [5.5, 0.1, 0.1]
powered = true
tuned_hz = 41.0
dials = { depth = 0.6, fine = 3 }
note = "..."

[[positions]]
name = "seat"
at = [2.4, 2.1, 1.2]
role = "listening"

[[takes]]
file = "treated/T0041.wav"
state = "treated"
source = "left"
take = "1"
position = "seat"
use = false
note = "door slammed"
"#;

fn problems(text: &str) -> String {
    let problems = Manifest::parse(text).unwrap_err();
    problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

fn assert_all_keys_read(manifest: &Manifest) {
    assert_eq!(manifest.title.as_deref(), Some("Cello room, first visit"));
    assert_eq!(manifest.baseline.as_ref().map(|baseline| baseline.value.as_str()), Some("empty"));
    assert_eq!(manifest.names, Some(Pattern::default()));
    assert_eq!((manifest.channel, manifest.same_chain), (Some(1), Some(true)));
    assert_eq!(manifest.time_base, Some(TimeBase::Emission));
    assert_eq!(manifest.room.dimensions_m, Some([5.6, 4.25, 2.75]));
    assert_eq!((manifest.room.volume_m3, manifest.room.temperature_c), (Some(65.5), 20.0));
    let visit = &manifest.visit;
    assert_eq!((visit.date.as_deref(), visit.occupied), (Some("2026-10-03"), Some(false)));
    assert_eq!(visit.signal.as_deref(), Some("exponential sweep, 20 s"));
    for text in [&visit.by, &visit.client, &visit.apparatus, &visit.notes] {
        assert_eq!(text.as_deref(), Some("..."));
    }
    assert_eq!(manifest.sources, [Source { name: "left".into(), at_m: Some([0.2, 0.2, 0.3]) }]);
    assert_eq!(manifest.states.len(), 2);
    assert_eq!((manifest.states[0].folder(), manifest.states[1].folder()), ("empty", "treated"));
    assert_eq!(manifest.states[1].temperature_c, Some(22.0));
    let unit = &manifest.states[1].units[0];
    assert_eq!((unit.name.as_str(), unit.at_m, unit.powered), ("A", Some([5.5, 0.1, 0.1]), true));
    assert_eq!((unit.tuned_hz, unit.note.as_deref()), (Some(41.0), Some("...")));
    assert_eq!(unit.dials, [("depth".to_owned(), 0.6), ("fine".to_owned(), 3.0)]);
    let seat = Position { name: "seat".into(), at_m: Some([2.4, 2.1, 1.2]), role: Role::Listening };
    assert_eq!(manifest.positions, [seat]);
    let take = &manifest.takes[0];
    assert_eq!((take.file.as_str(), take.position.as_deref()), ("treated/T0041.wav", Some("seat")));
    assert_eq!((take.source.as_deref(), take.take.as_deref(), take.used), (Some("left"), Some("1"), false));
    assert_eq!(take.note.as_deref(), Some("door slammed"));
    assert!(manifest.warnings.is_empty(), "{:?}", manifest.warnings);
}

#[test]
fn every_key_is_read() {
    assert_all_keys_read(&Manifest::parse(SAMPLE).unwrap());
}

/// The reference page: its example is read without a remark and uses every key but those that exclude others, and each
/// key that a table allows has a row of its own there.
#[test]
fn the_reference_page_knows_every_key() {
    let page = include_str!("../../../docs/guide/session.md");
    let example = page.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let manifest = Manifest::parse(example).unwrap();
    assert!(manifest.warnings.is_empty(), "{:?}", manifest.warnings);
    assert!(manifest.visit.conclusions.is_some_and(|text| text.contains("\n\n")));
    for (heading, refused) in [
        ("## Outside any table\n", "zzz = 1"),
        ("## `[room]`\n", "[room]\nzzz = 1"),
        ("## `[visit]`\n", "[visit]\nzzz = 1"),
        ("## `[calibration]`\n", "[calibration]\nzzz = 1"),
        ("## `[[sources]]`\n", "[[sources]]\nzzz = 1"),
        ("## `[[states]]`\n", "[[states]]\nzzz = 1"),
        ("### `[[states.units]]`\n", "[[states]]\nname = \"a\"\n[[states.units]]\nzzz = 1"),
        ("## `[[positions]]`\n", "[[positions]]\nzzz = 1"),
        ("## `[[takes]]`\n", "[[takes]]\nzzz = 1"),
    ] {
        let section = page.split(heading).nth(1).unwrap().split("\n## ").next().unwrap();
        let said = problems(refused);
        let allowed = said.lines().find_map(|line| line.trim().strip_prefix("allowed  ")).unwrap();
        for key in allowed.split(", ") {
            let headed = page.contains(&format!("## `[{key}]`")) || page.contains(&format!("## `[[{key}]]`"));
            assert!(headed || section.contains(&format!("\n| `{key}` |")), "{heading}{key}");
            let used = example.contains(&format!("\n{key} = ")) || example.starts_with(&format!("{key} = "));
            assert!(
                headed || used || ["channels", "plan", "units"].contains(&key),
                "{key} is not in the example"
            );
        }
    }
}

#[test]
fn windows_line_ends_and_a_byte_order_mark_change_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("session.toml");
    std::fs::write(&path, format!("\u{feff}{}", SAMPLE.replace('\n', "\r\n"))).unwrap();
    assert_all_keys_read(&Manifest::open(&path).unwrap());
    std::fs::write(&path, "\u{feff}title = \"a\"\r\nchanel = 1\r\n").unwrap();
    let error = Manifest::open(&path).unwrap_err().to_string();
    assert!(error.contains("line 2: unknown key `chanel`"), "{error}");
}

#[test]
fn what_is_no_text_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("session.toml");
    for (bytes, said) in [
        (b"\xff\xfet\0i\0".to_vec(), "text in UTF-16"),
        (b"title = \"a\"\nby = \"J\xfcrg\"\n".to_vec(), "line 2 holds a byte that is no UTF-8 text"),
        (vec![b'#'; 5 << 20], "5242880 bytes, at most 4194304 are read"),
    ] {
        std::fs::write(&path, bytes).unwrap();
        let error = Manifest::open(&path).unwrap_err();
        assert!(error.to_string().contains(said), "{error}");
    }
    assert!(Manifest::open(folder.path()).unwrap_err().to_string().contains("not a file"));
    assert!(Manifest::open(&folder.path().join("none")).is_err());
}

#[test]
fn an_empty_manifest_says_nothing() {
    let empty = Manifest::parse("").unwrap();
    assert_eq!(empty, Manifest::default());
    assert_eq!(Manifest::parse("[room]\n[visit]\n").unwrap().room, Room::default());
}

#[test]
fn lengths_are_metres_or_say_their_unit() {
    let text = "[room]\nlength = \"18 ft 4 in\"\nwidth = 4\nheight = \"275 cm\"\n[[positions]]\nname = \"a\"\nat = [\"2 m\", 1, \"3'\"]";
    let manifest = Manifest::parse(text).unwrap();
    let [length, width, height] = manifest.room.dimensions_m.unwrap();
    for (found, meant) in
        [(length, 5.588), (width, 4.0), (height, 2.75), (manifest.positions[0].at_m.unwrap()[2], 0.9144)]
    {
        approx::assert_relative_eq!(found, meant, epsilon = 0.0, max_relative = 1e-14);
    }
    let volume = manifest.room.volume_m3.unwrap();
    approx::assert_relative_eq!(volume, 5.588 * 4.0 * 2.75, epsilon = 0.0, max_relative = 1e-14);
}

#[test]
fn an_unknown_key_is_named_with_its_line_and_the_closest_one() {
    assert_eq!(
        problems("title = \"a\"\n\n[room]\nlenght = 5.6\nwidth = 4\nheight = 3"),
        "line 4: unknown key `lenght` in [room]\n  found    lenght\n  allowed  length, width, height, plan, volume_m3, temperature_c\n  do       write `length`, or leave the line out"
    );
    for (text, said) in [
        ("Title = \"a\"", "line 1: unknown key `Title`\n  found    Title"),
        ("basline = \"a\"", "write `baseline`"),
        ("zzz = 1", "leave the line out; remarks go behind #"),
        ("[visit]\noccupid = true", "unknown key `occupid` in [visit]"),
        ("[[sources]]\nname = \"a\"\nrole = \"x\"", "line 3: unknown key `role` in [[sources]]"),
        ("[[states]]\nname = \"a\"\nfoldr = \"x\"", "write `folder`"),
        (
            "[[states]]\nname = \"a\"\n[[states.units]]\nname = \"u\"\ntuned = 3",
            "line 5: unknown key `tuned` in [[states.units]]",
        ),
        ("[[positions]]\nname = \"a\"\nAt = [1,2,3]", "write `at`"),
        ("[[takes]]\nfile = \"a\"\nused = false", "write `use`"),
        ("[rooms]\nlength = 5", "write `room`"),
    ] {
        assert!(problems(text).contains(said), "{text}: {}", problems(text));
    }
}

/// "Fill it in or leave the line out" was said of names, and then the table without the line was refused.
#[test]
fn a_blank_is_advised_to_be_left_out_only_where_it_may_be() {
    let unit = "[[states]]\nname = \"a\"\n[[states.units]]\n";
    for (table, key, advice) in [
        ("[[sources]]\n", "name", "give it a name in quotes"),
        ("[[positions]]\n", "name", "give it a name in quotes"),
        ("[[states]]\n", "name", "give it a name in quotes"),
        (unit, "name", "give it a name in quotes"),
        (
            "[room]\nlength = 5\nwidth = 4\nheight = 3\n[[positions]]\nat = [5.05, 1, 1]\n",
            "name",
            "give it a name",
        ),
        ("[[takes]]\n", "file", "write file = \"STATE/NAME.wav\""),
        ("", "title", "fill it in or leave the line out"),
        ("", "baseline", "fill it in or leave the line out"),
        ("[[states]]\nname = \"a\"\n", "folder", "fill it in or leave the line out"),
        ("[[takes]]\nfile = \"a/b.wav\"\n", "state", "fill it in or leave the line out"),
        ("[[takes]]\nfile = \"a/b.wav\"\n", "position", "fill it in or leave the line out"),
        ("[visit]\n", "logo", "fill it in or leave the line out"),
    ] {
        let left_out = Manifest::parse(table);
        for blank in ["", " "] {
            let told = problems(&format!("{table}{key} = \"{blank}\""));
            assert!(told.contains(&format!("`{key}`")) && told.contains("is empty"), "{table}{key}: {told}");
            assert!(told.contains(advice) && told.matches("  do  ").count() == 1, "{table}{key}: {told}");
            assert_eq!(told.contains("leave the line out"), left_out.is_ok(), "{table}{key}: {told}");
        }
    }
}

#[test]
fn decimal_commas_are_recognised() {
    for (text, said) in [
        ("[room]\nlength = 5,60\nwidth = 4", "line 2: not TOML"),
        ("[room]\nlength = 5,60\nwidth = 4", "write 5.60 instead of 5,60"),
        ("[room]\nlength = -5,6", "write -5.6 instead of -5,6"),
        (
            "[[states]]\nname=\"a\"\n[[states.units]]\nname=\"u\"\ndials = { depth = 0,6 }",
            "write 0.6 instead of 0,6",
        ),
        ("[room]\nlength = \"5,60 m\"\nwidth=4\nheight=3", "`length` in [room] has a decimal comma"),
        ("[room]\nlength = \"5,60 m\"\nwidth=4\nheight=3", "write `5.60` with a point"),
        ("[room]\nvolume_m3 = \"65,5\"", "write it with a point, without quotes"),
        ("[[positions]]\nname = \"a\"\nat = [2,4, 2,1, 1,2]", "write decimals with a point: 2.4, not 2,4"),
    ] {
        assert!(problems(text).contains(said), "{text}: {}", problems(text));
    }
}

#[test]
fn numbers_out_of_range_are_refused() {
    let room = |key: &str, value: &str| {
        format!("[room]\nlength=5\nwidth=4\nheight=3\n{key} = {value}").replace(&format!("{key}=5\n"), "")
    };
    for (text, said) in [
        (
            room("length", "560"),
            "line 4: `length` in [room] is out of range\n  found    560\n  allowed  0.1 m to 100 m\n  do       were centimetres meant?",
        ),
        (room("length", "0"), "is out of range"),
        (room("length", "-5"), "is out of range"),
        (room("length", "nan"), "`length` in [room] is not a finite number\n  found    nan"),
        (room("length", "inf"), "is not a finite number"),
        (room("length", "1e999"), "is not a finite number"),
        (room("length", "true"), "`length` in [room] is true or false"),
        (room("length", "\"wide\""), "`wide` is no length"),
        (room("volume_m3", "0"), "0.001 to 1000000 cubic metres"),
        (room("temperature_c", "293"), "-30 to 60 degrees Celsius"),
        ("channel = 0".into(), "a whole number from 1 to 65535"),
        ("channel = -1".into(), "`channel` is out of range"),
        ("channel = 99999999999999999999".into(), "`channel` is out of range"),
        ("channel = 1.5".into(), "`channel` is a number"),
        ("channel = \"1\"".into(), "write a whole number, without quotes"),
        (
            "[[states]]\nname=\"a\"\ntemperature_c = 99".into(),
            "`temperature_c` in [[states]] is out of range",
        ),
        (
            "[[states]]\nname=\"a\"\n[[states.units]]\nname=\"u\"\ntuned_hz = 0".into(),
            "above 0 Hz, to 20000 Hz",
        ),
        (
            "[[states]]\nname=\"a\"\n[[states.units]]\nname=\"u\"\ndials = { a = nan }".into(),
            "`a` in dials is not a finite number",
        ),
        (
            "[[states]]\nname=\"a\"\n[[states.units]]\nname=\"u\"\ndials = 3".into(),
            "write name = number in braces",
        ),
        ("[[positions]]\nname=\"a\"\nat = [1e3, 0, 0]".into(), "-100 m to 100 m"),
        ("[[positions]]\nname=\"a\"\nat = [1, 2]".into(), "`at` in [[positions]] has 2 numbers"),
        ("[[positions]]\nname=\"a\"\nat = 1".into(), "put three lengths in brackets"),
    ] {
        assert!(problems(&text).contains(said), "{text}: {}", problems(&text));
    }
}

#[test]
fn words_and_kinds_are_checked() {
    for (text, said) in [
        (
            "time_base = \"Emission\"",
            "`time_base` is no word it can be\n  found    \"Emission\"\n  allowed  emission, arrival\n  do       write \"emission\"",
        ),
        ("[[positions]]\nname=\"a\"\nrole = \"listning\"", "write \"listening\""),
        ("[[positions]]\nname=\"a\"\nrole = \"zzz\"", "allowed  listening, boundary, other"),
        ("title = 3", "`title` is a number"),
        ("title = \" \"", "`title` is empty"),
        ("same_chain = \"yes\"", "write true or false, without quotes"),
        ("[visit]\ndate = 10:00:00", "a date like 2026-10-03"),
        (
            "[visit]\ndate = \"2026-13-40\"",
            "`date` in [visit] is no date\n  found    \"2026-13-40\"\n  allowed  a date like 2026-10-03",
        ),
        ("[visit]\ndate = \"last Tuesday\"", "is no date"),
        ("room = 3", "write [room] on its own line"),
        ("[states]\nname = \"a\"", "write [[states]] above each entry"),
        ("positions = [\"seat\"]", "`positions` is text"),
        ("[[positions]]\nat = [1,2,3]", "line 1: `name`: missing in [[positions]]"),
        (
            "title = \"a\"\n[room]\nwidth = 4",
            "line 2: `length`, `height`: missing in [room]\n  found    [room]\n  allowed  length, height\n  do       give all three for a rectangular room, or volume_m3 alone",
        ),
        ("[[takes]]\nposition = \"a\"", "`file`: missing in [[takes]]"),
        ("names = \"{positoin}\"", "line 1: `names` can't be used"),
        ("names = \"{positoin}\"", "did you mean {position}?"),
        ("[[states]]\nname=\"a\"\nfolder = \"../b\"", "`folder` leads out of the session in [[states]]"),
        ("[[states]]\nname=\"a\"\nfolder = '/tmp'", "leads out of the session"),
        ("[[states]]\nname=\"a\"\nfolder = 'C:\\x'", "leads out of the session"),
        ("[[takes]]\nfile = \"../x.wav\"", "`file` leads out of the session"),
    ] {
        assert!(problems(text).contains(said), "{text}: {}", problems(text));
    }
}

#[test]
fn grammar_slips_get_advice() {
    for (text, said) in [
        ("title = Cello room", "put text in quotes: \"Cello room\""),
        ("title = “Cello”", "put the text in straight quotes"),
        ("same_chain = True", "write true"),
        ("same_chain = yes", "write true"),
        ("[[states]]\nname = \"a\"\nfolder = \"C:\\data\"", "write / instead of \\ in paths"),
        ("title = \"a\"\ntitle = \"b\"", "line 2: not TOML: duplicate key"),
        ("[room]\nlength = 18ft", "put it in quotes: \"18ft\""),
        ("[room\nlength = 5", "line 1: not TOML"),
        ("nonsense", "lines like key = value"),
    ] {
        assert!(problems(text).contains(said), "{text}: {}", problems(text));
    }
}

#[test]
fn names_are_given_once() {
    for (text, said) in [
        (
            "[[positions]]\nname=\"Küche\"\n[[positions]]\nname=\"KU\u{308}CHE\"",
            "line 4: the name `KÜCHE` is taken in [[positions]]",
        ),
        ("[[sources]]\nname=\"a\"\n[[sources]]\nname=\"A\"", "line 4: the name `A` is taken"),
        ("[[states]]\nname=\"a\"\n[[states]]\nname=\"a\"", "the name `a` is taken in [[states]]"),
        (
            "[[states]]\nname=\"a\"\n[[states]]\nname=\"b\"\nfolder=\"A\"",
            "the folder `A` belongs to two states",
        ),
        (
            "[[takes]]\nfile=\"a/b.wav\"\n[[takes]]\nfile=\"a//B.wav\"",
            "line 4: `file` stands there a second time",
        ),
    ] {
        assert!(problems(text).contains(said), "{text}: {}", problems(text));
    }
}

#[test]
fn places_lie_in_the_room_but_for_the_tape_measure() {
    let place =
        |at: &str| format!("[room]\nlength=5\nwidth=4\nheight=3\n[[positions]]\nname=\"seat\"\nat = {at}");
    for fine in ["[0, 0, 0]", "[5, 4, 3]", "[5.005, 4, 3]", "[-0.01, 1, 1]"] {
        assert_eq!(Manifest::parse(&place(fine)).unwrap().warnings, [""; 0], "{fine}");
    }
    let warned = Manifest::parse(&place("[5.05, 4, 3]")).unwrap();
    assert_eq!(warned.warnings, ["session.toml: `seat` stands 50 mm outside the room"]);
    assert_eq!(warned.positions[0].at_m, Some([5.05, 4.0, 3.0]));
    for (out, said) in
        [("[5.2, 1, 1]", "`at` is 0.20 m outside the room"), ("[1, 1, -0.3]", "`at` is 0.30 m outside")]
    {
        assert!(problems(&place(out)).contains(said), "{}", problems(&place(out)));
    }
    // Without a rectangular room nobody knows where it ends.
    assert!(Manifest::parse("[[positions]]\nname=\"seat\"\nat = [50, 1, -1]").is_ok());
}

#[test]
fn a_volume_that_contradicts_the_lengths_is_told() {
    let manifest = Manifest::parse("[room]\nlength=5\nwidth=4\nheight=3\nvolume_m3=70").unwrap();
    assert_eq!(manifest.room.volume_m3, Some(70.0));
    assert!(
        manifest.warnings[0].contains("volume_m3 = 70 but the lengths make 60.00"),
        "{:?}",
        manifest.warnings
    );
}

#[test]
fn all_that_is_wrong_is_told_at_once() {
    let problems =
        Manifest::parse("chanel = 1\ntime_base = \"x\"\n[room]\nlength = -1\nwidth = 4\nheight = 3")
            .unwrap_err();
    let lines: Vec<usize> = problems.iter().map(|problem| problem.line).collect();
    assert_eq!(lines, [1, 2, 4]);
    let problems = Manifest::parse("a = 1,2\nb = 3\nc = 4,5\n").unwrap_err();
    assert_eq!(problems.len(), 2, "{problems:?}");
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(text in "(?s).{0,80}") {
        if let Err(problems) = Manifest::parse(&text) {
            prop_assert!(!problems.is_empty());
        }
    }

    #[test]
    fn a_sample_with_a_hole_is_read_or_refused(start in 0..SAMPLE.len(), length in 0_usize..40, with in "(?s)[\\PC\"\\[\\]={}\n.,]{0,3}") {
        let end = (start + length).min(SAMPLE.len());
        let mut text = SAMPLE.to_owned();
        text.replace_range(start..end, &with);
        if let Err(problems) = Manifest::parse(&text) {
            let lines = text.lines().count().max(1);
            prop_assert!(problems.iter().all(|problem| problem.line >= 1 && problem.line <= lines + 1));
        }
    }
}

/// A bracket that is never closed makes nearly every later line wrong: what is told is where it begins.
#[test]
fn the_first_slips_of_the_grammar_are_told() {
    let lines: String = (0..30).map(|k| format!("[[positions]]\nname = \"p{k}\"\n")).collect();
    let told = problems(&format!("[room]\nlength = [5.0\n{lines}"));
    assert!((1..=3).contains(&told.matches("not TOML").count()), "{told}");
}
