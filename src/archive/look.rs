//! Which results lie behind the paths, what their sessions are called, and what is missing or twice.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use super::head::{self, Head};
use super::{Archive, ArchiveError, LeftOut, Results};
use crate::language::few;
use crate::output::RESULTS_JSON;
use crate::session::{NaturalKey, plain, shortest_names};
use crate::table::json::SCHEMA;

/// How the folders of results are called after their sessions.
const ENDING: &str = "-results";
/// How those of a run are called that was stopped.
const INTERRUPTED: &str = "-results-interrupted";
/// Names that a message lists; the rest is counted.
const NAMED: usize = 3;

/// Finds the results behind `paths`: results folders, or folders that hold them side by side.
///
/// `sessions`: a folder with a sub-folder for each session; those without results are named.
///
/// # Errors
/// [`ArchiveError::Nothing`]; [`ArchiveError::Schema`] if any results have another schema than this program's.
pub fn look(paths: &[PathBuf], sessions: Option<&Path>) -> Result<Archive, ArchiveError> {
    let mut finder = Finder::default();
    for path in paths {
        finder.path(path);
    }
    finder.refuse_schemas()?;
    let looked_at = finder.looked_at();
    let mut archive = finder.archive();
    if let Some(folder) = sessions {
        name_missing(&mut archive, folder, &looked_at);
    }
    if archive.sessions.is_empty() {
        let found = match archive.left_out.first() {
            Some(first) => format!("{}: {}", first.what, first.reason),
            None => "none of these".to_owned(),
        };
        return Err(ArchiveError::Nothing { found });
    }
    archive.warn_of_differences();
    Ok(archive)
}

#[derive(Default)]
struct Finder {
    seen: BTreeSet<PathBuf>,
    found: Vec<(PathBuf, Head)>,
    left_out: Vec<LeftOut>,
}

impl Finder {
    /// A results folder, or a folder that holds some.
    fn path(&mut self, path: &Path) {
        if path.join(RESULTS_JSON).is_file() {
            return self.folder(path, true);
        }
        let Ok(entries) = fs::read_dir(path) else {
            return self.leave(
                path,
                "no such folder, or it can't be read".to_owned(),
                "see that it is there and may be read",
            );
        };
        let mut folders: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
        folders.retain(|folder| folder.is_dir() && !name(folder).starts_with('.'));
        folders.sort_by_cached_key(|folder| NaturalKey::new(&name(folder)));
        let before = (self.found.len(), self.left_out.len());
        for folder in folders {
            if folder.join(RESULTS_JSON).is_file() || name(&folder).ends_with(ENDING) {
                self.folder(&folder, false);
            }
        }
        if before == (self.found.len(), self.left_out.len()) {
            self.leave(
                path,
                "no results.json in it or in its sub-folders".to_owned(),
                "name the folder that analyze or compare wrote",
            );
        }
    }

