//! A results folder: whose it is, what is replaced, what stays whole when something goes wrong.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use stillroom::output::{Folder, OutputError, Overwrite, RESULTS_JSON, add_tables, is_ours};

use super::sample;

fn write_into(path: &Path) -> Result<(), OutputError> {
    let mut batch = Folder::open(path, Overwrite::OnlyOurs)?.batch()?;
    add_tables(&mut batch, &sample::results())?;
    batch.commit()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort_unstable();
    names
}

#[test]
fn a_new_folder_becomes_ours_and_is_written_again() {
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("a/b-results");
    write_into(&out).unwrap();
    assert!(is_ours(&out));
    let first = fs::read(out.join(RESULTS_JSON)).unwrap();
    write_into(&out).unwrap();
    assert_eq!(fs::read(out.join(RESULTS_JSON)).unwrap(), first, "same input, same bytes");
    assert_eq!(
        names(&out),
        [
            "band_changes.csv",
            "bands.csv",
            "changes.csv",
            "checks.csv",
            "csv-metadata.json",
            "mode_levels.csv",
            "modes.csv",
            "position_changes.csv",
            "results.json",
            "results.schema.json",
            "targets.csv",
        ]
    );
}

#[test]
fn opening_alone_makes_nothing() {
    let home = tempfile::tempdir().unwrap();
    Folder::open(&home.path().join("out"), Overwrite::OnlyOurs).unwrap();
    assert!(names(home.path()).is_empty());
}

#[test]
fn a_strangers_folder_is_left_alone_unless_forced() {
    for (name, contents) in [
        ("notes.txt", "mine"),
        (RESULTS_JSON, "{}"),
        (RESULTS_JSON, "{\"schema\": \"1\"}"),
        (RESULTS_JSON, "{\"schema\": 2}"),
        (RESULTS_JSON, "{\"schema\": 1, \"program\": \"other\"}"),
        (RESULTS_JSON, "{\"schema\": 1"),
    ] {
        let home = tempfile::tempdir().unwrap();
        fs::write(home.path().join(name), contents).unwrap();
        let refused = write_into(home.path()).unwrap_err();
        assert!(matches!(&refused, OutputError::NotOurs { .. }), "{contents}: {refused}");
        assert!(refused.to_string().contains(name) && refused.to_string().contains("--force"), "{refused}");
        assert_eq!(names(home.path()), [name], "{contents}");
        assert_eq!(fs::read_to_string(home.path().join(name)).unwrap(), contents);
        let mut batch = Folder::open(home.path(), Overwrite::Anything).unwrap().batch().unwrap();
        add_tables(&mut batch, &sample::results()).unwrap();
        batch.commit().unwrap();
        assert!(is_ours(home.path()));
        assert!(home.path().join(name).exists(), "what is not ours stays");
    }
}

#[test]
fn an_empty_folder_or_what_a_killed_run_left_is_free() {
    let home = tempfile::tempdir().unwrap();
    for name in [".stillroom-x.tmp", ".DS_Store"] {
        fs::write(home.path().join(name), "half").unwrap();
    }
    write_into(home.path()).unwrap();
}

#[test]
fn tables_of_an_earlier_run_do_not_outlive_it() {
    let home = tempfile::tempdir().unwrap();
    write_into(home.path()).unwrap();
    fs::write(home.path().join("notes.txt"), "mine").unwrap();
    let mut batch = Folder::open(home.path(), Overwrite::OnlyOurs).unwrap().batch().unwrap();
    let mut results = sample::results();
    results.comparison = None;
    add_tables(&mut batch, &results).unwrap();
    batch.commit().unwrap();
    for stale in ["changes.csv", "position_changes.csv", "band_changes.csv", "targets.csv"] {
        assert!(!home.path().join(stale).exists(), "{stale}");
    }
    assert!(home.path().join("notes.txt").exists() && home.path().join("bands.csv").exists());
    let metadata = fs::read_to_string(home.path().join("csv-metadata.json")).unwrap();
    assert!(!metadata.contains("changes.csv") && metadata.contains("bands.csv"));
}

