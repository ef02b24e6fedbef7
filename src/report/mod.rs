//! What was found becomes a page that a client can read and an acoustician can check: one file, no
//! network, light and dark, paper and phone.
//!
//! The first sheet carries the whole answer ([`answer`]); then pictures, tables, and where the numbers
//! come from. Nothing is computed here but places on the paper. All text from files and manifests goes
//! through [`words::shown`] and the template's escaping; the page's policy allows no script and no style
//! but its own, named by their hashes (W3C, Content Security Policy Level 3).

mod absorber;
mod alone;
mod answer;
mod bands;
mod captures;
mod content;
mod decays;
pub mod draw;
mod limits;
mod listing;
mod maps;
mod method;
mod moves;
mod plans;
mod procedure;
mod provenance;
mod resonances;
mod rich;
mod seat_maps;
mod seats;
mod spectra;
mod tails;
mod target;
mod tied;
pub mod words;
mod worst_seat;

pub use content::Content;

use crate::language::say;
use base64::Engine as _;
use draw::{Ink, hex};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

const STYLE: &str = include_str!("page/style.css");
const SCRIPT: &str = include_str!("page/script.js");

/// The page.
#[must_use]
pub fn html(content: &Content<'_>) -> String {
    let style = format!("{}{STYLE}", inks());
    let policy = format!(
        "default-src 'none'; img-src data:; style-src '{}'; script-src '{}'; base-uri 'none'; form-action 'none'",
        hash(&style),
        hash(SCRIPT)
    );
    let title = words::shown(content.title());
    let page = html! {
        (DOCTYPE)
        html lang=(content.language().tag()) {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (content.say(&say!("page.title", name = content.title()))) }
                style { (PreEscaped(style)) }
            }
            body data-copy=(content.text("page.copy")) data-copied=(content.text("page.copied")) {
                a.skip href="#answer" { (content.text("page.skip")) }
                header {
                    @if let Some(logo) = &content.session.logo {
                        img.logo alt="" src={ "data:" (logo.media) ";base64," (base64::engine::general_purpose::STANDARD.encode(&logo.bytes)) };
                    }
                    p.kicker { (kicker(content)) }
                    h1 { bdi { (title) } }
                    (provenance::visit(content))
                }
                main { (sections(content)) }
                footer { p { (content.text("page.footer")) } }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string();
    tied::tied(&page)
}

/// Names of [`figures`], without number: `map-1` is the first `map`.
pub const FIGURES: [&str; 9] =
    ["ringing", "absorber", "room", "decay", "map", "spectrum", "seat", "bands", "seats"];

/// What stands near the beginning of each picture's file, so that this program knows it as its own.
pub const MARK: &str = draw::MARK;

/// The pictures of the page as figures of their own, fit for a paper.
#[must_use]
pub fn figures(content: &Content<'_>) -> Vec<draw::Drawing> {
    let mut figures = answer::figures(content);
    figures.extend(absorber::figures(content));
    figures.extend(plans::figures(content));
    figures.extend(decays::figures(content));
    figures.extend(maps::figures(content));
    figures.extend(spectra::figure(content));
    figures.extend(seat_maps::figures(content));
    figures.extend(bands::figure(content));
    figures
}

fn kicker(content: &Content<'_>) -> String {
    content.text(if content.compared.is_some() { "page.kicker-compared" } else { "page.kicker" })
}

fn sections(content: &Content<'_>) -> Markup {
    let parts: [(&str, &'static str, Markup); 16] = [
        ("room", "part.room", plans::section(content)),
        ("decays", "part.decays", decays::section(content)),
        ("maps", "part.maps", maps::section(content)),
        ("spectrum", "part.spectrum", spectra::section(content)),
        ("listening", "part.listening", seat_maps::section(content)),
        ("seats", "part.seats", seats::section(content)),
        ("moves", "part.moves", moves::section(content)),
        ("absorber", "part.absorber", absorber::section(content)),
        ("bands", "part.bands", bands::section(content)),
        ("targets", "part.targets", procedure::targets(content)),
        ("tables", "part.tables", resonances::section(content)),
        ("procedure", "part.procedure", procedure::section(content)),
        ("captures", "part.captures", captures::section(content)),
        ("method", "part.method", method::section(content)),
        ("troubles", "part.troubles", provenance::troubles(content)),
        ("files", "part.files", provenance::section(content)),
    ];
    let present: Vec<_> = parts.into_iter().filter(|(_, _, part)| !part.0.is_empty()).collect();
    html! {
        (answer::sheet(content))
        nav aria-label=(content.text("page.parts")) {
            ul { @for (id, name, _) in &present { li { a href={ "#" (id) } { (content.text(name)) } } } li { a href="#cautions" { (content.text("part.cautions")) } } }
        }
        (others(content))
        @for (_, _, part) in present { (part) }
        (method::cautions(content))
    }
}

/// Charts of the pairs that the first sheet has no room for.
fn others(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    let Some((_, rest)) = pairs.split_last().filter(|(_, rest)| !rest.is_empty()) else { return html! {} };
    html! {
        section #others {
            h2 { (content.text("others.head")) }
            @for pair in rest {
                h3 { (content.rich("pair.between", &pair.names())) }
                p { (answer::sentences(content, pair).join(" ")) }
                (answer::chart(content, pair, tails::ROWS))
            }
        }
    }
}

/// The inks as variables of the style sheet, and the classes that figures use.
fn inks() -> String {
    let set = |colour: fn(Ink) -> [u8; 3]| {
        Ink::ALL.iter().map(|ink| format!("--{}:{};", ink.name(), hex(colour(*ink)))).collect::<String>()
    };
    let mut text = format!(
        ":root{{{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        set(Ink::light),
        set(Ink::dark)
    );
    for ink in Ink::ALL.map(Ink::name) {
        // Writing into a String can't fail.
        let _ = writeln!(text, ".f-{ink}{{fill:var(--{ink})}}.s-{ink}{{stroke:var(--{ink})}}");
    }
    text.push_str(".f-none{fill:none}\n");
    text
}

/// The hash by which the policy names a script or a style.
fn hash(text: &str) -> String {
    format!("sha256-{}", base64::engine::general_purpose::STANDARD.encode(Sha256::digest(text.as_bytes())))
}

#[cfg(test)]
mod tests;
