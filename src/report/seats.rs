//! Every seat: what the resonances that changed did there.

use super::content::{Content, Pair, frequency, level_before, loudest_before};
use super::listing::{self, Row, number, text};
use super::words::{self, NULL_DB, hertz};
use crate::language::{number as digits, say, signed};
use crate::table::PositionChangeRow;
use maud::{Markup, html};

/// The section; nothing where nothing was compared.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    if pairs.is_empty() {
        return html! {};
    }
    html! {
        section #seats {
            h2 { (content.text("seats.head")) }
            p { (content.text("seats.about")) }
            @for pair in &pairs { (table(content, pair)) }
        }
    }
}

fn table(content: &Content<'_>, pair: &Pair<'_>) -> Markup {
    let changed: Vec<_> = pair
        .rows
        .iter()
        .filter(|r| matches!(r.verdict, "shorter" | "longer" | "level-only" | "gone"))
        .collect();
    let mut rows: Vec<Row> = Vec::new();
    for row in changed {
        let mut here: Vec<&PositionChangeRow> =
            pair.positions.iter().filter(|p| Some(p.mode) == row.mode).copied().collect();
        here.sort_by_key(|p| (p.role != "listening", p.role != "other"));
        let loudest = loudest_before(here.iter().copied());
        rows.extend(here.into_iter().map(|p| line(content, p, frequency(row), loudest)));
    }
    let label = content.say(&pair.say("seats.table"));
    if rows.is_empty() {
        return html! { p { (content.rich("seats.none", &pair.names())) } };
    }
    listing::table(content.language(), &label, &rows)
}

fn line(content: &Content<'_>, p: &PositionChangeRow, hz: f64, loudest: f64) -> Row {
    let below = level_before(p).map_or(0.0, |db| loudest - db);
    let level = match p.level_change {
        _ if below > NULL_DB => content.say(&say!("cell.near-null", db = digits(below, 0))),
        Ok(l) => {
            let [value, low, high] = [l.value, l.low, l.high].map(|x| signed(x, 1));
            content.say(&say!("cell.interval", value = value, low = low, high = high))
        }
        Err(_) => String::new(),
    };
    vec![
        (text("head.place"), content.say(&words::place(&p.position, &p.source))),
        (text("head.role"), content.say(&words::role(p.role))),
        (number("head.resonance"), content.say(&hertz(hz))),
        (number("head.rings-before"), listing::decimal(p.before_ring_s, 2)),
        (number("head.rings-after"), listing::decimal(p.after_ring_s, 2)),
        (number("head.level-change"), level),
        (text("head.remarks"), listing::flags(&p.flags)),
    ]
}
