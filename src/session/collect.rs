//! Each file found becomes a take of a state, by the manifest, its name or its folder.

use std::collections::{BTreeMap, BTreeSet};

use super::error::{Collision, Problem, SessionError};
use super::labels::stem;
use super::manifest::{ListedState, ListedTake, Manifest, Placed};
use super::order::{as_name, closest, composed, fold, plain};
use super::pattern::{Parts, Pattern};
use super::plan::{Candidate, Home, Plan, UNNAMED_POSITION};
use super::remarks::{Listed, Misfits};
use super::{Field, OpenOptions, State, Take, same_name};
use crate::layout::{self, Told};

/// One response of a file, as far as names say.
struct Response {
    position: String,
    source: Option<String>,
    take: Option<String>,
    channel: Option<usize>,
    /// Where the microphone and the source were, as far as the file says.
    at_m: [Option<[f64; 3]>; 2],
}

impl Response {
    /// What a file calls the response is read like a file's name.
    fn of(channel: usize, told: Told) -> Self {
        let parts = Pattern::default().readings(&told.name).into_iter().next().map(|reading| reading.parts);
        let parts = parts.unwrap_or_default();
        Self {
            position: parts.position.unwrap_or_else(|| as_name(&told.name)),
            source: told.source.or(parts.source),
            take: parts.take,
            channel: Some(channel),
            at_m: [told.position_m, told.source_m],
        }
    }
}

/// Takes gathered so far.
pub(super) struct Gathering<'p> {
    plan: &'p Plan,
    each: bool,
    /// Files of the session's own folder are all there is: they make a state of their own.
    alone: bool,
    pattern: Pattern,
    /// Channels with the position of each, for every file that isn't said to be something else.
    channels: Vec<(usize, String)>,
    /// The user chose one channel of each file.
    one_channel: bool,
    overrides: BTreeMap<String, &'p ListedTake>,
    pub states: Vec<State>,
    /// By folded name: which of `states`, and the places that gave it its name.
    known: BTreeMap<String, (usize, BTreeSet<Home>)>,
    positions: Spelling,
    sources: Spelling,
    listed: Listed,
    /// Where files say that positions and sources were.
    pub placed: [Placements; 2],
    pub misfits: Misfits,
}

/// Points that files give to names.
#[derive(Default)]
pub(super) struct Placements(BTreeMap<String, (String, Option<[f64; 3]>)>);

impl Placements {
    /// Two points for one name are none.
    fn add(&mut self, name: &str, at_m: Option<[f64; 3]>) {
        /// Our own bound: the accuracy of a tape measure.
        const SAME_M: f64 = 0.01;
        let Some(point) = at_m else { return };
        let (_, known) = self.0.entry(fold(name)).or_insert_with(|| (name.to_owned(), at_m));
        if known.is_some_and(|known| known.iter().zip(point).any(|(a, b)| (a - b).abs() > SAME_M)) {
            *known = None;
        }
    }

    /// Names with their points.
    pub fn points(&self) -> impl Iterator<Item = (&str, [f64; 3])> {
        self.0.values().filter_map(|(name, at_m)| Some((name.as_str(), (*at_m)?)))
    }

    /// Names to which files give different points.
    pub fn torn(&self) -> impl Iterator<Item = &str> {
        self.0.values().filter(|(_, at_m)| at_m.is_none()).map(|(name, _)| name.as_str())
    }
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
            channels: channels(options, manifest),
            one_channel: options.channel.or(manifest.channel).is_some(),
            overrides: manifest.takes.iter().map(|take| (fold(&take.file), take)).collect(),
            states: Vec::new(),
            known: BTreeMap::new(),
            positions: Spelling::of(positions),
            sources: Spelling::of(sources),
            listed: Listed::of(manifest),
            placed: Default::default(),
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

