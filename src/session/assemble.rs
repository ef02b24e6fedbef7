//! Files that were found, the manifest and the names together become a [`Session`].

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::error::{Collision, SessionError};
use super::manifest::{ListedTake, Manifest};
use super::order::{NaturalKey, as_name, closest, composed, fold, plain};
use super::pattern::Pattern;
use super::remarks::{self, Misfits};
use super::{Failure, OpenOptions, Session, State, Take};

/// Position of files whose pattern says none.
pub(super) const UNNAMED_POSITION: &str = "mic";

/// What the paths meant, before any name is read.
#[derive(Debug, Default)]
pub(super) struct Plan {
    pub name: String,
    pub root: Option<PathBuf>,
    /// For messages: the folder or file that the user named.
    pub shown: PathBuf,
    pub manifest: Manifest,
    pub manifest_path: PathBuf,
    /// The first state that the manifest lists, also where only others were asked for.
    pub first_listed: Option<String>,
    pub files: Vec<Candidate>,
    /// Sub-folders that are there, for hints.
    pub folders: Vec<String>,
    /// Only part of the session was asked for: nothing is said of the rest.
    pub partial: bool,
    /// States stay in the order in which the user named them.
    pub keep_order: bool,
    pub failures: Vec<Failure>,
    pub warnings: Vec<String>,
}

/// A file that is to become a take.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub path: PathBuf,
    /// Path within the session with `/`.
    pub file: String,
    pub home: Home,
}

/// What a file's place says about its state.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Home {
    /// In the session's own folder.
    Root,
    /// In this sub-folder.
    Folder(String),
    /// The state is given, whatever the name says.
    State(String),
}

/// Makes the session.
///
/// # Errors
/// Patterns, channels and names that can't be used; a manifest that contradicts the folder; no takes.
pub(super) fn assemble(plan: Plan, options: &OpenOptions) -> Result<Session, SessionError> {
    let asked = asked_pattern(options)?.or_else(|| plan.manifest.names.clone());
    let channel = options.channel.or(plan.manifest.channel).unwrap_or(1);
    if !(1..=65_535).contains(&channel) {
        return Err(SessionError::Channel { found: channel });
    }
    let mut work = Work::new(&plan, options, asked.clone().unwrap_or_default());
    for candidate in &plan.files {
        work.add(candidate);
    }
    work.check_collisions()?;
    work.check_manifest()?;
    let Work { mut states, mut misfits, .. } = work;
    if states.iter().all(|state| state.takes.is_empty()) {
        return Err(misfits.nothing_left(&plan));
    }
    finish(&mut states, &plan, options.each);
    let baseline = baseline(&plan, &states, options.each)?;
    let mut warnings = plan.warnings;
    warnings.extend(plan.manifest.warnings.iter().cloned());
    warnings.extend(misfits.warnings());
    if !options.each {
        warnings.extend(remarks::names(&plan.manifest, &states, plan.partial));
    }
    let mut failures = plan.failures;
    failures.append(&mut misfits.failures);
    Ok(Session {
        root: plan.root,
        title: plan.manifest.title,
        baseline,
        names: asked,
        channel,
        same_chain: plan.manifest.same_chain,
        time_base: plan.manifest.time_base,
        room: plan.manifest.room,
        visit: plan.manifest.visit,
        sources: plan.manifest.sources,
        positions: plan.manifest.positions,
        states,
        failures,
        warnings,
        ..Session::new(&plan.name)
    })
}

/// The pattern from the command line.
pub(super) fn asked_pattern(options: &OpenOptions) -> Result<Option<Pattern>, SessionError> {
    let parse = |text: &String| {
        Pattern::parse(text).map_err(|error| SessionError::Pattern { pattern: text.clone(), error })
    };
    options.names.as_ref().map(parse).transpose()
}

/// Takes gathered so far.
struct Work<'p> {
    plan: &'p Plan,
    each: bool,
    pattern: Pattern,
    overrides: BTreeMap<String, &'p ListedTake>,
    states: Vec<State>,
    /// By folded name: which of `states`, and the places that gave it its name.
    known: BTreeMap<String, (usize, BTreeSet<Home>)>,
    positions: Spelling,
    sources: Spelling,
    listed: Listed,
    misfits: Misfits,
}

impl<'p> Work<'p> {
    fn new(plan: &'p Plan, options: &OpenOptions, pattern: Pattern) -> Self {
        let manifest = &plan.manifest;
        let positions = manifest.positions.iter().map(|position| position.name.as_str());
        let sources = manifest.sources.iter().map(|source| source.name.as_str());
        let mut work = Self {
            plan,
            each: options.each,
            overrides: manifest.takes.iter().map(|take| (fold(&take.file), take)).collect(),
            states: Vec::new(),
            known: BTreeMap::new(),
            positions: Spelling::of(positions),
            sources: Spelling::of(sources),
            listed: Listed::of(manifest),
            misfits: Misfits::new(pattern.text()),
            pattern,
        };
        for listed in &manifest.states {
            let state = State {
                folder: (!work.pattern_names_states() || listed.folder.is_some())
                    .then(|| listed.folder().to_owned()),
                listed: true,
                temperature_c: listed.temperature_c,
                units: listed.units.clone(),
                ..State::new(&listed.name)
            };
            work.known.insert(fold(&listed.name), (work.states.len(), BTreeSet::new()));
            work.states.push(state);
        }
        work
    }

