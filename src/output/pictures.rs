//! A folder of pictures: those of an earlier run are replaced, those of others are not.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::file::{Existing, put};
use super::{OutputError, Overwrite};

/// Pictures that a program makes, and how it knows them again.
#[derive(Debug, Clone, Copy)]
pub struct Pictures<'a> {
    /// Where they go.
    pub folder: &'a Path,
    /// Their names without number and ending: `map` for `map-2.svg`.
    pub names: &'a [&'a str],
    /// What stands near the beginning of each file.
    pub mark: &'a str,
    /// Whether those of others with such a name may be replaced.
    pub overwrite: Overwrite,
}

impl Pictures<'_> {
    /// Looks whether pictures may go to the folder, before any work is done.
    ///
    /// # Errors
    /// [`OutputError::Exists`] for a file with the name of a picture of ours that this program did not
    /// make; [`OutputError::NotAFolder`].
    pub fn look(&self) -> Result<(), OutputError> {
        if fs::metadata(self.folder).is_ok_and(|found| !found.is_dir()) {
            return Err(OutputError::NotAFolder { path: self.folder.to_owned() });
        }
        match self.named_like_ours().into_iter().find(|path| !self.is_ours(path)) {
            Some(path) if self.overwrite == Overwrite::OnlyOurs => Err(OutputError::Exists { path }),
            _ => Ok(()),
        }
    }

    /// Writes pictures and removes those of an earlier run that are not among them.
    ///
    /// `files`: name and contents.
    ///
    /// # Errors
    /// As [`Pictures::look`], with nothing written; [`OutputError::Write`].
    pub fn write(&self, files: &[(String, Vec<u8>)]) -> Result<(), OutputError> {
        self.look()?;
        for (name, bytes) in files {
            put(&self.folder.join(name), bytes, Existing::Replace)?;
        }
        let is_new = |path: &Path| files.iter().any(|(name, _)| path.ends_with(name));
        for stale in self.named_like_ours() {
            if !is_new(&stale) && self.is_ours(&stale) {
                fs::remove_file(&stale).map_err(OutputError::write(&stale))?;
            }
        }
        Ok(())
    }

    /// Entries that have the name of a picture, in order.
    fn named_like_ours(&self) -> Vec<PathBuf> {
        let entries = fs::read_dir(self.folder).into_iter().flatten().flatten().map(|entry| entry.path());
        let mut found: Vec<PathBuf> = entries.filter(|path| self.is_named_so(path)).collect();
        found.sort_unstable();
        found
    }

    fn is_named_so(&self, path: &Path) -> bool {
        let picture = path.extension().is_some_and(|extension| extension == "svg" || extension == "png");
        let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
        let kind = stem.trim_end_matches(|c: char| c.is_ascii_digit()).strip_suffix('-').unwrap_or(stem);
        picture && self.names.contains(&kind)
    }

    /// Whether this program made a file. What a link leads to is not asked.
    fn is_ours(&self, path: &Path) -> bool {
        const HEAD: u64 = 512;
        let mut head = Vec::new();
        let regular = fs::symlink_metadata(path).is_ok_and(|data| data.is_file());
        let read =
            regular && fs::File::open(path).and_then(|file| file.take(HEAD).read_to_end(&mut head)).is_ok();
        read && head.windows(self.mark.len()).any(|part| part == self.mark.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_pictures_are_replaced() {
        let home = tempfile::tempdir().expect("a folder");
        let (names, mark, overwrite) = (&["map", "spectrum"][..], "Software: x", Overwrite::OnlyOurs);
        let ours = Pictures { folder: home.path(), names, mark, overwrite };
        let text = format!("<?xml version=\"1.0\"?>\n<!-- {mark} -->\n<svg/>");
        let file = |name: &str| vec![(name.to_owned(), text.clone().into_bytes())];
        ours.write(&file("map-1.svg")).expect("free");
        fs::write(home.path().join("photo.png"), "mine").expect("writable");
        fs::write(home.path().join("map-1-of-the-town.svg"), "mine").expect("writable");
        ours.write(&file("map-2.svg")).expect("ours alone");
        assert!(!home.path().join("map-1.svg").exists(), "of an earlier run");
        fs::write(home.path().join("spectrum.png"), "mine").expect("writable");
        let refused = ours.write(&file("map-3.svg")).expect_err("not ours");
        assert!(refused.to_string().contains("spectrum.png"), "{refused}");
        assert!(!home.path().join("map-3.svg").exists() && home.path().join("map-2.svg").exists());
        let forced = Pictures { overwrite: Overwrite::Anything, ..ours };
        forced.write(&file("spectrum.png")).expect("forced");
        for (name, mine) in [("photo.png", true), ("map-1-of-the-town.svg", true), ("spectrum.png", false)] {
            assert_eq!(fs::read(home.path().join(name)).expect("there") == b"mine", mine, "{name}");
        }
    }
}
