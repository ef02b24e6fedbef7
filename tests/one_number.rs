//! One number for one thing: what the screens of one run say of a mode stands in its tables, and the tables agree with
//! one another, to the digits that are printed.

use std::collections::BTreeMap;

use crate::demo_run::demo_run;
use crate::program::{Row, one_line, rows, value};

fn table(name: &str) -> Vec<Row> {
    rows(&demo_run().results.join(name))
}

/// The report, with plain blanks.
fn page() -> String {
    let text = std::fs::read_to_string(demo_run().results.join("report.html")).expect("written");
    text.replace('\u{a0}', " ")
}

/// Whether a cell, rounded to the digits of a printed number, is that number.
fn same(cell: f64, printed: &str) -> bool {
    let digits = printed.split('.').nth(1).map_or(0, str::len);
    let printed: f64 = printed.replace('−', "-").parse().expect("a number");
    // Half a unit of the last digit; a cell may have been rounded itself.
    (cell - printed).abs() <= 0.501 * 10_f64.powi(-(digits as i32))
}

/// Two cells: the coarser one's digits count.
fn agree(a: &str, b: &str) -> bool {
    let digits = |text: &str| text.split('.').nth(1).map_or(0, str::len);
    let (fine, coarse) = if digits(a) >= digits(b) { (a, b) } else { (b, a) };
    fine.parse().is_ok_and(|cell| same(cell, coarse))
}

/// The row with the largest number in a column, or with the smallest.
fn extreme<'a>(rows: &[&'a Row], column: &str, largest: bool) -> &'a Row {
    let of = |row: &&&Row| value(row, column).unwrap_or_else(|| panic!("{column} of {row:?}"));
    let by = |a: &&&Row, b: &&&Row| of(a).total_cmp(&of(b));
    let found = if largest { rows.iter().max_by(by) } else { rows.iter().min_by(by) };
    found.expect("a line has modes")
}

/// Holds a line of the first screen against the modes of its rank: frequencies and T60, those of one with their intervals, of more
/// than two the least and the greatest; the threshold of the slowest, level of the loudest, half waves. Gives its kind.
fn held(line: &str, rows: &[&Row]) -> &'static str {
    let cells: Vec<&str> = line.split("  ").map(str::trim).filter(|cell| !cell.is_empty()).collect();
    let [_, frequency, times, threshold, level, axes @ ..] = &cells[..] else { panic!("columns: {line}") };
    let is = |row: &Row, column: &str, printed: &str| {
        assert!(
            value(row, column).is_some_and(|cell| same(cell, printed)),
            "{column} is {} in modes.csv: {line}",
            row[column]
        );
    };
    let ends = |printed: &str, column: &str| {
        let (low, high) = printed.split_once('–').unwrap_or_else(|| panic!("no range: {line}"));
        is(extreme(rows, column, false), column, low);
        is(extreme(rows, column, true), column, high);
    };
    let slowest = extreme(rows, "t60_s", true);
    is(slowest, "threshold_t60_s", threshold);
    is(extreme(rows, "level_db", true), "level_db", level);
    if axes == ["broadband"] {
        ends(frequency, "frequency_hz");
        ends(times, "t60_s");
        return "broadband";
    }
    let first = |printed: &&str| printed.split_once(" ± ").map(|(value, _)| value.to_owned());
    let named = rows.iter().map(|row| &*row["axes"]).filter(|axes| !axes.is_empty());
    let named: Vec<String> = named.take(2).map(|axes| format!("({})", axes.replace(' ', ","))).collect();
    assert_eq!(axes.concat(), named.concat(), "{line}");
    match rows {
        [one] => {
            is(one, "frequency_hz", &first(frequency).unwrap_or_else(|| panic!("no interval: {line}")));
            is(one, "t60_s", &first(times).unwrap_or_else(|| panic!("no interval: {line}")));
            "one"
        }
        [one, other] => {
            let of = |cell: &str| cell.split_once(", ").map(|(a, b)| [a.to_owned(), b.to_owned()]);
            for (column, cell) in [("frequency_hz", frequency), ("t60_s", times)] {
                let [low, high] = of(cell).unwrap_or_else(|| panic!("not two: {line}"));
                is(one, column, &low);
                is(other, column, &high);
            }
            "two"
        }
        _ => {
            ends(frequency, "frequency_hz");
            ends(times, "t60_s");
            "more"
        }
    }
}

