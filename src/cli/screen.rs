//! What stands on the terminal: sentences, and tables of few columns that read at arm's length.

use anstream::{eprintln, println};
use comfy_table::{CellAlignment, ContentArrangement, Table, presets};
use stillroom::table::csv_text::without_controls;

const BOLD: anstyle::Style = anstyle::Style::new().bold();
const RED: anstyle::Style = anstyle::AnsiColor::Red.on_default().bold();
const YELLOW: anstyle::Style = anstyle::AnsiColor::Yellow.on_default();

/// An error on stderr: what and where first, then what was found, allowed, and what to do.
pub fn error(text: &str) {
    eprintln!("{RED}error:{RED:#} {}", lines(text));
}

/// Something to know on stderr.
pub fn warning(text: &str) {
    eprintln!("{YELLOW}note:{YELLOW:#} {}", lines(text));
}

/// A heading on standard output.
pub fn heading(text: &str) {
    println!("\n{BOLD}{}{BOLD:#}", without_controls(text));
}

/// A line on standard output.
pub fn line(text: &str) {
    println!("{}", without_controls(text));
}

/// A table on standard output: numbers right, the last column and a first one of words left.
pub fn table(header: &[&str], rows: &[Vec<String>]) {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(header.to_vec());
    for row in rows {
        table.add_row(row.iter().map(|cell| without_controls(cell)).collect::<Vec<_>>());
    }
    let words = |cell: &str| cell.chars().any(char::is_alphabetic);
    let named = rows.iter().any(|row| row.first().is_some_and(|cell| words(cell)));
    for (index, column) in table.column_iter_mut().enumerate() {
        let left = index + 1 == header.len() || (index == 0 && named);
        column.set_padding((if index == 0 { 2 } else { 1 }, 1));
        column.set_cell_alignment(if left { CellAlignment::Left } else { CellAlignment::Right });
    }
    for row in table.lines() {
        println!("{}", row.trim_end());
    }
}

/// A text of at most `width` characters: a longer one loses its middle, as names differ at their ends.
pub fn shortened(text: &str, width: usize) -> String {
    let length = text.chars().count();
    if length <= width {
        return text.to_owned();
    }
    let kept = width.saturating_sub(1);
    let (head, tail) = (kept.div_ceil(3), kept - kept.div_ceil(3));
    text.chars().take(head).chain(['…']).chain(text.chars().skip(length - tail)).collect()
}

/// Names of files and states may hold anything; line ends are ours.
fn lines(text: &str) -> String {
    text.lines().map(|line| without_controls(line).into_owned()).collect::<Vec<_>>().join("\n")
}
