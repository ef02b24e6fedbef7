//! The first sheet: what was measured, what came of it in one sentence, the modes that matter; the worst
//! seat ([`worst_seat`](super::worst_seat)), and what was not shown ([`limits`]).

use super::alone::{alone, alone_row, to_treat};
use super::content::{Content, Pair, frequency};
use super::draw::{Drawing, Ink, Scale, svg};
use super::limits;
use super::tails::{self, Row, Tail};
use super::target;
use super::words::{self, counted, hertz, joined, seconds, shown, signed};
use super::worst_seat::worst_seat;
use crate::change::{ModeChange, Verdict};
use crate::state::StateResult;
use crate::table::{ChangeRow, ModeRow, PositionChangeRow};
use maud::{Markup, PreEscaped, html};

/// Rows that fit on the first printed sheet beside everything else.
pub(super) const ROWS: usize = 9;

/// The sheet of a comparison, or of states alone.
pub(super) fn sheet(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    html! {
        section #answer aria-labelledby="answer-head" {
            h2.hidden #answer-head { "The answer" }
            (measured(content))
            @if let Some(last) = pairs.last() {
                (compared(content, &pairs, last))
            } @else {
                (alone(content))
            }
            (target::sheet(content))
            (conclusions(content))
            (limits::not_shown(content))
        }
    }
}

/// What the one who measured concludes, a paragraph for each that an empty line sets apart.
fn conclusions(content: &Content<'_>) -> Markup {
    let visit = &content.session.visit;
    let Some(text) = &visit.conclusions else { return html! {} };
    let paragraphs = text.split("\n\n").map(str::trim).filter(|part| !part.is_empty());
    html! {
        div.conclusions {
            h3 { "Conclusions" @if let Some(by) = &visit.by { " of " bdi { (shown(by)) } } }
            @for part in paragraphs { p { bdi { (shown(&part.replace('\n', " "))) } } }
        }
    }
}

/// What was measured, in one sentence.
fn measured(content: &Content<'_>) -> Markup {
    let states: Vec<String> = content.states().map(|s| s.name.clone()).collect();
    let places = content.states().map(|s| s.places.len()).max().unwrap_or(0);
    let range = content.results.settings.with_modes.then_some(&content.results.settings);
    html! {
        p.measured {
            "Measured: " (counted(places, "pair")) " of loudspeaker and microphone places, in "
            (if states.len() == 1 { "the state " } else { "the states " })
            @for (k, state) in states.iter().enumerate() {
                @if k > 0 { (if k + 1 == states.len() { " and " } else { ", " }) }
                b { bdi { (shown(state)) } }
            }
            @if let Some(range) = range {
                "; the room’s own resonances between " (range.modes_from_hz) " and " (range.modes_to_hz) " Hz"
            }
            "."
        }
    }
}

fn compared(content: &Content<'_>, pairs: &[Pair<'_>], last: &Pair<'_>) -> Markup {
    html! {
        @for pair in pairs {
            p.verdict {
                @if pairs.len() > 1 { b { bdi { (shown(&pair.after.name)) } ": " } }
                (sentences(pair).first().map_or("", String::as_str))
            }
            @for more in sentences(pair).iter().skip(1) { p.lead { (more) } }
        }
        @if let Some(text) = strongest(last) { p.lead { (text) } }
        (tally(last))
        @if pairs.len() > 1 {
            p.note { "The chart compares " b { bdi { (shown(&last.before.name)) } } " with "
                b { bdi { (shown(&last.after.name)) } } "; the other states follow further down." }
        }
        (chart(last, ROWS))
        (worst_seat(content, last))
    }
}

/// The verdict on a pair, at most two sentences: on the modes and on the bands, the one that tells something first.
pub(super) fn sentences(pair: &Pair<'_>) -> Vec<String> {
    let bands = match pair.changes.band_summary.as_str() {
        "" => "Whole bands got no verdict: that takes three places or more in both states.".to_owned(),
        told => format!("Decay of whole bands: {told}"),
    };
    if pair.rows.iter().all(|row| row.mode.is_none()) {
        return vec![bands];
    }
    let decided = pair.changes.modes.iter().any(|c| c.verdict != Verdict::Unsure);
    let modes = format!("Single resonances: {}", pair.changes.summary);
    if decided { vec![modes, bands] } else { vec![bands, modes] }
}

