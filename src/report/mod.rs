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
mod content;
mod decays;
pub mod draw;
mod limits;
mod listing;
mod maps;
mod method;
mod plans;
mod procedure;
mod provenance;
mod resonances;
mod seats;
mod spectra;
mod tails;
mod target;
pub mod words;
mod worst_seat;

pub use content::Content;

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
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { "How the room rings: " (title) }
                style { (PreEscaped(style)) }
            }
            body {
                a.skip href="#answer" { "Skip to the answer" }
                header {
                    @if let Some(logo) = &content.session.logo {
                        img.logo alt="" src={ "data:" (logo.media) ";base64," (base64::engine::general_purpose::STANDARD.encode(&logo.bytes)) };
                    }
                    p.kicker { (kicker(content)) }
                    h1 { bdi { (title) } }
                    (provenance::visit(content))
                }
                main { (sections(content)) }
                footer { p { "Every number here is also in the tables that came with this page, with all its digits." } }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string()
}

/// Names of [`figures`], without number: `map-1` is the first `map`.
pub const FIGURES: [&str; 8] = ["ringing", "absorber", "room", "decay", "map", "spectrum", "bands", "seats"];

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
    figures.extend(bands::figure(content));
    figures
}

fn kicker(content: &Content<'_>) -> &'static str {
    if content.compared.is_some() { "How the room rings, before and after" } else { "How the room rings" }
}

fn sections(content: &Content<'_>) -> Markup {
    let parts: [(&str, &str, Markup); 13] = [
        ("room", "In the room", plans::section(content)),
        ("decays", "Decay", decays::section(content)),
        ("maps", "Over time", maps::section(content)),
        ("spectrum", "Spectrum", spectra::section(content)),
        ("seats", "Seats", seats::section(content)),
        ("absorber", "Absorber", absorber::section(content)),
        ("bands", "Bands", bands::section(content)),
        ("targets", "Targets", procedure::targets(content)),
        ("tables", "All resonances", resonances::section(content)),
        ("procedure", "Procedure", procedure::section(content)),
        ("method", "Method", method::section(content)),
        ("troubles", "Failures and notes", provenance::troubles(content)),
        ("files", "Files", provenance::section(content)),
    ];
    let present: Vec<_> = parts.into_iter().filter(|(_, _, part)| !part.0.is_empty()).collect();
    html! {
        (answer::sheet(content))
        nav aria-label="Parts of this report" {
            ul { @for (id, name, _) in &present { li { a href={ "#" (id) } { (name) } } } li { a href="#cautions" { "Safety" } } }
        }
        (others(content))
        @for (_, _, part) in present { (part) }
        (method::cautions())
    }
}

/// Charts of the pairs that the first sheet has no room for.
fn others(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    let Some((_, rest)) = pairs.split_last().filter(|(_, rest)| !rest.is_empty()) else { return html! {} };
    html! {
        section #others {
            h2 { "The other states" }
            @for pair in rest {
                h3 { bdi { (words::shown(&pair.before.name)) } " to " bdi { (words::shown(&pair.after.name)) } }
                p { (answer::sentences(pair).join(" ")) }
                (answer::chart(pair, answer::ROWS))
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
