//! Tables as CSV: RFC 4180 with lines that end in LF, UTF-8, one header row.
//!
//! Spreadsheets run text that starts with `=`, `+`, `-` or `@` as a formula, and a position can be
//! named so by its file: such text gets a `'` in front. Control characters would break the rule
//! "one row, one line" for simple readers: each becomes U+FFFD. `results.json` holds the names as
//! they are.

use std::borrow::Cow;
use std::io::{self, Write};

use super::cell::Cell;
use super::results::Rows;

/// Writes the header and the rows.
///
/// # Errors
/// Those of `out`.
pub fn write(rows: Rows<'_>, out: impl Write) -> io::Result<()> {
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
    csv.write_record(rows.table.columns.iter().map(|column| column.name))?;
    for cells in rows.cells {
        for cell in cells {
            csv.write_field(printed(&cell).as_bytes())?;
        }
        csv.write_record(None::<&[u8]>)?;
    }
    csv.flush()
}

/// A cell as it stands in CSV and on a screen's plain table.
#[must_use]
pub fn printed(cell: &Cell) -> Cow<'_, str> {
    match cell {
        Cell::Empty => Cow::Borrowed(""),
        Cell::Text(text) => guarded(text),
        Cell::Number(number) => Cow::Borrowed(number),
        Cell::Integer(number) => Cow::Owned(number.to_string()),
        Cell::Truth(truth) => Cow::Borrowed(if *truth { "yes" } else { "no" }),
        Cell::List(texts) => Cow::Owned(guarded(&texts.join("; ")).into_owned()),
        Cell::Dials(dials) => {
            let settings: Vec<String> = dials.iter().map(|(name, value)| format!("{name}={value}")).collect();
            Cow::Owned(guarded(&settings.join("; ")).into_owned())
        }
    }
}

fn guarded(text: &str) -> Cow<'_, str> {
    let clean = without_controls(text);
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { Cow::Owned(format!("'{clean}")) } else { clean }
}

/// The text with U+FFFD for each control character: it stays on its line, and a terminal obeys none.
#[must_use]
pub fn without_controls(text: &str) -> Cow<'_, str> {
    if !text.chars().any(char::is_control) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_never_runs_as_a_formula() {
        for (raw, safe) in [
            ("=HYPERLINK(\"x\")", "'=HYPERLINK(\"x\")"),
            ("+1", "'+1"),
            ("-seat", "'-seat"),
            ("@left", "'@left"),
            ("\t=1", "'\u{FFFD}=1"),
            ("a\nb", "a\u{FFFD}b"),
            ("seat", "seat"),
            ("*", "*"),
            ("Tür – 1", "Tür – 1"),
        ] {
            assert_eq!(printed(&Cell::text(raw)), safe);
        }
        // A negative number is a number, not text.
        assert_eq!(printed(&Cell::Number("-3.00".into())), "-3.00");
    }
}