/// Each line of the first screen holds the modes of its rank, and what no line holds is counted below.
#[test]
fn the_first_screen_is_the_table_of_modes() {
    let modes = table("modes.csv");
    let screens: Vec<&str> = demo_run().run.out.split("frequency, Hz").skip(1).collect();
    assert_eq!(screens.len(), 2, "{}", demo_run().run.out);
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for (state, screen) in ["empty", "absorber"].into_iter().zip(screens) {
        let of_state: Vec<&Row> =
            modes.iter().filter(|row| row["state"] == state && row["kind"] == "mode").collect();
        let lines = screen.lines().skip(1).take_while(|line| !line.contains("Priority:"));
        let mut listed = 0;
        for (k, line) in lines.enumerate() {
            let rank = (k + 1).to_string();
            assert_eq!(line.split_whitespace().next(), Some(&*rank), "{line}");
            let own: Vec<&Row> = of_state.iter().copied().filter(|row| row["priority"] == rank).collect();
            listed += own.len();
            *kinds.entry(held(line, &own)).or_default() += 1;
        }
        let told = one_line(screen);
        let more = told.split(" more mode").next().and_then(|text| text.rsplit(' ').next());
        assert_eq!(more, Some(&*(of_state.len() - listed).to_string()), "{screen}");
    }
    assert!(["one", "two", "broadband"].iter().all(|kind| kinds.contains_key(kind)), "{kinds:?}");
}

/// Before and after of a change are the rows of the two states' modes, and a place's level before is its mode level.
#[test]
fn the_tables_of_one_run_agree() {
    let (modes, levels) = (table("modes.csv"), table("mode_levels.csv"));
    let of = |state: &str, mode: &str| modes.iter().find(|row| row["state"] == state && row["mode"] == mode);
    let mut held = [0; 3];
    for change in table("changes.csv") {
        for (side, k) in [("before", 0), ("after", 1)] {
            // Where a unit stands at the mode the joint fit of both states goes before the after state's own.
            let unit = ["split", "merged-pair"].iter().any(|flag| change["flags"].contains(flag));
            if k == 1 && unit {
                continue;
            }
            let number = if k == 0 { &change["mode"] } else { &change["after_mode"] };
            let Some(mode) = of(&change[&format!("{side}_state")], number) else { continue };
            for (own, theirs) in [("hz", "frequency_hz"), ("t60_s", "t60_s")] {
                let (a, b) = (&change[&format!("{side}_{own}")], &mode[theirs]);
                assert!(
                    agree(a, b) || a.is_empty() && b.is_empty(),
                    "{side} {own} of mode {number}: {a} and {b}"
                );
                held[k] += 1;
            }
        }
    }
    for place in table("position_changes.csv") {
        let own = |row: &&Row| {
            row["state"] == place["before_state"]
                && ["mode", "position", "source"].iter().all(|column| row[*column] == place[*column])
        };
        let Some(level) = levels.iter().find(own) else { continue };
        let (a, b) = (&place["before_level_db"], &level["level_db"]);
        if !a.is_empty() && !b.is_empty() {
            assert!(agree(a, b), "mode {} at {}: {a} and {b} dB", place["mode"], place["position"]);
            held[2] += 1;
        }
    }
    assert!(held.iter().all(|count| *count > 20), "{held:?}");
}

