//! What the user has is kept, whatever happens: interrupts, kills, full disks, names taken, damaged input.

mod damage;
mod kept;
mod kills;
mod memory;
mod status;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::program::Job;

impl Job {
    /// Names in the folder, hidden ones too.
    pub fn names(&self, folder: &str) -> Vec<String> {
        files(&self.path(folder)).into_keys().collect()
    }
}

/// Entries of a folder with the bytes of those that are files; nothing where there is none.
pub fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|entry| {
            let name = entry.file_name().to_string_lossy().into_owned();
            (name, fs::read(entry.path()).unwrap_or_default())
        })
        .collect()
}

/// Numbers from a linear congruential generator (Knuth's MMIX constants): the same in every run.
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    /// From 0 up to, but without, `n`.
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    pub fn one<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }
}
