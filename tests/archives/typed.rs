//! Parquet beside CSV: which rows, which files. What stands in them, tests/reference/parquet_tables.py reads by another library.

use crate::program::Job;

#[cfg(not(feature = "parquet"))]
#[test]
fn a_build_without_parquet_says_so() {
    let home = Job::new();
    home.with_results("a-results", 1);
    let ran = home.run_line("gather a-results --out all --tables parquet");
    assert_eq!(ran.status, 2, "{}", ran.err);
    assert!(ran.err.contains("this build writes no Parquet files"), "{}", ran.err);
    assert!(!home.path("all").exists());
}

#[cfg(feature = "parquet")]
mod built {
    use super::*;
    use crate::program::contents;
    use std::fs;

    #[test]
    fn order_of_the_paths_changes_no_byte_and_csv_stays_as_it_is() {
        let home = Job::new();
        for number in 0..3 {
            home.with_results(&format!("r/s{number}-results"), number);
        }
        assert_eq!(home.run_line("gather r --out plain").status, 0);
        assert_eq!(home.run_line("gather r --out one --tables parquet").status, 0);
        let other = home.run_line("gather r/s2-results r/s0-results r/s1-results --out two --tables parquet");
        assert_eq!((other.status, contents(&home.path("one"))), (0, contents(&home.path("two"))));
        let mut csv = contents(&home.path("one"));
        csv.retain(|name, _| !name.ends_with(".parquet"));
        assert_eq!(csv, contents(&home.path("plain")));
        // A later run without them leaves none that could be taken for its own.
        assert_eq!(home.run_line("gather r/s0-results --out one").status, 0);
        assert!(!contents(&home.path("one")).keys().any(|name| name.ends_with(".parquet")));
    }

    /// A table of the right length whose bytes were damaged: none of its session's rows is taken, in either form.
    #[test]
    fn a_cell_of_another_kind_leaves_its_session_out() {
        let home = Job::new();
        home.with_results("r/whole-results", 1);
        assert_eq!(home.run_line("gather r --out wanted --tables parquet").status, 0);
        let broken = home.with_results("r/broken-results", 2);
        let checks = fs::read_to_string(broken.join("modes.csv")).expect("written");
        fs::write(broken.join("modes.csv"), checks.replacen("1.2346", "1.2x46", 1)).expect("writable");
        let ran = home.run_line("gather r --out all --tables parquet");
        assert_eq!(ran.status, 3, "{}", ran.err);
        assert!(ran.err.contains("its modes.csv holds \"1.2x46\" in the column t60_s"), "{}", ran.err);
        let tables = |folder: &str| {
            let mut files = contents(&home.path(folder));
            files.retain(|name, _| name != "results.json");
            files
        };
        assert_eq!(tables("all"), tables("wanted"));
    }
}
