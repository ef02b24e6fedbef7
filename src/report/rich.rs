//! Sentences of the page's language with markup in them: names set apart, states in their colours.

use super::words::shown;
use crate::language::{Language, Message, Piece};
use maud::{Markup, html};

/// A sentence whose values are markup; `count` chooses between one and many.
pub(super) fn rich(
    language: &Language,
    key: &str,
    count: Option<usize>,
    values: &[(&str, Markup)],
) -> Markup {
    html! {
        @for piece in language.pieces(key, count) {
            @match piece {
                Piece::Words(words) => { (words) }
                Piece::Hole(name, _) => {
                    @if let Some((_, value)) = values.iter().find(|(own, _)| *own == name) { (value) }
                }
            }
        }
    }
}

/// A list of markup: "a, b and c".
pub(super) fn listed(language: &Language, mut items: Vec<Markup>) -> Markup {
    let Some(last) = items.pop() else { return html! {} };
    if items.is_empty() {
        return last;
    }
    let most = html! { @for (k, item) in items.iter().enumerate() { @if k > 0 { ", " } (item) } };
    rich(language, "list.and", None, &[("most", most), ("last", last)])
}

/// A name from a file or manifest, kept apart from the sentence's writing direction.
pub(super) fn name(text: &str) -> Markup {
    html! { bdi { (shown(text)) } }
}

/// A sentence in English wherever the page is in another language.
pub(super) fn english(language: &Language, text: &str) -> Markup {
    if language.tag() == "en" {
        name(text)
    } else {
        html! { bdi lang="en" { (shown(text)) } }
    }
}

/// A message with what may stand in a page.
pub(super) fn said(language: &Language, message: &Message) -> Markup {
    name(&language.say(message))
}
