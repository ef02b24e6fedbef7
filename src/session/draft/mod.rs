//! A `session.toml` drafted from what a folder shows, with every guess marked.
//!
//! Opened again beside the same files, the draft gives the same states and takes: names alone decide
//! as before, and what they can't say is written out as `[[takes]]`.

mod writer;

use super::order::{NaturalKey, fold, plain};
use super::pattern::{Parts, Pattern};
use super::plan::UNNAMED_POSITION;
use super::remarks::Listed;
use super::remarks::Misfits;
use super::{Field, Position, Role, Session, State, Take, TimeBase, Unit, same_name};
use writer::{Toml, quote};

/// Drafts `session.toml` for a session that has a folder.
///
/// What the session knows is written as it is. Guesses (roles from names, the baseline) are live
/// lines that end in `# guess`; what nobody knows stands there as a comment to fill in. The text is
/// valid TOML that this program reads.
#[must_use]
pub fn draft(session: &Session) -> String {
    let mut toml = Toml::default();
    toml.comment(
        "Drafted from what the folder shows. Look over lines that say guess; fill in what starts with #.",
    );
    head(&mut toml, session);
    calibration(&mut toml, session);
    room(&mut toml, session);
    visit(&mut toml, session);
    sources(&mut toml, session);
    for entry in &session.states {
        state(&mut toml, entry);
    }
    if session.states.iter().all(|state| state.units.is_empty()) {
        toml.blank();
        toml.comment(
            "A tuned absorber goes below its state: [[states.units]] with name, at, tuned_hz, dials, note.",
        );
    }
    positions(&mut toml, session);
    takes(&mut toml, session);
    toml.into_text()
}

fn head(toml: &mut Toml, session: &Session) {
    toml.text_or("title", session.title.as_deref(), "what the report is called");
    match (&session.baseline, likely_baseline(session)) {
        (Some(baseline), _) => toml.line("baseline", &quote(baseline)),
        (None, Some(likely)) => {
            toml.guess("baseline", &quote(likely), "the state that the others are compared against");
        }
        (None, None) => toml.comment(
            "baseline = \"\"   # the state that the others are compared against; without this line the first listed below",
        ),
    }
    if let Some(names) = &session.names {
        toml.line("names", &quote(names.text()));
    }
    if session.channel != 1 {
        toml.line("channel", &session.channel.to_string());
    }
    if !session.channels.is_empty() {
        let named =
            session.channels.iter().map(|(channel, position)| format!("{channel} = {}", quote(position)));
        toml.line("channels", &format!("{{ {} }}", named.collect::<Vec<_>>().join(", ")));
    }
    if let Some(rate_hz) = session.rate_hz {
        toml.line("rate_hz", &rate_hz.to_string());
    }
    match session.same_chain {
        Some(same) => toml.line("same_chain", &same.to_string()),
        None => toml.comment(
            "same_chain = true   # if no filter, gain, loudspeaker or microphone changed between states",
        ),
    }
    match session.time_base {
        Some(TimeBase::Emission) => toml.line("time_base", "\"emission\""),
        Some(TimeBase::Arrival) => toml.line("time_base", "\"arrival\""),
        None => toml.comment(
            "time_base = \"emission\"   # if all files start at one instant of the signal; \"arrival\": each at its own direct sound",
        ),
    }
}

/// The state that is most likely the room before treatment: by its name, or else the first.
fn likely_baseline(session: &Session) -> Option<&str> {
    const WORDS: [&str; 12] = [
        "empty",
        "before",
        "untreated",
        "bare",
        "baseline",
        "as_found",
        "as found",
        "leer",
        "vorher",
        "ohne",
        "vide",
        "avant",
    ];
    let mut named =
        session.states.iter().filter(|state| WORDS.iter().any(|word| fold(&state.name).contains(word)));
    named.next().map(|state| state.name.as_str())
}

fn calibration(toml: &mut Toml, session: &Session) {
    if let Some(level) = session.zero_db_spl {
        toml.blank();
        toml.header("[calibration]");
        toml.line("zero_db_spl", &level.to_string());
    }
}