/// The report's list of resonances and its page of changes print the tables' numbers.
#[test]
fn the_report_is_the_tables() {
    let page = page();
    let mut held = 0;
    for change in table("changes.csv").iter().filter(|row| row["verdict"] == "shorter") {
        let [Some(hz), Some(before_s), Some(after_s)] =
            ["before_hz", "before_ring_s", "after_ring_s"].map(|column| value(change, column))
        else {
            continue;
        };
        let label = format!("<span class=\"hz\">{hz:.1} Hz</span>");
        let told = page.split(&label).nth(1).and_then(|rest| rest.split("</summary>").next());
        let told = told.unwrap_or_else(|| panic!("{hz:.1} Hz is shorter, and not on the page"));
        for seconds in [before_s, after_s] {
            assert!(told.contains(&format!("{seconds:.2} s")), "{hz:.1} Hz: {seconds:.2} s not in {told}");
        }
        held += 1;
    }
    assert!(held > 0, "no mode is shorter");
}

/// Modes that the sentence says to be one of `words`: each that is named ("33.2 Hz rings 36 % shorter"), or as many as it
/// counts ("5 modes from 30.0 to 34.0 Hz ring 10 to 14 % shorter").
fn changed(sentence: &str, words: &[&str]) -> usize {
    let open = |part: &&str| ["unless", "whether"].iter().any(|word| part.to_lowercase().contains(word));
    let parts = sentence.trim_end_matches('.').split("; ").filter(|part| !open(part));
    let told =
        parts.flat_map(|part| part.split(", ")).filter(|text| words.iter().any(|word| text.ends_with(word)));
    told.map(|text| match text.split_once(" modes from ") {
        Some((n, _)) => n.parse().expect("a number"),
        None => 1,
    })
    .sum()
}

#[test]
fn a_sentence_of_changes_is_read() {
    let sentence = "5 modes from 30.0 to 34.0 Hz ring 10 to 14 % shorter; 41.0 Hz is gone; 60.0 Hz rings 22 % longer, 71.0 Hz \
                    rings 9 % longer; 80.0 Hz rings 3 % longer, unless a filter in the measuring chain did it (undecided); \
                    whether 97.0 Hz, where the unit stands, rings shorter or longer can’t be told.";
    assert_eq!(changed(sentence, &["shorter", "gone"]), 6);
    assert_eq!(changed(sentence, &["longer"]), 2);
}

/// The large numbers of the first sheet are those of its sentence: shorter, longer, as before, can't tell.
#[test]
fn the_first_sheet_counts_what_its_sentence_counts() {
    let page = page();
    let tally = page.split("class=\"tally\"").nth(1).and_then(|rest| rest.split("</ul>").next()).expect("it");
    let counts: Vec<&str> = tally.split("<b>").skip(1).filter_map(|b| b.split("</b>").next()).collect();
    let sentence = page.split("Single resonances: ").nth(1).and_then(|rest| rest.split("</p>").next());
    let sentence = sentence.expect("it");
    let words: Vec<&str> = sentence.split_whitespace().collect();
    let before = |tail: &[&str]| {
        let at = words.windows(tail.len()).position(|w| w == tail);
        at.map_or("0", |k| words[k - 1])
    };
    let [shorter, longer] =
        [&["shorter", "gone"][..], &["longer"]].map(|words| changed(sentence, words).to_string());
    assert_eq!(
        counts,
        [&*shorter, &longer, before(&["ring", "as", "before,"]), before(&["can’t", "be", "told", "one"])]
    );
    assert_ne!(counts[3], "0", "{sentence:?}");
}

/// Screen and report give one rule for the order of treatment.
#[test]
fn the_report_gives_the_screen_s_order_of_treatment() {
    let page = page();
    let screen = one_line(&demo_run().run.out);
    for (text, place) in
        [(&page, "at the worst listening place"), (&screen, "at the worst listening position")]
    {
        let rule = text.find("heard longest over its audibility threshold");
        assert!(rule.is_some_and(|at| text[at..].contains(place)), "{place}");
    }
    assert!(!page.contains("heard at many seats"));
}

