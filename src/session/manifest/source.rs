//! The manifest's text: decoding, lines, and what its grammar refuses.

use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use crate::session::error::{Problem, SessionError};
use crate::session::folder::unreadable;
use crate::session::order::plain;

/// No manifest is longer; what is isn't one.
const MOST_BYTES: u64 = 4 << 20;

/// Reads the file; the grammar allows a byte-order mark.
///
/// # Errors
/// [`SessionError::Unreadable`] where the system refuses, the file is too long to be a manifest, or
/// its text is not UTF-8 (the line is named).
pub fn read(path: &Path) -> Result<String, SessionError> {
    let refused = |reason: String| SessionError::Unreadable { path: path.to_owned(), reason };
    let size = std::fs::metadata(path).map_err(|error| unreadable(path, &error))?;
    if !size.is_file() {
        return Err(refused("not a file".to_owned()));
    }
    if size.len() > MOST_BYTES {
        return Err(refused(format!("{} bytes, at most {MOST_BYTES} are read", size.len())));
    }
    let bytes = std::fs::read(path).map_err(|error| unreadable(path, &error))?;
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(refused("text in UTF-16".to_owned()));
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok(text),
        Err(error) => {
            let valid = error.utf8_error().valid_up_to();
            let line = 1 + error.as_bytes().iter().take(valid).filter(|&&byte| byte == b'\n').count();
            Err(refused(format!("line {line} holds a byte that is no UTF-8 text")))
        }
    }
}

/// Line of a byte, counted from 1.
pub fn line_at(text: &str, byte: usize) -> usize {
    1 + text.bytes().take(byte).filter(|&b| b == b'\n').count()
}

/// What stands in a span, short enough for a message.
pub fn excerpt(text: &str, span: Range<usize>) -> String {
    const MOST_CHARS: usize = 60;
    let part = text.get(span).unwrap_or_default();
    let line = part.lines().next().unwrap_or_default().trim();
    let mut short: String = line.chars().take(MOST_CHARS).collect();
    if short.len() < part.trim().len() {
        short.push('…');
    }
    plain(&short)
}

/// After a bracket that is never closed nearly every line is refused: the first few say where to look.
const TOLD: usize = 3;

/// The document as a tree with places, or the first that the grammar refuses.
pub fn parse(text: &str) -> Result<Spanned<DeTable<'_>>, Vec<Problem>> {
    let (document, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(document);
    }
    let mut problems: Vec<Problem> = Vec::new();
    for error in errors {
        let at = error.span().map_or(0, |span| span.start.min(text.len()));
        let problem = grammar_problem(text, at, error.message());
        // One slip makes several errors in a row; the first on a line says it.
        if problems.iter().all(|other| other.line != problem.line) {
            problems.push(problem);
        }
    }
    problems.sort_by_key(|problem| problem.line);
    problems.truncate(TOLD);
    Err(problems)
}

fn grammar_problem(text: &str, at: usize, message: &str) -> Problem {
    let line = line_at(text, at);
    let content = text.lines().nth(line - 1).unwrap_or_default().trim();
    let (allowed, advice) = grammar_advice(content, message);
    Problem {
        line,
        what: format!("not TOML: {}", message.trim()),
        found: excerpt(content, 0..content.len()),
        allowed: allowed.to_owned(),
        advice,
    }
}

/// What people write who are right in their own tongue.
fn grammar_advice(content: &str, message: &str) -> (&'static str, String) {
    let value = content.split_once('=').map_or("", |(_, value)| value.trim());
    if let Some((found, written)) = decimal_comma(content) {
        return ("a decimal point", format!("write {written} instead of {found}"));
    }
    if message.contains("duplicate") {
        return (
            "each key once in its table",
            "keep one of them; a further state or position starts with its own [[states]] or [[positions]]"
                .to_owned(),
        );
    }
    if content.contains(['“', '”', '„', '‘', '’']) {
        return ("straight quotes", "put the text in straight quotes: \"like this\"".to_owned());
    }
    if value.starts_with('"') && value.contains('\\') {
        return ("/ between folders", "write / instead of \\ in paths".to_owned());
    }
    for (word, written) in [
        ("yes", "true"),
        ("no", "false"),
        ("on", "true"),
        ("off", "false"),
        ("true", "true"),
        ("false", "false"),
    ] {
        if value.eq_ignore_ascii_case(word) {
            return ("true or false", format!("write {written}"));
        }
    }
    if value.starts_with(char::is_alphabetic) {
        return (
            "text in quotes, numbers, true, false, dates, lists",
            format!("put text in quotes: \"{}\"", plain(value)),
        );
    }
    if value.starts_with(|c: char| c.is_ascii_digit()) && value.contains(char::is_alphabetic) {
        return (
            "numbers in metres, or a length in quotes",
            format!("put it in quotes: \"{}\"", plain(value)),
        );
    }
    (
        "lines like key = value below [table] or [[list]]",
        "compare with docs/guide/session.md, the reference of all keys with a complete example".to_owned(),
    )
}

/// `5,60` after an equals sign: what stands there, and with a point.
fn decimal_comma(content: &str) -> Option<(String, String)> {
    for (at, _) in content.match_indices('=') {
        let value = content[at + 1..].trim_start();
        let (sign, digits) = value.strip_prefix('-').map_or(("", value), |rest| ("-", rest));
        let Some((whole, rest)) = digits.split_once(',') else { continue };
        let decimals: String = rest.chars().take_while(char::is_ascii_digit).collect();
        let numeric = !whole.is_empty() && whole.bytes().all(|byte| byte.is_ascii_digit());
        if numeric && !decimals.is_empty() {
            return Some((format!("{sign}{whole},{decimals}"), format!("{sign}{whole}.{decimals}")));
        }
    }
    None
}
