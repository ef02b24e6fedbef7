//! Results of many sessions: gathered whole, in any order, or left out and named.

mod forms;
mod gathered;
mod many;
mod typed;

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use stillroom::output::{Folder, Overwrite, add_tables};
use tempfile::TempDir;

use crate::tables::sample;

/// A fresh folder to run in.
pub struct Home(TempDir);

pub struct Run {
    pub status: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Home {
    pub fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Results of a session, made of the tables' sample; `number` makes its audio files its own.
    pub fn with_results(&self, name: &str, number: usize) -> PathBuf {
        let mut results = sample::results();
        results.session.title = Some(format!("Room {number}"));
        results.files[0].sha256 = Some(format!("{number:064x}"));
        self.write(name, &results)
    }

    pub fn write(&self, name: &str, results: &stillroom::table::Results) -> PathBuf {
        let path = self.path(name);
        let folder = Folder::open(&path, Overwrite::OnlyOurs).expect("free");
        let mut batch = folder.batch().expect("writable");
        add_tables(&mut batch, results).expect("writable");
        batch.commit().expect("writable");
        path
    }

    pub fn run(&self, arguments: &str) -> Run {
        let output = Command::cargo_bin("stillroom")
            .expect("the program was built")
            .current_dir(self.0.path())
            .env("NO_COLOR", "1")
            .args(arguments.split_whitespace())
            .output()
            .expect("the program runs");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Run { status: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
    }
}

/// Every file of a folder with its contents.
pub fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> = fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("readable").path())
        .map(|path| {
            (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read(&path).expect("a file"))
        })
        .collect();
    files.sort();
    files
}
