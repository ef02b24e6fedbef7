//! The committed reference page and schema are the ones that the program makes; and the sample
//! results go to the build folder, for the outside validators (tests/reference/validate_schema.py).

use std::fs;
use std::path::{Path, PathBuf};

use stillroom::flag::Flag;
use stillroom::output::{Folder, Overwrite, add_tables};
use stillroom::table::schema;

use super::{reference, sample};

/// Compares a committed file with what the program makes, or writes it where the variable is set.
pub fn hold(name: &str, made: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/reference").join(name);
    if std::env::var_os("STILLROOM_WRITE_DOCS").is_some() {
        fs::write(&path, made).unwrap();
    }
    let committed = fs::read_to_string(&path).unwrap_or_default();
    let first = made.lines().zip(committed.lines()).find(|(made, committed)| made != committed);
    assert!(
        committed == made,
        "docs/reference/{name} is out of date (first difference: {first:?}); to make it again: \
         STILLROOM_WRITE_DOCS=1 cargo test --test all tables"
    );
}

#[test]
fn the_reference_page_is_the_one_made_from_the_columns() {
    hold("tables.md", &reference::page());
}

#[test]
fn the_schema_is_the_one_made_from_the_columns() {
    hold(schema::FILE_NAME, &schema::text());
}

/// The whole English file, flags with it: what a translator starts from.
fn english_file() -> String {
    let mut text = include_str!("../../src/language/en.toml").to_owned();
    let quoted = |sentence: &str| sentence.replace('\\', "\\\\").replace('"', "\\\"");
    let mut part = |head: &str, of: fn(Flag) -> &'static str| {
        text.push_str(head);
        for flag in Flag::ALL.iter().filter(|flag| !of(**flag).is_empty()) {
            text.push_str(&format!("{} = \"{}\"\n", flag.word(), quoted(of(*flag))));
        }
    };
    part("\n# What the words of the flags columns mean.\n[flag]\n", Flag::sentence);
    part("\n# What to do about them.\n[advice]\n", Flag::advice);
    text
}

/// What a translator copies: the report's English sentences, flags with them.
#[test]
fn the_english_sentences_are_those_of_the_report() {
    hold("report-en.toml", &english_file());
}

#[test]
fn the_sample_goes_to_the_build_folder() {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("sample-results");
    let folder = Folder::open(&path, Overwrite::OnlyOurs).unwrap();
    let mut batch = folder.batch().unwrap();
    add_tables(&mut batch, &sample::results()).unwrap();
    #[cfg(feature = "parquet")]
    stillroom::output::add_parquet(&mut batch, &sample::results()).unwrap();
    let parquet = if cfg!(feature = "parquet") { 8 } else { 0 };
    batch.commit().unwrap();
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 11 + parquet);
}