/// *Where to sit* calls a mode by the frequency that it has in the list of resonances, not by the fitted room's.
#[test]
fn where_to_sit_calls_modes_as_the_list_does() {
    let page = page();
    let section =
        page.split("<section id=\"moves\">").nth(1).and_then(|rest| rest.split("</section>").next());
    let modes = table("modes.csv");
    let measured =
        modes.iter().filter(|row| row["state"] == "absorber").filter_map(|row| value(row, "frequency_hz"));
    let measured: Vec<f64> = measured.collect();
    let text = section.expect("the demo places its seats");
    let told: Vec<f64> =
        text.split(" Hz").filter_map(|part| part.rsplit([' ', '>']).next()?.parse().ok()).collect();
    assert!(told.len() > 6, "{told:?}");
    // Above, not every mode has a name.
    for hz in told.into_iter().filter(|hz| *hz < 120.0) {
        let off = measured.iter().map(|m| (m - hz).abs()).fold(f64::INFINITY, f64::min);
        assert!(off < 0.06, "{hz} Hz is {off:.2} Hz off the list's");
    }
}

/// Whether two words of a screen are the same but for the last digit, in which machines may differ.
fn nearly(a: &str, b: &str) -> bool {
    let plain = |word: &str| word.replace('−', "-").trim_end_matches([',', ')', ';']).parse::<f64>();
    let digits = a.split('.').nth(1).map_or(0, |tail| tail.chars().filter(char::is_ascii_digit).count());
    let numbers = plain(a).ok().zip(plain(b).ok());
    a == b || numbers.is_some_and(|(a, b)| (a - b).abs() < 2.01 * 10_f64.powi(-(digits as i32)))
}

/// The README shows what this program prints.
#[test]
fn the_readme_s_screens_are_this_run_s() {
    let readme = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).expect("there");
    let block = readme.split("```text\n").nth(1).and_then(|rest| rest.split("```").next()).expect("screens");
    let lines: Vec<&str> =
        block.lines().filter(|l| !l.starts_with('$') && !l.trim().is_empty() && l.trim() != "…").collect();
    assert!(lines.len() > 15, "{block}");
    let words = |line: &str| line.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
    for line in lines {
        let own = words(line);
        let alike = |other: &str| {
            let other = words(other);
            other.len() == own.len() && own.iter().zip(&other).all(|(a, b)| nearly(a, b))
        };
        assert!(demo_run().run.out.lines().any(alike), "the program doesn't print: {line}");
    }
}

/// The README counts false claims as the table of docs/accuracy.md does.
#[test]
fn the_readme_s_false_claims_are_the_accuracy_table_s() {
    let text = |name: &str| {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/").to_owned() + name;
        one_line(&std::fs::read_to_string(path).expect("there"))
    };
    let table = text("docs/accuracy.md");
    let all = table.split("All cells: ").nth(1).expect("the sum of the table");
    let told = all.split(" claims false (").next().and_then(|head| head.split("), ").nth(1)).expect("claims");
    let (false_ones, claims) = told.split_once(" of ").expect("so many of so many");
    let share = all.split(" claims false (").nth(1).and_then(|tail| tail.split(')').next()).expect("a share");
    let held = all.split("intervals hold ").nth(1).expect("intervals");
    let mut held = held.split(" % (").map(|part| part.rsplit(' ').next().unwrap_or_default());
    let held: [&str; 2] = [(); 2].map(|()| held.next().expect("frequency and T60"));
    let held = held.map(|percent| percent.parse::<f64>().expect("a number").round());
    let sentence = format!(
        "Of {claims} claims in closed-form rooms {false_ones} were false ({share}), and {} % of the intervals of frequency and \
         {} % of those of T60 held the truth",
        held[0], held[1]
    );
    assert!(text("README.md").contains(&sentence), "not in the README: {sentence}");
}
