//! `tune --page`: a page that reloads itself, read from where the dials are.

use super::tune_screen::spread;
use maud::{DOCTYPE, html};
use std::path::Path;
use stillroom::absorber::{Finding, Tuning};
use stillroom::output::OutputError;
use stillroom::output::file::{Existing, put};

/// Seconds after which a browser loads it again.
const RELOAD_S: u32 = 2;

const STYLE: &str = "html{background:#fff;color:#111;font:700 7vw/1.25 system-ui,sans-serif}\
    body{margin:4vh 4vw}p{margin:0 0 5vh}small{display:block;font-weight:400;font-size:3vw;color:#444}\
    @media(prefers-color-scheme:dark){html{background:#111;color:#f4f4f4}small{color:#bbb}}";

/// Writes the page in one step; a browser never sees half of it.
pub fn write(path: &Path, tuning: &Tuning, newest: Option<&str>) -> Result<(), OutputError> {
    let take = newest
        .and_then(|name| tuning.takes.iter().find(|take| take.state == name))
        .or_else(|| tuning.takes.last());
    let [now, best, turn] = lines(tuning, take);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width";
                meta http-equiv="refresh" content=(RELOAD_S);
                title { "Tuning" }
                style { (maud::PreEscaped(STYLE)) }
            }
            body {
                @for (small, large) in [now, best, turn] {
                    p { small { (small) } (large) }
                }
            }
        }
    };
    put(path, page.into_string().as_bytes(), Existing::Replace)
}

/// What it rings now, the best so far, what to turn: a small line and a large one each.
fn lines(tuning: &Tuning, take: Option<&Finding>) -> [(String, String); 3] {
    let untreated = format!("{} s", spread(tuning.before_t60_s));
    let now = match take {
        Some(take) => (format!("rings now ({})", take.state), rings(take)),
        None => (format!("rings {}", tuning.before()), untreated.clone()),
    };
    let best = match tuning.best.and_then(|k| tuning.takes.get(k)) {
        Some(take) => (format!("best so far ({}), rings", take.state), rings(take)),
        None => ("best so far".to_owned(), format!("{}: {untreated}", tuning.before())),
    };
    let said = take.and_then(|take| {
        let reason = || take.reason.as_ref().map(|r| format!("Can't tell: {r}."));
        take.advice.as_ref().map(ToString::to_string).or_else(reason)
    });
    [now, best, ("turn".to_owned(), said.unwrap_or_else(|| "Nothing is known yet.".to_owned()))]
}

/// Until mode and unit together are 60 dB down, as in the table's column of that name.
fn rings(take: &Finding) -> String {
    take.ring_s.map_or_else(|| "–".to_owned(), |ring_s| format!("{} s", spread(ring_s)))
}
