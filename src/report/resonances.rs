//! All resonances of all states, and all changes, in tables.

use super::content::Content;
use super::listing::{self, Head, Row, decimal, number, plain, text};
use super::rich::name;
use super::words::{self, plus_minus};
use crate::language::{number as digits_of, say};
use crate::table::{ChangeRow, ModeRow};
use maud::{Markup, html};

/// The section.
pub(super) fn section(content: &Content<'_>) -> Markup {
    html! {
        section #tables {
            h2 { (content.text("resonances.head")) }
            p { (content.text("resonances.about")) }
            @for pair in content.pairs() {
                (listing::under(
                    content.language(),
                    &content.say(&pair.say("resonances.changes")),
                    &CHANGES,
                    &pair.rows.iter().map(|row| change(content, row)).collect::<Vec<_>>(),
                ))
            }
            @for state in content.states() {
                @let rows: Vec<_> = content.modes_of(&state.name).into_iter().map(|row| mode(content, row)).collect();
                @if !rows.is_empty() {
                    @let summary = content.rich("resonances.of-state", &[("state", name(&state.name))]);
                    @let label = content.say(&say!("resonances.table", state = state.name.as_str()));
                    (listing::folded(content.language(), (&summary, &label), &rows, ("modes.csv", false)))
                }
            }
        }
    }
}

const CHANGES: [Head; 11] = [
    number("head.hz-before"),
    number("head.hz-after"),
    number("head.t60-before"),
    number("head.t60-after"),
    number("head.rings-before"),
    number("head.rings-after"),
    number("head.t60-change"),
    number("head.level-change"),
    text("head.verdict"),
    listing::sentence("head.why"),
    text("head.remarks"),
];

fn change(content: &Content<'_>, row: &ChangeRow) -> Row {
    let hz = |f: Option<f64>| f.map(|f| plain(f, 2)).unwrap_or_default();
    let time = |t: Option<crate::estimate::Estimate>| t.map(plus_minus).unwrap_or_default();
    let ring = |r: Option<Result<f64, _>>| r.map(|r| decimal(r, 2)).unwrap_or_default();
    let interval = |i: Option<Result<crate::table::Interval, _>>, digits: usize| match i {
        Some(Ok(i)) => {
            let [value, low, high] = [i.value, i.low, i.high].map(|x| digits_of(x, digits));
            content.say(&say!("cell.interval", value = value, low = low, high = high))
        }
        _ => String::new(),
    };
    let (mark, word) = words::verdict(row.verdict);
    let cells = [
        hz(row.before_hz),
        hz(row.after_hz),
        time(row.before_t60),
        time(row.after_t60),
        ring(row.before_ring_s),
        ring(row.after_ring_s),
        interval(row.t60_change, 0),
        interval(row.level_change, 1),
        format!("{mark} {}", content.say(&word)),
        content.say(&row.reason),
        listing::flags(&row.flags),
    ];
    CHANGES.into_iter().zip(cells).collect()
}

/// `1 0 2`, or in a room that is no box between what the mode stands.
fn half_waves(content: &Content<'_>, row: &ModeRow) -> String {
    let stands = content.stands(row).filter(|_| row.axes.is_empty());
    stands.map_or_else(|| row.axes.to_string(), |stands| content.say(&stands))
}

fn mode(content: &Content<'_>, row: &ModeRow) -> Row {
    let spread = |r: &crate::estimate::Reading| r.map(plus_minus).unwrap_or_default();
    let kind = match row.kind {
        "mode" => "kind.room",
        "loudspeaker" => "kind.chain",
        "hum" => "kind.hum",
        _ => "kind.unsure",
    };
    vec![
        (number("head.number"), row.mode.to_string()),
        (number("head.treat"), row.priority.map(|p| p.to_string()).unwrap_or_default()),
        (text("head.taken-for"), content.text(kind)),
        (number("head.frequency"), spread(&row.frequency)),
        (number("head.t60"), spread(&row.t60)),
        (number("head.q"), decimal(row.q, 1)),
        (number("head.level"), decimal(row.level_db, 1)),
        (number("head.seen-at"), row.positions.to_string()),
        (text("head.half-waves"), half_waves(content, row)),
        (number("head.audible"), decimal(row.threshold_t60_s, 2)),
        (text("head.remarks"), listing::flags(&row.flags)),
    ]
}
