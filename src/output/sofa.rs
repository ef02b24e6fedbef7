//! The averaged responses of a state as a SOFA file (AES69-2022), as netCDF-4 within HDF5.
//!
//! Convention SingleRoomSRIR where the room's three lengths are known, which it demands; GeneralFIR elsewhere. Each
//! position with each source is one measurement with one receiver and one emitter. Points count from the floor corner,
//! as in session.toml; those that nobody stated are NaN, not zero. SOFA has no names of positions: they stand in
//! `ListenerDescription` and `SourceDescription`, in the order of the measurements.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use super::OutputError;
use super::file::{Existing, put};
use super::folder::Overwrite;
use super::hdf5::{File, Variable};
use crate::analysis::Averaged;
use crate::session::{Room, Session, State, same_name};
use crate::table::json::PROGRAM;

/// SOFA files of one state: one a sample rate, each with its name in the folder.
#[derive(Debug)]
pub struct SofaFiles {
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl SofaFiles {
    /// Makes the files of a state, `STATE.sofa` or, of several rates, `STATE-RATE.sofa`.
    ///
    /// `folder`: where they are to go.
    ///
    /// # Errors
    /// [`OutputError::Write`] where a text is too long for the format.
    pub fn new(
        folder: &Path,
        session: &Session,
        state: &State,
        found: &[Averaged],
    ) -> Result<Self, OutputError> {
        let mut rates: BTreeMap<u64, Vec<&Averaged>> = BTreeMap::new();
        for one in found {
            rates.entry(one.rate_hz.round() as u64).or_default().push(one);
        }
        let stem = stem(session, state);
        let mut files = Vec::new();
        for (rate, group) in &rates {
            let name = if rates.len() > 1 { format!("{stem}-{rate}.sofa") } else { format!("{stem}.sofa") };
            let (path, mut bytes) = (folder.join(name), Vec::new());
            file(session, state, group).write(&mut bytes).map_err(OutputError::write(&path))?;
            files.push((path, bytes));
        }
        Ok(Self { files })
    }

    /// Writes the files, each whole or not at all. One of that name is replaced if this program made it.
    ///
    /// # Errors
    /// [`OutputError::Exists`], with nothing written, if another's file is there and may not be replaced;
    /// [`OutputError::Write`].
    pub fn write(&self, overwrite: Overwrite) -> Result<(), OutputError> {
        for (path, _) in &self.files {
            check(path, overwrite)?;
        }
        self.files.iter().try_for_each(|(path, bytes)| put(path, bytes, Existing::Replace))
    }
}

/// Whether the file of a state of one rate may be written, to be asked before the work.
///
/// # Errors
/// [`OutputError::Exists`].
pub fn look(
    folder: &Path,
    session: &Session,
    state: &State,
    overwrite: Overwrite,
) -> Result<(), OutputError> {
    check(&folder.join(format!("{}.sofa", stem(session, state))), overwrite)
}

/// A state's name as a file's, other than those of the session's states before it.
fn stem(session: &Session, state: &State) -> String {
    let plain = |name: &str| name.replace(['/', '\\'], "-");
    let mut taken: Vec<String> = Vec::new();
    for own in session.states.iter().take_while(|own| own.name != state.name).chain([state]) {
        let numbered = (2..).map(|k| format!("{}-{k}", plain(&own.name)));
        let free = |name: &String| !taken.iter().any(|other| same_name(other, name));
        taken.extend(std::iter::once(plain(&own.name)).chain(numbered).find(free));
    }
    taken.pop().unwrap_or_default()
}

fn check(path: &Path, overwrite: Overwrite) -> Result<(), OutputError> {
    let there = std::fs::symlink_metadata(path).is_ok();
    if there && overwrite == Overwrite::OnlyOurs && !is_ours(path) {
        return Err(OutputError::Exists { path: path.to_owned() });
    }
    Ok(())
}

/// Our attributes stand in a file's first bytes.
fn is_ours(path: &Path) -> bool {
    const HEAD: u64 = 16_384;
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(HEAD).read_to_end(&mut head));
    let mark = mark();
    read.is_ok() && head.windows(mark.len()).any(|part| part == mark.as_bytes())
}

/// In `APIName`: what made the file.
fn mark() -> String {
    format!("{PROGRAM}, SOFA writer")
}

