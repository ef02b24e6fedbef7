//! The first sheet: what was measured, what came of it in one sentence, the modes that matter; the worst
//! seat ([`worst_seat`](super::worst_seat)), and what was not shown ([`limits`]).

use super::alone::{alone, alone_row, first_treatments};
use super::content::{Content, Pair, frequency, level_before, loudest_before};
use super::draw::{Drawing, Ink};
use super::limits;
use super::rich::{listed, name, rich, said};
use super::tails::{self, Frame, ROWS, Row, Tail, bar, chart_axis};
use super::target;
use super::words::{self, hertz, seconds, shown};
use super::worst_seat::worst_seat;
use crate::analysis::partners;
use crate::change::{ModeChange, Verdict};
use crate::flag::Flag;
use crate::language::{Message, Value, number, say, signed};
use crate::state::StateResult;
use crate::table::{ChangeRow, Interval, ModeRow, PositionChangeRow};
use maud::{Markup, PreEscaped, html};

/// The sheet of a comparison, or of states alone.
pub(super) fn sheet(content: &Content<'_>) -> Markup {
    let pairs = content.pairs();
    html! {
        section #answer aria-labelledby="answer-head" {
            h2.hidden #answer-head { (content.text("answer.head")) }
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
    let head = match &visit.by {
        Some(by) => content.rich("answer.conclusions-of", &[("by", name(by))]),
        None => html! { (content.text("answer.conclusions")) },
    };
    html! {
        div.conclusions {
            h3 { (head) }
            @for part in paragraphs { p { bdi { (shown(&part.replace('\n', " "))) } } }
        }
    }
}

/// What was measured, in one sentence.
fn measured(content: &Content<'_>) -> Markup {
    let states: Vec<Markup> = content.states().map(|s| html! { b { (name(&s.name)) } }).collect();
    let places = content.states().map(|s| s.places.len()).max().unwrap_or(0);
    let key = if states.len() == 1 { "answer.state" } else { "answer.states" };
    let states = content.rich(key, &[("states", listed(content.language(), states))]);
    let settings = &content.results.settings;
    let range = settings.with_modes.then(|| {
        let hz = |hz: f64| Value::Number(hz.to_string());
        said(
            content.language(),
            &say!("answer.range", from = hz(settings.modes_from_hz), to = hz(settings.modes_to_hz)),
        )
    });
    let values = [("n", html! { (places) }), ("states", states), ("range", range.unwrap_or_default())];
    html! { p.measured { (rich(content.language(), "answer.measured", Some(places), &values)) } }
}

fn compared(content: &Content<'_>, pairs: &[Pair<'_>], last: &Pair<'_>) -> Markup {
    html! {
        @for pair in pairs {
            @if let Some(text) = only_in_one(pair) { p.note { (content.say(&text)) } }
            @let told = sentences(content, pair);
            p.verdict {
                @if pairs.len() > 1 { b { (name(&pair.after.name)) ": " } }
                (told.first().map_or("", String::as_str))
            }
            @for more in told.iter().skip(1) { p.lead { (more) } }
        }
        @if let Some(text) = strongest(last) { p.lead { (content.say(&text)) } }
        (tally(content, last))
        @if pairs.len() > 1 { p.note { (content.rich("answer.chart-compares", &bold_names(last))) } }
        (chart(content, last, ROWS))
        (worst_seat(content, last))
    }
}

fn bold_names(pair: &Pair<'_>) -> [(&'static str, Markup); 2] {
    pair.names().map(|(key, name)| (key, html! { b { (name) } }))
}

/// The verdict on a pair, at most two sentences: on the modes and on the bands, the one that tells something first.
pub(super) fn sentences(content: &Content<'_>, pair: &Pair<'_>) -> Vec<String> {
    let bands = if pair.changes.band_summary.is_empty() {
        content.text("answer.no-band-verdicts")
    } else {
        content.say(&say!("answer.bands", told = pair.changes.band_summary.clone()))
    };
    if pair.rows.iter().all(|row| row.mode.is_none()) {
        return vec![bands];
    }
    let decided = pair.changes.modes.iter().any(|c| c.verdict != Verdict::Unsure);
    let modes = content.say(&say!("answer.modes", told = pair.changes.summary.clone()));
    if decided { vec![modes, bands] } else { vec![bands, modes] }
}

/// At how many places a pair was compared, where one of its states has others too.
fn only_in_one(pair: &Pair<'_>) -> Option<Message> {
    let found = partners(pair.before, pair.after);
    let alone: Vec<Message> = words::places(&found.alone).into_iter().map(Message::plain).collect();
    let common = Value::Count(found.common);
    (!found.alone.is_empty())
        .then(|| say!("answer.compared-at", n = common, alone = Message::row(alone, ", ")))
}

