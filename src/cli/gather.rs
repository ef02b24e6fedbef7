//! `stillroom gather`: results of many sessions in one set of tables.

#[cfg(feature = "parquet")]
use super::args::TableFiles;
use super::args::{Format, GatherArgs};
use super::{Exit, Failed, interrupt, screen, write};
use stillroom::archive::{self, Archive, ArchiveError, CatalogueRow, Gathered, LeftOut};
use stillroom::output::{Folder, Overwrite};
use stillroom::table::{Cell, Row, Rows, csv_text, json};

/// Runs the command.
pub fn run(args: &GatherArgs) -> Result<Exit, Failed> {
    let overwrite = if args.force { Overwrite::Anything } else { Overwrite::OnlyOurs };
    let folder =
        args.out.as_ref().map(|out| Folder::open(out, overwrite)).transpose().map_err(Failed::usage)?;
    write::check_tables(args.tables)?;
    let found = archive::look(&args.results, args.sessions.as_deref()).map_err(failed)?;
    #[cfg(feature = "parquet")]
    let found = if args.tables == TableFiles::Parquet { found.with_parquet() } else { found };
    let gathered = match &folder {
        Some(folder) => into(folder, &found),
        None => found.read(&interrupt::asked),
    };
    let gathered = match gathered {
        Err(ArchiveError::Interrupted) => {
            screen::warning(&ArchiveError::Interrupted.to_string());
            return Ok(Exit::Interrupted);
        }
        other => other.map_err(failed)?,
    };
    let left_out: Vec<&LeftOut> = found.left_out.iter().chain(&gathered.left_out).collect();
    left_out.iter().for_each(|of| screen::error(&of.to_string()));
    if !args.quiet {
        found.warnings.iter().for_each(|text| screen::warning(text));
    }
    show(args, folder.as_ref(), &gathered);
    Ok(match (gathered.catalogue.is_empty(), left_out.is_empty()) {
        (true, _) => Exit::Nothing,
        (_, true) => Exit::Done,
        (_, false) => Exit::Partial,
    })
}

fn into(folder: &Folder, found: &Archive) -> Result<Gathered, ArchiveError> {
    let mut batch = folder.batch()?;
    let gathered = found.write(&mut batch, &interrupt::asked)?;
    if !gathered.catalogue.is_empty() {
        batch.commit()?;
    }
    Ok(gathered)
}

fn failed(error: ArchiveError) -> Failed {
    if error.is_usage() { Failed::usage(error) } else { Failed::nothing(error) }
}

fn show(args: &GatherArgs, folder: Option<&Folder>, gathered: &Gathered) {
    if args.catalogue || folder.is_none() {
        match args.format {
            Format::Table => table(&gathered.catalogue),
            Format::Csv => {
                screen::kept(csv_text::write(Rows::of(&gathered.catalogue), std::io::stdout().lock()));
            }
            Format::Json => {
                screen::kept(json::write_catalogue(&gathered.catalogue, &[], std::io::stdout().lock()));
            }
        }
    }
    if args.quiet || args.format != Format::Table {
        return;
    }
    let (sessions, rows) = (gathered.catalogue.len(), gathered.rows);
    screen::line(&format!("{sessions} {}, {rows} rows.", if sessions == 1 { "session" } else { "sessions" }));
    if let Some(folder) = folder {
        screen::line(&format!("Tables: {}", write::shown(folder.path())));
    }
}

/// Widest name of a session and of a state on the screen.
const NAME: usize = 18;
const STATE: usize = 12;

/// One line a session; the verdicts stand under it, so that a line fits the screen.
fn table(rows: &[CatalogueRow]) {
    const SHOWN: [(&str, &str); 7] = [
        ("session", "session"),
        ("state", "state"),
        ("volume_m3", "m³"),
        ("middle_t20_s", "mid T20, s"),
        ("modes", "modes"),
        ("worst_hz", "treat, Hz"),
        ("worst_t60_s", "T60, s"),
    ];
    let columns = CatalogueRow::TABLE.columns;
    let places = SHOWN.map(|(name, _)| columns.iter().position(|column| column.name == name));
    let line = |row: &CatalogueRow| {
        let cells = row.cells();
        let cell =
            |place: &Option<usize>| place.and_then(|at| cells.get(at)).map(on_screen).unwrap_or_default();
        let mut cells: Vec<String> = places.iter().map(cell).collect();
        // A name may lose its middle; a count may not.
        cells[0] = screen::shortened(&cells[0], NAME);
        cells[1] = screen::shortened(&cells[1], STATE);
        cells
    };
    let lines: Vec<Vec<String>> = rows.iter().map(line).collect();
    let verdicts: Vec<String> = rows.iter().map(|row| row.verdicts.clone().unwrap_or_default()).collect();
    screen::table_with(&SHOWN.map(|(_, head)| head), &lines, &verdicts);
    if verdicts.iter().any(|verdicts| verdicts.contains("unsure")) {
        screen::paragraph(
            "Verdicts: rows of changes.csv. compare counts those of them apart that lie above the range of single modes.",
        );
    }
}

/// Three significant digits are enough to choose a room by.
fn on_screen(cell: &Cell) -> String {
    match cell {
        Cell::Number(number) => match number.parse::<f64>() {
            Ok(value) if value < 10.0 => format!("{value:.2}"),
            Ok(value) => format!("{value:.1}"),
            Err(_) => number.clone(),
        },
        other => csv_text::printed(other).to_string(),
    }
}
