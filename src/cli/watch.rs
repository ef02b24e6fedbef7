//! `stillroom tune --watch`: follows the folder until Ctrl-C.
//!
//! The folder is looked through ten times a second, which works on network drives too. A state counts as ready when its files have rested a little and
//! the baseline's positions are there, or after two seconds of quiet with what there is.

use super::analyze::{options, settings};
use super::args::{Format, TuneArgs};
use super::compare::sides;
use super::feed::Feed;
use super::{Exit, Failed, interrupt, page, screen, tune, write};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant, SystemTime};
use stillroom::analysis::{Control, Follower};
use stillroom::report::Content;
use stillroom::session::{self, Session, State};
use stillroom::table::gather::{Asked, results};
use stillroom::table::gather_changes::absorber_rows;

/// Time between two looks through the folder.
const LOOK: Duration = Duration::from_millis(100);
/// A complete state is read once its files have rested this long.
const REST: Duration = Duration::from_millis(350);
/// An incomplete one after this.
const QUIET: Duration = Duration::from_secs(2);
/// Results that could not be written are tried again after this.
const AGAIN: Duration = Duration::from_secs(5);

/// Follows the session until the user stops.
pub fn run(args: &TuneArgs) -> Result<Exit, Failed> {
    if !args.path.is_dir() {
        return Err(Failed::usage(format!("{}: --watch needs a folder to follow", args.path.display())));
    }
    let mut feed = Feed::asked(args)?;
    let (changed, woken) = listen(&args.path);
    let mut watch = Watch::new(args, changed);
    while !interrupt::asked() {
        feed.iter_mut().for_each(Feed::step);
        watch.step()?;
        if watch.idle() {
            let _ = woken.recv_timeout(2 * LOOK);
            while woken.try_recv().is_ok() {}
        }
    }
    watch.write()?;
    Ok(Exit::Interrupted)
}

/// Looks through the folder from a thread of its own, so that work under way learns of a change too: raises the flag
/// and sends a word. The thread ends once nobody listens.
fn listen(path: &Path) -> (Arc<AtomicBool>, Receiver<()>) {
    let changed = Arc::new(AtomicBool::new(false));
    let (send, receive) = channel();
    let (flag, path) = (Arc::clone(&changed), path.to_owned());
    std::thread::spawn(move || follow(&path, &flag, &send));
    (changed, receive)
}

fn follow(path: &Path, changed: &AtomicBool, send: &Sender<()>) {
    let mut known = files(path);
    loop {
        std::thread::sleep(LOOK);
        let now = files(path);
        if now != known {
            known = now;
            changed.store(true, Ordering::SeqCst);
            if send.send(()).is_err() {
                return;
            }
        }
    }
}

/// Every file of the folder and one level below, with length and time of its last change.
fn files(path: &Path) -> Vec<(PathBuf, u64, Option<SystemTime>)> {
    let list = |folder: &Path| std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut found = Vec::new();
    for entry in list(path) {
        let below = entry.file_type().is_ok_and(|kind| kind.is_dir()).then(|| entry.path());
        for entry in std::iter::once(entry).chain(below.iter().flat_map(|folder| list(folder))) {
            if let Ok(facts) = entry.metadata() {
                found.push((entry.path(), facts.len(), facts.modified().ok()));
            }
        }
    }
    found.sort();
    found
}

struct Watch<'a> {
    args: &'a TuneArgs,
    changed: Arc<AtomicBool>,
    follower: Option<Follower>,
    session: Option<Session>,
    /// State with its files as last seen, and since when they have been so.
    seen: BTreeMap<String, (stillroom::analysis::FileStamps, Instant)>,
    said: BTreeSet<String>,
    /// The take that was read last.
    newest: Option<String>,
    busy: bool,
    dirty: bool,
    /// The results folder holds what this run wrote.
    wrote: bool,
    /// Results that could not be written are tried again from then on.
    write_after: Instant,
}

impl<'a> Watch<'a> {
    fn new(args: &'a TuneArgs, changed: Arc<AtomicBool>) -> Self {
        Self {
            args,
            changed,
            follower: None,
            session: None,
            seen: BTreeMap::new(),
            said: BTreeSet::new(),
            newest: None,
            busy: false,
            dirty: false,
            wrote: false,
            write_after: Instant::now(),
        }
    }

    /// Nothing is left to do until something changes.
    fn idle(&self) -> bool {
        !self.busy
    }

    /// One look through the folder, and the most urgent piece of work.
    fn step(&mut self) -> Result<(), Failed> {
        self.busy = false;
        self.changed.store(false, Ordering::SeqCst);
        let session =
            match session::open(std::slice::from_ref(&self.args.path), &options(&self.args.job.reading)) {
                Ok(session) => session,
                // Nothing there yet, or a manifest half written: the next look tells.
                Err(error) => {
                    self.say(&format!("waiting: {error}"));
                    return Ok(());
                }
            };
        self.said.retain(|text| !text.starts_with("waiting: "));
        if self.follower.is_none() {
            self.start(&session)?;
        }
        let Some(follower) = self.follower.as_mut() else { return Ok(()) };
        let gone = follower.forget_missing(&session);
        let ready = self.ready(&session);
        self.session = Some(session);
        self.dirty |= gone;
        if !ready.is_empty() || gone {
            self.first(ready);
        } else {
            self.refine();
        }
        Ok(())
    }