/// The clearest change in numbers.
fn strongest(pair: &Pair<'_>) -> Option<String> {
    let decided = |c: &&ModeChange| matches!(c.verdict, Verdict::Shorter | Verdict::Longer);
    let clear = |c: &ModeChange| match c.t60_ratio {
        Some(Ok(ratio)) if ratio.high < 1.0 => -ratio.high.ln(),
        Some(Ok(ratio)) => ratio.low.ln(),
        _ => 0.0,
    };
    let change = pair.changes.modes.iter().filter(decided).max_by(|a, b| clear(a).total_cmp(&clear(b)))?;
    let before = change.before_values?;
    let (rang_s, rings_s) = (change.before_ring_s?.ok()?, change.after_ring_s?.ok()?);
    let ratio = change.t60_ratio?.ok()?;
    let percent = |r: f64| format!("{:.0}", 100.0 * (r - 1.0).abs());
    let (near, far) = if ratio.value < 1.0 { (ratio.high, ratio.low) } else { (ratio.low, ratio.high) };
    Some(format!(
        "The clearest change: at {} the room rang {} and now rings {}. The decay is {} % {} (between {} and {} %, with 95 % confidence).",
        hertz(before.frequency_hz),
        seconds(rang_s),
        seconds(rings_s),
        percent(ratio.value),
        if ratio.value < 1.0 { "shorter" } else { "longer" },
        percent(near),
        percent(far)
    ))
}

/// How many of each, as large numbers.
fn tally(pair: &Pair<'_>) -> Markup {
    let shown: [(&[Verdict], &str, &str); 4] = [
        (&[Verdict::Shorter, Verdict::Gone], "▼", "ring shorter or are gone"),
        (&[Verdict::Longer], "▲", "ring longer"),
        (&[Verdict::Unchanged], "=", "as before"),
        (&[Verdict::Unsure], "?", "can’t tell"),
    ];
    let others: usize =
        pair.count(Verdict::Chain) + pair.count(Verdict::LevelOnly) + pair.count(Verdict::New);
    html! {
        ul.tally {
            @for (verdicts, mark, text) in shown {
                li {
                    b { (verdicts.iter().map(|v| pair.count(*v)).sum::<usize>()) }
                    span { span.mark aria-hidden="true" { (mark) } " " (text) }
                }
            }
            @if others > 0 { li { b { (others) } span { "loudness only, measuring chain, or new" } } }
        }
    }
}

/// The rows of the modes that matter.
pub(super) fn chart(pair: &Pair<'_>, most: usize) -> Markup {
    let rows = pair.that_matter(most);
    let drawn: Vec<Row> = rows.iter().map(|row| row_of(pair, row)).collect();
    let longest_s = tails::longest_s(&drawn);
    let left = pair.rows.len() - rows.len();
    html! {
        figure.tails {
            figcaption {
                b { "How long the room rings on after the sound stops, resonance by resonance." }
                " " span.key-before { "Above the line: " bdi { (shown(&pair.before.name)) } }
                ". " span.key-after { "Below: " bdi { (shown(&pair.after.name)) } }
                ". Each wedge falls as the sound does and ends 60 dB down; its point is soft where the time is uncertain. "
                span.key-limit { "Dashed: from here on trained listeners heard a difference." }
            }
            div.axis aria-hidden="true" { div.head { "frequency, half waves" } div.bar { (PreEscaped(axis(longest_s))) } }
            ol.rows {
                @for (row, drawn) in rows.iter().zip(&drawn) {
                    li { (mode(pair, row, drawn, longest_s)) }
                }
            }
            @if left > 0 { p.note { (counted(left, "more resonance")) " in the table of all changes." } }
        }
    }
}

/// What the chart draws of a change.
pub(super) fn row_of(pair: &Pair<'_>, row: &ChangeRow) -> Row {
    let gone = row.verdict == "gone";
    Row {
        label: hertz(frequency(row)),
        outcome: outcome(row),
        before: row.before_t60.and_then(Tail::of),
        after: row.after_t60.filter(|_| !gone).and_then(Tail::of),
        threshold_s: threshold(pair, row),
    }
}

fn threshold(pair: &Pair<'_>, row: &ChangeRow) -> Option<f64> {
    pair.mode_before(row).or_else(|| pair.mode_after(row))?.threshold_t60_s.ok()
}

/// What became of a mode, with the change where it counts.
pub(super) fn outcome(row: &ChangeRow) -> String {
    let (_, word) = words::verdict(row.verdict);
    match (row.verdict, row.t60_change) {
        ("shorter" | "longer", Some(Ok(change))) => format!("{word} by {:.0} %", change.value.abs()),
        ("level-only", _) => match row.level_change {
            Some(Ok(level)) => format!("{} dB, rings on", signed(level.value, 1)),
            _ => word.to_owned(),
        },
        _ => word.to_owned(),
    }
}

pub(super) fn axis(longest_s: f64) -> String {
    let mut drawing = Drawing::new("axis", "", 420.0, 24.0);
    tails::axis(&mut drawing, &Scale::linear(0.0, longest_s, 12.0, 412.0), 19.0, 12.0);
    svg::ornament(&drawing)
}

pub(super) fn bar(row: &Row, longest_s: f64) -> String {
    let mut drawing = Drawing::new("bar", "", 420.0, 34.0);
    tails::draw(&mut drawing, &Scale::linear(0.0, longest_s, 12.0, 412.0), 17.0, 13.0, row);
    svg::ornament(&drawing)
}

