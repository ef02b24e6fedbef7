//! The rows of one run, and the order in which they are written.

use super::absorbers::AbsorberRow;
use super::band_changes::BandChangeRow;
use super::bands::BandRow;
use super::captures::{CaptureBandRow, CaptureRow, HarmonicRow, HumRow};
use super::cell::Cell;
use super::changes::ChangeRow;
use super::checks::CheckRow;
use super::column::Table;
use super::failures::FailureRow;
use super::files::FileRow;
use super::fits::FitRow;
use super::gather_captures::Captures;
use super::mode_levels::ModeLevelRow;
use super::modes::ModeRow;
use super::position_changes::PositionChangeRow;
use super::room_fits::RoomFitRow;
use super::row::Row;
use super::sessions::SessionRow;
use super::settings::SettingsRow;
use super::targets::TargetRow;
use super::written::TableRow;

/// Everything that a run writes into its tables. Rows are printed in the order given here: states as
/// in the session, then frequency, then position (natural order), then source.
#[derive(Debug, Clone, PartialEq)]
pub struct Results {
    /// Which job it was.
    pub session: SessionRow,
    /// What the run was asked for.
    pub settings: SettingsRow,
    /// What could not be done.
    pub failures: Vec<FailureRow>,
    /// What the user should know, in sentences.
    pub warnings: Vec<String>,
    /// Audio files with their provenance.
    pub files: Vec<FileRow>,
    /// How they were recorded, as far as capture records say.
    pub captures: Captures,
    /// Fitted dimensions.
    pub room_fit: Vec<RoomFitRow>,
    /// How well the modes explain each place.
    pub fits: Vec<FitRow>,
    /// Tuned absorbers.
    pub absorber: Vec<AbsorberRow>,
    /// Decay in bands.
    pub bands: Vec<BandRow>,
    /// Resonances.
    pub modes: Vec<ModeRow>,
    /// Resonances at each position.
    pub mode_levels: Vec<ModeLevelRow>,
    /// The procedure.
    pub checks: Vec<CheckRow>,
    /// Before and after; `None` where nothing was compared, which is not the same as no change.
    pub comparison: Option<Comparison>,
}

/// The tables that only a comparison has.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Comparison {
    /// What became of each mode.
    pub changes: Vec<ChangeRow>,
    /// What became of each mode at each position.
    pub position_changes: Vec<PositionChangeRow>,
    /// What became of each band.
    pub band_changes: Vec<BandChangeRow>,
    /// Targets.
    pub targets: Vec<TargetRow>,
}

/// The tables that are CSV files too, in the order of the reference page.
pub const CSV_TABLES: [&Table; 8] = [
    BandRow::TABLE,
    ModeRow::TABLE,
    ModeLevelRow::TABLE,
    ChangeRow::TABLE,
    PositionChangeRow::TABLE,
    BandChangeRow::TABLE,
    TargetRow::TABLE,
    CheckRow::TABLE,
];

/// Of those, the tables that only a comparison writes.
pub const COMPARISON_TABLES: [&Table; 4] =
    [ChangeRow::TABLE, PositionChangeRow::TABLE, BandChangeRow::TABLE, TargetRow::TABLE];

/// What `results.json` holds besides: single objects.
pub const JSON_OBJECTS: [&Table; 2] = [SessionRow::TABLE, SettingsRow::TABLE];

/// What `results.json` holds besides: arrays of objects.
pub const JSON_TABLES: [&Table; 10] = [
    TableRow::TABLE,
    FailureRow::TABLE,
    FileRow::TABLE,
    CaptureRow::TABLE,
    CaptureBandRow::TABLE,
    HumRow::TABLE,
    HarmonicRow::TABLE,
    RoomFitRow::TABLE,
    FitRow::TABLE,
    AbsorberRow::TABLE,
];

/// A table with its rows as cells, made one row at a time.
pub struct Rows<'a> {
    /// Name and columns.
    pub table: Table,
    /// The rows' cells, in the order of the columns.
    pub cells: Box<dyn ExactSizeIterator<Item = Vec<Cell>> + 'a>,
}

impl std::fmt::Debug for Rows<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Rows").field("table", &self.table).field("rows", &self.cells.len()).finish()
    }
}

impl<'a> Rows<'a> {
    /// The cells of `rows`; without the optional columns where no row fills them.
    #[must_use]
    pub fn of<R: Row>(rows: &'a [R]) -> Self {
        let always = R::TABLE.always();
        let width = always.columns.len();
        let fills = |row: &R| row.cells().iter().skip(width).any(|cell| *cell != Cell::Empty);
        if width == R::TABLE.columns.len() || rows.iter().any(fills) {
            return Self { table: *R::TABLE, cells: Box::new(rows.iter().map(Row::cells)) };
        }
        let short = move |row: &R| row.cells().into_iter().take(width).collect();
        Self { table: always, cells: Box::new(rows.iter().map(short)) }
    }
}

impl Results {
    /// The tables that are CSV files, with their rows; those of a comparison only where there was one.
    #[must_use]
    pub fn csv_tables(&self) -> Vec<Rows<'_>> {
        let mut tables = vec![Rows::of(&self.bands), Rows::of(&self.modes), Rows::of(&self.mode_levels)];
        if let Some(comparison) = &self.comparison {
            tables.push(Rows::of(&comparison.changes));
            tables.push(Rows::of(&comparison.position_changes));
            tables.push(Rows::of(&comparison.band_changes));
            tables.push(Rows::of(&comparison.targets));
        }
        tables.push(Rows::of(&self.checks));
        tables
    }

    /// The CSV files and how many rows each has.
    #[must_use]
    pub fn written(&self) -> Vec<TableRow> {
        let rows = |rows: &Rows<'_>| rows.cells.len() as u64;
        self.csv_tables().iter().map(|of| TableRow { table: of.table.name, rows: rows(of) }).collect()
    }

    /// The arrays, besides that of the CSV files, that only `results.json` holds.
    #[must_use]
    pub fn json_tables(&self) -> Vec<Rows<'_>> {
        vec![
            Rows::of(&self.failures),
            Rows::of(&self.files),
            Rows::of(&self.captures.takes),
            Rows::of(&self.captures.bands),
            Rows::of(&self.captures.hum),
            Rows::of(&self.captures.harmonics),
            Rows::of(&self.room_fit),
            Rows::of(&self.fits),
            Rows::of(&self.absorber),
        ]
    }
}
