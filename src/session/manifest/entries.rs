//! The manifest's tables, one function each.

use std::collections::BTreeMap;

use super::table::{Bounds, Placed, Table};
use crate::language::Language;
use crate::session::dimensions::ROOM_LENGTH_M;
use crate::session::order::{as_name, closest, composed, fold, plain};
use crate::session::place::{FloorPlan, Position, Role, Room, RoomUse, Source, Unit, Visit};

/// A `[[states]]` table.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::session) struct ListedState {
    pub name: String,
    /// Path within the session with `/`; `None`: the name.
    pub folder: Option<String>,
    pub temperature_c: Option<f64>,
    pub units: Vec<Unit>,
}

impl ListedState {
    /// Where its audio lies, within the session.
    pub fn folder(&self) -> &str {
        self.folder.as_deref().unwrap_or(&self.name)
    }
}

/// A `[[takes]]` table: what a name can't say.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::session) struct ListedTake {
    /// Path within the session with `/`.
    pub file: String,
    pub state: Option<Placed<String>>,
    pub position: Option<String>,
    pub source: Option<String>,
    pub take: Option<String>,
    pub used: bool,
    pub note: Option<String>,
}

/// A room's length. Our own bounds, see [`ROOM_LENGTH_M`].
const ROOM: Bounds =
    Bounds { low: *ROOM_LENGTH_M.start(), high: *ROOM_LENGTH_M.end(), above: false, words: "0.1 m to 100 m" };
/// Product of the bounds of three lengths.
const VOLUME: Bounds = Bounds { low: 0.001, high: 1e6, above: false, words: "0.001 to 1000000 cubic metres" };
/// Where people measure rooms; the speed of sound is linear enough there. Our own bounds.
const TEMPERATURE: Bounds =
    Bounds { low: -30.0, high: 60.0, above: false, words: "-30 to 60 degrees Celsius" };
/// Decay times that a job can ask for. Our own bounds.
const TARGET: Bounds = Bounds { low: 0.05, high: 20.0, above: false, words: "0.05 to 20 seconds" };
/// A coordinate where the room's size doesn't bound it.
const COORDINATE: Bounds = Bounds { low: -100.0, high: 100.0, above: false, words: "-100 m to 100 m" };
/// Frequencies that are heard, with what lies just below.
const FREQUENCY: Bounds = Bounds { low: 0.0, high: 20_000.0, above: true, words: "above 0 Hz, to 20000 Hz" };
/// Sound pressure levels that a response may stand for. Our own bounds.
const LEVEL: Bounds = Bounds { low: -50.0, high: 250.0, above: false, words: "-50 to 250 dB" };
const ANY: Bounds = Bounds { low: f64::MIN, high: f64::MAX, above: false, words: "a finite number" };

/// How far outside the room a tape measure may put something: 10 cm. Our own bound; more is an error.
const SLACK_M: f64 = 0.1;
/// Rounding of coordinates to whole centimetres is no remark worth.
const ROUNDING_M: f64 = 0.01;
/// How far the stated volume may be from the product of the lengths without a remark: 2 %. Our own
/// bound: three lengths each read to half a per cent.
const VOLUME_AGREES: f64 = 0.02;

/// What a place has to lie in, where the manifest says.
#[derive(Clone, Copy)]
pub enum Inside<'a> {
    /// A rectangular room's length, width and height.
    Box([f64; 3]),
    /// Upright walls on a polygon.
    Plan(&'a FloorPlan),
    /// Not said.
    Unknown,
}

impl Inside<'_> {
    /// How far a point lies outside, metres; below zero inside.
    fn outside_m(&self, at: [f64; 3]) -> f64 {
        let beyond = |x: f64, side: f64| (-x).max(x - side);
        match self {
            Self::Box(sides) => {
                at.iter().zip(sides).map(|(x, side)| beyond(*x, *side)).fold(f64::MIN, f64::max)
            }
            Self::Plan(plan) => plan.outside_m([at[0], at[1]]).max(beyond(at[2], plan.height_m)),
            Self::Unknown => f64::MIN,
        }
    }

    fn allowed(&self) -> String {
        let ranges = match self {
            Self::Box([length, width, height]) => format!("0 to {length}, 0 to {width}, 0 to {height}"),
            Self::Plan(plan) => format!("within `plan`, 0 to {}", plan.height_m),
            Self::Unknown => String::new(),
        };
        format!("{ranges}, with {SLACK_M} m for the tape measure")
    }
}

