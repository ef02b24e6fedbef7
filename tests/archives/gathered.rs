//! What stands in gathered tables, and what is left out of them.

use std::fs;

use crate::program::{Job, contents};
use crate::tables::sample;

/// The gathered file is the sessions' own lines with the name in front: made here by hand.
#[test]
fn each_table_holds_the_sessions_lines_under_their_names() {
    let home = Job::new();
    let folders =
        ["b-10-results", "b-2-results", "a, with \"marks\"-results"].map(|name| (name, home.path(name)));
    for (number, (name, _)) in folders.iter().enumerate() {
        home.with_results(name, number);
    }
    let ran = home.run_line("gather . --out all");
    assert_eq!((ran.status, ran.err.as_str()), (0, ""));
    assert!(ran.out.contains("3 sessions, 33 rows."), "{}", ran.out);
    for table in
        ["bands", "modes", "mode_levels", "changes", "position_changes", "band_changes", "targets", "checks"]
    {
        let file = format!("{table}.csv");
        let mut wanted = String::new();
        // Natural order: 2 before 10.
        for (name, at) in [("\"a, with \"\"marks\"\"\"", 2), ("b-2", 1), ("b-10", 0)] {
            let text = fs::read_to_string(folders[at].1.join(&file)).expect("written");
            let (head, rows) = text.split_once('\n').expect("a header");
            if wanted.is_empty() {
                wanted = format!("session,{head}\n");
            }
            rows.split_terminator('\n').for_each(|row| wanted += &format!("{name},{row}\n"));
        }
        assert_eq!(fs::read_to_string(home.path("all").join(&file)).expect("gathered"), wanted, "{table}");
    }
    let metadata = home.json("all/csv-metadata.json");
    let bands = &metadata["tables"][0]["tableSchema"];
    assert_eq!(
        (&bands["columns"][0]["name"], &bands["primaryKey"][0]),
        (&"session".into(), &"session".into())
    );
}

/// A column that only calibrated sessions have is there once one of them is, and empty for the others.
#[test]
fn sessions_with_and_without_a_calibration_share_a_table() {
    let home = Job::new();
    home.with_results("loud-results", 1);
    let mut plain = sample::results();
    plain.mode_levels[0].level_spl_db = None;
    plain.files[0].sha256 = Some(format!("{:064x}", 2));
    home.write_results("plain-results", &plain);
    assert_eq!(home.run_line("gather . --out all").status, 0);
    let text = |file: &str| fs::read_to_string(home.path(file)).expect("gathered");
    let rows = "empty,1,40.376,seat,left,12.35,0.12,,no-time-base";
    let head = "session,state,mode,frequency_hz,position,source,level_db,level_sd_db,phase_deg,flags";
    assert_eq!(
        text("all/mode_levels.csv"),
        format!("{head},level_spl_db\nloud,{rows},98.44\nplain,{rows},\n")
    );
    assert!(text("all/csv-metadata.json").contains("level_spl_db"));
    assert_eq!(home.run_line("gather plain-results --out one").status, 0);
    assert_eq!(text("one/mode_levels.csv"), format!("{head}\nplain,{rows}\n"));
    assert!(!text("one/csv-metadata.json").contains("level_spl_db"));
}

#[test]
fn order_and_place_of_the_paths_change_no_byte() {
    let home = Job::new();
    for (number, name) in ["x/a-results", "y/b-results", "z/c-results"].into_iter().enumerate() {
        home.with_results(name, number);
    }
    assert_eq!(home.run_line("gather x/a-results y z --out one").status, 0);
    assert_eq!(home.run_line("gather z y/b-results x --out two").status, 0);
    assert_eq!(contents(&home.path("one")), contents(&home.path("two")));
    assert_eq!(home.run_line("gather x --out x/all").status, 0);
    assert_eq!(home.run_line("gather x y z --out one").status, 0, "an earlier gathering is passed over");
    assert_eq!(contents(&home.path("one")), contents(&home.path("two")));
    assert_eq!(home.run_line("gather x y z --out one").status, 0, "our own folder is written again");
}

#[test]
fn the_catalogue_has_one_line_a_room() {
    let home = Job::new();
    home.with_results("job-results", 1);
    let ran = home.run_line("gather job-results --catalogue --format csv");
    assert_eq!(ran.status, 0, "{}", ran.err);
    // By hand from the tables' sample: one mode claimed, the first to treat; no middle band in it.
    let row = ran.out.lines().nth(1).expect("a row");
    assert_eq!(row, "job,Room 1,2,1,1,empty,65.500,,1,40.376,1.2346,\"shorter 1, new 1\",no-middle-bands");
    let screen = home.run_line("gather job-results --catalogue");
    assert!(screen.out.contains("65.5") && screen.out.contains("1.23"), "{}", screen.out);
    let json = home.run_line("gather job-results --catalogue --format json");
    let json: serde_json::Value = serde_json::from_str(&json.out).expect("JSON");
    assert_eq!(json["catalogue"][0]["modes"], 1);
}

/// The catalogue describes the state that `--before` named.
#[test]
fn the_catalogue_describes_what_the_comparison_took_as_before() {
    let home = Job::new();
    let mut results = sample::results();
    results.session.baseline = None;
    results.session.states = vec!["closed".into(), "empty".into()];
    home.write_results("job-results", &results);
    let state = |session: &str| {
        let ran = home.run_line(&format!("gather {session} --catalogue --format csv"));
        ran.out.lines().nth(1).and_then(|row| row.split(',').nth(5)).map(str::to_owned)
    };
    assert_eq!(state("job-results").as_deref(), Some("empty"));
    results.settings.before = None;
    home.write_results("alone-results", &results);
    assert_eq!(state("alone-results").as_deref(), Some("closed"), "nothing was compared: the first");
    results.session.baseline = Some("empty".into());
    home.write_results("listed-results", &results);
    assert_eq!(state("listed-results").as_deref(), Some("empty"), "the baseline");
    let screen = home.run_line("gather job-results --catalogue").out;
    let head = screen.lines().find(|line| line.contains("session")).expect("a head");
    assert!(head.contains("state") && screen.contains("empty"), "{screen}");
}