    /// The first session that has a baseline says what is followed.
    fn start(&mut self, session: &Session) -> Result<(), Failed> {
        let before = self.args.before.as_ref().or(session.baseline.as_ref());
        let known = before.is_some_and(|name| session.state(name).is_some());
        if before.is_some() && !known {
            self.say("waiting for the baseline");
            return Ok(());
        }
        let name = match sides(session, self.args.before.as_ref(), &[]) {
            Ok(asked) => asked.before,
            // Only the baseline is there yet.
            Err(_) if known => {
                session.state(before.map_or("", |b| b.as_str())).map_or_else(String::new, |s| s.name.clone())
            }
            Err(failed) => return Err(failed),
        };
        write::open(session, &self.args.job.output)?;
        let settings = settings(&self.args.job.computing, self.args.job.run.jobs);
        self.follower = Some(Follower::new(&settings, &name, self.args.mode));
        Ok(())
    }

    /// States whose files changed and have rested.
    fn ready(&mut self, session: &Session) -> Vec<(String, stillroom::analysis::FileStamps)> {
        let now = Instant::now();
        let Some(follower) = &self.follower else { return Vec::new() };
        let wanted = follower.baseline_places(session);
        let mut ready = Vec::new();
        for state in session.states.iter().filter(|s| !s.takes.is_empty()) {
            let stamps = Follower::stamps(state);
            let since = match self.seen.get(&state.name) {
                Some((old, since)) if *old == stamps => *since,
                _ => now,
            };
            self.seen.insert(state.name.clone(), (stamps.clone(), since));
            let fresh = follower.is_fresh(&state.name, &stamps);
            let rest = if complete(state, &wanted) { REST } else { QUIET };
            if !fresh && now.duration_since(since) >= rest {
                ready.push((state.name.clone(), stamps));
            }
        }
        ready
    }

    /// Reads what is ready and shows a first estimate.
    fn first(&mut self, ready: Vec<(String, stillroom::analysis::FileStamps)>) {
        let (Some(follower), Some(session)) = (self.follower.as_mut(), self.session.as_ref()) else { return };
        let control = Control { cancelled: &interrupt::asked, progress: &|_| {} };
        let mut failures = Vec::new();
        let last = ready.last().map(|(state, _)| state.clone());
        self.newest = last.or(self.newest.take());
        for (state, stamps) in ready {
            failures.extend(follower.read(session, &state, stamps, &control));
        }
        // What was said of an earlier state of these files may be true again.
        self.said.clear();
        for failure in failures {
            self.say(&failure);
        }
        self.dirty = true;
        self.show("first estimate");
        self.busy = true;
    }

    /// Fits the modes of one state that changed, unless something more urgent comes.
    fn refine(&mut self) {
        let (Some(follower), Some(session)) = (self.follower.as_mut(), self.session.as_ref()) else { return };
        let changed = Arc::clone(&self.changed);
        let stop = move || interrupt::asked() || changed.load(Ordering::SeqCst);
        let control = Control { cancelled: &stop, progress: &|_| {} };
        if let Some(state) = follower.refine(session, &control) {
            self.show(&format!("refined, {state}"));
            self.dirty = true;
            self.busy = true;
        } else if self.dirty && !self.changed.load(Ordering::SeqCst) && Instant::now() >= self.write_after {
            // A disk that is full now may have room later; the next take is worth more than the tables.
            if let Err(failed) = self.write() {
                self.say(&failed.text);
                self.write_after = Instant::now() + AGAIN;
            }
        }
    }

    fn show(&mut self, what: &str) {
        let (Some(follower), Some(session)) = (self.follower.as_mut(), self.session.as_ref()) else { return };
        match follower.tuning(session) {
            Some(Ok(tuning)) => {
                let names: Vec<String> = session.states.iter().map(|s| s.name.clone()).collect();
                let rows = absorber_rows(&names, std::slice::from_ref(&tuning));
                if self.args.job.output.format == Format::Table && !self.args.job.run.quiet {
                    screen::heading(&format!("[{what}]"));
                }
                tune::show(self.args, &tuning, &rows);
                let newest = self.newest.as_deref();
                if let Some(path) = &self.args.page
                    && let Err(error) = page::write(path, &tuning, newest)
                {
                    self.say(&error.to_string());
                }
            }
            Some(Err(error)) => self.say(&error.to_string()),
            None => self.say("waiting for the baseline's files"),
        }
    }

    /// The last state into the results folder.
    fn write(&mut self) -> Result<(), Failed> {
        let (Some(follower), Some(session)) = (self.follower.as_mut(), self.session.as_ref()) else {
            return Ok(());
        };
        let mut found = follower.analysis(session);
        if !self.dirty || !found.found_anything() {
            return Ok(());
        }
        let out = write::open(session, &self.args.job.output)?;
        // First estimates don't take the place of complete results that another run left.
        if !self.wrote && out.has_results() && !follower.is_settled(session) {
            found.mark_interrupted();
        }
        let asked = Asked {
            each: self.args.job.reading.each,
            before: self.args.before.as_deref(),
            ..Asked::default()
        };
        let mut tables = results(session, follower.settings(), &asked, &found);
        if let Some(Ok(tuning)) = follower.tuning(session) {
            tables.absorber = absorber_rows(&tables.session.states, std::slice::from_ref(&tuning));
        }
        write::results(&out, &Content { session, found: &found, compared: None, results: &tables })?;
        self.dirty = false;
        self.wrote |= !found.interrupted;
        Ok(())
    }

    /// A note on stderr, once.
    fn say(&mut self, text: &str) {
        if self.said.insert(text.to_owned()) {
            screen::warning(text);
        }
    }
}

/// Whether a state has every place of the baseline.
fn complete(state: &State, wanted: &BTreeSet<(String, String)>) -> bool {
    wanted
        .iter()
        .all(|(position, source)| state.takes.iter().any(|t| t.position == *position && t.source == *source))
}
