//! One line a room: what the tables of a session say in short.

use super::{CatalogueRow, Results};
use crate::flag::{Flag, Flags};
use crate::table::catalogue::middle_t20_s;
use crate::table::words::VERDICTS;
use crate::table::{BandRow, Cell, ChangeRow, ModeRow, Row, csv_text};
use std::collections::BTreeMap;

/// The tables of one session, whole: name, and lines without the header.
pub(super) type Bodies = BTreeMap<&'static str, Vec<u8>>;

/// The row of a session.
pub(super) fn row(session: &Results, bodies: &Bodies) -> CatalogueRow {
    let head = &session.head;
    // What the command named as before counts more than what the manifest says.
    let mut named = [&head.before, &head.baseline].into_iter().flatten();
    let state = named.find(|name| head.states.contains(name)).or(head.states.first());
    let printed = state.map(|name| csv_text::printed(&Cell::Text(name.as_str().into())).into_owned());
    let of_state = |fields: &Fields<'_>| Some(fields.text(0)) == printed.as_deref();
    let (modes, worst) = modes(bodies, of_state);
    CatalogueRow {
        session: session.name.clone(),
        title: head.title.clone(),
        states: head.states.len() as u64,
        files: head.files,
        failures: head.failures,
        state: state.cloned(),
        volume_m3: head.volume_m3.ok_or(Flag::NoVolume),
        middle_t20_s: middle_t20(bodies, of_state).ok_or(Flag::NoMiddleBands),
        modes,
        worst_hz: worst.map(|worst| worst.0).ok_or(Flag::NoneToTreat),
        worst_t60_s: worst.map(|worst| worst.1).ok_or(Flag::NoneToTreat),
        verdicts: verdicts(bodies),
        flags: bodies
            .get(ChangeRow::TABLE.name)
            .is_none()
            .then_some(Flag::NotCompared)
            .into_iter()
            .collect::<Flags>(),
    }
}

/// The fields of a row.
struct Fields<'a>(&'a csv::StringRecord);

impl Fields<'_> {
    fn text(&self, column: usize) -> &str {
        self.0.get(column).unwrap_or_default()
    }

    fn number(&self, column: usize) -> Option<f64> {
        self.text(column).parse().ok()
    }
}

/// Each row of a table through `look`.
fn each<R: Row>(bodies: &Bodies, mut look: impl FnMut(&Fields<'_>)) {
    let body = bodies.get(R::TABLE.name).map_or(&[][..], Vec::as_slice);
    let mut rows = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(body);
    let mut record = csv::StringRecord::new();
    while rows.read_record(&mut record).unwrap_or(false) {
        look(&Fields(&record));
    }
}

/// Where a column stands.
fn at<R: Row>(name: &str) -> usize {
    R::TABLE.columns.iter().position(|column| column.name == name).unwrap_or(usize::MAX)
}

fn middle_t20(bodies: &Bodies, of_state: impl Fn(&Fields<'_>) -> bool) -> Option<f64> {
    let [position, band, t20] = ["position", "band_hz", "t20_s"].map(at::<BandRow>);
    let (mut average, mut single) = (Vec::new(), Vec::new());
    let mut averaged = false;
    each::<BandRow>(bodies, |fields| {
        if !of_state(fields) {
            return;
        }
        let is_average = fields.text(position) == "*";
        averaged |= is_average;
        let read = fields.number(band).map(|hz| (hz, fields.number(t20)));
        if is_average { average.extend(read) } else { single.extend(read) }
    });
    middle_t20_s(if averaged { average } else { single })
}

/// How many modes are claimed, and frequency and T60 of the one to treat first: of several that share the first rank, that
/// which rings longest.
fn modes(bodies: &Bodies, of_state: impl Fn(&Fields<'_>) -> bool) -> (u64, Option<(f64, f64)>) {
    let [kind, frequency, t60, priority] = ["kind", "frequency_hz", "t60_s", "priority"].map(at::<ModeRow>);
    let (mut modes, mut worst) = (0, None);
    each::<ModeRow>(bodies, |fields| {
        if of_state(fields) {
            modes += u64::from(fields.text(kind) == "mode");
            let first =
                (fields.text(priority) == "1").then(|| fields.number(frequency).zip(fields.number(t60)));
            worst = first.flatten().into_iter().chain(worst).max_by(|a: &(f64, f64), b| a.1.total_cmp(&b.1));
        }
    });
    (modes, worst)
}

fn verdicts(bodies: &Bodies) -> Option<String> {
    let verdict = at::<ChangeRow>("verdict");
    let mut counts = [0_u64; VERDICTS.len()];
    each::<ChangeRow>(bodies, |fields| {
        if let Some(which) = VERDICTS.iter().position(|(word, _)| *word == fields.text(verdict)) {
            counts[which] += 1;
        }
    });
    let words = VERDICTS.iter().zip(counts).filter(|(_, count)| *count > 0);
    let words: Vec<String> = words.map(|((word, _), count)| format!("{word} {count}")).collect();
    (!words.is_empty()).then(|| words.join(", "))
}