pub fn room(document: &Table<'_, '_>, warnings: &mut Vec<String>) -> (Room, Option<FloorPlan>) {
    const LENGTHS: [&str; 3] = ["length", "width", "height"];
    let keys = ["length", "width", "height", "plan", "volume_m3", "temperature_c"];
    let Some(table) = document.table("room", "[room]", &keys) else { return (Room::default(), None) };
    if table.has("plan") {
        return upright_room(&table, warnings);
    }
    let hint = "were centimetres meant? then add the unit: \"560 cm\"";
    let lengths = LENGTHS.map(|key| table.length(key, ROOM, hint));
    let absent: Vec<&str> = LENGTHS.into_iter().filter(|key| !table.has(key)).collect();
    let slipped = absent.iter().any(|key| table.has_slip_of(key, &keys));
    if !absent.is_empty() && absent.len() < 3 && !slipped {
        let advice = "give all three for a rectangular room, or volume_m3 alone";
        table.refuse_absent(&absent, advice);
    }
    let dimensions_m = match lengths {
        [Some(length), Some(width), Some(height)] => Some([length, width, height]),
        _ => None,
    };
    let product = dimensions_m.map(|sides| sides.iter().product::<f64>());
    let stated = table.number("volume_m3", VOLUME);
    if let (Some(product), Some(stated)) = (product, stated)
        && (stated / product - 1.0).abs() > VOLUME_AGREES
    {
        warnings.push(format!(
            "session.toml: volume_m3 = {stated} but the lengths make {product:.2}; the stated volume is used for the volume"
        ));
    }
    let temperature_c = table.number("temperature_c", TEMPERATURE).unwrap_or(Room::default().temperature_c);
    (Room { dimensions_m, volume_m3: stated.or(product), temperature_c }, None)
}

/// A room with upright walls on a polygon: `plan` and `height`.
fn upright_room(table: &Table<'_, '_>, warnings: &mut Vec<String>) -> (Room, Option<FloorPlan>) {
    let both: Vec<&str> = ["length", "width"].into_iter().filter(|key| table.has(key)).collect();
    if let [first, ..] = both[..] {
        table.refuse_present(
            first,
            "`plan` says it already",
            "leave it out, or leave `plan` out for a rectangular room",
        );
    }
    if !table.has("height") {
        table.refuse_absent(&["height"], "give the height beside `plan`");
    }
    let corners = table.corners("plan", COORDINATE);
    let height = table.length("height", ROOM, "were centimetres meant? then add the unit: \"258 cm\"");
    let plan = corners.zip(height).map(|(corners_m, height_m)| FloorPlan { corners_m, height_m });
    let stated = table.number("volume_m3", VOLUME);
    let temperature_c = table.number("temperature_c", TEMPERATURE).unwrap_or(Room::default().temperature_c);
    let upright = plan.as_ref().map(FloorPlan::volume_m3);
    if let (Some(upright), Some(stated)) = (upright, stated)
        && (stated / upright - 1.0).abs() > VOLUME_AGREES
    {
        warnings.push(format!(
            "session.toml: volume_m3 = {stated} but the plan's area times the height makes {upright:.2}: the ceiling \
             slopes, or parts of the room are not in the plan. The modes are those of upright walls and a level ceiling at \
             `height`; what slopes or stands out is left out"
        ));
    }
    let volume_m3 = stated.or(upright);
    (Room { dimensions_m: None, volume_m3, temperature_c }, plan)
}

/// What `level_db` 0 means in sound pressure, where no capture record says it.
pub fn calibration(document: &Table<'_, '_>) -> Option<f64> {
    document.table("calibration", "[calibration]", &["zero_db_spl"])?.number("zero_db_spl", LEVEL)
}

