//! Results to disk, and to standard output in the form asked for.

use super::Failed;
use super::args::{Format, OutputArgs};
use std::io::Write;
use std::path::{Path, PathBuf};
use stillroom::output::{Batch, Folder, Overwrite, REPORT_HTML, add_tables};
use stillroom::report::{self, Content};
use stillroom::session::{Session, default_out};
use stillroom::table::{Results, Rows, csv_text, json};

/// The folder that results go to: as asked, or beside the session. Refused before any work is done.
pub fn open(session: &Session, output: &OutputArgs) -> Result<Folder, Failed> {
    let path: PathBuf = output.out.clone().unwrap_or_else(|| default_out(session));
    let overwrite = if output.force { Overwrite::Anything } else { Overwrite::OnlyOurs };
    Folder::open(&path, overwrite).map_err(Failed::usage)
}

/// Writes all tables and the report into the folder.
pub fn results(folder: &Folder, content: &Content<'_>) -> Result<(), Failed> {
    let mut batch: Batch = folder.batch().map_err(Failed::nothing)?;
    add_tables(&mut batch, content.results).map_err(Failed::nothing)?;
    let page = report::html(content);
    batch.add(REPORT_HTML, |out| out.write_all(page.as_bytes())).map_err(Failed::nothing)?;
    batch.commit().map_err(Failed::nothing)?;
    Ok(())
}

/// Writes the machine forms to standard output; a reader that went away is a normal end.
pub fn standard(results: &Results, main: Rows<'_>, format: Format) {
    let out = std::io::stdout().lock();
    let written = match format {
        Format::Table => Ok(()),
        Format::Csv => csv_text::write(main, out),
        Format::Json => json::write(results, out),
    };
    if let Err(error) = written
        && error.kind() != std::io::ErrorKind::BrokenPipe
    {
        super::screen::error(&format!("standard output: {error}"));
    }
    let _ = std::io::stdout().flush();
}

/// Pixels a unit of the figures' PNG files: 760 units are a text column of 16 cm at 240 dots an inch.
const PNG_SCALE: f64 = 2.0;

/// Writes the report's pictures, each as SVG and as PNG, where they were asked for.
pub fn figures(output: &OutputArgs, content: &Content<'_>) -> Result<(), Failed> {
    let Some(folder) = &output.figures else { return Ok(()) };
    let failed = |error: std::io::Error| {
        Failed::nothing(format!(
            "{}: pictures can't be written\n  found    {}\n  allowed  a folder with write permission and room on the disk\n  do       choose another one with --figures",
            shown(folder),
            error.kind()
        ))
    };
    std::fs::create_dir_all(folder).map_err(failed)?;
    for drawing in report::figures(content) {
        put(folder, &format!("{}.svg", drawing.name), report::draw::svg::file(&drawing).as_bytes())
            .map_err(failed)?;
        put(folder, &format!("{}.png", drawing.name), &report::draw::png_file(&drawing, PNG_SCALE))
            .map_err(failed)?;
    }
    Ok(())
}

/// Writes beside its place and renames: a picture is never half there.
fn put(folder: &Path, name: &str, bytes: &[u8]) -> std::io::Result<()> {
    let beside = folder.join(format!(".{name}"));
    std::fs::write(&beside, bytes)?;
    std::fs::rename(beside, folder.join(name))
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
