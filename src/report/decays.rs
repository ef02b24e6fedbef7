//! The decay of chosen resonances over time: before and after on one axis, with fit and noise.

use super::content::{Content, Pair, frequency};
use super::draw::{Anchor, Drawing, Ink, Line, Scale, svg};
use super::words::{decibels, hertz};
use crate::curves::{Band, Ringing, band_round, ringing};
use crate::language::{Language, Message, number, say};
use crate::modes::Kind;
use crate::state::StateResult;
use crate::table::{ChangeRow, ModeRow};
use maud::{Markup, PreEscaped, html};

/// Resonances that are drawn.
const SHOWN: usize = 6;
/// Points of a curve.
const POINTS: usize = 160;
/// What the figures show below the start, dB.
const RANGE_DB: f64 = 60.0;

/// A resonance to draw: what it is called, its decay times, and the states it is drawn for.
struct Chosen<'a> {
    label: String,
    hz: f64,
    times_s: Vec<f64>,
    states: Vec<(&'a StateResult, Ink)>,
}

/// The section; nothing where no decay can be drawn.
pub(super) fn section(content: &Content<'_>) -> Markup {
    let (figures, left_out) = drawn(content);
    if figures.is_empty() && left_out.is_empty() {
        return html! {};
    }
    html! {
        section #decays {
            h2 { (content.text("decays.head")) }
            @if !figures.is_empty() {
                p { (content.text("decays.about")) }
                p { (key(content)) }
            }
            @if !left_out.is_empty() {
                p { (content.say(&say!("decays.not-drawn", which = Message::row(left_out, ", ")))) }
            }
            div.panels { @for (k, figure) in figures.iter().enumerate() {
                figure { (PreEscaped(svg::inline(figure, &format!("decay-{k}")))) }
            } }
        }
    }
}

/// Which line is which state.
fn key(content: &Content<'_>) -> Markup {
    match content.pairs().last() {
        Some(pair) => html! {
            span.key-before { (content.rich("decays.open", &pair.names())) } ". "
            span.key-after { (content.rich("decays.filled", &pair.names())) } "."
        },
        None => html! {},
    }
}

/// One figure a resonance.
pub(super) fn figures(content: &Content<'_>) -> Vec<Drawing> {
    drawn(content).0
}

/// The figures, and the frequencies of the chosen resonances that none could be made of.
fn drawn(content: &Content<'_>) -> (Vec<Drawing>, Vec<Message>) {
    let (mut figures, mut left_out) = (Vec::new(), Vec::new());
    for (k, one) in chosen(content).iter().enumerate() {
        match figure(content.language(), k, one) {
            Some(figure) => figures.push(figure),
            None => left_out.push(hertz(one.hz)),
        }
    }
    (figures, left_out)
}

fn chosen<'a>(content: &Content<'a>) -> Vec<Chosen<'a>> {
    match content.pairs().last() {
        Some(pair) => {
            let rows = pair.that_matter(SHOWN);
            rows.into_iter().map(|row| of_pair(content, pair, row)).collect()
        }
        None => {
            let each = SHOWN.div_ceil(content.states().count().max(1));
            let first = |state: &'a StateResult| {
                let modes = super::alone::to_treat(&content.modes_of(&state.name), each);
                modes.into_iter().filter_map(move |mode| of_state(content, state, mode))
            };
            content.states().flat_map(first).take(SHOWN).collect()
        }
    }
}

fn of_pair<'a>(content: &Content<'_>, pair: &Pair<'a>, row: &ChangeRow) -> Chosen<'a> {
    Chosen {
        label: content.say(&say!(
            "figure.mode",
            hz = hertz(frequency(row)),
            what = super::answer::outcome(row)
        )),
        hz: frequency(row),
        times_s: [row.before_t60, row.after_t60].into_iter().flatten().map(|t| t.value).collect(),
        states: vec![(pair.before, Ink::Before), (pair.after, Ink::After)],
    }
}

fn of_state<'a>(content: &Content<'_>, state: &'a StateResult, mode: &ModeRow) -> Option<Chosen<'a>> {
    let (hz, t60_s) = (mode.frequency.ok()?.value, mode.t60.ok()?.value);
    let label = content.say(&say!("figure.mode", hz = hertz(hz), what = super::words::seconds(t60_s)));
    Some(Chosen { label, hz, times_s: vec![t60_s], states: vec![(state, Ink::Before)] })
}

/// What is drawn of a resonance: the filter's band, each state's decay in it, and the length of the time axis, s; `None`
/// where no state shows a decay there.
type Seen<'a> = (Band, Vec<(Ringing, &'a StateResult, Ink)>, f64);

