//! Files become responses and their bands, place by place.

use super::files::{Failure, FileRecord};
use super::{Counter, Settings, alike, captured, copies, faulty_places, second};
use crate::capture::CaptureRecord;
use crate::decay::{self, BandDecay, Signal};
use crate::filter::{Bank, Fraction};
use crate::flag::Flag;
use crate::recording::{self, Recording};
use crate::response::{LeftOut, Place, Response, ResponseError, TakeInput, combine, settle_time_base};
use crate::room::sound_speed_m_s;
use crate::session::{Session, State, Take};
use crate::state::{PlaceResult, StateResult};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Faults with which no band has a decay of the room.
const NO_DECAY: [Flag; 4] = [Flag::SignalItself, Flag::Reversed, Flag::SecondSound, Flag::FadedDecay];

/// All states with their places, and what was met on the way.
pub(super) struct Read {
    pub states: Vec<StateResult>,
    pub files: Vec<FileRecord>,
    pub failures: Vec<Failure>,
}

/// One place to work on: its state and its takes.
struct Job<'a> {
    state: usize,
    place: Place,
    takes: Vec<&'a Take>,
}

/// What came of one job.
struct Done {
    response: Option<Response>,
    bands: Vec<BandDecay>,
    files: Vec<FileRecord>,
    failures: Vec<Failure>,
}

/// Reads every file of a session, in parallel over places.
pub(super) fn read_all(session: &Session, settings: &Settings, counter: &Counter<'_>) -> Read {
    let jobs = jobs(session);
    let banks = Banks::default();
    let done: Vec<Done> = jobs
        .par_iter()
        .map(|job| {
            let done = one_place(session, settings, job, &banks, counter);
            counter.count(job.takes.len());
            done
        })
        .collect();
    let mut found = Read { states: empty_states(session), files: Vec::new(), failures: Vec::new() };
    for (job, done) in jobs.iter().zip(done) {
        found.files.extend(done.files);
        found.failures.extend(done.failures);
        if let Some(response) = done.response {
            found.states[job.state].places.push(PlaceResult { response, bands: done.bands });
        }
    }
    copies::count_once(&mut found.states, &mut found.files);
    found.states.iter_mut().for_each(|state| alike::flag_alike(session, state, &mut found.files));
    for (state, result) in session.states.iter().zip(&mut found.states) {
        share_instant(session, state, result, settings, &banks);
    }
    found.states.iter_mut().for_each(|state| void_second_sounds(state, &mut found.files));
    for (file, of) in faulty_places::exclude_faulty(&mut found.states) {
        let records = found.files.iter_mut().filter(|record| record.take.file == file);
        records.for_each(|record| record.copy_of.push(of.clone()));
    }
    // Where rates differ a comparison asks these records whether a file is relabelled (`rates`).
    if settings.modes.is_none() && of_one_rate(&found.states) {
        let places = found.states.iter_mut().flat_map(|state| &mut state.places);
        places.for_each(|place| place.response.shed_low_records());
    }
    found
}

/// Where another sound sets in at all places of a state, their files hold no response, as one that shows it by itself.
fn void_second_sounds(state: &mut StateResult, files: &mut [FileRecord]) {
    for second::SecondSound { place, at_s } in second::flag_second_sounds(state) {
        let place = &mut state.places[place];
        let bands = place.bands.iter().map(|b| BandDecay::void(b.band, Flag::SecondSound));
        place.bands = bands.collect();
        let own: Vec<&str> = place.response.files().collect();
        let records =
            files.iter_mut().filter(|f| f.state == state.name && own.contains(&f.take.file.as_str()));
        records.for_each(|record| record.faults.push(recording::Fault::SecondSound { at_s }));
    }
}

fn of_one_rate(states: &[StateResult]) -> bool {
    let mut rates = states.iter().flat_map(|state| &state.places).map(|place| place.response.rate_hz);
    let first = rates.next();
    rates.all(|rate_hz| first.is_some_and(|first| first.total_cmp(&rate_hz).is_eq()))
}

/// Places in the session's order, each with its takes.
fn jobs(session: &Session) -> Vec<Job<'_>> {
    let mut jobs: Vec<Job<'_>> = Vec::new();
    for (index, state) in session.states.iter().enumerate() {
        let first = jobs.len();
        let mut known: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for take in &state.takes {
            let at = *known.entry((&take.position, &take.source)).or_insert_with(|| {
                let place = Place { position: take.position.clone(), source: take.source.clone() };
                jobs.push(Job { state: index, place, takes: Vec::new() });
                jobs.len() - 1
            });
            debug_assert!(at >= first);
            jobs[at].takes.push(take);
        }
    }
    jobs
}

