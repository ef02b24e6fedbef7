//! What is said about files and names that don't fit: ambiguous, refused, stray, missing, unknown.

use std::collections::{BTreeMap, BTreeSet};

use super::error::{SessionError, list};
use super::labels::stem;
use super::manifest::{ListedTake, Manifest};
use super::order::{NaturalKey, closest, fold, plain};
use super::pattern::{Parts, Pattern, Reading};
use super::plan::{Candidate, Home, Plan};
use super::{Failure, State};
use crate::language::count;

/// Files that could not be placed, or only by a choice.
pub(super) struct Misfits {
    pattern: String,
    pub failures: Vec<Failure>,
    refused: Vec<String>,
    stray: Vec<String>,
    ambiguous: Vec<String>,
    first_choice: String,
    absent_unused: Vec<String>,
}

impl Misfits {
    pub fn new(pattern: &str) -> Self {
        Self {
            pattern: pattern.to_owned(),
            failures: Vec::new(),
            refused: Vec::new(),
            stray: Vec::new(),
            ambiguous: Vec::new(),
            first_choice: String::new(),
            absent_unused: Vec::new(),
        }
    }

    /// The likeliest reading of a file's name: the one whose parts the manifest lists, then the one with most
    /// under `*`, then the one whose take is a plain count, then the one with the shortest parts in
    /// front. Only the last is a guess, and told.
    pub fn read(&mut self, pattern: &Pattern, file: &str, listed: &Listed) -> Option<Parts> {
        let mut readings = pattern.readings(stem(file));
        let likelihood = |reading: &Reading| {
            (listed.count(&reading.parts), reading.skipped, reading.parts.take_is_a_count())
        };
        let best = readings.iter().map(likelihood).max()?;
        readings.retain(|reading| likelihood(reading) == best);
        if let [first, second, ..] = readings.as_slice() {
            if self.ambiguous.is_empty() {
                self.first_choice = format!("{}, though it could be {}", first.parts, second.parts);
            }
            self.ambiguous.push(file.to_owned());
        }
        readings.into_iter().next().map(|reading| reading.parts)
    }

    pub fn refuse(&mut self, file: &str) {
        let reason = format!("its name does not fit {}", plain(&self.pattern));
        self.failures.push(Failure { file: file.to_owned(), reason });
        self.refused.push(file.to_owned());
    }

    pub fn stray(&mut self, file: &str) {
        self.stray.push(file.to_owned());
    }

    /// Files that `[[takes]]` names and that are not there.
    pub fn absent_takes<'a>(&mut self, takes: impl Iterator<Item = &'a ListedTake>, files: &[Candidate]) {
        for take in takes {
            if !take.used {
                self.absent_unused.push(take.file.clone());
                continue;
            }
            let near = closest(&take.file, files.iter().map(|file| file.file.as_str()));
            let hint = near.map_or_else(String::new, |near| format!("; there is {}", plain(near)));
            let reason = format!("[[takes]] names it but there is no such audio file{hint}");
            self.failures.push(Failure { file: take.file.clone(), reason });
        }
    }

    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        if let Some(first) = self.ambiguous.first() {
            warnings.push(format!(
                "{} can be read in more than one way; {} taken as {}; list the names in session.toml or use a clearer pattern",
                count(self.ambiguous.len(), "name"),
                plain(stem(first)),
                plain(&self.first_choice)
            ));
        }
        if !self.stray.is_empty() {
            warnings.push(format!(
                "{} in the session's own folder belongs to no state and is not used: {}; move it into a state's folder, or give it a state in [[takes]]",
                count(self.stray.len(), "audio file"),
                list(&self.stray)
            ));
        }
        if !self.absent_unused.is_empty() {
            warnings.push(format!("[[takes]] leaves out what is not there: {}", list(&self.absent_unused)));
        }
        warnings
    }

    /// Why no take is left.
    pub fn nothing_left(self, plan: &Plan) -> SessionError {
        if !self.refused.is_empty() {
            return SessionError::NoNameFits { pattern: self.pattern, found: self.refused };
        }
        let listed: Vec<String> = plan.manifest.states.iter().map(|state| state.name.clone()).collect();
        let found = if !self.stray.is_empty() {
            format!(
                "{} beside session.toml, but no listed state has folder = \".\"",
                count(self.stray.len(), "audio file")
            )
        } else if !listed.is_empty() {
            format!("none in the folders of the states {}", list(&listed))
        } else {
            "none".to_owned()
        };
        SessionError::NoAudio { path: plan.shown.clone(), found }
    }
}