/// A copy that broke off loses the end of a table, or a table: the session is left out as a whole.
#[test]
fn a_session_cut_short_is_left_out_whole_and_named() {
    let home = Job::new();
    home.with_results("whole-results", 0);
    assert_eq!(home.run_line("gather whole-results --out wanted").status, 0);
    for (number, what) in ["row", "half a row", "table", "json", "header"].into_iter().enumerate() {
        let broken = home.with_results("broken-results", number + 1);
        let modes = fs::read_to_string(broken.join("modes.csv")).expect("written");
        let cut = |end: usize| fs::write(broken.join("modes.csv"), &modes[..end]).expect("writable");
        match what {
            "row" => cut(modes[..modes.len() - 1].rfind('\n').expect("rows") + 1),
            "half a row" => cut(modes.len() - 3),
            "table" => fs::remove_file(broken.join("modes.csv")).expect("there"),
            "json" => {
                let text = fs::read(broken.join("results.json")).expect("written");
                fs::write(broken.join("results.json"), &text[..text.len() - 9]).expect("writable");
            }
            _ => fs::write(broken.join("modes.csv"), modes.replacen("t60_s", "t61_s", 1)).expect("writable"),
        }
        let ran = home.run_line("gather whole-results broken-results --out all");
        assert_eq!(ran.status, 3, "{what}: {}", ran.err);
        assert!(ran.err.contains("broken-results: left out"), "{what}: {}", ran.err);
        for table in ["bands.csv", "modes.csv", "checks.csv", "catalogue.csv"] {
            assert_eq!(
                fs::read(home.path("all").join(table)).expect("there"),
                fs::read(home.path("wanted").join(table)).expect("there"),
                "{what}: {table}"
            );
        }
        let json = fs::read_to_string(home.path("all/results.json")).expect("there");
        assert!(json.contains("\"left_out\": [{\"what\":\"broken-results\""), "{what}: {json}");
        fs::remove_dir_all(broken).expect("there");
    }
}

#[test]
fn what_is_missing_or_twice_is_named() {
    let home = Job::new();
    for (name, number) in [("r/a-results", 1), ("r/b-results", 2), ("r/copy-results", 1)] {
        home.with_results(name, number);
    }
    for folder in ["s/a", "s/b", "s/copy", "s/late", "r/empty-results", "r/logs"] {
        fs::create_dir_all(home.path(folder)).expect("writable");
    }
    home.with_results("r/c-results-interrupted", 3);
    let ran = home.run_line("gather r r/b-results --out all --sessions s");
    assert_eq!(ran.status, 3);
    for said in [
        "error: copy: left out\n  found    the same audio files as a, under another name",
        "b-results: left out\n  found    the same folder is named twice",
        "error: late: left out\n  found    a session without results",
        "empty-results: left out\n  found    no results.json in it",
        "c-results-interrupted: left out\n  found    results of a run that was stopped",
    ] {
        assert!(ran.err.contains(said), "{said} not in {}", ran.err);
    }
    assert!(!ran.err.contains("logs"), "{}", ran.err);
    // What was left out for another reason isn't called "without results" as well.
    for what in ["copy", "late", "empty-results"] {
        assert_eq!(ran.err.matches(&format!("{what}: left out")).count(), 1, "{what}: {}", ran.err);
    }
    assert!(ran.out.contains("2 sessions"), "{}", ran.out);
    let again = home.run_line("gather all --out more");
    assert_eq!(again.status, 1);
    assert!(again.err.contains("it holds gathered results"), "{}", again.err);
}

#[test]
fn other_schemas_and_other_folders_are_refused() {
    let home = Job::new();
    home.with_results("a-results", 1);
    let other = home.with_results("b-results", 2);
    let text = fs::read_to_string(other.join("results.json")).expect("there");
    fs::write(other.join("results.json"), text.replacen("\"schema\": 1", "\"schema\": 99", 1))
        .expect("writable");
    let ran = home.run_line("gather a-results b-results --out all");
    assert_eq!(ran.status, 2);
    assert!(ran.err.contains("schema 1: a-results; schema 99: b-results"), "{}", ran.err);
    assert!(!home.path("all").exists());
    fs::create_dir(home.path("mine")).expect("writable");
    fs::write(home.path("mine/notes.txt"), "mine").expect("writable");
    assert_eq!(home.run_line("gather a-results --out mine").status, 2);
    assert_eq!(home.run_line("gather mine --out all").status, 1);
    assert_eq!(home.run_line("gather a-results").status, 2, "neither --out nor --catalogue");
}

#[test]
fn sessions_of_different_settings_are_told() {
    let home = Job::new();
    home.with_results("a-results", 1);
    let mut octaves = crate::tables::sample::results();
    octaves.settings.bands = "octave";
    octaves.files[0].sha256 = Some("ab".repeat(32));
    home.write_results("b-results", &octaves);
    let ran = home.run_line("gather a-results b-results --out all");
    assert_eq!(ran.status, 0);
    assert!(
        ran.err.contains("different settings: octave bands, modes 15 to 200 Hz: b; third bands"),
        "{}",
        ran.err
    );
}
