//! The report in another language: the demo's in German, with nothing English left in it but what is data or said to
//! be English, and figures whose letters collide in no language.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::num::NonZeroUsize;
use std::sync::OnceLock;

use crate::demo_run::demo_run;
use stillroom::analysis::{Analysis, Comparison, ModeRange, TargetKind, compare_states};
use stillroom::language::{Language, Piece};
use stillroom::report::draw::{Area, Shape};
use stillroom::report::{self, Content};
use stillroom::table::Results;
use stillroom::table::gather::{Asked, results};
use stillroom::table::gather_changes::{absorber_rows, comparison};
use stillroom::{CompareSettings, Control, OpenOptions, Session, Settings, analyze, open};

/// The demo's two states compared, over the modes up to 70 Hz.
struct Run {
    session: Session,
    found: Analysis,
    compared: Comparison,
    results: Results,
}

fn run() -> &'static Run {
    static RUN: OnceLock<Run> = OnceLock::new();
    RUN.get_or_init(|| {
        let session =
            open(&[demo_run().session.clone()], &OpenOptions::default()).expect("the demo is a session");
        let mut settings = Settings::default();
        settings.modes = Some(ModeRange { from_hz: 15.0, to_hz: 70.0 });
        settings.jobs = NonZeroUsize::new(2);
        let found = analyze(&session, &settings, &Control::default());
        let mut asked = CompareSettings::new("empty", vec!["absorber".to_owned()]);
        asked.target = Some(TargetKind::Longest(0.6));
        let compared =
            compare_states(&session, &found, &settings, &asked, &Control::default()).expect("both are there");
        let words = Asked { each: false, before: Some("empty"), after: &asked.after, target: asked.target };
        let mut tables = results(&session, &settings, &words, &found);
        tables.comparison = Some(comparison(&found, &compared));
        tables.absorber = absorber_rows(&tables.session.states, &compared.absorbers);
        Run { session, found, compared, results: tables }
    })
}

/// Page and figures in a language.
fn report(tag: &str) -> (String, Vec<report::draw::Drawing>) {
    let run = run();
    let mut session = run.session.clone();
    session.language = Cow::Borrowed(Language::known(tag).expect("the program brings it"));
    let content = Content {
        session: &session,
        found: &run.found,
        compared: Some(&run.compared),
        results: &run.results,
    };
    (report::html(&content), report::figures(&content))
}

/// Texts of the page and what screen readers are told, without style, script, code words and what is marked as English.
fn texts(page: &str) -> Vec<String> {
    let (mut found, mut hidden) = (Vec::new(), None::<&str>);
    for part in page.split('<').skip(1) {
        let (tag, text) = part.split_once('>').unwrap_or((part, ""));
        let name = tag.split([' ', '/']).find(|word| !word.is_empty()).unwrap_or_default();
        if hidden.is_none() && (matches!(name, "style" | "script" | "code") || tag == "bdi lang=\"en\"") {
            hidden = ["style", "script", "code", "bdi"].into_iter().find(|own| *own == name);
        } else if tag.strip_prefix('/') == hidden {
            hidden = None;
        }
        if hidden.is_none() {
            let label = tag.split_once("aria-label=\"").and_then(|(_, rest)| rest.split_once('"'));
            found.extend(label.map(|(label, _)| label.to_owned()));
            found.push(text.trim().to_owned());
        }
    }
    found.retain(|text| !text.is_empty());
    found.iter().map(|text| text.replace('\u{a0}', " ")).collect()
}

/// Parts of two words or more that English sentences have and no German one.
fn english_parts() -> BTreeSet<String> {
    let parts = |language: &Language| -> BTreeSet<String> {
        let keys: Vec<&str> = language.keys().collect();
        let pieces = keys.iter().flat_map(|key| [Some(1), Some(2)].map(|count| language.pieces(key, count)));
        let words = pieces.flatten().filter_map(|piece| match piece {
            Piece::Words(words) => Some(words.trim_matches(|c: char| !c.is_alphanumeric()).to_owned()),
            Piece::Hole(..) => None,
        });
        words.filter(|words| words.split_whitespace().count() > 1 || words.len() > 5).collect()
    };
    let [english, german] = ["en", "de"].map(|tag| parts(Language::known(tag).expect("it is there")));
    english.into_iter().filter(|part| german.iter().all(|own| !own.contains(part.as_str()))).collect()
}

