//! Results to disk, and to standard output in the form asked for.

use super::Failed;
use super::args::{Format, OutputArgs, TableFiles};
use std::path::{Path, PathBuf};
#[cfg(feature = "sofa")]
use stillroom::analysis::{Analysis, averaged};
use stillroom::output::pictures::Pictures;
#[cfg(feature = "sofa")]
use stillroom::output::sofa::{self, SofaFiles};
use stillroom::output::{Batch, Folder, Overwrite, REPORT_HTML, add_tables, inputs, inputs_of, is_ours};
use stillroom::report::{self, Content};
use stillroom::session::{Session, default_out};
#[cfg(feature = "sofa")]
use stillroom::state::StateResult;
use stillroom::table::{Results, Rows, csv_text, json};

/// Where results go.
#[derive(Debug, Clone)]
pub struct Out {
    folder: Folder,
    overwrite: Overwrite,
    #[cfg(feature = "parquet")]
    tables: TableFiles,
    /// Nobody named it.
    chosen: bool,
    /// Jobs on other files would choose the same.
    shared: bool,
}

impl Out {
    /// Whether results of an earlier run are there.
    pub fn has_results(&self) -> bool {
        is_ours(self.folder.path())
    }
}

/// The folder that results go to: as asked, or beside the session. Refused before any work is done; so are
/// pictures where others lie.
pub fn open(session: &Session, output: &OutputArgs) -> Result<Out, Failed> {
    let path: PathBuf = output.out.clone().unwrap_or_else(|| default_out(session));
    let overwrite = overwrite(output);
    check_tables(output.tables)?;
    if let Some(pictures) = pictures(output) {
        pictures.look().map_err(Failed::usage)?;
    }
    let folder = Folder::open(&path, overwrite).map_err(Failed::usage)?;
    Ok(Out {
        folder,
        overwrite,
        #[cfg(feature = "parquet")]
        tables: output.tables,
        chosen: output.out.is_none(),
        shared: output.out.is_none() && session.root.is_none(),
    })
}

/// Whether this build writes such files.
pub fn check_tables(tables: TableFiles) -> Result<(), Failed> {
    if tables == TableFiles::Parquet && cfg!(not(feature = "parquet")) {
        return Err(Failed::usage(
            "--tables parquet: this build writes no Parquet files\n  found    a build without the feature `parquet`\n  \
             allowed  csv\n  do       build the program with --features parquet, or leave the option out",
        ));
    }
    Ok(())
}

/// Responses go nowhere in a build that writes no SOFA files.
#[cfg(not(feature = "sofa"))]
pub fn check_responses(folder: Option<&Path>, _: &Session, _: &OutputArgs) -> Result<(), Failed> {
    folder.map_or(Ok(()), |folder| {
        Err(Failed::usage(format!(
            "--responses {}: this build writes no SOFA files\n  found    a build without the feature `sofa`\n  \
             allowed  builds with it\n  do       build the program with --features sofa, or leave the option out",
            shown(folder)
        )))
    })
}

/// Whether the responses may go into a folder, asked before any work is done.
#[cfg(feature = "sofa")]
pub fn check_responses(folder: Option<&Path>, session: &Session, output: &OutputArgs) -> Result<(), Failed> {
    let Some(folder) = folder else { return Ok(()) };
    for state in &session.states {
        sofa::look(folder, session, state, overwrite(output)).map_err(Failed::usage)?;
    }
    Ok(())
}

/// Writes the averaged responses of all states. A run that was stopped writes none.
#[cfg(feature = "sofa")]
pub fn responses(
    folder: &Path,
    session: &Session,
    found: &Analysis,
    output: &OutputArgs,
) -> Result<(), Failed> {
    let states = session.states.iter().filter(|_| !found.interrupted);
    for (state, result) in states.filter_map(|state| {
        let of = |result: &&StateResult| result.name == state.name;
        Some((state, found.states.iter().find(of)?))
    }) {
        let read = averaged(session, result);
        let files = SofaFiles::new(folder, session, state, &read).map_err(Failed::nothing)?;
        files.write(overwrite(output)).map_err(Failed::nothing)?;
    }
    Ok(())
}

