//! Results to disk, and to standard output in the form asked for.

use super::Failed;
use super::args::{Format, OutputArgs};
use std::path::{Path, PathBuf};
use stillroom::output::pictures::Pictures;
use stillroom::output::{Batch, Folder, Overwrite, REPORT_HTML, add_tables, inputs, inputs_of, is_ours};
use stillroom::report::{self, Content};
use stillroom::session::{Session, default_out};
use stillroom::table::{Results, Rows, csv_text, json};

/// Where results go.
#[derive(Debug, Clone)]
pub struct Out {
    folder: Folder,
    overwrite: Overwrite,
    /// Nobody named it, and jobs on other files would choose the same.
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
    if let Some(pictures) = pictures(output) {
        pictures.look().map_err(Failed::usage)?;
    }
    let folder = Folder::open(&path, overwrite).map_err(Failed::usage)?;
    Ok(Out { folder, overwrite, shared: output.out.is_none() && session.root.is_none() })
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
    if !stopped {
        let page = report::html(content);
        batch.add(REPORT_HTML, |out| out.write_all(page.as_bytes())).map_err(Failed::nothing)?;
    }
    let others = out.shared && inputs_of(folder.path()).is_some_and(|of| of != inputs(content.results));
    let placed = if others { batch.commit_beside() } else { batch.commit() }.map_err(Failed::nothing)?;
    if let Some(aside) = &placed.aside {
        super::screen::warning(&format!(
            "{} held the results of other files; they are in {} now (--out gives each job its own folder)",
            shown(folder.path()),
            aside.file_name().map(|name| name.to_string_lossy()).unwrap_or_default()
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

/// The last lines of a summary: where the results are.
pub fn say_where(folder: &Folder) {
    let path = folder.path();
    super::screen::line(&format!("Report: {}", shown(&path.join(REPORT_HTML))));
    super::screen::line(&format!("Tables: {}", shown(path)));
}

/// A path as the user would type it.
pub fn shown(path: &Path) -> String {
    let text = path.display().to_string();
    text.strip_prefix("./").map_or_else(|| text.clone(), str::to_owned)
}
