//! What stands on the terminal: sentences, and tables of few columns that read at arm's length.

use comfy_table::{CellAlignment, ContentArrangement, Table, presets};
use std::fmt::Arguments;
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::OnceLock;
pub use stillroom::report::words::shortened;
use stillroom::report::words::shown;

const BOLD: anstyle::Style = anstyle::Style::new().bold();
const RED: anstyle::Style = anstyle::AnsiColor::Red.on_default().bold();
const YELLOW: anstyle::Style = anstyle::AnsiColor::Yellow.on_default();

/// The first failure to write to standard output.
static LOST: OnceLock<ErrorKind> = OnceLock::new();

/// Text on standard output. A disk that is full or a reader that went away stops no work; see [`lost`].
pub fn print(text: Arguments<'_>) {
    kept(anstream::stdout().lock().write_fmt(text));
}

/// A line on standard output as [`print`] writes it: unlike the standard library's, it never panics.
macro_rules! println {
    ($($part:tt)*) => {
        $crate::cli::screen::print(format_args!("{}\n", format_args!($($part)*)))
    };
}
pub(super) use println;

/// Takes note of a failure to write to standard output.
pub fn kept(written: std::io::Result<()>) {
    if let Err(error) = written {
        let _ = LOST.set(error.kind());
    }
}

/// Why standard output could not be written, if it could not; a reader that went away is a normal end.
pub fn lost() -> Option<ErrorKind> {
    kept(std::io::stdout().flush());
    LOST.get().copied().filter(|kind| *kind != ErrorKind::BrokenPipe)
}