/// One row; it opens to the reason and the seats.
fn mode(pair: &Pair<'_>, row: &ChangeRow, drawn: &Row, longest_s: f64) -> Markup {
    let (mark, _) = words::verdict(row.verdict);
    let mode = pair.mode_before(row).or_else(|| pair.mode_after(row));
    // The time until it is 60 dB down for good, as on the screen; of one pole its decay time.
    let time =
        |ring: Option<Result<f64, _>>| ring.and_then(Result::ok).map_or_else(|| "–".to_owned(), seconds);
    html! {
        details {
            summary {
                span.hz { (drawn.label) }
                span.waves { (mode.and_then(|m| words::half_waves(&m.axes)).unwrap_or_default()) }
                span.bar { (PreEscaped(bar(drawn, longest_s))) }
                span.times {
                    span.key-before { span.hidden { "before " } (time(row.before_ring_s)) }
                    " → "
                    span.key-after { span.hidden { "after " } (time(row.after_ring_s)) }
                }
                span.outcome { span.mark aria-hidden="true" { (mark) } " " (drawn.outcome) }
            }
            div.more {
                p { (shown(&row.reason)) }
                (numbers(row, mode, drawn))
                (seats(pair, row))
            }
        }
    }
}

/// The row's numbers in full.
fn numbers(row: &ChangeRow, mode: Option<&ModeRow>, drawn: &Row) -> Markup {
    let interval = |tail: Option<Tail>| {
        tail.map(|t| format!("{} (95 %: {:.2} to {:.2} s)", seconds(t.value_s), t.low_s, t.high_s))
    };
    let level = match row.level_change {
        Some(Ok(l)) => {
            Some(format!("{} dB ({} to {})", signed(l.value, 1), signed(l.low, 1), signed(l.high, 1)))
        }
        _ => None,
    };
    let music = mode.and_then(|m| m.threshold_music_t60_s.ok()).map(seconds);
    let facts = [
        ("Decay time before", interval(drawn.before)),
        ("Decay time after", interval(drawn.after)),
        ("Loudness of the resonance", level),
        ("Audible from (test sounds)", drawn.threshold_s.map(seconds)),
        ("Audible from (music)", music),
    ];
    html! { dl.facts { @for (name, value) in facts { @if let Some(value) = value { div { dt { (name) } dd { (value) } } } } } }
}

/// So far under the place where it was loudest a resonance isn't heard. Common practice, no source.
const NOT_HEARD_DB: f64 = 20.0;

fn seats(pair: &Pair<'_>, row: &ChangeRow) -> Markup {
    let Some(mode) = row.mode else { return html! {} };
    let here: Vec<_> = pair.positions.iter().filter(|p| p.mode == mode && p.role == "listening").collect();
    if here.is_empty() {
        return html! {};
    }
    let before = |p: &PositionChangeRow| p.before_level_db.and_then(Result::ok);
    let everywhere = pair.positions.iter().filter(|p| p.mode == mode).filter_map(|p| before(p));
    let loudest = everywhere.fold(f64::NEG_INFINITY, f64::max);
    let below = |p: &PositionChangeRow| before(p).map_or(0.0, |db| loudest - db);
    let told: Vec<String> = here
        .iter()
        .map(|p| {
            let level = match p.level_change {
                _ if below(p) > NOT_HEARD_DB => "not heard here".to_owned(),
                Some(Ok(l)) => format!("{} dB", signed(l.value, 1)),
                _ => "level not known".to_owned(),
            };
            format!("{} {level}", shown(&words::place(&p.position, &p.source)))
        })
        .collect();
    html! { p { "Loudness of this resonance where people listen: " bdi { (joined(&told)) } "." } }
}

/// The charts as figures: one a pair, or one a state where nothing was compared.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let pairs = content.pairs();
    let of_pair = |(k, pair): (usize, &Pair<'_>)| {
        let rows: Vec<Row> = pair.that_matter(2 * ROWS).iter().map(|row| row_of(pair, row)).collect();
        let title = format!("Ringing of the resonances, {} and {}", pair.before.name, pair.after.name);
        let legend = [
            (Ink::Before, format!("above: {}", pair.before.name)),
            (Ink::After, format!("below: {}", pair.after.name)),
        ];
        (!rows.is_empty())
            .then(|| tails::figure(&format!("ringing-{}", k + 1), &title, &rows, &legend, tails::AUDIBLE))
    };
    if !pairs.is_empty() {
        return pairs.iter().enumerate().filter_map(of_pair).collect();
    }
    let of_state = |(k, state): (usize, &StateResult)| {
        let rows: Vec<Row> = to_treat(&content.modes_of(&state.name)).iter().map(|m| alone_row(m)).collect();
        let title = format!("Ringing of the resonances to treat first, {}", state.name);
        let legend = [(Ink::Before, state.name.clone())];
        (!rows.is_empty())
            .then(|| tails::figure(&format!("ringing-{}", k + 1), &title, &rows, &legend, tails::AUDIBLE))
    };
    content.states().enumerate().filter_map(of_state).collect()
}