    fn pattern_names_states(&self) -> bool {
        self.pattern.holds(super::Field::State)
    }

    fn add(&mut self, candidate: &Candidate) {
        let override_ = self.overrides.remove(&fold(&candidate.file));
        let stem = stem(&candidate.file);
        let parts = self.misfits.read(&self.pattern, stem, &candidate.file, &self.listed);
        let stated = override_.and_then(|take| take.position.clone());
        let unnamed = || UNNAMED_POSITION.to_owned();
        let position = match (stated, &parts) {
            (Some(position), _) => position,
            (None, Some(parts)) => parts.position.clone().unwrap_or_else(unnamed),
            // Nothing is asked of the name where the file stands for itself or isn't used.
            (None, None) if self.each || override_.is_some_and(|take| !take.used) => as_name(stem),
            (None, None) => return self.misfits.refuse(&candidate.file),
        };
        let parts = parts.unwrap_or_default();
        let Some(state) = self.state_of(candidate, override_, parts.state) else {
            return self.misfits.stray(&candidate.file);
        };
        let source = override_.and_then(|take| take.source.clone()).or(parts.source).unwrap_or_default();
        let first = self.plan.manifest.sources.first();
        let source =
            if source.is_empty() { first.map_or(source, |first| first.name.clone()) } else { source };
        self.states[state].takes.push(Take {
            path: candidate.path.clone(),
            file: candidate.file.clone(),
            position: self.positions.settle(&position),
            source: self.sources.settle(&source),
            take: override_.and_then(|take| take.take.clone()).or(parts.take).unwrap_or_default(),
            used: override_.is_none_or(|take| take.used),
            note: override_.and_then(|take| take.note.clone()),
        });
    }

    /// Which state a file belongs to: the manifest's word, a given one, the name's, the folder's.
    fn state_of(
        &mut self,
        file: &Candidate,
        take: Option<&ListedTake>,
        named: Option<String>,
    ) -> Option<usize> {
        if let Some(stated) = take.and_then(|take| take.state.as_ref()) {
            return Some(self.state_named(&stated.value, None, None));
        }
        match (&file.home, named) {
            (Home::State(name), _) => Some(self.state_named(name, None, Some(&file.home))),
            (_, Some(name)) => Some(self.state_named(&name, None, None)),
            (Home::Folder(folder), None) => {
                let listed = self.listed.folders.get(&fold(folder)).cloned();
                let name = listed.unwrap_or_else(|| as_name(folder));
                Some(self.state_named(&name, Some(folder), Some(&file.home)))
            }
            (Home::Root, None) => {
                let listed = self.listed.folders.get(".").cloned();
                let alone = self.plan.manifest.states.is_empty()
                    && !self.plan.files.iter().any(|file| matches!(file.home, Home::Folder(_)));
                let name = listed.or_else(|| alone.then(|| self.plan.name.clone()))?;
                Some(self.state_named(&name, self.plan.root.is_some().then_some("."), Some(&file.home)))
            }
        }
    }

    /// The state of this name, a new one if need be; `home` is the place that named it so.
    fn state_named(&mut self, name: &str, folder: Option<&str>, home: Option<&Home>) -> usize {
        let next = self.states.len();
        let (index, homes) = self.known.entry(fold(name)).or_insert_with(|| (next, BTreeSet::new()));
        if *index == next {
            self.states.push(State { folder: folder.map(str::to_owned), ..State::new(&as_name(name)) });
        }
        if let Some(home) = home {
            homes.insert(home.clone());
        }
        *index
    }

    fn check_collisions(&self) -> Result<(), SessionError> {
        let mut collisions = Vec::new();
        for (index, homes) in self.known.values() {
            if homes.len() > 1 {
                let name = format!("state {}", self.states[*index].name);
                collisions.push(Collision { name, files: homes.iter().map(Home::words).collect() });
            }
        }
        if collisions.is_empty() {
            collisions = self.states.iter().flat_map(take_collisions).collect();
        }
        if collisions.is_empty() { Ok(()) } else { Err(SessionError::Collision { collisions }) }
    }

