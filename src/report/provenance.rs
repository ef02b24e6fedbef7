//! Where the numbers come from: the visit, the files with their hashes, failures and warnings.

use super::content::Content;
use super::listing::{self, number, plain, text};
use super::words::shown;
use maud::{Markup, html};

/// Who measured what, when, for whom.
pub(super) fn visit(content: &Content<'_>) -> Markup {
    let visit = &content.session.visit;
    let occupied = visit.occupied.map(|o| if o { "occupied" } else { "empty of people" }.to_owned());
    let list = [
        ("For", visit.client.clone()),
        ("Measured by", visit.by.clone()),
        ("Date", visit.date.clone()),
        ("Signal", visit.signal.clone()),
        ("Apparatus", visit.apparatus.clone()),
        ("Room", occupied),
        ("Notes", visit.notes.clone()),
    ];
    html! { dl.facts.visit { @for (name, value) in list { @if let Some(value) = value { div { dt { (name) } dd { bdi { (shown(&value)) } } } } } } }
}

/// What went wrong or is worth knowing, where there is anything.
pub(super) fn troubles(content: &Content<'_>) -> Markup {
    let (failures, warnings) = (&content.found.failures, &content.found.warnings);
    if failures.is_empty() && warnings.is_empty() {
        return html! {};
    }
    html! {
        section #troubles {
            h2 { "Failures and notes" }
            ul {
                @for failure in failures { li { b { "Not used: " } bdi { (shown(&failure.reason)) } "."
                    @if let Some(found) = &failure.found { " Found: " bdi { (shown(found)) } "." }
                    @if let Some(advice) = &failure.advice { " " bdi { (shown(advice)) } }
                } }
                @for warning in warnings { li { bdi { (shown(warning)) } } }
            }
        }
    }
}

/// The section on files.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let heads = [
        text("file"),
        text("state"),
        text("position"),
        text("source"),
        text("used"),
        text("format"),
        number("rate, Hz"),
        number("bits"),
        number("length, s"),
        text("mended or noted"),
        text("SHA-256"),
    ];
    let rows: Vec<Vec<String>> = content
        .results
        .files
        .iter()
        .map(|f| {
            let whole = |n: Option<u32>| n.map(|n| n.to_string()).unwrap_or_default();
            let mut notes = f.repairs.clone();
            notes.extend(f.note.clone());
            vec![
                f.file.to_string(),
                f.state.to_string(),
                f.position.to_string(),
                f.source.to_string(),
                if f.used { "yes" } else { "no" }.to_owned(),
                f.format.clone().unwrap_or_default(),
                whole(f.rate_hz),
                whole(f.bit_depth),
                f.length_s.map(|s| plain(s, 2)).unwrap_or_default(),
                notes.join("; "),
                f.sha256.clone().unwrap_or_default(),
            ]
        })
        .collect();
    html! {
        section #files {
            h2 { "Where the numbers come from" }
            p { "Made by stillroom " (env!("CARGO_PKG_VERSION")) ". The hash names the exact file that a number came from. With the same files and settings the program writes this report again, byte for byte." }
            details.table open { summary { "Files and their hashes" } (listing::table("Audio files", &heads, &rows)) }
        }
    }
}