fn seen<'a>(chosen: &Chosen<'a>) -> Option<Seen<'a>> {
    let longest_s = chosen.times_s.iter().copied().fold(0.0, f64::max);
    let shortest_s = chosen.times_s.iter().copied().fold(longest_s, f64::min);
    if !(shortest_s > 0.0 && longest_s < 60.0) {
        return None;
    }
    let span_s = (1.15 * longest_s * 4.0).ceil() / 4.0;
    let narrow = band_round(chosen.hz, &neighbours(chosen), shortest_s);
    // Above the range that was fitted the line would hold what the fit doesn't.
    let sought = |(state, _): &(&StateResult, Ink)| state.resonances.as_ref()?.set.sought_to_hz;
    let to_hz = chosen.states.iter().filter_map(sought).fold(f64::INFINITY, f64::min);
    if narrow.upper_hz > to_hz {
        return None;
    }
    // A filter whose ringing leaves no room for the noise in a short record is tried wider.
    let tries = WIDENED.iter().map(|factor| narrow.widened(chosen.hz, *factor));
    let (band, found) = tries
        .map(|band| (band, in_band(chosen, band, span_s)))
        .find(|(_, found)| found.len() == chosen.states.len())
        .unwrap_or_else(|| (narrow, in_band(chosen, narrow, span_s)));
    (!found.is_empty()).then_some((band, found, span_s))
}

/// The figure of one resonance; `None` where no state shows a decay there.
fn figure(language: &Language, k: usize, chosen: &Chosen<'_>) -> Option<Drawing> {
    let (band, found, span_s) = seen(chosen)?;
    let title = language.say(&say!("figure.decay", mode = chosen.label.as_str()));
    let mut drawing = Drawing::new(&format!("decay-{}", k + 1), &title, 300.0, 250.0);
    let x = Scale::linear(0.0, span_s, 44.0, 290.0);
    let y = Scale::linear(-RANGE_DB, 0.0, 208.0, 30.0);
    frame(language, &mut drawing, &x, &y, &chosen.label);
    let (lower, upper) = (number(band.lower_hz, 1), number(band.upper_hz, 1));
    let between = language.say(&say!("figure.band", lower = lower, upper = upper));
    drawing.text([x.end, y.end + 13.0], &between, 11.0, Anchor::End, Ink::Quiet);
    for (ringing, _, ink) in &found {
        curve(&mut drawing, &x, &y, ringing, *ink);
    }
    legend(&mut drawing, &x, &y, &found);
    drawing.description = language.say(&spoken(&found, band));
    Some(drawing)
}

/// Names of the states at the lower left, where no decay is.
fn legend(drawing: &mut Drawing, x: &Scale, y: &Scale, found: &[(Ringing, &StateResult, Ink)]) {
    for (k, (_, state, ink)) in found.iter().rev().enumerate() {
        let at = [x.start + 9.0, y.start - 12.0 - 16.0 * k as f64];
        let fill = if *ink == Ink::Before { Ink::Paper } else { *ink };
        drawing.circle(at, 3.6, Some(Line::new(*ink, 1.5)), Some((fill, 1.0)));
        let name = super::words::shortened(&state.name, 14);
        drawing.text([at[0] + 8.0, at[1] + 4.0], &name, 11.0, Anchor::Start, *ink);
    }
}

/// By how much the band is tried wider.
const WIDENED: [f64; 3] = [1.0, 1.6, 2.5];

fn in_band<'a>(chosen: &Chosen<'a>, band: Band, span_s: f64) -> Vec<(Ringing, &'a StateResult, Ink)> {
    let one = |(state, ink): &(&'a StateResult, Ink)| {
        Some((ringing(state, band, POINTS, span_s).ok()?, *state, *ink))
    };
    chosen.states.iter().filter_map(one).collect()
}

/// Frequencies of the resonances around, in any of the states.
fn neighbours(chosen: &Chosen<'_>) -> Vec<f64> {
    let sets = chosen.states.iter().filter_map(|(state, _)| Some(&state.resonances.as_ref()?.set.modes));
    let others = sets.flatten().filter(|mode| mode.kind == Kind::Mode).map(|mode| mode.frequency().value);
    // Its own poles, moved or split, are no neighbours.
    others.filter(|hz| (hz - chosen.hz).abs() > 0.025 * chosen.hz).collect()
}

fn frame(language: &Language, drawing: &mut Drawing, x: &Scale, y: &Scale, label: &str) {
    drawing.text([x.start, 18.0], label, 14.0, Anchor::Start, Ink::Text);
    drawing.rules((x, y), 6, (5.0, 11.0), |value, _| match value < -0.5 {
        true => language.value(&number(value, 0)),
        false => language.say(&say!("unit.decibels", db = number(0.0, 0))),
    });
    let ticks = x.ticks(5);
    for value in &ticks.values {
        let text = language.value(&number(*value, ticks.decimals));
        drawing.tick([x.at(*value), y.start], (17.0, 11.0), &text);
    }
    drawing.text(
        [0.5 * (x.start + x.end), y.start + 34.0],
        &language.text("axis.after-direct"),
        11.0,
        Anchor::Middle,
        Ink::Quiet,
    );
}