/// A line on stderr; where nobody can be told, nobody is.
fn tell(text: Arguments<'_>) {
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// An error on stderr: what and where first, then what was found, allowed, and what to do.
pub fn error(text: &str) {
    tell(format_args!("{RED}error:{RED:#} {}", lines(text)));
}

/// Something to know on stderr.
pub fn warning(text: &str) {
    tell(format_args!("{YELLOW}note:{YELLOW:#} {}", lines(text)));
}

/// A heading on standard output.
pub fn heading(text: &str) {
    print(format_args!("\n{BOLD}{}{BOLD:#}\n", shown(text)));
}

/// A line on standard output.
pub fn line(text: &str) {
    print(format_args!("{}\n", shown(text)));
}

/// Columns that every terminal has.
pub const WIDTH: usize = 80;

/// A paragraph on standard output, two blanks in, broken at blanks to 80 columns.
pub fn paragraph(text: &str) {
    for line in broken(&shown(text), WIDTH - 2) {
        print(format_args!("  {line}\n"));
    }
}

/// One of several paragraphs under a heading: lines after its first stand further in.
pub fn item(text: &str) {
    for (index, line) in broken(&shown(text), WIDTH - 4).into_iter().enumerate() {
        print(format_args!("{:width$}{line}\n", "", width = if index == 0 { 2 } else { 4 }));
    }
}

/// Lines of at most `width` characters; a longer word keeps its own line.
fn broken(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in unbroken(text) {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

/// Signs and units that stay on the line of their number.
const UNITS: [&str; 10] = ["%", "±", "Hz", "kHz", "s", "ms", "dB", "m", "mm", "K"];

/// Words, those that a line must not part kept together: what a no-break space joins, a number with its unit, a
/// value with its interval.
fn unbroken(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split([' ', '\t', '\n', '\r']).filter(|word| !word.is_empty()) {
        let is_unit = UNITS.contains(&word.trim_end_matches(['.', ',', ';', ':', ')']));
        let joins =
            |last: &String| last.ends_with('±') || is_unit && last.ends_with(|c: char| c.is_ascii_digit());
        match words.last_mut().filter(|last| joins(last)) {
            Some(last) => {
                last.push(' ');
                last.push_str(word);
            }
            None => words.push(word.to_owned()),
        }
    }
    words
}

/// Whether a person looks: bars are drawn for eyes only, a pipe gets the numbers alone.
pub fn is_watched() -> bool {
    std::io::stdout().is_terminal()
}

/// Ringing as a bar of `width` characters over `longest_s`: full as long as it still rings, light as
/// long as it rang before.
pub fn bar(after_s: Option<f64>, before_s: Option<f64>, longest_s: f64, width: usize) -> String {
    let cells = |s: Option<f64>| {
        let share = s.map_or(0.0, |s| s / longest_s);
        if share.is_finite() { (share.clamp(0.0, 1.0) * width as f64).round() as usize } else { 0 }
    };
    let (full, light) = (cells(after_s), cells(before_s));
    "█".repeat(full) + &"░".repeat(light.saturating_sub(full))
}

/// Names of at most `width` characters that can still be told apart: what all of them begin with goes first.
pub fn told_apart(names: &[&str], width: usize) -> Vec<String> {
    let first: Vec<char> = names.first().map_or_else(Vec::new, |name| name.chars().collect());
    let alike = |name: &&str| name.chars().zip(&first).take_while(|(a, b)| a == *b).count();
    let common = names.iter().map(alike).min().unwrap_or(0);
    let fits = names.iter().all(|name| name.chars().count() <= width);
    let same = names.windows(2).all(|pair| pair[0] == pair[1]);
    let one = |name: &&str| {
        if fits || same || common < 2 {
            return shortened(name, width);
        }
        let rest: String = name.chars().skip(common).collect();
        format!("…{}", shortened(&rest, width.saturating_sub(1)))
    };
    names.iter().map(one).collect()
}

/// A table on standard output: numbers right, the last column and a first one of words left.
pub fn table(header: &[&str], rows: &[Vec<String>]) {
    table_with(header, rows, &[]);
}

/// Indent of the text under a row, in columns.
const UNDER: usize = 6;

/// A table with a text under each row, broken to 80 columns; nothing where it is empty.
pub fn table_with(header: &[&str], rows: &[Vec<String>], under: &[String]) {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(header.to_vec());
    for row in rows {
        table.add_row(row.iter().map(|cell| shown(cell)).collect::<Vec<_>>());
    }
    let words = |cell: &str| cell.chars().any(char::is_alphabetic);
    let named = rows.iter().any(|row| row.first().is_some_and(|cell| words(cell)));
    for (index, column) in table.column_iter_mut().enumerate() {
        let left = index + 1 == header.len() || (index == 0 && named);
        column.set_padding((if index == 0 { 2 } else { 1 }, 1));
        column.set_cell_alignment(if left { CellAlignment::Left } else { CellAlignment::Right });
    }
    for (index, row) in table.lines().enumerate() {
        print(format_args!("{}\n", row.trim_end()));
        // The header comes first.
        let text = index.checked_sub(1).and_then(|row| under.get(row)).filter(|text| !text.is_empty());
        for line in text.iter().flat_map(|text| broken(&shown(text), WIDTH - UNDER)) {
            print(format_args!("{:UNDER$}{line}\n", ""));
        }
    }
}

/// Names of files and states may hold anything; line ends are ours.
fn lines(text: &str) -> String {
    text.lines().map(|line| shown(line).into_owned()).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_at_blanks() {
        assert_eq!(broken("aa bb  cc dddddddd e", 5), ["aa bb", "cc", "dddddddd", "e"]);
        assert!(broken("", 5).is_empty());
        assert_eq!(broken("it rings 4 % shorter", 10), ["it rings", "4 %", "shorter"]);
        assert_eq!(broken("all −0.1 ± 0.3 %); above", 12), ["all", "−0.1 ± 0.3 %);", "above"]);
        assert_eq!(broken("one two\u{a0}three", 9), ["one", "two\u{a0}three"]);
    }

    #[test]
    fn long_names_keep_what_differs() {
        assert_eq!(told_apart(&["room_2_a.wav", "room_17_a.wav"], 10), ["…2_a.wav", "…17_a.wav"]);
        assert_eq!(told_apart(&["seat", "sofa"], 10), ["seat", "sofa"]);
        assert!(told_apart(&[], 10).is_empty());
    }

    #[test]
    fn bars_by_hand() {
        assert_eq!(bar(Some(0.5), Some(1.0), 1.0, 8), "████░░░░");
        assert_eq!(bar(Some(2.0), Some(0.5), 1.0, 4), "████");
        assert_eq!(bar(None, Some(1.0), 0.0, 4), "");
    }
}
