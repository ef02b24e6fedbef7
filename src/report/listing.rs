//! Tables of the page: a caption, heads, cells; sortable and copyable once the page's script has run.

use super::words::shown;
use crate::flag::Flags;
use crate::language::{Language, say};
use maud::{Markup, html};

/// A column's head.
#[derive(Debug, Clone, Copy)]
pub(super) struct Head {
    /// Key of what it says.
    pub text: &'static str,
    /// Class of its cells: numbers line up at the right, sentences need room.
    pub class: Option<&'static str>,
}

/// A column of text.
pub(super) const fn text(text: &'static str) -> Head {
    Head { text, class: None }
}

/// A column of numbers.
pub(super) const fn number(text: &'static str) -> Head {
    Head { text, class: Some("number") }
}

/// A column of sentences.
pub(super) const fn sentence(text: &'static str) -> Head {
    Head { text, class: Some("sentence") }
}

/// A column of what the program words in English.
pub(super) const fn english(text: &'static str) -> Head {
    Head { text, class: Some("english") }
}

/// A row: each cell with the head of its column.
pub(super) type Row = Vec<(Head, String)>;

/// A table under the heads of its rows; `label` names the region that scrolls where it is too wide. An empty cell shows a
/// dash.
pub(super) fn table(language: &Language, label: &str, rows: &[Row]) -> Markup {
    let heads: Vec<Head> = rows.iter().take(1).flatten().map(|(head, _)| *head).collect();
    under(language, label, &heads, rows)
}

/// A table that has its heads without a row too.
pub(super) fn under(language: &Language, label: &str, heads: &[Head], rows: &[Row]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label=(label) {
            table.data {
                caption { (label) }
                thead { tr {
                    @for head in heads {
                        th scope="col" class=[head.class] { (language.text(head.text)) }
                    }
                } }
                tbody {
                    @for row in rows { tr {
                        @for (head, cell) in row {
                            td class=[head.class] { (cell_of(language, head, cell)) }
                        }
                    } }
                }
            }
        }
    }
}

/// Rows of the longest folded table that paper shows: third octaves of two states. Our own choice.
const ON_PAPER: usize = 62;

/// A table that the page folds up. On paper, where nothing unfolds, it stands open; in place of a longer one stands in which
/// file its rows are.
pub(super) fn folded(
    language: &Language,
    (summary, label): (&Markup, &str),
    rows: &[Row],
    (file, open): (&'static str, bool),
) -> Markup {
    let long = rows.len() > ON_PAPER;
    html! {
        details.table.long[long] open[open && !long] { summary { (summary) } (table(language, label, rows)) }
        @if long { p.on-paper {
            b { (summary) } ": " (language.say(&say!("cell.on-paper", n = rows.len(), file = file)))
        } }
    }
}

/// Numbers come with a point and get the language's decimal sign here; text is as it should be.
fn cell_of(language: &Language, head: &Head, cell: &str) -> Markup {
    if cell.is_empty() {
        return html! { "–" };
    }
    match head.class {
        Some("number") => html! { bdi { (shown(&unbroken(&language.decimal(cell)))) } },
        Some("english") => super::rich::english(language, cell),
        _ => html! { bdi { (shown(cell)) } },
    }
}

/// A cell of numbers that breaks before its bracket only: a narrow column would tear values from their spreads. Words that
/// stand where a number would break as words do.
fn unbroken(cell: &str) -> String {
    if cell.starts_with(char::is_alphabetic) {
        return cell.to_owned();
    }
    cell.replace(' ', "\u{a0}").replace("\u{a0}(", " (")
}

/// A number of two decimals, or nothing.
pub(super) fn decimal<E>(value: Result<f64, E>, digits: usize) -> String {
    value.ok().filter(|v| v.is_finite()).map(|v| plain(v, digits)).unwrap_or_default()
}

/// A number with a true minus sign and none for zero.
pub(super) fn plain(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let zero = !text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if zero { text.trim_start_matches('-').to_owned() } else { text.replace('-', "\u{2212}") }
}

/// Flags as the tables hold them, a blank after each.
pub(super) fn flags(flags: &Flags) -> String {
    flags.to_string().replace(';', "; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_text_whatever_they_hold() {
        let row =
            vec![(text("head.file"), "<script>x</script>".to_owned()), (number("head.bits"), String::new())];
        let page = table(Language::english(), "a \"label\"", &[row]).into_string();
        assert!(!page.contains("<script"), "{page}");
        assert!(page.contains("&lt;script&gt;") && page.contains("<td class=\"number\">–</td>"), "{page}");
        assert!(page.contains("aria-label=\"a &quot;label&quot;\""), "{page}");
    }

    /// Folded tables were lost on paper: short ones unfold there, long ones say where their rows are.
    #[test]
    fn a_folded_table_isn_t_lost_on_paper() {
        let page = |n: usize| {
            let rows = vec![vec![(text("head.file"), "x".to_owned())]; n];
            let summary = html! { "Numbers" };
            folded(Language::english(), (&summary, "label"), &rows, ("bands.csv", true)).into_string()
        };
        assert!(
            page(62).starts_with("<details class=\"table\" open>") && !page(62).contains("on-paper"),
            "{}",
            page(62)
        );
        assert!(
            page(63).starts_with("<details class=\"table long\"><summary>Numbers</summary>"),
            "{}",
            page(63)
        );
        assert!(
            page(63).ends_with("<p class=\"on-paper\"><b>Numbers</b>: 63 rows, in bands.csv</p>"),
            "{}",
            page(63)
        );
    }

    #[test]
    fn a_value_stays_with_its_spread() {
        assert_eq!(unbroken("−3 (−11 to 6)"), "−3 (−11\u{a0}to\u{a0}6)");
        assert_eq!(unbroken("1.08 ± 0.24"), "1.08\u{a0}±\u{a0}0.24");
        assert_eq!(unbroken("near a null (50 dB)"), "near a null (50 dB)");
    }

    #[test]
    fn numbers_by_hand() {
        assert_eq!(plain(-0.001, 2), "0.00");
        assert_eq!(plain(-1.5, 1), "\u{2212}1.5");
        assert_eq!(decimal::<()>(Ok(f64::NAN), 1), "");
    }
}
