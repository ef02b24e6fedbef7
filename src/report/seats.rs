//! Every seat: what the resonances that changed did there.

use super::content::{Content, Pair, frequency};
use super::listing::{self, number, text};
use super::words::{self, hertz, shown, signed};
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
            h2 { "Seat by seat" }
            p { "A resonance is one thing for the whole room: where its decay got shorter, it got shorter at every seat that hears it. "
                "How loud it is differs from seat to seat. The table holds the resonances that changed, at each place." }
            @for pair in &pairs { (table(pair)) }
        }
    }
}

fn table(pair: &Pair<'_>) -> Markup {
    let changed: Vec<_> = pair
        .rows
        .iter()
        .filter(|r| matches!(r.verdict, "shorter" | "longer" | "level-only" | "gone"))
        .collect();
    let mut rows: Vec<Vec<String>> = Vec::new();
    for row in changed {
        let mut here: Vec<&PositionChangeRow> =
            pair.positions.iter().filter(|p| Some(p.mode) == row.mode).copied().collect();
        here.sort_by_key(|p| (p.role != "listening", p.role != "other"));
        rows.extend(here.into_iter().map(|p| line(p, frequency(row))));
    }
    let label =
        format!("Resonances that changed, place by place, {} to {}", pair.before.name, pair.after.name);
    if rows.is_empty() {
        return html! { p { "From " bdi { (shown(&pair.before.name)) } " to " bdi { (shown(&pair.after.name)) } " no resonance changed clearly." } };
    }
    let heads = [
        text("place"),
        text("what it is for"),
        number("resonance"),
        number("rings before, s"),
        number("rings after, s"),
        number("change of level, dB"),
        text("remarks"),
    ];
    listing::table(&label, &heads, &rows)
}

fn line(p: &PositionChangeRow, hz: f64) -> Vec<String> {
    let ring = |r: Option<Result<f64, _>>| r.map(|r| listing::decimal(r, 2)).unwrap_or_default();
    let level = match p.level_change {
        Some(Ok(l)) => {
            format!("{} ({} to {})", signed(l.value, 1), signed(l.low, 1), signed(l.high, 1))
        }
        _ => String::new(),
    };
    vec![
        words::place(&p.position, &p.source),
        p.role.to_owned(),
        hertz(hz),
        ring(p.before_ring_s),
        ring(p.after_ring_s),
        level,
        listing::flags(&p.flags),
    ]
}