pub fn visit(document: &Table<'_, '_>) -> Visit {
    let keys = [
        "date",
        "by",
        "client",
        "apparatus",
        "signal",
        "occupied",
        "notes",
        "conclusions",
        "logo",
        "language",
        "target_t60_s",
        "use",
    ];
    let Some(table) = document.table("visit", "[visit]", &keys) else { return Visit::default() };
    let text = |key| table.text_or_empty(key).filter(|text| !text.trim().is_empty());
    Visit {
        date: table.date("date"),
        by: text("by"),
        client: text("client"),
        apparatus: text("apparatus"),
        signal: text("signal"),
        occupied: table.truth("occupied"),
        notes: text("notes"),
        conclusions: text("conclusions"),
        logo: table.text("logo").and_then(|path| relative(&table, "logo", path)),
        language: table.text("language").and_then(|asked| language(&table, asked)),
        target_t60_s: table.number("target_t60_s", TARGET),
        room_use: table.choice("use", &[("listening", RoomUse::Listening)]),
    }
}

/// A language's tag, or the path of a language file.
fn language(table: &Table<'_, '_>, asked: Placed<String>) -> Option<String> {
    let known = Language::KNOWN;
    if known.contains(&asked.value.as_str()) {
        return Some(asked.value);
    }
    if asked.value.to_lowercase().ends_with(".toml") {
        return relative(table, "language", asked);
    }
    let allowed = format!("{}, or the path of a language file (.toml) within the session", known.join(", "));
    let advice = match closest(&asked.value, known) {
        Some(near) => format!("write \"{near}\""),
        None => "write a language's tag, or put a language file beside session.toml".to_owned(),
    };
    table.refuse_at(asked.span, "`language` is not known", &allowed, advice);
    None
}

pub fn sources(document: &Table<'_, '_>, inside: Inside<'_>, warnings: &mut Vec<String>) -> Vec<Source> {
    let mut names = Names::default();
    let tables = document.tables("sources", "[[sources]]", &["name", "at"]);
    let read = tables.iter().filter_map(|table| {
        let at_m = place(table, inside, warnings);
        Some(Source { name: names.of(table)?, at_m })
    });
    read.collect()
}

pub fn positions(document: &Table<'_, '_>, inside: Inside<'_>, warnings: &mut Vec<String>) -> Vec<Position> {
    let roles = [Role::Listening, Role::Boundary, Role::Other].map(|role| (role.word(), role));
    let mut names = Names::default();
    let tables = document.tables("positions", "[[positions]]", &["name", "at", "role"]);
    let read = tables.iter().filter_map(|table| {
        let at_m = place(table, inside, warnings);
        let role = table.choice("role", &roles).unwrap_or_default();
        Some(Position { name: names.of(table)?, at_m, role })
    });
    read.collect()
}

pub fn states(document: &Table<'_, '_>, inside: Inside<'_>, warnings: &mut Vec<String>) -> Vec<ListedState> {
    let mut names = Names::default();
    let mut folders = BTreeMap::new();
    let keys = ["name", "folder", "temperature_c", "units"];
    let mut states = Vec::new();
    for table in document.tables("states", "[[states]]", &keys) {
        let folder = table.text("folder").and_then(|text| relative(&table, "folder", text));
        let temperature_c = table.number("temperature_c", TEMPERATURE);
        let units = units(&table, inside, warnings);
        let Some(name) = names.of(&table) else { continue };
        let state = ListedState { name, folder, temperature_c, units };
        if let Some(other) = folders.insert(fold(state.folder()), state.name.clone()) {
            let what = format!("the folder `{}` belongs to two states", plain(state.folder()));
            let advice = format!("`{}` has it already; give each state its own", plain(&other));
            table.refuse_at(table.span(), &what, "one folder for each state", advice);
        }
        states.push(state);
    }
    states
}