fn file<'a>(session: &'a Session, state: &'a State, found: &[&Averaged]) -> File<'a> {
    let samples = found.iter().map(|one| one.samples.len()).max().unwrap_or_default();
    let (measurements, corner) = (found.len() as u64, session.room.dimensions_m);
    let dimensions = vec![("M", measurements), ("R", 1), ("N", samples as u64), ("E", 1), ("I", 1), ("C", 3)];
    let mut attributes = head(corner.is_some());
    attributes.extend(words(session, state, found, samples));
    let mut variables = places(session, found);
    variables.extend(corner.into_iter().flat_map(corners));
    variables.extend(room(session, state));
    let rate_hz = found.first().map_or(0.0, |one| one.rate_hz);
    let before = |one: &&Averaged| one.instant.map_or(0.0, |instant| (-instant).max(0) as f64);
    let padded = |one: &&Averaged| {
        let mut all = one.samples.clone();
        all.resize(samples, 0.0);
        all
    };
    let variable = |name, along, values| Variable { name, along, values, attributes: Vec::new() };
    variables.extend([
        variable("Data.IR", vec!["M", "R", "N"], found.iter().flat_map(padded).collect()),
        Variable {
            attributes: vec![("Units", "hertz".to_owned())],
            ..variable("Data.SamplingRate", vec!["I"], vec![rate_hz])
        },
        variable("Data.Delay", vec!["M", "R"], found.iter().map(before).collect()),
    ]);
    File { attributes, dimensions, variables }
}

/// What the standard asks of every file.
fn head(shoebox: bool) -> Vec<(&'static str, String)> {
    let (convention, room) =
        if shoebox { ("SingleRoomSRIR", "shoebox") } else { ("GeneralFIR", "reverberant") };
    let version = env!("CARGO_PKG_VERSION");
    let fixed = [
        ("Conventions", "SOFA"),
        ("Version", "2.1"),
        ("SOFAConventions", convention),
        ("SOFAConventionsVersion", "1.0"),
        ("DataType", "FIR"),
        ("RoomType", room),
        ("APIVersion", version),
        ("ApplicationName", PROGRAM),
        ("ApplicationVersion", version),
        ("License", "No license provided, ask the author for permission"),
    ];
    let named = fixed.map(|(name, text)| (name, text.to_owned()));
    named.into_iter().chain([("APIName", mark())]).collect()
}

/// What this session and this state say, in words.
fn words(
    session: &Session,
    state: &State,
    found: &[&Averaged],
    samples: usize,
) -> Vec<(&'static str, String)> {
    let visit = &session.visit;
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let listed =
        |of: &dyn Fn(&Averaged) -> String| found.iter().map(|one| of(one)).collect::<Vec<_>>().join("; ");
    let title = session.title.as_deref().unwrap_or(&session.name);
    let stamp = stamp(newest(state));
    let positions = listed(&|one| one.position.clone());
    let sources = listed(&|one| one.source.clone());
    vec![
        ("Title", format!("{title}: {}", state.name)),
        ("DatabaseName", title.to_owned()),
        ("AuthorContact", text(&visit.by)),
        ("Organization", String::new()),
        ("DateCreated", stamp.clone()),
        ("DateModified", stamp),
        ("Comment", text(&visit.notes)),
        ("History", history(found, samples)),
        ("RoomDescription", format!("{title}, state {}", state.name)),
        ("ListenerDescription", format!("positions in the order of the measurements: {positions}")),
        ("ReceiverDescription", text(&visit.apparatus)),
        ("SourceDescription", format!("sources in the order of the measurements: {sources}")),
        ("EmitterDescription", text(&visit.signal)),
    ]
}

/// How the responses came about, and what is not room in them.
fn history(found: &[&Averaged], samples: usize) -> String {
    let takes: Vec<String> = found.iter().map(|one| one.takes.to_string()).collect();
    let mut told = format!("Means of aligned takes, {} by measurement. ", takes.join(", "));
    match found.first().and_then(|one| one.instant) {
        Some(instant @ 0..) => told.push_str(&format!(
            "All share one instant, sample {instant}: the emission or, without distances, the earliest arrival."
        )),
        Some(_) => told.push_str("All share one instant, that of the emission, from which Data.Delay counts."),
        None => told.push_str("No common instant is known: each begins as its recording does."),
    }
    let short = found.iter().filter(|one| one.samples.len() < samples);
    let short: Vec<String> = short.map(|one| format!("{} {}", one.position, one.samples.len())).collect();
    if !short.is_empty() {
        told.push_str(&format!(" Zeros follow after the samples of: {}.", short.join(", ")));
    }
    told
}

const POINT: [&str; 2] = ["cartesian", "metre"];

fn point<'a>(name: &'a str, along: &'a str, values: Vec<f64>) -> Variable<'a> {
    let [kind, units] = POINT.map(str::to_owned);
    Variable { name, along: vec![along, "C"], attributes: vec![("Type", kind), ("Units", units)], values }
}