/// A write that fails, and a batch that is dropped before its end, leave every byte as it was.
#[test]
fn a_run_that_fails_changes_nothing() {
    let home = tempfile::tempdir().unwrap();
    write_into(home.path()).unwrap();
    let before = names(home.path());
    let bands = fs::read(home.path().join("bands.csv")).unwrap();
    let mut batch = Folder::open(home.path(), Overwrite::OnlyOurs).unwrap().batch().unwrap();
    batch.add("bands.csv", |out| out.write_all(b"new")).unwrap();
    let full = |out: &mut (dyn Write + Send)| {
        out.write_all(b"half")?;
        Err(io::Error::from(io::ErrorKind::StorageFull))
    };
    let failed = batch.add("modes.csv", full).unwrap_err();
    assert!(matches!(&failed, OutputError::Write { reason: io::ErrorKind::StorageFull, .. }), "{failed}");
    assert!(!failed.to_string().contains(".stillroom-"), "no temporary name in a message: {failed}");
    drop(batch);
    assert_eq!(names(home.path()), before);
    assert_eq!(fs::read(home.path().join("bands.csv")).unwrap(), bands);
}

#[test]
fn what_stands_in_the_way_is_named() {
    let home = tempfile::tempdir().unwrap();
    let file = home.path().join("file");
    fs::write(&file, "mine").unwrap();
    assert!(matches!(write_into(&file), Err(OutputError::NotAFolder { .. })));
    assert!(matches!(write_into(&file.join("below")), Err(OutputError::Write { .. })));
    let out = home.path().join("out");
    write_into(&out).unwrap();
    fs::remove_file(out.join("modes.csv")).unwrap();
    fs::create_dir(out.join("modes.csv")).unwrap();
    let failed = write_into(&out).unwrap_err();
    assert!(matches!(&failed, OutputError::Write { path, .. } if path.ends_with("modes.csv")), "{failed}");
    assert!(out.join("modes.csv").is_dir() && out.join("bands.csv").is_file(), "nothing was changed");
}

/// A folder of the user's can't go along in one exchange: a journal does it, file by file, and what a run
/// that was killed between two files left is ended by whoever opens the folder next.
#[test]
fn a_journal_that_was_left_is_ended() {
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("out");
    write_into(&out).unwrap();
    fs::create_dir(out.join("mine")).unwrap();
    fs::write(out.join("mine/photo.png"), "mine").unwrap();
    write_into(&out).unwrap();
    assert!(!names(&out).iter().any(|name| name.starts_with('.')), "{:?}", names(&out));
    // As a kill leaves it: results.json is in its place, bands.csv not yet, and changes.csv not removed yet.
    let new = out.join(".stillroom-new");
    fs::create_dir(&new).unwrap();
    fs::write(new.join("bands.csv"), "new").unwrap();
    fs::write(new.join(".names"), "results.json\nbands.csv\n../escaped").unwrap();
    Folder::open(&out, Overwrite::OnlyOurs).unwrap();
    assert_eq!(names(&out), ["bands.csv", "mine", "results.json"]);
    assert_eq!(fs::read_to_string(out.join("bands.csv")).unwrap(), "new");
    assert_eq!(fs::read_to_string(out.join("mine/photo.png")).unwrap(), "mine");
    assert_eq!(names(home.path()), ["out"]);
}

/// What a killed run left beside the folder goes with the next run, but nothing that isn't ours.
#[cfg(unix)]
#[test]
fn what_a_killed_run_left_beside_is_cleared_away() {
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("out");
    write_into(&out).unwrap();
    let left = home.path().join(".stillroom-out-a1B2c3");
    fs::create_dir(&left).unwrap();
    fs::write(left.join("bands.csv"), "half").unwrap();
    fs::write(left.join("notes.txt"), "mine").unwrap();
    write_into(&out).unwrap();
    assert_eq!(names(home.path()), ["out"]);
    assert_eq!(fs::read_to_string(out.join("notes.txt")).unwrap(), "mine");
}

/// `tempfile` makes files that only their owner may read; results are for others too.
#[cfg(unix)]
#[test]
fn files_have_the_permissions_of_any_new_file() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    write_into(home.path()).unwrap();
    let ordinary = home.path().join("ordinary");
    fs::write(&ordinary, "").unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&home.path().join(RESULTS_JSON)), mode(&ordinary));
}

/// Two runs into one folder at once: the second waits until the first has placed all its files, so
/// that the files of one run lie there, not a mix. The first is played by a lock that the test holds.
#[cfg(unix)]
#[test]
fn a_second_run_waits_for_the_first() {
    let home = tempfile::tempdir().unwrap();
    let first = fs::File::open(home.path()).unwrap();
    first.lock().unwrap();
    std::thread::scope(|scope| {
        let second = scope.spawn(|| write_into(home.path()).unwrap());
        std::thread::sleep(std::time::Duration::from_millis(300));
        assert!(!second.is_finished() && !is_ours(home.path()), "it must wait");
        first.unlock().unwrap();
        second.join().unwrap();
        assert_eq!(names(home.path()).len(), 11);
    });
    assert!(is_ours(home.path()));
}