fn units(state: &Table<'_, '_>, inside: Inside<'_>, warnings: &mut Vec<String>) -> Vec<Unit> {
    let mut names = Names::default();
    let keys = ["name", "at", "powered", "tuned_hz", "dials", "note"];
    let tables = state.tables("units", "[[states.units]]", &keys);
    let read = tables.iter().filter_map(|table| {
        let at_m = place(table, inside, warnings);
        let powered = table.truth("powered").unwrap_or(true);
        let tuned_hz = table.number("tuned_hz", FREQUENCY);
        let dials = table.numbers("dials", ANY);
        let note = table.text_or_empty("note").filter(|note| !note.trim().is_empty());
        Some(Unit { name: names.of(table)?, at_m, powered, tuned_hz, dials, note })
    });
    read.collect()
}

pub fn takes(document: &Table<'_, '_>) -> Vec<ListedTake> {
    let keys = ["file", "state", "position", "source", "take", "use", "note"];
    let mut files = BTreeMap::new();
    let mut takes = Vec::new();
    for table in document.tables("takes", "[[takes]]", &keys) {
        let state = table.text("state").map(|text| Placed { value: as_name(&text.value), ..text });
        let position = table.text("position").map(|text| as_name(&text.value));
        let source = table.text_or_empty("source").map(|text| composed(text.trim()));
        let take = table.text_or_count("take").map(|take| composed(take.trim()));
        let used = table.truth("use").unwrap_or(true);
        let note = table.text_or_empty("note").filter(|note| !note.trim().is_empty());
        let Some(text) = table.needed_text("file", "write file = \"STATE/NAME.wav\"") else { continue };
        let span = text.span.clone();
        let Some(file) = relative(&table, "file", text) else { continue };
        if files.insert(fold(&file), ()).is_some() {
            let advice = "put everything about a file into one [[takes]] table".to_owned();
            table.refuse_at(span, "`file` stands there a second time", "each file once", advice);
        }
        takes.push(ListedTake { file, state, position, source, take, used, note });
    }
    takes
}

/// A path within the session, with `/`. It may not lead out of it.
fn relative(table: &Table<'_, '_>, key: &str, text: Placed<String>) -> Option<String> {
    let path = text.value.replace('\\', "/");
    let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty() && *part != ".").collect();
    let drive = parts.first().is_some_and(|first| first.len() == 2 && first.ends_with(':'));
    if path.starts_with('/') || drive || parts.contains(&"..") {
        let allowed = "a path within the session's folder, like empty or empty/seat.wav";
        let advice = "move it into the session's folder".to_owned();
        table.refuse_at(text.span, &format!("`{key}` leads out of the session"), allowed, advice);
        return None;
    }
    Some(if parts.is_empty() { ".".to_owned() } else { parts.join("/") })
}

/// `at`, if it lies in the room. A little outside is a tape measure's error, and told.
fn place(table: &Table<'_, '_>, inside: Inside<'_>, warnings: &mut Vec<String>) -> Option<[f64; 3]> {
    let point = table.point("at", COORDINATE)?;
    let outside = inside.outside_m(point.value);
    if outside > SLACK_M + 1e-9 {
        let advice = match inside {
            Inside::Plan(_) => "measure from the plan's origin, as its corners are".to_owned(),
            _ => "measure from one floor corner along length, width, height".to_owned(),
        };
        let what = format!("`at` is {outside:.2} m outside the room");
        table.refuse_at(point.span, &what, &inside.allowed(), advice);
        return None;
    }
    if outside > ROUNDING_M + 1e-9 {
        // A blank name is refused where names are read.
        let name = table.text_or_empty("name").map_or_else(String::new, |name| plain(&name));
        warnings.push(format!("session.toml: `{name}` stands {:.0} mm outside the room", outside * 1000.0));
    }
    Some(point.value)
}

/// The names of one kind of table, each of which must have its own.
#[derive(Default)]
struct Names(BTreeMap<String, String>);

impl Names {
    fn of(&mut self, table: &Table<'_, '_>) -> Option<String> {
        let text = table.needed_text("name", "give it a name in quotes")?;
        let name = as_name(&text.value);
        if let Some(other) = self.0.insert(fold(&name), name.clone()) {
            let what = format!("the name `{}` is taken", plain(&name));
            let advice =
                format!("`{}` stands above; case and Unicode form make no difference", plain(&other));
            table.refuse_at(text.span, &what, "each name once", advice);
            return None;
        }
        Some(name)
    }
}
