//! Results of many sessions: gathered whole, in any order, or left out and named.

mod forms;
mod gathered;
mod many;
mod typed;

use std::path::PathBuf;

use stillroom::output::{Folder, Overwrite, add_tables};

use crate::program::Job;
use crate::tables::sample;

impl Job {
    /// Results of a session, made of the tables' sample; `number` makes its audio files its own.
    pub fn with_results(&self, name: &str, number: usize) -> PathBuf {
        let mut results = sample::results();
        results.session.title = Some(format!("Room {number}"));
        results.files[0].sha256 = Some(format!("{number:064x}"));
        self.write_results(name, &results)
    }

    pub fn write_results(&self, name: &str, results: &stillroom::table::Results) -> PathBuf {
        let path = self.path(name);
        let folder = Folder::open(&path, Overwrite::OnlyOurs).expect("free");
        let mut batch = folder.batch().expect("writable");
        add_tables(&mut batch, results).expect("writable");
        batch.commit().expect("writable");
        path
    }
}