    /// Adds a file with the takes that it holds, or says why it can't be placed.
    pub fn add(&mut self, candidate: &Candidate) {
        let said = self.overrides.remove(&fold(&candidate.file));
        let parts = self.misfits.read(&self.pattern, &candidate.file, &self.listed);
        let several = self.several(candidate, said, parts.as_ref());
        if !several.is_empty() {
            return self.add_several(candidate, said, (parts, several));
        }
        let Some(position) = self.position_of(candidate, said, parts.as_ref()) else {
            return self.misfits.refuse(&candidate.file);
        };
        let parts = parts.unwrap_or_default();
        let Some(state) = self.state_of(candidate, said, parts.state) else {
            return self.misfits.stray(&candidate.file);
        };
        let (source, take) = (parts.source, parts.take);
        let at_m = match layout::responses(&candidate.path).as_deref() {
            Some([one]) => [one.position_m, one.source_m],
            _ => [None, None],
        };
        self.push(state, candidate, said, Response { position, source, take, channel: None, at_m });
    }

    /// Adds each response of a file that holds several.
    fn add_several(
        &mut self,
        candidate: &Candidate,
        said: Option<&ListedTake>,
        (parts, several): (Option<Parts>, Vec<Response>),
    ) {
        let parts = parts.unwrap_or_default();
        let Some(state) = self.state_of(candidate, said, parts.state) else {
            return self.misfits.stray(&candidate.file);
        };
        for response in several {
            let source = response.source.or(parts.source.clone());
            let take = response.take.or(parts.take.clone());
            self.push(state, candidate, said, Response { source, take, ..response });
        }
    }

    fn push(&mut self, state: usize, candidate: &Candidate, said: Option<&ListedTake>, one: Response) {
        let source = said.and_then(|take| take.source.clone()).or(one.source).unwrap_or_default();
        let first = self.plan.manifest.sources.first().filter(|_| source.is_empty());
        let source = first.map_or(source, |first| first.name.clone());
        let (position, source) = (self.positions.settle(&one.position), self.sources.settle(&source));
        for ((placed, name), at_m) in self.placed.iter_mut().zip([&position, &source]).zip(one.at_m) {
            placed.add(name, at_m);
        }
        self.states[state].takes.push(Take {
            path: candidate.path.clone(),
            file: candidate.file.clone(),
            position,
            source,
            take: said.and_then(|take| take.take.clone()).or(one.take).unwrap_or_default(),
            channel: one.channel,
            used: said.is_none_or(|take| take.used),
            note: said.and_then(|take| take.note.clone()),
        });
    }

    /// The responses of a file that holds several: by the channels that the user named, or by what the file
    /// itself calls them. Empty where a file is one take, also by the manifest's word.
    fn several(
        &mut self,
        file: &Candidate,
        said: Option<&ListedTake>,
        parts: Option<&Parts>,
    ) -> Vec<Response> {
        if said.is_some_and(|take| take.position.is_some()) {
            return Vec::new();
        }
        if !self.channels.is_empty() {
            // Two files of a state are two takes, unless their names say more.
            let own = parts.and_then(|parts| parts.take.clone().or(parts.position.clone()));
            let take = own.unwrap_or_else(|| as_name(stem(&file.file)));
            let one = |(channel, position): &(usize, String)| Response {
                position: position.clone(),
                source: None,
                take: Some(take.clone()),
                channel: Some(*channel),
                at_m: [None, None],
            };
            return self.channels.iter().map(one).collect();
        }
        let told = if self.one_channel { None } else { layout::responses(&file.path) };
        let told = told.filter(|told| told.len() > 1 && told.iter().all(|one| !one.name.is_empty()));
        told.unwrap_or_default()
            .into_iter()
            .enumerate()
            .map(|(at, told)| Response::of(at + 1, told))
            .collect()
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

/// The command line's channels with their positions, or the manifest's.
pub(super) fn channels(options: &OpenOptions, manifest: &Manifest) -> Vec<(usize, String)> {
    match (options.channel, options.channels.as_slice()) {
        (Some(_), _) => Vec::new(),
        (None, []) => manifest.channels.clone(),
        (None, named) => named.to_vec(),
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