/// Why a listed state has no takes.
pub(super) fn why_missing(state: &State, plan: &Plan) -> String {
    let Some(folder) = &state.folder else {
        return "no file's name says this state".to_owned();
    };
    if folder == "." {
        return "no audio beside session.toml".to_owned();
    }
    if plan.folders.iter().any(|name| fold(name) == fold(folder)) {
        return format!("the folder {} holds no audio that can be used", plain(folder));
    }
    let near = closest(folder, plan.folders.iter().map(String::as_str));
    let flat = plan.files.iter().any(|file| file.home == Home::Root);
    let hint = match near {
        Some(near) => format!("; there is {}", plain(near)),
        None if flat => "; for audio beside session.toml write folder = \".\"".to_owned(),
        None => String::new(),
    };
    format!("no folder {}{hint}", plain(folder))
}

/// States whose stated folder isn't there, and that a folder of their own name filled.
pub(super) fn other_folders(manifest: &Manifest, states: &[State], files: &[Candidate]) -> Vec<String> {
    let at = |folder: &str| {
        files.iter().any(|file| matches!(&file.home, Home::Folder(home) if fold(home) == fold(folder)))
    };
    let stated = manifest.states.iter().filter_map(|state| Some((state, state.folder.as_deref()?)));
    let filled = |name: &str| states.iter().any(|s| fold(&s.name) == fold(name) && !s.takes.is_empty());
    let other = stated
        .filter(|(state, folder)| *folder != "." && !at(folder) && at(&state.name) && filled(&state.name));
    other
        .map(|(state, folder)| {
            format!(
                "state {}: no audio in a folder {}; the folder of its name is taken for it",
                plain(&state.name),
                plain(folder)
            )
        })
        .collect()
}

/// Positions and sources that only the files or only the manifest know.
pub(super) fn names(manifest: &Manifest, states: &[State], partial: bool) -> Vec<String> {
    let takes = || states.iter().flat_map(|state| &state.takes);
    let positions: Vec<&str> = manifest.positions.iter().map(|position| position.name.as_str()).collect();
    let sources: Vec<&str> = manifest.sources.iter().map(|source| source.name.as_str()).collect();
    let mut warnings = compare("position", &positions, takes().map(|take| take.position.as_str()), partial);
    warnings.extend(compare("source", &sources, takes().map(|take| take.source.as_str()), partial));
    warnings
}

fn compare<'a>(
    kind: &str,
    listed: &[&str],
    met: impl Iterator<Item = &'a str>,
    partial: bool,
) -> Vec<String> {
    if listed.is_empty() {
        return Vec::new();
    }
    let met: BTreeMap<String, &str> = met.map(|name| (fold(name), name)).collect();
    let unmet: Vec<&str> = listed.iter().copied().filter(|name| !met.contains_key(&fold(name))).collect();
    let is_listed = |name: &&str| listed.iter().any(|other| fold(other) == fold(name));
    let mut unknown: Vec<&str> = met.into_values().filter(|name| !is_listed(name)).collect();
    unknown.sort_by_cached_key(|name| NaturalKey::new(name));
    let mut warnings = Vec::new();
    for name in unknown {
        let near = closest(name, unmet.iter().copied());
        let hint =
            near.map_or_else(String::new, |near| format!(" (is it {}, which no file names?)", plain(near)));
        warnings.push(format!("{kind} {} is not listed in session.toml{hint}", plain(name)));
    }
    if !partial {
        for name in unmet {
            warnings.push(format!("no file at the listed {kind} {}", plain(name)));
        }
    }
    warnings
}

/// What the manifest lists, folded, to tell likely readings of a name from others.
pub(super) struct Listed {
    pub states: BTreeSet<String>,
    pub positions: BTreeSet<String>,
    pub sources: BTreeSet<String>,
    /// Folded folder to the state's name.
    pub folders: BTreeMap<String, String>,
}

impl Listed {
    pub fn of(manifest: &Manifest) -> Self {
        Self {
            states: manifest.states.iter().map(|state| fold(&state.name)).collect(),
            positions: manifest.positions.iter().map(|position| fold(&position.name)).collect(),
            sources: manifest.sources.iter().map(|source| fold(&source.name)).collect(),
            folders: manifest.states.iter().map(|state| (fold(state.folder()), state.name.clone())).collect(),
        }
    }

    /// How many parts of a reading the manifest lists.
    fn count(&self, parts: &Parts) -> usize {
        let pairs = [
            (&parts.state, &self.states),
            (&parts.position, &self.positions),
            (&parts.source, &self.sources),
        ];
        let known = pairs
            .iter()
            .filter(|(part, listed)| part.as_deref().is_some_and(|part| listed.contains(&fold(part))));
        known.count()
    }
}