#[test]
fn the_german_report_holds_no_english() {
    let (page, figures) = report("de");
    assert!(page.contains("<html lang=\"de\">"));
    let mut all = texts(&page);
    all.extend(figures.iter().flat_map(|f| [f.title.clone(), f.description.clone()]));
    let manifest = std::fs::read_to_string(demo_run().session.join("session.toml")).expect("it is there");
    all.retain(|text| !manifest.contains(text.as_str()));
    assert!(all.len() > 500, "{} texts", all.len());
    for part in english_parts().into_iter().filter(|part| !manifest.contains(part.as_str())) {
        let word = |text: &&String| {
            text.match_indices(&part).any(|(at, _)| {
                let edge = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric() && c != '-');
                edge(text[..at].chars().next_back()) && edge(text[at + part.len()..].chars().next())
            })
        };
        assert_eq!(all.iter().find(word), None, "English: “{part}”");
    }
    for word in [" the ", " and ", " of ", " is ", " to ", " with "] {
        assert_eq!(all.iter().find(|text| format!(" {text} ").contains(word)), None, "English: {word}");
    }
}

/// Decimal commas in German, in tables, sentences and figures; versions, clauses and file names keep their points.
#[test]
fn german_numbers_have_commas() {
    let (page, figures) = report("de");
    let with_point = |text: &str| {
        let letters: Vec<char> = text.chars().collect();
        letters.windows(3).any(|w| w[0].is_ascii_digit() && w[1] == '.' && w[2].is_ascii_digit())
    };
    for cell in page.split("<td class=\"number\">").skip(1) {
        let cell = cell.split("</td>").next().unwrap_or_default();
        assert!(!with_point(cell), "{cell}");
    }
    assert!(page.contains("33,2\u{a0}Hz") && page.contains("\u{a0}s nach statt "), "as a sentence has it");
    for figure in &figures {
        assert!(!with_point(&figure.description) && !with_point(&figure.title), "{}", figure.description);
        for shape in &figure.shapes {
            let Shape::Text { text, .. } = shape else { continue };
            assert!(!with_point(text), "{text}");
        }
    }
    let (page, _) = report("en");
    assert!(page.contains("<html lang=\"en\">") && page.contains("33.2\u{a0}Hz"));
    assert!(texts(&page).iter().any(|text| text.contains("What this does not show")));
}

/// The areas that letters take, by the metrics of common sans-serif fonts, lie in the figure and not on each other.
#[test]
fn letters_collide_in_no_figure() {
    for tag in Language::KNOWN {
        for figure in report(tag).1 {
            let mut areas: Vec<(String, Area)> = Vec::new();
            for shape in &figure.shapes {
                let Shape::Text { at, text, size, anchor, turned, .. } = shape else { continue };
                let mut area = Area::of_text(*at, text, *size * NARROWER, *anchor);
                if *turned {
                    let (half, [x, y]) = (0.5 * (area.right - area.left), *at);
                    area =
                        Area { left: x - 0.7 * size, right: x + 0.2 * size, top: y - half, bottom: y + half };
                }
                let inside = area.left >= -1.0
                    && area.right <= figure.width + 1.0
                    && area.bottom <= figure.height + 1.0;
                assert!(inside, "{tag}: “{text}” leaves {}: {area:?}", figure.name);
                for (other, taken) in &areas {
                    assert!(area.common(taken) <= 2.0, "{tag}: “{text}” on “{other}” in {}", figure.name);
                }
                areas.push((text.clone(), area));
            }
            assert!(!areas.is_empty(), "{}", figure.name);
        }
    }
}

/// The mean width of letters in sentences against that of digits.
const NARROWER: f64 = 0.88;
