//! The language of the report: one that the program brings, or a file of the user's own.

use super::error::{Problem, SessionError};
use super::manifest::{excerpt, line_at, text_of};
use super::order::closest;
use crate::language::{Fault, Language};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;

/// A language, and a warning where its file lacks sentences.
type Found = (Cow<'static, Language>, Option<String>);

/// What is spoken where nothing is asked for.
pub(super) fn english() -> Found {
    (Cow::Borrowed(Language::english()), None)
}

/// The language of a tag, or of a file within the session.
///
/// # Errors
/// [`SessionError::Unreadable`] if the file is none or no text, [`SessionError::Manifest`] with all that is wrong in it.
pub(super) fn read(root: &Path, asked: &str) -> Result<Found, SessionError> {
    if let Some(known) = Language::known(asked) {
        return Ok((Cow::Borrowed(known), None));
    }
    let path = root.join(asked);
    let text = text_of(&path)?;
    match Language::read(&text) {
        Ok((language, missing)) => Ok((Cow::Owned(language), warning(asked, &missing))),
        Err(faults) => {
            let mut problems: Vec<Problem> = faults.iter().map(|fault| problem(&text, fault)).collect();
            problems.sort_by_key(|problem| problem.line);
            Err(SessionError::Manifest { path, problems })
        }
    }
}

fn problem(text: &str, fault: &Fault) -> Problem {
    let end = text.get(fault.at..).and_then(|rest| rest.find('\n')).map_or(text.len(), |n| fault.at + n);
    let near = fault.unknown.as_deref().map(|key| closest(key, Language::english().keys()));
    let advice = match near {
        Some(Some(key)) => format!("did you mean `{key}`?"),
        Some(None) => "leave it out; docs/reference/report-en.toml holds all keys".to_owned(),
        None => "see docs/reference/report-en.toml for the English sentence".to_owned(),
    };
    Problem {
        line: line_at(text, fault.at),
        what: fault.what.clone(),
        found: excerpt(text, fault.at..end),
        allowed: fault.allowed.clone(),
        advice,
    }
}

/// Names what is missing: whole tables by their name, single keys by theirs.
fn warning(file: &str, missing: &[String]) -> Option<String> {
    if missing.is_empty() {
        return None;
    }
    let part = |key: &str| key.split_once('.').map_or(String::new(), |(part, _)| part.to_owned());
    let mut by_part: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for key in missing {
        by_part.entry(part(key)).or_default().push(key);
    }
    let named = by_part.into_iter().map(|(name, keys)| {
        let all = Language::english().keys().filter(|key| part(key) == name).count();
        if keys.len() == all && all > 1 { format!("[{name}]") } else { keys.join(", ") }
    });
    let named: Vec<String> = named.collect();
    Some(format!(
        "session.toml: `language`: {file} lacks {} sentences, which the report has in English: {}",
        missing.len(),
        named.join(", ")
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Result<Found, SessionError> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("own.toml"), text).unwrap();
        read(folder.path(), "own.toml")
    }

    #[test]
    fn what_a_file_lacks_stays_english_and_is_named() {
        let text = "[language]\ntag = \"nl\"\ndecimal = \",\"\n[word]\nyes = \"ja\"\n";
        let (language, warning) = of(text).unwrap();
        assert_eq!((language.tag(), language.text("word.yes").as_str()), ("nl", "ja"));
        assert_eq!(language.text("word.no"), "no");
        let warning = warning.unwrap();
        assert!(warning.contains("word.no") && !warning.contains("word.yes"), "{warning}");
        assert!(warning.contains("[answer]") && warning.contains("own.toml"), "{warning}");
    }

    #[test]
    fn faults_name_line_and_closest_key() {
        for (text, parts) in [
            ("[word]\nyess = \"ja\"\n", vec!["line 2", "unknown key `word.yess`", "word.yes"]),
            ("[answer]\nbands = \"{tell}\"\n", vec!["line 2", "answer.bands", "{told}"]),
            ("[word]\nyes = 3\n", vec!["line 2", "word.yes", "a sentence"]),
            ("[language]\ntag = \"\"\n", vec!["line 2", "language.tag"]),
            ("word", vec!["line 1", "not a language file"]),
        ] {
            let said = of(text).unwrap_err().to_string();
            assert!(parts.iter().all(|part| said.contains(part)), "{said}");
        }
        assert!(read(Path::new("."), "none.toml").unwrap_err().is_usage());
        assert!(read(Path::new("."), "de").unwrap().1.is_none());
    }
}