    /// `named`: by the user, rather than found beside others.
    fn folder(&mut self, folder: &Path, named: bool) {
        const AGAIN: &str = "run analyze or compare again, or copy the folder again";
        if !self.seen.insert(fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned())) {
            return self.leave(folder, "the same folder is named twice".to_owned(), "name it once");
        }
        if name(folder).ends_with(INTERRUPTED) {
            return self.leave(folder, "results of a run that was stopped".to_owned(), AGAIN);
        }
        if !folder.join(RESULTS_JSON).is_file() {
            return self.leave(folder, "no results.json in it".to_owned(), AGAIN);
        }
        match head::read(&folder.join(RESULTS_JSON)) {
            Ok(None) => {
                let reason = "its results.json is not of this program's making".to_owned();
                self.leave(folder, reason, "name the folder that analyze or compare wrote");
            }
            // An earlier gathering may lie beside what it was made of.
            Ok(Some(head)) if head.gathered && !named => {}
            Ok(Some(head)) if head.gathered => {
                let reason = "it holds gathered results, not those of a session".to_owned();
                self.leave(folder, reason, "name the folders that these were gathered from");
            }
            Ok(Some(head)) => self.found.push((folder.to_owned(), head)),
            Err(reason) => self.leave(folder, reason, AGAIN),
        }
    }

    /// What the sessions of all these folders are called, those that were left out among them.
    fn looked_at(&self) -> BTreeSet<String> {
        let session = |folder: &PathBuf| {
            let name = name(folder);
            let short = name.strip_suffix(INTERRUPTED).or(name.strip_suffix(ENDING));
            short.map_or(name.clone(), str::to_owned)
        };
        self.seen.iter().map(session).collect()
    }

    fn leave(&mut self, folder: &Path, reason: String, advice: &'static str) {
        self.left_out.push(LeftOut { what: plain(&folder.display().to_string()), reason, advice });
    }

    fn refuse_schemas(&self) -> Result<(), ArchiveError> {
        let mut by_schema: BTreeMap<u64, Vec<String>> = BTreeMap::new();
        for (folder, head) in &self.found {
            by_schema.entry(head.schema).or_default().push(plain(&folder.display().to_string()));
        }
        if by_schema.keys().all(|schema| *schema == u64::from(SCHEMA)) {
            return Ok(());
        }
        let words =
            by_schema.iter().map(|(schema, folders)| format!("schema {schema}: {}", few(folders, NAMED)));
        Err(ArchiveError::Schema { found: words.collect::<Vec<_>>().join("; ") })
    }

    /// Names the sessions, orders them, and leaves out what is there a second time.
    fn archive(self) -> Archive {
        let folders: Vec<PathBuf> = self.found.iter().map(|found| found.0.clone()).collect();
        let mut all: Vec<Results> = self
            .found
            .into_iter()
            .zip(session_names(&folders))
            .map(|((folder, head), name)| Results { name, folder, head })
            .collect();
        all.sort_by_cached_key(|results| (NaturalKey::new(&results.name), results.name.clone()));
        let mut archive = Archive { left_out: self.left_out, ..Archive::default() };
        let mut known: BTreeMap<[u8; 32], String> = BTreeMap::new();
        for results in all {
            let first = results.head.inputs.and_then(|inputs| known.get(&inputs).cloned());
            if let Some(first) = first {
                archive.left_out.push(LeftOut {
                    what: results.name,
                    reason: format!("the same audio files as {}, under another name", plain(&first)),
                    advice: "keep one of the two",
                });
                continue;
            }
            known.extend(results.head.inputs.map(|inputs| (inputs, results.name.clone())));
            archive.sessions.push(results);
        }
        archive
    }
}

/// Names of the sessions: their folders' without `-results`, as long as that tells them apart.
fn session_names(folders: &[PathBuf]) -> Vec<String> {
    let full = shortest_names(folders);
    let short = |name: &String| {
        name.strip_suffix(ENDING).filter(|s| !s.is_empty() && !s.ends_with('/')).unwrap_or(name).to_owned()
    };
    let mut claims: BTreeMap<String, usize> = BTreeMap::new();
    for name in &full {
        *claims.entry(short(name).to_lowercase()).or_default() += 1;
    }
    let unique = |name: &String| claims.get(&name.to_lowercase()).is_none_or(|claims| *claims == 1);
    full.iter().map(|name| Some(short(name)).filter(unique).unwrap_or_else(|| name.clone())).collect()
}

/// Sub-folders of `folder` that no results are called after. What became of results that were left out is told already.
fn name_missing(archive: &mut Archive, folder: &Path, looked_at: &BTreeSet<String>) {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut missing: Vec<String> = entries
        .filter(|entry| entry.path().is_dir() && !entry.path().join(RESULTS_JSON).is_file())
        .map(|entry| name(&entry.path()))
        .filter(|name| !name.starts_with('.') && !name.ends_with(ENDING) && !looked_at.contains(name))
        .collect();
    missing.sort_by_cached_key(|name| NaturalKey::new(name));
    archive.left_out.extend(missing.into_iter().map(|name| LeftOut {
        what: plain(&name),
        reason: "a session without results".to_owned(),
        advice: "analyze it, and gather again",
    }));
}

impl Archive {
    /// Settings and versions that differ make rows that can't be held against each other unseen.
    fn warn_of_differences(&mut self) {
        let of_settings = differences(&self.sessions, |of| &of.head.settings);
        let of_versions = differences(&self.sessions, |of| &of.head.version);
        self.warnings.extend(
            of_settings.map(|found| format!("sessions were analysed with different settings: {found}")),
        );
        self.warnings.extend(
            of_versions.map(|found| format!("results are of different versions of the program: {found}")),
        );
    }
}

fn differences(sessions: &[Results], of: impl Fn(&Results) -> &String) -> Option<String> {
    let mut groups: BTreeMap<&String, Vec<String>> = BTreeMap::new();
    for session in sessions {
        groups.entry(of(session)).or_default().push(plain(&session.name));
    }
    let words = groups.iter().map(|(value, names)| format!("{value}: {}", few(names, NAMED)));
    (groups.len() > 1).then(|| words.collect::<Vec<_>>().join("; "))
}

fn name(folder: &Path) -> String {
    folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}
