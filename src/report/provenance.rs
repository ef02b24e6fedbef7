//! Where the numbers come from: the visit, the files with their hashes, failures and warnings.

use super::content::Content;
use super::listing::{self, Row, english as english_column, number, plain, text};
use super::rich::english;
use super::words::shown;
use crate::language::say;
use maud::{Markup, html};

/// Who measured what, when, for whom.
pub(super) fn visit(content: &Content<'_>) -> Markup {
    let visit = &content.session.visit;
    let occupied = visit.occupied.map(|o| content.text(if o { "visit.occupied" } else { "visit.empty" }));
    let list = [
        ("visit.client", visit.client.clone()),
        ("visit.by", visit.by.clone()),
        ("visit.date", visit.date.clone()),
        ("visit.signal", visit.signal.clone()),
        ("visit.apparatus", visit.apparatus.clone()),
        ("visit.room", occupied),
        ("visit.notes", visit.notes.clone()),
    ];
    html! { dl.facts.visit { @for (key, value) in list { @if let Some(value) = value { div { dt { (content.text(key)) } dd { bdi { (shown(&value)) } } } } } } }
}

/// What went wrong or is worth knowing, where there is anything.
pub(super) fn troubles(content: &Content<'_>) -> Markup {
    let (failures, warnings) = (&content.found.failures, &content.found.warnings);
    let language = content.language();
    if failures.is_empty() && warnings.is_empty() {
        return html! {};
    }
    html! {
        section #troubles {
            h2 { (content.text("troubles.head")) }
            @if content.language().tag() != "en" { p { (content.text("troubles.in-english")) } }
            ul {
                @for failure in failures { li { b { (content.text("troubles.not-used")) " " } (english(language, &failure.reason)) "."
                    @if let Some(found) = &failure.found { " " (content.text("troubles.found")) " " (english(language, found)) "." }
                    @if let Some(advice) = &failure.advice { " " (english(language, advice)) }
                } }
                @for warning in warnings { li { (english(language, warning)) } }
            }
        }
    }
}

/// The section on files.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let rows: Vec<Row> = content
        .results
        .files
        .iter()
        .map(|f| {
            let whole = |n: Option<u32>| n.map(|n| n.to_string()).unwrap_or_default();
            let mut notes = f.repairs.clone();
            notes.extend(f.note.clone());
            vec![
                (text("head.file"), f.file.to_string()),
                (text("head.state"), f.state.to_string()),
                (text("head.position"), f.position.to_string()),
                (text("head.source"), f.source.to_string()),
                (text("head.used"), content.text(if f.used { "word.yes" } else { "word.no" })),
                (english_column("head.format"), f.format.clone().unwrap_or_default()),
                (number("head.rate"), whole(f.rate_hz)),
                (number("head.bits"), whole(f.bit_depth)),
                (number("head.length"), f.length_s.map(|s| plain(s, 2)).unwrap_or_default()),
                (english_column("head.mended"), notes.join("; ")),
                (text("head.hash"), f.sha256.clone().unwrap_or_default()),
            ]
        })
        .collect();
    html! {
        section #files {
            h2 { (content.text("files.head")) }
            p { (content.say(&say!("files.about", version = env!("CARGO_PKG_VERSION")))) }
            @let (summary, label) = (html! { (content.text("files.hashes")) }, content.text("files.table"));
            (listing::folded(content.language(), (&summary, &label), &rows, ("results.json", true)))
        }
    }
}