    /// What the manifest says of takes must fit the folder.
    fn check_manifest(&mut self) -> Result<(), SessionError> {
        let manifest = &self.plan.manifest;
        let mut problems = Vec::new();
        let states: Vec<&str> = manifest.states.iter().map(|state| state.name.as_str()).collect();
        let folders: Vec<&str> = self.plan.folders.iter().map(String::as_str).collect();
        for stated in manifest.takes.iter().filter_map(|take| take.state.as_ref()) {
            let is_known = |known: &&&str| fold(known) == fold(&stated.value);
            if states.is_empty() || states.iter().chain(&folders).find(is_known).is_some() {
                continue;
            }
            let known: Vec<&str> = states.iter().chain(&folders).copied().collect();
            let advice = match closest(&stated.value, known.iter().copied()) {
                Some(near) => format!("write \"{}\"", plain(near)),
                None => "add a [[states]] table for it".to_owned(),
            };
            let what = "`state` in [[takes]] names no state".to_owned();
            problems.push(manifest.problem(&stated.span, what, plain(&known.join(", ")), advice));
        }
        if !problems.is_empty() {
            return Err(SessionError::Manifest { path: self.plan.manifest_path.clone(), problems });
        }
        if !self.plan.partial && !self.each {
            self.misfits.absent_takes(self.overrides.values().copied(), &self.plan.files);
        }
        Ok(())
    }
}

impl Home {
    fn words(&self) -> String {
        match self {
            Home::Root => "the folder itself".to_owned(),
            Home::Folder(folder) => format!("{folder}/"),
            Home::State(name) => name.clone(),
        }
    }
}

fn take_collisions(state: &State) -> Vec<Collision> {
    let mut claims: BTreeMap<[String; 3], Vec<&Take>> = BTreeMap::new();
    for take in state.takes.iter().filter(|take| take.used) {
        let key = [&take.position, &take.source, &take.take].map(|part| fold(part));
        claims.entry(key).or_default().push(take);
    }
    claims.retain(|_, takes| takes.len() > 1);
    let collision = |takes: Vec<&Take>| {
        let mut name = format!("state {}, position {}", state.name, takes[0].position);
        for (word, part) in [("source", &takes[0].source), ("take", &takes[0].take)] {
            if !part.is_empty() {
                name += &format!(", {word} {part}");
            }
        }
        Collision { name, files: takes.iter().map(|take| take.file.clone()).collect() }
    };
    claims.into_values().map(collision).collect()
}

/// Orders states and takes, and says why a listed state has none.
fn finish(states: &mut Vec<State>, plan: &Plan, each: bool) {
    if each {
        states.retain(|state| !state.takes.is_empty());
    }
    let unlisted = states.partition_point(|state| state.listed);
    states[unlisted..].sort_by_cached_key(|state| NaturalKey::new(&state.name));
    if plan.keep_order {
        let first = |state: &State| {
            plan.files.iter().position(|file| state.takes.iter().any(|take| take.file == file.file))
        };
        states.sort_by_cached_key(first);
    }
    for state in states.iter_mut() {
        state.takes.sort_by_cached_key(|take| {
            [&take.position, &take.source, &take.take, &take.file].map(|part| NaturalKey::new(part))
        });
        if state.takes.is_empty() {
            state.missing = Some(remarks::why_missing(state, plan));
        }
    }
}

/// The manifest's baseline: the one it names, or the first state that it lists.
fn baseline(plan: &Plan, states: &[State], each: bool) -> Result<Option<String>, SessionError> {
    let Some(stated) = &plan.manifest.baseline else {
        let there = |first: &&String| states.iter().any(|state| state.name == **first);
        return Ok(plan.first_listed.as_ref().filter(there).cloned());
    };
    let named = states.iter().find(|state| fold(&state.name) == fold(&stated.value));
    if named.is_some() || plan.partial || each {
        return Ok(named.map(|state| state.name.clone()));
    }
    let known: Vec<&str> = states.iter().map(|state| state.name.as_str()).collect();
    let advice = match closest(&stated.value, known.iter().copied()) {
        Some(near) => format!("write \"{}\"", plain(near)),
        None => "name the state that the others are compared against".to_owned(),
    };
    let what = "`baseline` names no state".to_owned();
    let problem = plan.manifest.problem(&stated.span, what, plain(&known.join(", ")), advice);
    Err(SessionError::Manifest { path: plan.manifest_path.clone(), problems: vec![problem] })
}

/// A file's name without folder and extension.
pub(super) fn stem(file: &str) -> &str {
    let name = file.rsplit('/').next().unwrap_or(file);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
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
    fn of(manifest: &Manifest) -> Self {
        Self {
            states: manifest.states.iter().map(|state| fold(&state.name)).collect(),
            positions: manifest.positions.iter().map(|position| fold(&position.name)).collect(),
            sources: manifest.sources.iter().map(|source| fold(&source.name)).collect(),
            folders: manifest.states.iter().map(|state| (fold(state.folder()), state.name.clone())).collect(),
        }
    }
}

/// One spelling for each name: the manifest's, or the first one met.
struct Spelling(BTreeMap<String, String>);

impl Spelling {
    fn of<'a>(names: impl Iterator<Item = &'a str>) -> Self {
        Self(names.map(|name| (fold(name), name.to_owned())).collect())
    }

    fn settle(&mut self, name: &str) -> String {
        self.0.entry(fold(name)).or_insert_with(|| composed(name)).clone()
    }
}