/// The clearest change in numbers.
fn strongest(pair: &Pair<'_>) -> Option<Message> {
    let decided = |c: &&ModeChange| matches!(c.verdict, Verdict::Shorter | Verdict::Longer);
    let clear = |c: &ModeChange| match c.ringing() {
        Some(ratio) if ratio.high < 1.0 => -ratio.high.ln(),
        Some(ratio) => ratio.low.ln(),
        None => 0.0,
    };
    let change = pair.changes.modes.iter().filter(decided).max_by(|a, b| clear(a).total_cmp(&clear(b)))?;
    let before = change.before_values?;
    let (rang_s, rings_s) = (change.before_ring_s?.ok()?, change.after_ring_s?.ok()?);
    let ratio = change.ringing()?;
    let percent = |r: f64| number(100.0 * (r - 1.0).abs(), 0);
    let (near, far) = if ratio.value < 1.0 { (ratio.high, ratio.low) } else { (ratio.low, ratio.high) };
    let key = if ratio.value < 1.0 { "answer.clearest-shorter" } else { "answer.clearest-longer" };
    Some(say!(
        key,
        hz = hertz(before.frequency_hz),
        rang = seconds(rang_s),
        rings = seconds(rings_s),
        percent = percent(ratio.value),
        known = known(percent(near), percent(far))
    ))
}

/// How well a change is known: its ends in whole per cent, or, where both print alike, that it is within half of one.
fn known(near: Value, far: Value) -> Message {
    if near == far { say!("answer.known-closely") } else { say!("answer.known", near = near, far = far) }
}

/// How many of each, as large numbers: what the sentence above counts, up to where it does. Where it tells of no single
/// mode there is nothing to count.
fn tally(content: &Content<'_>, pair: &Pair<'_>) -> Markup {
    let Some(counted) = &pair.changes.counted else { return html! {} };
    let shown = [
        (counted.shorter, "▼", "tally.shorter"),
        (counted.longer, "▲", "tally.longer"),
        (counted.as_before, "=", "tally.unchanged"),
        (counted.undecided.len(), "?", "tally.unsure"),
    ];
    html! {
        p.note { (content.say(&say!("tally.range", to = hertz(counted.up_to_hz)))) }
        ul.tally {
            @for (n, mark, key) in shown {
                li {
                    b { (n) }
                    span { span.mark aria-hidden="true" { (mark) } " " (content.text(key)) }
                }
            }
            @if counted.others > 0 { li { b { (counted.others) } span { (content.text("tally.others")) } } }
        }
    }
}

/// The rows of the modes that matter.
pub(super) fn chart(content: &Content<'_>, pair: &Pair<'_>, most: usize) -> Markup {
    let rows = pair.that_matter(most);
    let drawn: Vec<Row> = rows.iter().map(|row| row_of(content, pair, row)).collect();
    let longest_s = tails::longest_s(&drawn);
    let left = pair.rows.len() - rows.len();
    // An axis without a row shows nothing.
    if rows.is_empty() {
        return html! {};
    }
    let names = pair.names();
    html! {
        figure.tails {
            figcaption {
                b { (content.text("chart.title")) }
                " " span.key-before { (content.rich("chart.above", &names)) }
                ". " span.key-after { (content.rich("chart.below", &names)) }
                ". " (content.text("chart.wedge")) " "
                span.key-limit { (content.text("chart.threshold")) }
            }
            (chart_axis(content, longest_s))
            ol.rows {
                @for (row, drawn) in rows.iter().zip(&drawn) {
                    li { (mode(content, pair, row, drawn, longest_s)) }
                }
            }
            @if left > 0 { p.note { (content.say(&say!("chart.more", n = left))) } }
        }
    }
}

/// What the chart draws of a change.
pub(super) fn row_of(content: &Content<'_>, pair: &Pair<'_>, row: &ChangeRow) -> Row {
    let gone = row.verdict == "gone";
    Row {
        label: content.say(&hertz(frequency(row))),
        outcome: content.say(&outcome(row)),
        before: row.before_t60.and_then(Tail::of),
        after: row.after_t60.filter(|_| !gone).and_then(Tail::of),
        threshold_s: threshold(pair, row),
    }
}

fn threshold(pair: &Pair<'_>, row: &ChangeRow) -> Option<f64> {
    pair.mode_before(row).or_else(|| pair.mode_after(row))?.threshold_t60_s.ok()
}

/// What became of a mode, with the change where it counts.
pub(super) fn outcome(row: &ChangeRow) -> Message {
    let (_, word) = words::verdict(row.verdict);
    match (row.verdict, row.ring_change, row.level_change) {
        ("shorter" | "longer", Some(Ok(change)), _) => {
            say!("verdict.by", word = word, percent = number(change.value.abs(), 0))
        }
        ("level-only", _, Some(Ok(level))) => say!("verdict.level-by", db = signed(level.value, 1)),
        _ => word,
    }
}