fn curve(drawing: &mut Drawing, x: &Scale, y: &Scale, ringing: &Ringing, ink: Ink) {
    let within =
        |t: &f64, e: &f64| (*t <= x.to && decibels(*e) >= -RANGE_DB).then(|| [x.at(*t), y.at(decibels(*e))]);
    let line = |times: &[f64], energies: &[f64]| -> Vec<[f64; 2]> {
        times.iter().zip(energies).map_while(|(t, e)| within(t, e)).collect()
    };
    let model = line(&ringing.model_time_s, &ringing.model);
    if model.len() > 1 {
        drawing.line(model, Line::dashed(ink, 1.2, 6.0, 4.0));
    }
    let measured = line(&ringing.measured.time_s, &ringing.measured.energy);
    if measured.len() > 1 {
        marks(drawing, &measured, ink);
        drawing.line(measured, Line::new(ink, 2.2));
    }
    if let (Some(t), Some(e)) = (ringing.measured.time_s.last(), ringing.measured.energy.last())
        && ringing.measured.meets_noise
        && let Some([left, at]) = within(t, e)
    {
        drawing.line(vec![[left, at], [x.end, at]], Line::dashed(ink, 1.2, 1.5, 3.5));
    }
}

/// Circles along a line, open before and filled after.
fn marks(drawing: &mut Drawing, points: &[[f64; 2]], ink: Ink) {
    let offset = if ink == Ink::Before { 0.12 } else { 0.2 };
    for k in 0..3 {
        let at = ((offset + 0.3 * f64::from(k)) * points.len() as f64) as usize;
        if let Some(point) = points.get(at) {
            let fill = if ink == Ink::Before { Ink::Paper } else { ink };
            drawing.circle(*point, 3.6, Some(Line::new(ink, 1.5)), Some((fill, 1.0)));
        }
    }
}

fn spoken(found: &[(Ringing, &StateResult, Ink)], band: Band) -> Message {
    let one = |(ringing, state, _): &(Ringing, &StateResult, Ink)| {
        let end = ringing.measured.energy.last().map_or(0.0, |e| decibels(*e));
        let time = ringing.measured.time_s.last().copied().unwrap_or(0.0);
        let (state, db, s) = (state.name.as_str(), number(-end, 0), number(time, 2));
        match ringing.measured.meets_noise {
            true => say!("spoken.falls", state = state, db = db, s = s),
            false => say!("spoken.falls-to-end", state = state, db = db, s = s),
        }
    };
    say!(
        "spoken.decay",
        lower = number(band.lower_hz, 1),
        upper = number(band.upper_hz, 1),
        states = Message::row(found.iter().map(one), " ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::{Control, Settings, analyze};
    use crate::session;
    use crate::table::gather::{Asked, results};
    use std::path::Path;

    /// An L-shaped room by finite elements, records that end before or about where the decay meets the noise: of every
    /// mode that is drawn line and fit agree within 1 dB where the line ends.
    #[test]
    #[ignore = "fits the modes of a state; run with the suites"]
    #[allow(clippy::print_stdout)]
    fn lines_end_on_their_fit() {
        let root = std::env::var_os("STILLROOM_IR")
            .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/ir"), Into::into);
        let folder = root.join("fem_l_room");
        if !folder.exists() {
            assert!(std::env::var("CI").as_deref() != Ok("true"), "the room is missing");
            println!("skipped: no measured responses (STILLROOM_IR names their folder)");
            return;
        }
        let mut session = session::open(&[folder], &session::OpenOptions::default()).unwrap();
        session.states.retain(|state| state.name == "untreated");
        let settings = Settings { refits: false, ..Settings::default() };
        let found = analyze(&session, &settings, &Control::default());
        let results = results(&session, &settings, &Asked::default(), &found);
        let content = Content { session: &session, found: &found, compared: None, results: &results };
        let rows = content.modes_of("untreated");
        let (mut drawn, mut off) = (0, Vec::new());
        for row in rows.iter().filter(|row| row.kind == "mode") {
            let Some(chosen) = of_state(&content, &found.states[0], row) else { continue };
            let Some((band, found, _)) = seen(&chosen) else {
                println!("{:.1} Hz, {:.2} s: not drawn", chosen.hz, chosen.times_s[0]);
                continue;
            };
            let ringing = &found[0].0;
            let (end_s, end) =
                (*ringing.measured.time_s.last().unwrap(), *ringing.measured.energy.last().unwrap());
            let Some(at) = ringing.model_time_s.iter().rposition(|t| *t <= end_s) else { continue };
            let fit_at = |k: usize| 10.0 * ringing.model[k].log10();
            let part =
                (end_s - ringing.model_time_s[at]) / (ringing.model_time_s[1] - ringing.model_time_s[0]);
            let (end_db, fit_db) = (10.0 * end.log10(), fit_at(at) + part * (fit_at(at + 1) - fit_at(at)));
            let noise = ringing.measured.meets_noise;
            drawn += 1;
            let line = format!(
                "{:.1} Hz ({:.1} to {:.1}), {:.2} s: {end_db:.1} dB, fit {fit_db:.1} at {end_s:.2} s, noise {noise}",
                chosen.hz, band.lower_hz, band.upper_hz, chosen.times_s[0]
            );
            println!("{line}");
            if (end_db - fit_db).abs() > 1.0 {
                off.push(line);
            }
        }
        assert!(drawn > 5 && off.is_empty(), "{} of {drawn}: {off:#?}", off.len());
    }
}
