//! How the numbers came about, what the remarks mean, and what to take care of.

use super::content::Content;
use super::words::signed;
use crate::flag::{Flag, Flags};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// The section on the method. Terms of the trade's mathematics stand here and nowhere else.
pub(super) fn section(content: &Content<'_>) -> Markup {
    html! {
        section #method {
            h2 { "Method" }
            ol {
                li { "Repeated takes of a place are aligned, checked against each other and averaged; the odd one is left out and named." }
                li { "Bands: class 1 filters (IEC 61260-1:2014) run backwards in time, the squared response is summed from its end (Schroeder 1965), the noise is taken off (Chu 1978), the sum ends where decay and noise meet (Lundeby et al. 1995), and lines are fitted by ISO 3382. A value needs 35 dB (T20) or 45 dB (T30) over the noise." }
                li { "Resonances: one fit over all places together finds frequencies and decays that they share, and how strongly each place sees them (complex residues at the emission), with one joint covariance. What doesn’t stay when the fit is repeated from other starts is not claimed." }
                li { "Names: frequency and shape over the places (modal assurance criterion, Allemang & Brown 1982) are compared with those of a rectangular room." }
                li { "Before and after: changes of decay carry their 95 % interval; which of them are findings is decided over all resonances together, so that at most 5 % of them are chance (Benjamini & Hochberg 1995). A finding counts only if no filter in the measuring chain explains it." }
                li { "Audibility: the decay time from which trained listeners heard a difference (Fazenda, Stephenson & Goldberg 2015, 32 to 250 Hz). It tells where a difference can be heard, not where it disturbs." }
                li { "“Rings” is the time until a resonance’s free decay is 60 dB down for good; where it has become two, both count together." }
            }
            (settings(content))
            (left_over(content))
            (remarks(content))
        }
    }
}

fn settings(content: &Content<'_>) -> Markup {
    let s = &content.results.settings;
    let said = |value: Option<bool>| match value {
        Some(true) => "stated to be the same in all states",
        Some(false) => "stated to have changed",
        None => "nothing stated",
    };
    let list: [(&str, String); 6] = [
        ("Bands", if s.bands == "octave" { "octaves" } else { "one-third octaves" }.to_owned()),
        (
            "Resonances",
            if s.with_modes {
                format!("{} to {} Hz", s.modes_from_hz, s.modes_to_hz)
            } else {
                "left out".into()
            },
        ),
        ("Measuring chain", said(s.same_chain).to_owned()),
        ("Common instant of the files", s.time_base.clone().unwrap_or_else(|| "found from the data".into())),
        ("Longest decay time set", s.target_t60_s.map_or_else(|| "none".into(), super::words::seconds)),
        ("Channel", s.channels.clone().unwrap_or_else(|| s.channel.to_string())),
    ];
    html! { h3 { "Settings" } dl.facts { @for (name, value) in list { div { dt { (name) } dd { bdi { (super::words::shown(&value)) } } } } } }
}

/// How well the resonances explain the records, state by state.
fn left_over(content: &Content<'_>) -> Markup {
    let lines: Vec<(String, String)> = content
        .states()
        .filter_map(|state| {
            let rows = content.results.fits.iter().filter(|row| *row.state == *state.name);
            let all: Vec<Result<f64, Flag>> = rows.map(|row| row.residual_over_noise_db).collect();
            let limit = content.results.fits.iter().find(|row| *row.state == *state.name)?.single_modes_to_hz;
            let range = limit.map_or("nowhere".to_owned(), |hz| format!("up to {hz:.0} Hz"));
            (!all.is_empty()).then(|| (state.name.clone(), format!("{}; single modes {range}", spread(&all))))
        })
        .collect();
    html! {
        @if !lines.is_empty() {
            h3 { "What the resonances leave" }
            p { "The part of each record that no resonance explains, over the noise at the record’s end. Near 0 dB nothing but noise is left; well above, something else sounded; well below, noise was taken for resonances. Single modes are claimed only as far up as those found in the first part of the decay predict the next part; above, they overlap, and the bands tell what happens." }
            dl.facts { @for (state, text) in lines { div { dt { bdi { (super::words::shown(&state)) } } dd { (text) } } } }
        }
    }
}

/// Least and largest of some levels, and how many there are none of.
fn spread(levels: &[Result<f64, Flag>]) -> String {
    let known: Vec<f64> = levels.iter().filter_map(|level| level.ok()).collect();
    let missing = levels.len() - known.len();
    let without = super::words::counted(missing, "place");
    let low = known.iter().copied().fold(f64::INFINITY, f64::min);
    let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let range = match known.len() {
        0 => return "not known: no record shows its noise at the end".into(),
        1 => format!("{} dB", signed(low, 1)),
        _ => format!("{} to {} dB", signed(low, 1), signed(high, 1)),
    };
    if missing == 0 { range } else { format!("{range}; not known at {without}") }
}

/// The remarks that occur in this report, each with its meaning.
fn remarks(content: &Content<'_>) -> Markup {
    let found = occurring(content);
    html! {
        h3 { "Remarks in the tables" }
        @if found.is_empty() { p { "None." } }
        dl.remarks {
            @for flag in found {
                div { dt { code { (flag.word()) } } dd { (flag.sentence()) @if !flag.advice().is_empty() { " " (flag.advice()) } } }
            }
        }
    }
}

fn occurring(content: &Content<'_>) -> BTreeSet<Flag> {
    let r = content.results;
    let mut found = BTreeSet::new();
    let mut add = |flags: &Flags| found.extend(flags.iter());
    content.states().flat_map(|s| content.average_of(&s.name)).for_each(|row| add(&row.flags));
    r.modes.iter().for_each(|row| add(&row.flags));
    if let Some(c) = &r.comparison {
        c.changes.iter().for_each(|row| add(&row.flags));
        c.position_changes.iter().for_each(|row| add(&row.flags));
        c.targets.iter().for_each(|row| add(&row.flags));
    }
    found
}

/// What to take care of.
pub(super) fn cautions() -> Markup {
    html! {
        section #cautions {
            h2 { "Safety" }
            ul {
                li { "Loud low tones can harm hearing and loudspeakers before they sound loud. Start low, raise slowly, keep it short; at work, exposure is limited by law." }
                li { "Absorbers are heavy. What stands high or hangs overhead is fixed by someone qualified to do so." }
                li { "Mains-powered units and anything with a cable through a wall belong to a licensed electrician." }
                li { "Materials have a fire rating; local codes say which is needed where." }
                li { "No number in this report replaces local codes or licensed practice." }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_says_what_is_not_known() {
        let missing = Err(Flag::NoQuietEnd);
        assert_eq!(spread(&[Ok(-0.71), Ok(1.37)]), "\u{2212}0.7 to +1.4 dB");
        assert_eq!(spread(&[Ok(0.5), missing]), "+0.5 dB; not known at 1 place");
        assert_eq!(spread(&[missing]), "not known: no record shows its noise at the end");
    }
}