/// One row; it opens to the reason and the seats.
fn mode(content: &Content<'_>, pair: &Pair<'_>, row: &ChangeRow, drawn: &Row, longest_s: f64) -> Markup {
    let (mark, _) = words::verdict(row.verdict);
    let mode = pair.mode_before(row).or_else(|| pair.mode_after(row));
    // The time until it is 60 dB down for good, as on the screen; of one pole its decay time.
    let time = |ring: Option<Result<f64, _>>| {
        ring.and_then(Result::ok).map_or_else(|| "–".to_owned(), |s| content.say(&seconds(s)))
    };
    html! {
        details {
            summary {
                span.hz { (drawn.label) }
                span.waves { (mode.and_then(|m| content.stands(m)).map(|m| content.say(&m)).unwrap_or_default()) }
                span.bar { (PreEscaped(bar(drawn, longest_s))) }
                span.times {
                    span.key-before { span.hidden { (content.text("chart.before")) " " } (time(row.before_ring_s)) }
                    " → "
                    span.key-after { span.hidden { (content.text("chart.after")) " " } (time(row.after_ring_s)) }
                }
                span.outcome { span.mark aria-hidden="true" { (mark) } " " (drawn.outcome) }
            }
            div.more {
                p { (shown(&content.say(&row.reason))) }
                (numbers(content, row, mode, drawn))
                (seats(content, pair, row))
            }
        }
    }
}

/// The row's numbers in full.
fn numbers(content: &Content<'_>, row: &ChangeRow, mode: Option<&ModeRow>, drawn: &Row) -> Markup {
    let interval = |tail: Option<Tail>| {
        tail.map(|t| {
            let (low, high) = (number(t.low_s, 2), number(t.high_s, 2));
            say!("fact.interval", value = seconds(t.value_s), low = low, high = high)
        })
    };
    let level = match row.level_change {
        Some(Ok(l)) => Some(level_interval(&l)),
        _ => None,
    };
    let music = mode.and_then(|m| m.threshold_music_t60_s.ok()).map(seconds);
    let split = row.flags.has(Flag::Split);
    let facts = [
        ("fact.before", interval(drawn.before)),
        (if split { "fact.after-slower" } else { "fact.after" }, interval(drawn.after)),
        ("fact.loudness", level),
        ("fact.audible", drawn.threshold_s.map(seconds)),
        ("fact.audible-music", music),
    ];
    html! { dl.facts { @for (key, value) in facts { @if let Some(value) = value { div { dt { (content.text(key)) } dd { (content.say(&value)) } } } } } }
}

/// "−3.1 dB (−4.0 to −2.2)".
fn level_interval(level: &Interval) -> Message {
    let (low, high) = (signed(level.low, 1), signed(level.high, 1));
    say!("fact.level", db = signed(level.value, 1), low = low, high = high)
}

fn seats(content: &Content<'_>, pair: &Pair<'_>, row: &ChangeRow) -> Markup {
    let Some(mode) = row.mode else { return html! {} };
    let here: Vec<_> = pair.positions.iter().filter(|p| p.mode == mode && p.role == "listening").collect();
    if here.is_empty() {
        return html! {};
    }
    let loudest = loudest_before(pair.positions.iter().copied().filter(|p| p.mode == mode));
    let below = |p: &PositionChangeRow| level_before(p).map_or(0.0, |db| loudest - db);
    let told = here.iter().map(|p| {
        let place = words::place(&p.position, &p.source);
        match p.level_change {
            _ if below(p) > words::NULL_DB => {
                say!("at-seat.near-null", place = place, db = number(below(p), 0))
            }
            Ok(l) => say!("at-seat.level", place = place, db = signed(l.value, 1)),
            Err(_) => say!("at-seat.level-unknown", place = place),
        }
    });
    let told: Vec<Markup> = told.map(|message| html! { (shown(&content.say(&message))) }).collect();
    let seats = html! { bdi { (listed(content.language(), told)) } };
    html! { p { (content.rich("at-seat.loudness", &[("seats", seats)])) } }
}

/// The charts as figures: one a pair, or one a state where nothing was compared.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    let pairs = content.pairs();
    if !pairs.is_empty() {
        let of_pair = |(k, pair): (usize, &Pair<'_>)| {
            let rows = pair.that_matter(2 * ROWS);
            let rows: Vec<Row> = rows.iter().map(|row| row_of(content, pair, row)).collect();
            let legend = [
                (Ink::Before, content.say(&pair.say("legend.above"))),
                (Ink::After, content.say(&pair.say("legend.below"))),
            ];
            figure(content, k, &pair.say("figure.ringing-pair"), &rows, &legend)
        };
        return pairs.iter().enumerate().filter_map(of_pair).collect();
    }
    let of_state = |(k, state): (usize, &StateResult)| {
        let first = first_treatments(&content.modes_of(&state.name), ROWS);
        let rows: Vec<Row> = first.iter().map(|treatment| alone_row(content, treatment)).collect();
        let title = say!("figure.ringing-state", state = state.name.as_str());
        figure(content, k, &title, &rows, &[(Ink::Before, state.name.clone())])
    };
    content.states().enumerate().filter_map(of_state).collect()
}

fn figure(
    content: &Content<'_>,
    k: usize,
    title: &Message,
    rows: &[Row],
    legend: &[(Ink, String)],
) -> Option<Drawing> {
    let frame = Frame {
        name: format!("ringing-{}", k + 1),
        title: content.say(title),
        legend: legend.to_vec(),
        foot: content.text("figure.audible"),
    };
    (!rows.is_empty()).then(|| tails::figure(content.language(), frame, rows))
}