/// Where microphones and sources were. Neither is said to look anywhere: along the first axis is the standard's default.
fn places<'a>(session: &Session, found: &[&Averaged]) -> Vec<Variable<'a>> {
    let unknown = [f64::NAN; 3];
    let listener =
        |one: &&Averaged| session.position(&one.position).and_then(|known| known.at_m).unwrap_or(unknown);
    let source =
        |one: &&Averaged| session.source(&one.source).and_then(|known| known.at_m).unwrap_or(unknown);
    let axis = |name, place: [f64; 3]| Variable { along: vec!["I", "C"], ..point(name, "I", place.to_vec()) };
    let up = |name| Variable { attributes: Vec::new(), ..axis(name, [0.0, 0.0, 1.0]) };
    let own = |name, along: &'static str| Variable {
        along: vec![along, "C", "I"],
        ..point(name, along, vec![0.0; 3])
    };
    vec![
        point("ListenerPosition", "M", found.iter().flat_map(listener).collect()),
        axis("ListenerView", [1.0, 0.0, 0.0]),
        up("ListenerUp"),
        own("ReceiverPosition", "R"),
        point("SourcePosition", "M", found.iter().flat_map(source).collect()),
        axis("SourceView", [1.0, 0.0, 0.0]),
        up("SourceUp"),
        own("EmitterPosition", "E"),
    ]
}

/// The corners of a rectangular room. The third variable holds no value of use, only the units of the others.
fn corners<'a>(lengths_m: [f64; 3]) -> Vec<Variable<'a>> {
    let corner = |name, at: [f64; 3]| Variable { attributes: Vec::new(), ..point(name, "I", at.to_vec()) };
    vec![
        corner("RoomCornerA", [0.0; 3]),
        corner("RoomCornerB", lengths_m),
        Variable { along: vec!["I", "I"], ..point("RoomCorners", "I", vec![0.0]) },
    ]
}

/// Temperature and volume, where they are stated (20 °C may be the default of session.toml, and is left out).
fn room<'a>(session: &Session, state: &State) -> Vec<Variable<'a>> {
    const ZERO_CELSIUS_K: f64 = 273.15; // by definition of the degree Celsius
    let one = |name, value, units: &str| Variable {
        name,
        along: vec!["I"],
        values: vec![value],
        attributes: vec![("Units", units.to_owned())],
    };
    let of_room = session.room.temperature_c;
    let stated = state.temperature_c.or((of_room != Room::default().temperature_c).then_some(of_room));
    let kelvin = stated.map(|celsius| one("RoomTemperature", celsius + ZERO_CELSIUS_K, "kelvin"));
    let mut known: Vec<Variable<'a>> = kelvin.into_iter().collect();
    known.extend(session.room.volume_m3.map(|volume| one("RoomVolume", volume, "cubic metre")));
    known
}

/// When the newest of a state's files was changed: the same files give the same bytes.
fn newest(state: &State) -> SystemTime {
    let changed = |path: &Path| std::fs::metadata(path).and_then(|data| data.modified()).ok();
    state.takes.iter().filter_map(|take| changed(&take.path)).max().unwrap_or(UNIX_EPOCH)
}

/// `yyyy-mm-dd hh:mm:ss`, UTC, as AES69 has dates.
fn stamp(time: SystemTime) -> String {
    let seconds = time.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let (days, clock) = ((seconds / 86_400) as i64, seconds % 86_400);
    // From days to a date in the Gregorian calendar: H. Hinnant, "chrono-Compatible Low-Level Date Algorithms" (2014).
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let of_era = shifted.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let part = (5 * of_year + 2) / 153;
    let (day, month) = (of_year - (153 * part + 2) / 5 + 1, if part < 10 { part + 3 } else { part - 9 });
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    let (hour, minute, second) = (clock / 3_600, clock / 60 % 60, clock % 60);
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// By `date -u -d @SECONDS` (GNU coreutils).
    #[test]
    fn dates_are_those_of_the_calendar() {
        for (seconds, text) in [
            (0, "1970-01-01 00:00:00"),
            (951_782_399, "2000-02-28 23:59:59"),
            (951_868_800, "2000-03-01 00:00:00"),
            (1_709_210_096, "2024-02-29 12:34:56"),
            (4_107_542_399, "2100-02-28 23:59:59"),
        ] {
            assert_eq!(stamp(UNIX_EPOCH + Duration::from_secs(seconds)), text);
        }
    }

    /// Names that differ in a slash or in case are files of their own on every system.
    #[test]
    fn every_state_has_a_file_of_its_own() {
        let named = |name: &&str| State { name: (*name).to_owned(), ..State::default() };
        let states: Vec<State> = ["x/a", "x-a", "X-a", "y/a", "x-a-2"].iter().map(named).collect();
        let session = Session { states: states.clone(), ..Session::new("room") };
        let stems: Vec<String> = states.iter().map(|state| stem(&session, state)).collect();
        assert_eq!(stems, ["x-a", "x-a-2", "X-a-3", "y-a", "x-a-2-2"]);
    }
}