fn empty_states(session: &Session) -> Vec<StateResult> {
    session.states.iter().map(|state| StateResult::new(&state.name, state.missing.clone())).collect()
}

fn one_place(
    session: &Session,
    settings: &Settings,
    job: &Job<'_>,
    banks: &Banks,
    counter: &Counter<'_>,
) -> Done {
    let mut done = Done { response: None, bands: Vec::new(), files: Vec::new(), failures: Vec::new() };
    if counter.cancelled() {
        return done;
    }
    let inputs = open_takes(session, job, &mut done);
    if inputs.is_empty() {
        return done;
    }
    let state = &session.states[job.state].name;
    match combine(inputs, job.place.clone()) {
        Err(error) => note_unusable(state, &error, &mut done),
        Ok(mut response) => {
            note_takes(state, &response, &mut done);
            done.bands = bands_of(&response, settings.fraction, banks);
            response.shed_samples();
            done.response = Some(response);
        }
    }
    done
}

/// Reads the takes of a place; those that can't be read become failures.
fn open_takes(session: &Session, job: &Job<'_>, done: &mut Done) -> Vec<TakeInput> {
    let state = &session.states[job.state].name;
    let mut inputs = Vec::new();
    for take in &job.takes {
        let mut record = FileRecord::new(state, take);
        if take.used {
            match recording::read_take(&take.path, &take.file, wanted(session, take)) {
                Ok(recording) => {
                    record.provenance = Some(recording.provenance.clone());
                    if let Some(input) = admitted(state, take, recording, (&mut record, &mut *done)) {
                        inputs.push(input);
                    }
                }
                Err(error) => done.failures.push(Failure::of_audio(state, take, &error)),
            }
        }
        done.files.push(record);
    }
    inputs
}

/// What is read of a take's file.
fn wanted(session: &Session, take: &Take) -> recording::Wanted {
    recording::Wanted { channel: session.channel_of(take), rate_hz: session.rate_hz }
}

/// A take that was read, unless its capture says that it is no good.
fn admitted(
    state: &str,
    take: &Take,
    recording: Recording,
    (record, done): (&mut FileRecord, &mut Done),
) -> Option<TakeInput> {
    match captured::record(take, &recording) {
        Ok(capture) => record.capture = capture,
        Err(error) => done.failures.push(Failure::of_record(state, take, &error)),
    }
    if let Some((capture, again)) = record.capture.as_ref().and_then(|c| Some((c, c.again()?))) {
        done.failures.push(Failure::of_capture(state, take, (&again, capture.advice())));
        record.note = Some(again);
        return None;
    }
    record.used = true;
    let (input, faults) = input(take, recording, record.capture.as_ref());
    record.faults = faults;
    Some(input)
}

/// A take as the response stage wants it, and what its samples showed to be wrong.
///
/// `capture`: of one that this program recovered from a recording of a test signal. What precedes the direct sound there is
/// the signal's distortion and no noise of the room, so that less after the decay is no fade.
fn input(
    take: &Take,
    recording: Recording,
    capture: Option<&CaptureRecord>,
) -> (TakeInput, Vec<recording::Fault>) {
    let mut faults = recording::inspect(&recording.samples, recording.rate_hz);
    faults.found.retain(|fault| !(capture.is_some() && matches!(fault, recording::Fault::FadedDecay { .. })));
    let mut flags = faults.flags();
    if recording.provenance.incomplete {
        flags.add(Flag::Incomplete);
    }
    let mut input = TakeInput::new(&take.file, recording);
    input.usable_samples = faults.usable_samples;
    (input.flags, input.known) = (flags, capture.map(captured::known));
    (input, faults.found)
}

/// Marks files that were read but left out of the mean.
fn note_takes(state: &str, response: &Response, done: &mut Done) {
    for take in &response.takes {
        let Some(reason) = &take.left_out else { continue };
        // A file stands once among the takes of a place: of several responses each has its own.
        let Some(record) = done.files.iter_mut().find(|record| record.take.file == take.file) else {
            continue;
        };
        record.used = false;
        record.note = Some(reason.to_string());
        if let LeftOut::Unusable(error) = reason {
            done.failures.push(Failure::of_response(state, &record.take, error));
        }
    }
}