/// Writes all tables and the report into the folder. What a run had finished when it was stopped goes
/// beside it, without a report: what was complete before stays. Returns where they are.
pub fn results(out: &Out, content: &Content<'_>) -> Result<Folder, Failed> {
    let stopped = content.found.interrupted;
    let folder = if stopped {
        out.folder.interrupted(out.overwrite).map_err(Failed::usage)?
    } else {
        out.folder.clone()
    };
    let mut batch: Batch = folder.batch().map_err(Failed::nothing)?;
    add_tables(&mut batch, content.results).map_err(Failed::nothing)?;
    #[cfg(feature = "parquet")]
    if out.tables == TableFiles::Parquet {
        stillroom::output::add_parquet(&mut batch, content.results).map_err(Failed::nothing)?;
    }
    if !stopped {
        let page = report::html(content);
        batch.add(REPORT_HTML, |out| out.write_all(page.as_bytes())).map_err(Failed::nothing)?;
    }
    let others = out.shared && inputs_of(folder.path()).is_some_and(|of| of != inputs(content.results));
    // An analysis alone would take a comparison away that stands there.
    let alone = out.chosen && content.compared.is_none();
    let comparison = alone && folder.path().join("changes.csv").is_file();
    let aside = if others || comparison { batch.commit_beside() } else { batch.commit().map(|()| None) };
    if let Some(aside) = aside.map_err(Failed::nothing)? {
        super::screen::warning(&format!(
            "{} held {}; moved to {} (--out gives each job its own folder)",
            shown(folder.path()),
            if others { "the result of other files" } else { "a comparison" },
            aside.file_name().map(|name| name.to_string_lossy()).unwrap_or_default()
        ));
    }
    // What it holds is in the whole results too; it goes only by the user's hand, as nothing does that a run finished.
    if let Some(left) = out.folder.left_interrupted().filter(|_| !stopped) {
        super::screen::warning(&format!(
            "{} is what an earlier run had finished when it was stopped; this run is complete, so it can be deleted",
            shown(&left)
        ));
    }
    if stopped {
        super::screen::warning(&format!(
            "stopped before the end; what was finished is in {}, nothing else was changed",
            shown(folder.path())
        ));
    }
    Ok(folder)
}

/// Writes the machine forms to standard output.
pub fn standard(results: &Results, main: Rows<'_>, format: Format) {
    let out = std::io::stdout().lock();
    super::screen::kept(match format {
        Format::Table => Ok(()),
        Format::Csv => csv_text::write(main, out),
        Format::Json => json::write(results, out),
    });
}

/// Pixels a unit of the figures' PNG files: 760 units are a text column of 16 cm at 240 dots an inch.
const PNG_SCALE: f64 = 2.0;

/// Writes the report's pictures, each as SVG and as PNG, where they were asked for.
pub fn figures(output: &OutputArgs, content: &Content<'_>) -> Result<(), Failed> {
    let Some(pictures) = pictures(output).filter(|_| !content.found.interrupted) else { return Ok(()) };
    let mut files = Vec::new();
    for drawing in report::figures(content) {
        let svg = report::draw::svg::file(&drawing).into_bytes();
        files.push((format!("{}.svg", drawing.name), svg));
        files.push((format!("{}.png", drawing.name), report::draw::png_file(&drawing, PNG_SCALE)));
    }
    pictures.write(&files).map_err(Failed::nothing)
}

/// The report's pictures and where they were asked for.
fn pictures(output: &OutputArgs) -> Option<Pictures<'_>> {
    let folder = output.figures.as_deref()?;
    Some(Pictures { folder, names: &report::FIGURES, mark: report::MARK, overwrite: overwrite(output) })
}

fn overwrite(output: &OutputArgs) -> Overwrite {
    if output.force { Overwrite::Anything } else { Overwrite::OnlyOurs }
}

/// The last lines of a summary: where the results are. A run that was stopped leaves no report.
pub fn say_where(folder: &Folder) {
    let path = folder.path();
    let report = path.join(REPORT_HTML);
    if report.is_file() {
        super::screen::line(&format!("Report: {}", shown(&report)));
    }
    super::screen::line(&format!("Tables: {}", shown(path)));
}

/// A path as the user would type it.
pub fn shown(path: &Path) -> String {
    let text = path.display().to_string();
    text.strip_prefix("./").map_or_else(|| text.clone(), str::to_owned)
}
