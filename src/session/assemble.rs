//! Files that were found, the manifest and the names together become a [`Session`].

use std::collections::BTreeMap;

use super::collect::{Gathering, Placements, channels};
use super::error::SessionError;
use super::language;
use super::logo;
use super::order::{NaturalKey, closest, fold, plain};
use super::pattern::Pattern;
use super::plan::Plan;
use super::remarks;
use super::{Failure, OpenOptions, Position, Role, Session, Source, State, same_name};

/// Makes the session.
///
/// # Errors
/// Patterns, channels and names that can't be used; a manifest that contradicts the folder; no takes.
pub(super) fn assemble(plan: Plan, options: &OpenOptions) -> Result<Session, SessionError> {
    let asked = asked_pattern(options)?.or_else(|| plan.manifest.names.clone());
    let channel = options.channel.or(plan.manifest.channel).unwrap_or(1);
    if !(1..=super::channels::MOST).contains(&channel) {
        return Err(SessionError::Channel { found: channel });
    }
    let channels = channels(options, &plan.manifest);
    let (mut states, remarked) = gather(&plan, options, asked.clone().unwrap_or_default())?;
    finish(&mut states, &plan, options.each);
    let baseline = baseline(&plan, &states, options.each || options.without_audio)?;
    let mut warnings = [plan.warnings, plan.manifest.warnings.clone(), remarked.warnings].concat();
    if !options.each {
        warnings.extend(remarks::names(&plan.manifest, &states, plan.partial));
        warnings.extend(remarks::other_folders(&plan.manifest, &states, &plan.files));
    }
    let logo = plan
        .root
        .as_deref()
        .zip(plan.manifest.visit.logo.as_deref())
        .map(|(root, file)| logo::read(root, file));
    warnings.extend(logo.iter().filter_map(|read| read.as_ref().err().cloned()));
    let asked_language = plan.root.as_deref().zip(plan.manifest.visit.language.as_deref());
    let language = asked_language.map(|(root, asked)| language::read(root, asked)).transpose()?;
    let (language, missing) = language.unwrap_or_else(language::english);
    warnings.extend(missing);
    let (sources, positions) = places(plan.manifest.sources, plan.manifest.positions, &remarked.placed);
    Ok(Session {
        logo: logo.and_then(Result::ok),
        language,
        has_manifest: !plan.manifest_path.as_os_str().is_empty(),
        root: plan.root,
        title: plan.manifest.title,
        baseline,
        names: asked,
        channel,
        channels,
        rate_hz: options.rate_hz.or(plan.manifest.rate_hz),
        same_chain: plan.manifest.same_chain,
        time_base: plan.manifest.time_base,
        zero_db_spl: plan.manifest.zero_db_spl,
        room: plan.manifest.room,
        plan: plan.manifest.plan,
        visit: plan.manifest.visit,
        sources,
        positions,
        states,
        failures: [plan.failures, remarked.failures].concat(),
        warnings,
        ..Session::new(&plan.name)
    })
}

/// Positions and sources of the manifest, and those that files place and it doesn't.
fn places(
    mut sources: Vec<Source>,
    mut positions: Vec<Position>,
    [of_positions, of_sources]: &[Placements; 2],
) -> (Vec<Source>, Vec<Position>) {
    for (name, point) in of_positions.points() {
        match positions.iter_mut().find(|position| same_name(&position.name, name)) {
            Some(position) => position.at_m = position.at_m.or(Some(point)),
            None => {
                positions.push(Position { name: name.to_owned(), at_m: Some(point), role: Role::default() })
            }
        }
    }
    for (name, point) in of_sources.points() {
        match sources.iter_mut().find(|source| same_name(&source.name, name)) {
            Some(source) => source.at_m = source.at_m.or(Some(point)),
            // The only source has no name in the files' names, and none is asked for.
            None => sources.push(Source {
                name: if name.is_empty() { "s1" } else { name }.to_owned(),
                at_m: Some(point),
            }),
        }
    }
    (sources, positions)
}

/// What was remarked while files were placed.
struct Remarked {
    failures: Vec<Failure>,
    warnings: Vec<String>,
    placed: [Placements; 2],
}

fn gather(
    plan: &Plan,
    options: &OpenOptions,
    pattern: Pattern,
) -> Result<(Vec<State>, Remarked), SessionError> {
    let mut gathering = Gathering::new(plan, options, pattern);
    for candidate in &plan.files {
        gathering.add(candidate);
    }
    gathering.check_collisions()?;
    gathering.check_manifest()?;
    let Gathering { states, misfits, placed, .. } = gathering;
    if states.iter().all(|state| state.takes.is_empty()) && !options.without_audio {
        return Err(misfits.nothing_left(plan));
    }
    let mut warnings = misfits.warnings();
    let torn = placed.iter().flat_map(Placements::torn);
    warnings.extend(
        torn.map(|name| format!("{}: the files put it at different points; none is used", plain(name))),
    );
    Ok((states, Remarked { failures: misfits.failures, warnings, placed }))
}

/// The pattern from the command line.
pub(super) fn asked_pattern(options: &OpenOptions) -> Result<Option<Pattern>, SessionError> {
    let parse = |text: &String| {
        Pattern::parse(text).map_err(|error| SessionError::Pattern { pattern: text.clone(), error })
    };
    options.names.as_ref().map(parse).transpose()
}

/// Orders states and takes, and says why a listed state has none.
fn finish(states: &mut Vec<State>, plan: &Plan, each: bool) {
    if each {
        states.retain(|state| !state.takes.is_empty());
    }
    let unlisted = states.partition_point(|state| state.listed);
    states[unlisted..].sort_by_cached_key(|state| NaturalKey::new(&state.name));
    if plan.keep_order {
        let order: BTreeMap<&str, usize> =
            plan.files.iter().enumerate().map(|(i, file)| (file.file.as_str(), i)).collect();
        states.sort_by_cached_key(|state| {
            state.takes.iter().filter_map(|take| order.get(take.file.as_str()).copied()).min()
        });
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
/// `open`: it needn't be one of the states.
fn baseline(plan: &Plan, states: &[State], open: bool) -> Result<Option<String>, SessionError> {
    let Some(stated) = &plan.manifest.baseline else {
        let there = |first: &&String| states.iter().any(|state| state.name == **first);
        return Ok(plan.first_listed.as_ref().filter(there).cloned());
    };
    let named = states.iter().find(|state| fold(&state.name) == fold(&stated.value));
    if named.is_some() || plan.partial || open {
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
