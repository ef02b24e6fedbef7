//! The reference page of the tables, made from the column definitions and the flags.

use std::fmt::Write as _;

use stillroom::flag::Flag;
use stillroom::table::column::{Digits, Kind, Part};
use stillroom::table::results::{CSV_TABLES, JSON_OBJECTS, JSON_TABLES};
use stillroom::table::{CatalogueRow, Column, Row as _, Table, csv_metadata, schema};

/// The page, as Markdown.
pub fn page() -> String {
    let mut page = introduction();
    for table in CSV_TABLES {
        let _ = write!(page, "\n## {}\n\n{}\n\n", table.file_name(), table.about);
        columns(&mut page, table, CSV);
    }
    page.push_str(RESULTS_JSON);
    for table in JSON_OBJECTS.into_iter().chain(JSON_TABLES) {
        let _ = write!(page, "\n### {}\n\n{}\n\n", table.name, table.about);
        columns(&mut page, table, JSON);
    }
    page.push_str(GATHERED);
    let _ = write!(page, "\n### catalogue.csv\n\n{}\n\n", CatalogueRow::TABLE.about);
    columns(&mut page, CatalogueRow::TABLE, CSV);
    flags(&mut page);
    page
}

fn introduction() -> String {
    format!(
        "{GENERATED}# Tables\n{RULES}\nBeside the tables lie `{}` (CSV on the Web: every column's type, unit and definition for a \
         program that reads them) and `{}` (JSON Schema of `results.json`).\n",
        csv_metadata::FILE_NAME,
        schema::FILE_NAME,
    )
}

const GENERATED: &str = "<!-- Made from the column definitions in src/table and the flags in src/flag.rs; to make it again:\n     \
    STILLROOM_WRITE_DOCS=1 cargo test --test all tables -->\n";

const RULES: &str = "
CSV after RFC 4180 with lines that end in LF, UTF-8, one header row, `.` as the decimal sign, the unit in the column's name.

- An empty cell is a value that can't be determined or that has no meaning there; the reason stands in `flags`. It is never 0 and never NaN.
- `_sd` is one standard deviation, `_low` and `_high` are the ends of the 95 % interval.
- A standard deviation has three significant digits and its value goes to the same decimal place; a value without one has five significant digits; dB, per cent and mid-band frequencies have two decimals.
- Text that starts with `=`, `+`, `-` or `@` has a `'` in front, so that no spreadsheet runs it; a control character reads `�`. `results.json` holds the text as it is.
- Where no source is named, the definition is this program's own or a plain fact.
- Rows: states as in the session, then frequency, then position in natural order, then source.
";

const RESULTS_JSON: &str = "
## results.json

All tables above as arrays of objects, under the tables' names, with the same keys in the same order and the same numbers; an empty cell is `null`. The four tables of a comparison are there only after one. Besides:

- `schema`: a whole number, raised when a key goes or changes its meaning, not when one is added;
- `program`, `version`: what wrote it;
- `warnings`: sentences;

and the following. Nothing in it depends on the clock, the number of threads or the place of the session.
";

const GATHERED: &str = "
## Gathered results

`stillroom gather` writes the CSV tables of many sessions, each with a column `session` first: the name of the results folder without `-results`. The rows are those of the sessions, byte for byte, in natural order of the sessions' names; a session without a comparison has no rows in the tables of one. A column that only some sessions have is empty in the rows of the others. Its `results.json` holds `schema`, `program`, `version`, the `catalogue` and `left_out`, what could not be gathered with the reason.
";

/// What a form of the tables calls a column, and a cell with nothing in it.
#[derive(Clone, Copy)]
struct Form {
    column: &'static str,
    nothing: &'static str,
}

const CSV: Form = Form { column: "column", nothing: "empty" };
const JSON: Form = Form { column: "key", nothing: "null" };

fn columns(page: &mut String, table: &Table, form: Form) {
    let _ = write!(
        page,
        "| {} | unit | value | definition | source |\n| --- | --- | --- | --- | --- |\n",
        form.column
    );
    for column in table.columns {
        let _ = writeln!(
            page,
            "| `{}` | {} | {} | {} | {} |",
            column.name,
            column.shape.unit,
            value(column, form),
            escaped(column.definition),
            escaped(column.source)
        );
    }
    for column in table.columns {
        if let Kind::Words(words) = column.shape.kind {
            let _ = write!(page, "\n`{}`:\n\n", column.name);
            for (word, meaning) in words {
                let _ = writeln!(page, "- `{word}`: {meaning}");
            }
        }
    }
    if !table.key.is_empty() {
        let key: Vec<String> = table.key.iter().map(|name| format!("`{name}`")).collect();
        let _ = write!(page, "\nEach row is identified by {}.\n", key.join(", "));
    }
}

fn value(column: &Column, form: Form) -> String {
    let kind = match (column.shape.kind, column.shape.part) {
        (Kind::Text | Kind::Pattern(_), _) => "text",
        (Kind::Words(_), _) => "one word",
        (Kind::Flags, _) => "words, `;` between",
        (Kind::Integer, _) => "whole number",
        (Kind::Number(Digits::TwoDecimals), _) => "number, 2 decimals",
        (Kind::Number(Digits::Significant), Part::Sd) => "number, 3 digits",
        (Kind::Number(Digits::Significant), _) => "number",
        (Kind::Truth, _) => "true or false",
        (Kind::List, _) => "list of texts",
        (Kind::Dials, _) => "numbers by name",
    };
    let empty = if column.shape.nullable { format!(", may be {}", form.nothing) } else { String::new() };
    let only = if column.shape.optional {
        format!("; a {} only where a row has a value", form.column)
    } else {
        String::new()
    };
    format!("{kind}{empty}{only}")
}

fn flags(page: &mut String) {
    page.push_str("\n## Flags\n\nIn the order of the pipeline.\n\n");
    page.push_str("| flag | says | what to do |\n| --- | --- | --- |\n");
    for flag in Flag::ALL {
        let _ = writeln!(
            page,
            "| `{}` | {} | {} |",
            flag.word(),
            escaped(flag.sentence()),
            escaped(flag.advice())
        );
    }
}

/// A bar inside a cell of a Markdown table.
fn escaped(text: &str) -> String {
    text.replace('|', "\\|")
}