fn room(toml: &mut Toml, session: &Session) {
    let room = &session.room;
    toml.blank();
    let of_plan = session.plan.as_ref().map(super::FloorPlan::volume_m3);
    let product = room.dimensions_m.map(|sides| sides.iter().product::<f64>()).or(of_plan);
    let volume =
        room.volume_m3.filter(|volume| product.is_none_or(|product| product.to_bits() != volume.to_bits()));
    let temperature = (room.temperature_c.to_bits() != super::Room::default().temperature_c.to_bits())
        .then_some(room.temperature_c);
    if product.is_none() && volume.is_none() {
        toml.comment("For room modes: the three lengths of a rectangular room in metres (or \"18 ft 4 in\"); plan = [[x, y], …] and");
        toml.comment("height of one that is no box; or volume_m3 alone.");
    }
    if product.is_none() && volume.is_none() && temperature.is_none() {
        toml.comment("[room]");
        toml.comment("length = 5.60");
        toml.comment("width = 4.25");
        toml.comment("height = 2.75");
        toml.comment("temperature_c = 20.0");
        return;
    }
    toml.header("[room]");
    for (key, side) in ["length", "width", "height"].into_iter().zip(room.dimensions_m.into_iter().flatten())
    {
        toml.number(key, side);
    }
    if let Some(plan) = &session.plan {
        let corners: Vec<String> = plan.corners_m.iter().map(|[x, y]| format!("[{x}, {y}]")).collect();
        toml.line("plan", &format!("[{}]", corners.join(", ")));
        toml.number("height", plan.height_m);
    }
    volume.into_iter().for_each(|volume| toml.number("volume_m3", volume));
    match temperature {
        Some(temperature) => toml.number("temperature_c", temperature),
        None => toml.comment("temperature_c = 20.0"),
    }
}

fn visit(toml: &mut Toml, session: &Session) {
    let visit = &session.visit;
    toml.blank();
    toml.header("[visit]");
    match &visit.date {
        Some(date) if date.parse::<toml::value::Datetime>().is_ok() => toml.line("date", date),
        Some(date) => toml.line("date", &quote(date)),
        None => toml.comment("date = 2026-10-03   # year-month-day"),
    }
    for (key, text, remark) in [
        ("by", &visit.by, "who measured"),
        ("client", &visit.client, "for whom"),
        ("apparatus", &visit.apparatus, "microphone, loudspeaker, interface"),
        ("signal", &visit.signal, "test signal and its length"),
        ("notes", &visit.notes, "anything else"),
    ] {
        toml.text_or(key, text.as_deref(), remark);
    }
    match visit.occupied {
        Some(occupied) => toml.line("occupied", &occupied.to_string()),
        None => toml.comment("occupied = false   # whether people were in the room"),
    }
}

fn sources(toml: &mut Toml, session: &Session) {
    for source in &session.sources {
        toml.entry("[[sources]]", &source.name);
        toml.place(source.at_m);
    }
    if !session.sources.is_empty() {
        return;
    }
    let takes = || session.states.iter().flat_map(|state| &state.takes);
    let names = distinct(takes().map(|take| take.source.as_str()));
    // Names without a source mean the first one listed: to list some would move those takes.
    let live = !names.contains(&"");
    for name in names.into_iter().filter(|name| !name.is_empty() && live) {
        toml.entry("[[sources]]", name);
        toml.place(None);
    }
    if !live || takes().next().is_none() {
        toml.blank();
        toml.comment("Loudspeaker places; files whose name says none were made with the first one.");
        toml.comment("[[sources]]");
        toml.comment("name = \"left\"");
        toml.comment("at = [0.2, 0.2, 0.3]   # metres from one floor corner along length, width, height");
    }
}

fn state(toml: &mut Toml, state: &State) {
    toml.entry("[[states]]", &state.name);
    if let Some(folder) = state.folder.as_ref().filter(|folder| **folder != state.name) {
        toml.line("folder", &quote(folder));
    }
    if let Some(temperature) = state.temperature_c {
        toml.number("temperature_c", temperature);
    }
    for entry in &state.units {
        unit(toml, entry);
    }
}

fn unit(toml: &mut Toml, unit: &Unit) {
    toml.header("[[states.units]]");
    toml.line("name", &quote(&unit.name));
    toml.place(unit.at_m);
    if !unit.powered {
        toml.line("powered", "false");
    }
    if let Some(tuned) = unit.tuned_hz {
        toml.number("tuned_hz", tuned);
    }
    if !unit.dials.is_empty() {
        let dials: Vec<String> =
            unit.dials.iter().map(|(name, value)| format!("{} = {value:?}", quote(name))).collect();
        toml.line("dials", &format!("{{ {} }}", dials.join(", ")));
    }
    if let Some(note) = &unit.note {
        toml.line("note", &quote(note));
    }
}

fn positions(toml: &mut Toml, session: &Session) {
    for Position { name, at_m, role } in &session.positions {
        toml.entry("[[positions]]", name);
        toml.place(*at_m);
        if *role != Role::Other {
            toml.line("role", &format!("\"{}\"", role.word()));
        }
    }
    let takes = session.states.iter().flat_map(|state| &state.takes);
    for name in distinct(takes.map(|take| take.position.as_str())) {
        if session.position(name).is_some() {
            continue;
        }
        toml.entry("[[positions]]", name);
        if is_file_number(name) {
            toml.comment(
                "guess: a recorder's file number; rename the file, or say its position in [[takes]]",
            );
        }
        toml.place(None);
        match likely_role(name) {
            Role::Other => toml.comment("role = \"listening\"   # listening, boundary or other"),
            role => toml.guess(
                "role",
                &format!("\"{}\"", role.word()),
                "from the name; listening, boundary or other",
            ),
        }
    }
}

