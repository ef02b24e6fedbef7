//! Each file found becomes a take of a state, by the manifest, its name or its folder.

use std::collections::{BTreeMap, BTreeSet};

use super::error::{Collision, Problem, SessionError};
use super::manifest::{ListedState, ListedTake, Manifest, Placed};
use super::order::{as_name, closest, composed, fold, plain};
use super::pattern::{Parts, Pattern};
use super::plan::{Candidate, Home, Plan, UNNAMED_POSITION, stem};
use super::remarks::Misfits;
use super::{Field, OpenOptions, State, Take, same_name};

/// Takes gathered so far.
pub(super) struct Gathering<'p> {
    plan: &'p Plan,
    each: bool,
    /// Files of the session's own folder are all there is: they make a state of their own.
    alone: bool,
    pattern: Pattern,
    overrides: BTreeMap<String, &'p ListedTake>,
    pub states: Vec<State>,
    /// By folded name: which of `states`, and the places that gave it its name.
    known: BTreeMap<String, (usize, BTreeSet<Home>)>,
    positions: Spelling,
    sources: Spelling,
    listed: Listed,
    pub misfits: Misfits,
}

impl<'p> Gathering<'p> {
    pub fn new(plan: &'p Plan, options: &OpenOptions, pattern: Pattern) -> Self {
        let manifest = &plan.manifest;
        let positions = manifest.positions.iter().map(|position| position.name.as_str());
        let sources = manifest.sources.iter().map(|source| source.name.as_str());
        let mut gathering = Self {
            plan,
            each: options.each,
            alone: manifest.states.is_empty()
                && !plan.files.iter().any(|file| matches!(file.home, Home::Folder(_))),
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
            gathering.list(listed);
        }
        gathering
    }

    /// Adds a state of the manifest, still without takes.
    fn list(&mut self, listed: &ListedState) {
        let by_name = self.pattern.holds(Field::State) && listed.folder.is_none();
        self.known.insert(fold(&listed.name), (self.states.len(), BTreeSet::new()));
        self.states.push(State {
            folder: (!by_name).then(|| listed.folder().to_owned()),
            listed: true,
            temperature_c: listed.temperature_c,
            units: listed.units.clone(),
            ..State::new(&listed.name)
        });
    }

    /// Adds a file, or says why it can't be placed.
    pub fn add(&mut self, candidate: &Candidate) {
        let said = self.overrides.remove(&fold(&candidate.file));
        let parts = self.misfits.read(&self.pattern, &candidate.file, &self.listed);
        let Some(position) = self.position_of(candidate, said, parts.as_ref()) else {
            return self.misfits.refuse(&candidate.file);
        };
        let parts = parts.unwrap_or_default();
        let Some(state) = self.state_of(candidate, said, parts.state) else {
            return self.misfits.stray(&candidate.file);
        };
        let source = said.and_then(|take| take.source.clone()).or(parts.source).unwrap_or_default();
        let first = self.plan.manifest.sources.first().filter(|_| source.is_empty());
        let source = first.map_or(source, |first| first.name.clone());
        self.states[state].takes.push(Take {
            path: candidate.path.clone(),
            file: candidate.file.clone(),
            position: self.positions.settle(&position),
            source: self.sources.settle(&source),
            take: said.and_then(|take| take.take.clone()).or(parts.take).unwrap_or_default(),
            used: said.is_none_or(|take| take.used),
            note: said.and_then(|take| take.note.clone()),
        });
    }

    /// The manifest's word, or the name's. `None`: the name says nothing that it should.
    fn position_of(
        &self,
        file: &Candidate,
        said: Option<&ListedTake>,
        parts: Option<&Parts>,
    ) -> Option<String> {
        if let Some(position) = said.and_then(|take| take.position.clone()) {
            return Some(position);
        }
        match parts {
            Some(parts) => Some(parts.position.clone().unwrap_or_else(|| UNNAMED_POSITION.to_owned())),
            // Nothing is asked of the name where the file stands for itself or isn't used.
            None if self.each || said.is_some_and(|take| !take.used) => Some(as_name(stem(&file.file))),
            None => None,
        }
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
                let name = listed.or_else(|| self.alone.then(|| self.plan.name.clone()))?;
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

    pub fn check_collisions(&self) -> Result<(), SessionError> {
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
    pub fn check_manifest(&mut self) -> Result<(), SessionError> {
        let problems = self.unknown_states();
        if !problems.is_empty() {
            return Err(SessionError::Manifest { path: self.plan.manifest_path.clone(), problems });
        }
        if !self.each {
            let told: BTreeSet<&str> =
                self.plan.failures.iter().map(|failure| failure.file.as_str()).collect();
            let absent = self.overrides.values().copied().filter(|take| !told.contains(take.file.as_str()));
            self.misfits.absent_takes(absent, &self.plan.files);
        }
        Ok(())
    }

    /// States that only `[[takes]]` knows. Where the manifest lists none, takes may make their own.
    fn unknown_states(&self) -> Vec<Problem> {
        let manifest = &self.plan.manifest;
        if manifest.states.is_empty() {
            return Vec::new();
        }
        let states = manifest.states.iter().map(|state| state.name.as_str());
        let known: Vec<&str> = states.chain(self.plan.folders.iter().map(String::as_str)).collect();
        let stated = manifest.takes.iter().filter_map(|take| take.state.as_ref());
        let unknown = stated.filter(|stated| !known.iter().any(|name| same_name(name, &stated.value)));
        let problem = |stated: &Placed<String>| {
            let advice = match closest(&stated.value, known.iter().copied()) {
                Some(near) => format!("write \"{}\"", plain(near)),
                None => "add a [[states]] table for it".to_owned(),
            };
            let what = "`state` in [[takes]] names no state".to_owned();
            manifest.problem(&stated.span, what, plain(&known.join(", ")), advice)
        };
        unknown.map(problem).collect()
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
