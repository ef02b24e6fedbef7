//! A session that is still being measured: each state is read when its files change, looked at at
//! once with the baseline's modes, and again with its own; what didn't change is kept.

use super::absorbers::setting_facts;
use super::{Analysis, Control, Counter, ModeRange, Settings, places, resonances};
use crate::absorber::{Reference, SettingFacts, SettingFit, TuneError, Tuning};
use crate::session::{Session, State};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::time::SystemTime;

/// Modes are fitted this far round the target, hertz.
const ROUND_HZ: f64 = 55.0;

/// What a file looked like when it was read: path, length, time of the last change.
pub type FileStamps = Vec<(PathBuf, u64, Option<SystemTime>)>;

/// States as far as they are known.
#[derive(Debug)]
pub struct Follower {
    settings: Settings,
    before: String,
    mode_hz: f64,
    known: BTreeMap<String, Followed>,
    reference: Option<Reference>,
}

#[derive(Debug)]
struct Followed {
    stamps: FileStamps,
    found: Analysis,
    look: Option<SettingFit>,
    refined: bool,
}

impl Follower {
    /// Follows the mode nearest `mode_hz` from the baseline `before`. Modes are fitted round it only,
    /// without refits.
    #[must_use]
    pub fn new(settings: &Settings, before: &str, mode_hz: f64) -> Self {
        let mut settings = settings.clone();
        let range = settings.modes.unwrap_or_default();
        settings.modes = Some(ModeRange {
            from_hz: range.from_hz.max(mode_hz - ROUND_HZ),
            to_hz: range.to_hz.min(mode_hz + ROUND_HZ),
        });
        settings.refits = false;
        Self { settings, before: before.to_owned(), mode_hz, known: BTreeMap::new(), reference: None }
    }

    /// The settings as narrowed.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Places of the baseline, as its names say.
    #[must_use]
    pub fn baseline_places(&self, session: &Session) -> BTreeSet<(String, String)> {
        let takes = session.state(&self.before).map_or(&[][..], |s| s.takes.as_slice());
        takes.iter().map(|t| (t.position.clone(), t.source.clone())).collect()
    }

    /// What a state's files look like now.
    #[must_use]
    pub fn stamps(state: &State) -> FileStamps {
        let one = |take: &crate::session::Take| {
            let data = std::fs::metadata(&take.path).ok();
            let changed = data.as_ref().and_then(|d| d.modified().ok());
            (take.path.clone(), data.map_or(0, |d| d.len()), changed)
        };
        state.takes.iter().map(one).collect()
    }

    /// Whether the state was read as its files are now.
    #[must_use]
    pub fn is_fresh(&self, state: &str, stamps: &FileStamps) -> bool {
        self.known.get(state).is_some_and(|k| k.stamps == *stamps)
    }

    /// Whether every state of the session was read and its modes were fitted.
    #[must_use]
    pub fn is_settled(&self, session: &Session) -> bool {
        let fitted = |name: &str| self.known.get(name).is_some_and(|known| known.refined);
        session.states.iter().filter(|state| !state.takes.is_empty()).all(|state| fitted(&state.name))
    }

    /// Drops states that the session no longer has; true if any was.
    pub fn forget_missing(&mut self, session: &Session) -> bool {
        let before = self.known.len();
        self.known.retain(|name, _| session.states.iter().any(|s| s.name == *name && !s.takes.is_empty()));
        if !self.known.contains_key(&self.before) {
            self.reference = None;
        }
        self.known.len() != before
    }

    /// Reads a state's files; of the baseline fits the modes too. Returns what failed, in words.
    pub fn read(
        &mut self,
        session: &Session,
        state: &str,
        stamps: FileStamps,
        control: &Control<'_>,
    ) -> Vec<String> {
        let one = single(session, state);
        let counter = Counter::new("reading files", one.states.iter().map(|s| s.takes.len()).sum(), control);
        let read = places::read_all(&one, &self.settings, &counter);
        let failures: Vec<String> = read.failures.iter().map(ToString::to_string).collect();
        let mut found = Analysis {
            states: read.states,
            files: read.files,
            failures: read.failures,
            warnings: Vec::new(),
            interrupted: false,
        };
        let is_baseline = state == self.before;
        if is_baseline {
            self.reference = None;
            self.known.values_mut().for_each(|k| k.look = None);
            self.add_modes(&one, &mut found, control);
        }
        self.known.insert(state.to_owned(), Followed { stamps, found, look: None, refined: is_baseline });
        failures
    }

    fn add_modes(&self, session: &Session, found: &mut Analysis, control: &Control<'_>) {
        found.states = std::mem::take(&mut found.states)
            .into_iter()
            .map(|state| resonances::add(session, state, &self.settings, control))
            .collect();
    }

    /// Fits the modes of one state that has not had them yet and looks again. Returns its name, or `None`
    /// if none is left or the work was cancelled.
    pub fn refine(&mut self, session: &Session, control: &Control<'_>) -> Option<String> {
        let name = session
            .states
            .iter()
            .map(|s| &s.name)
            .find(|n| self.known.get(*n).is_some_and(|k| !k.refined))?;
        let mut found = self.known.get(name)?.found.clone();
        self.add_modes(&single(session, name), &mut found, control);
        if (control.cancelled)() {
            return None;
        }
        let known = self.known.get_mut(name)?;
        (known.found, known.look, known.refined) = (found, None, true);
        Some(name.clone())
    }

    /// What all states say together. `None` while the baseline has not been read.
    pub fn tuning(&mut self, session: &Session) -> Option<Result<Tuning, TuneError>> {
        let baseline = self.known.get(&self.before)?.found.states.first()?;
        if baseline.places.is_empty() {
            return None;
        }
        if self.reference.is_none() {
            match Reference::new(&setting_facts(session, baseline, 1.0), self.mode_hz) {
                Ok(reference) => self.reference = Some(reference),
                Err(error) => return Some(Err(error)),
            }
        }
        let reference = self.reference.as_ref()?;
        let names: Vec<&String> =
            session.states.iter().map(|s| &s.name).filter(|n| **n != self.before).collect();
        for name in &names {
            let Some(known) = self.known.get_mut(*name).filter(|k| k.look.is_none()) else { continue };
            let Some(state) = known.found.states.first().filter(|s| !s.places.is_empty()) else { continue };
            known.look = Some(reference.look(&setting_facts(session, state, 1.0)));
        }
        let (mut takes, mut looks): (Vec<SettingFacts<'_>>, Vec<SettingFit>) = (Vec::new(), Vec::new());
        for known in names.iter().filter_map(|n| self.known.get(*n)) {
            let (Some(state), Some(look)) = (known.found.states.first(), &known.look) else { continue };
            takes.push(setting_facts(session, state, 1.0));
            looks.push(look.clone());
        }
        Some(Ok(reference.tuning(&takes, &looks)))
    }

    /// All that is known, as one analysis in the session's order.
    #[must_use]
    pub fn analysis(&self, session: &Session) -> Analysis {
        let mut all = Analysis {
            states: Vec::new(),
            files: Vec::new(),
            failures: super::files::of_session(session),
            warnings: session.warnings.clone(),
            interrupted: false,
        };
        for known in session.states.iter().filter_map(|s| self.known.get(&s.name)) {
            all.states.extend(known.found.states.iter().cloned());
            all.files.extend(known.found.files.iter().cloned());
            all.failures.extend(known.found.failures.iter().cloned());
        }
        all
    }
}

/// The session with one state only.
fn single(session: &Session, state: &str) -> Session {
    let mut one = session.clone();
    one.states.retain(|s| s.name == state);
    one
}