/// Marks the files of a place of which none gives a response; the error is that of the first.
fn note_unusable(state: &str, error: &ResponseError, done: &mut Done) {
    let read = done.files.iter_mut().filter(|record| record.used);
    for (k, record) in read.enumerate() {
        record.used = false;
        record.note = Some(LeftOut::Unusable(error.clone()).to_string());
        if k == 0 {
            done.failures.push(Failure::of_response(state, &record.take, error));
        } else {
            record.note = Some("no take of its place gives a response".to_owned());
        }
    }
}

fn bands_of(response: &Response, fraction: Fraction, banks: &Banks) -> Vec<BandDecay> {
    let signal =
        Signal { samples: &response.samples, rate_hz: response.rate_hz, onset_s: response.onset_s() };
    let fault = NO_DECAY.into_iter().find(|flag| response.flags.has(*flag));
    let bands = banks.with(fraction, response.rate_hz, |bank| match fault {
        None => decay::band_decays(&signal, fraction, bank),
        // The level asks for no decay: that of a loop back is what the chain adds.
        Some(flag @ Flag::SignalItself) => decay::band_levels(&signal, fraction, bank, flag),
        Some(flag) => fraction.bands().into_iter().map(|band| BandDecay::void(band, flag)).collect(),
    });
    captured::within_range(bands, response)
}

/// Determines the emission time that all positions of a state share; one left out for a fault of its file has no say in
/// it. If the known distances move a direct sound, its files are read again and its bands are computed from the new onset.
fn share_instant(
    session: &Session,
    state: &State,
    result: &mut StateResult,
    settings: &Settings,
    banks: &Banks,
) {
    let temperature_c = state.temperature_c.unwrap_or(session.room.temperature_c);
    let Ok(speed) = sound_speed_m_s(temperature_c) else { return };
    let faultless: Vec<&mut PlaceResult> =
        result.places.iter_mut().filter(|place| faulty_places::left_out(&place.response).is_none()).collect();
    let before: Vec<f64> = faultless.iter().map(|p| p.response.onset_s()).collect();
    let mut responses: Vec<Response> = faultless.iter().map(|p| p.response.clone()).collect();
    settle_time_base(&mut responses, session, speed);
    let renewed: Vec<Option<(Response, Vec<BandDecay>)>> = responses
        .par_iter()
        .zip(&before)
        .map(|(settled, onset_s)| {
            if settled.onset_s().total_cmp(onset_s).is_eq() {
                return None;
            }
            measured_again(session, state, settled, settings, banks)
        })
        .collect();
    for ((place, settled), renewed) in faultless.into_iter().zip(responses).zip(renewed) {
        place.response = settled;
        if let Some((response, bands)) = renewed {
            place.response = response;
            place.bands = bands;
        }
    }
}

/// Reads a place again, with the direct sound where the distances say; files don't change in between, and if one does,
/// the first result stands.
fn measured_again(
    session: &Session,
    state: &State,
    settled: &Response,
    settings: &Settings,
    banks: &Banks,
) -> Option<(Response, Vec<BandDecay>)> {
    let mut response = read_again(session, state, settled)?;
    let bands = bands_of(&response, settings.fraction, banks);
    response.shed_samples();
    Some((response, bands))
}

/// Reads a place again: its mean with all samples, at the times that were settled. `None` if a file changed meanwhile.
pub(super) fn read_again(session: &Session, state: &State, settled: &Response) -> Option<Response> {
    let inputs: Vec<TakeInput> = state
        .takes
        .iter()
        .filter(|t| t.used && t.position == settled.place.position && t.source == settled.place.source)
        .filter_map(|t| {
            let recording = recording::read_take(&t.path, &t.file, wanted(session, t)).ok()?;
            let capture = captured::record(t, &recording).ok().flatten();
            let good = capture.as_ref().is_none_or(|capture| capture.again().is_none());
            good.then(|| input(t, recording, capture.as_ref()).0)
        })
        .collect();
    let mut response = combine(inputs, settled.place.clone()).ok()?;
    response.take_times_of(settled);
    Some(response)
}

/// Filters by sample rate, made once a rate.
#[derive(Default)]
struct Banks(std::sync::Mutex<BTreeMap<u64, std::sync::Arc<Bank>>>);

impl Banks {
    fn with<T>(&self, fraction: Fraction, rate_hz: f64, run: impl FnOnce(&Bank) -> T) -> T {
        let bank = {
            // A thread that panicked while holding the lock left a complete map behind.
            let mut known = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            known
                .entry(rate_hz.to_bits())
                .or_insert_with(|| std::sync::Arc::new(decay::bank(fraction, rate_hz)))
                .clone()
        };
        run(&bank)
    }
}