/// What a position is for, if its name holds a word for it.
fn likely_role(name: &str) -> Role {
    const LISTENING: [&str; 12] = [
        "seat", "chair", "sofa", "couch", "listen", "desk", "stool", "bench", "sitz", "platz", "stuhl",
        "siege",
    ];
    const BOUNDARY: [&str; 7] = ["corner", "edge", "wall", "floor", "ecke", "kante", "wand"];
    let name = fold(name);
    let holds = |words: &[&str]| words.iter().any(|word| name.contains(word));
    if holds(&BOUNDARY) {
        Role::Boundary
    } else if holds(&LISTENING) {
        Role::Listening
    } else {
        Role::Other
    }
}

/// `T0041`, `ZOOM0003`, `20261003_101500`: letters, then three digits or more, nothing behind them.
fn is_file_number(name: &str) -> bool {
    let head = name.trim_end_matches(|c: char| c.is_ascii_digit());
    name.len() - head.len() >= 3 && head.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-')
}

/// `[[takes]]` for what the names can't say, and a form to fill in for files that were refused.
fn takes(toml: &mut Toml, session: &Session) {
    let default = Pattern::default();
    let pattern = session.names.as_ref().unwrap_or(&default);
    let listed = Listed::of_draft(session);
    for state in &session.states {
        // What a file of several takes holds, it says itself, or `channels` does.
        for take in state.takes.iter().filter(|take| take.channel.is_none()) {
            take_entry(toml, session, state, take, (pattern, &listed));
        }
    }
    for failure in &session.failures {
        toml.blank();
        toml.comment(&format!("{}: {}", plain(&failure.file), plain(&failure.reason)));
        if super::is_audio_name(std::path::Path::new(&failure.file)) {
            toml.comment("[[takes]]");
            toml.comment(&format!("file = {}", quote(&failure.file)));
            toml.comment("position = \"\"   # where it was recorded");
        }
    }
}

fn take_entry(toml: &mut Toml, session: &Session, state: &State, take: &Take, names: (&Pattern, &Listed)) {
    let (pattern, listed) = names;
    let parts = Misfits::new("").read(pattern, &take.file, listed).unwrap_or_default();
    let unsaid = |said: bool, text: &str| (!said).then(|| quote(text));
    let lines = [
        ("state", unsaid(says_state(&parts, state, take), &state.name)),
        ("position", unsaid(says_position(&parts, pattern, take), &take.position)),
        ("source", unsaid(says_source(&parts, session, take), &take.source)),
        ("take", unsaid(parts.take.as_deref().unwrap_or_default() == take.take, &take.take)),
        ("use", (!take.used).then(|| "false".to_owned())),
        ("note", take.note.as_deref().map(quote)),
    ];
    if lines.iter().all(|(_, line)| line.is_none()) {
        return;
    }
    toml.blank();
    toml.header("[[takes]]");
    toml.line("file", &quote(&take.file));
    for (key, line) in lines {
        line.into_iter().for_each(|line| toml.line(key, &line));
    }
}

/// Whether name or folder put a take into its state.
fn says_state(parts: &Parts, state: &State, take: &Take) -> bool {
    let folder = take.file.rsplit_once('/').map_or(".", |(folder, _)| folder);
    match &parts.state {
        Some(said) => same_name(said, &state.name),
        None => state.folder.as_ref().is_some_and(|own| same_name(own, folder)),
    }
}

fn says_position(parts: &Parts, pattern: &Pattern, take: &Take) -> bool {
    let unnamed = (!pattern.holds(Field::Position)).then_some(UNNAMED_POSITION);
    parts.position.as_deref().or(unnamed).is_some_and(|said| same_name(said, &take.position))
}

fn says_source(parts: &Parts, session: &Session, take: &Take) -> bool {
    let first = session.sources.first().map_or("", |first| &first.name);
    let said = parts.source.as_deref().unwrap_or_default();
    same_name(if said.is_empty() { first } else { said }, &take.source)
}

impl Listed {
    /// What the draft will list.
    fn of_draft(session: &Session) -> Self {
        let takes = || session.states.iter().flat_map(|state| &state.takes);
        let positions = session.positions.iter().map(|position| position.name.as_str());
        let live = takes().all(|take| !take.source.is_empty()) || !session.sources.is_empty();
        let met = takes().map(|take| take.source.as_str()).filter(|_| live && session.sources.is_empty());
        Self {
            states: session.states.iter().map(|state| fold(&state.name)).collect(),
            positions: positions.chain(takes().map(|take| take.position.as_str())).map(fold).collect(),
            sources: session.sources.iter().map(|source| source.name.as_str()).chain(met).map(fold).collect(),
            folders: std::collections::BTreeMap::new(),
        }
    }
}

/// Each name once, in natural order.
fn distinct<'a>(names: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut names: Vec<&str> = names.collect();
    names.sort_by_cached_key(|name| NaturalKey::new(name));
    names.dedup();
    names
}

#[cfg(test)]
mod tests;
