//! What breaks a take off: a loudspeaker that went off or came on, samples that were lost.

use super::dropout::{dropouts, jumps_s};
use super::evidence::{AHEAD_S, MICROPHONE, REFERENCE, TakeEvidence, clipping};
use super::recovered::Trouble;
use super::reference::Signal;

/// What begins or ends this near to the recording's own ends was cut there, s.
const EDGE_S: f64 = 0.3;
/// A jump of the waveform this near to where the loudspeaker went off is its click, s: where it isn't heard in the bands,
/// that instant is known to a quarter of an octave.
const CLICK_S: f64 = 0.35;

/// A break of the loudspeaker, and gaps that it doesn't explain.
pub(super) fn interrupted(seen: &TakeEvidence<'_>, reference_clicks: bool) -> Vec<Trouble> {
    let recorded = seen.settings.together && !reference_clicks;
    let channels = (seen.recording, recorded.then_some(seen.reference));
    let at = instant(seen);
    let times = (seen.arrival.lag_s, at.map(|at| at.s));
    let gone = gaps(channels, (seen.rate_hz, seen.settings.from_s), seen.signal, times);
    at.and_then(|at| broken(seen, at)).into_iter().chain(gone).collect()
}

/// When the loudspeaker went off or came on.
#[derive(Debug, Clone, Copy)]
struct Instant {
    s: f64,
    /// Whether the waveform jumps there.
    jumps: bool,
}

/// By the jump of the waveform, if there is one near.
fn instant(seen: &TakeEvidence<'_>) -> Option<Instant> {
    let (found, rise) = (seen.arrival.broken?, seen.rise?);
    let about_s = rise.passes_s(found.hz) + seen.arrival.lag_s;
    let (from, to) = *seen.signal.bursts.first()?;
    let late = |at: usize| (at as f64 + seen.arrival.lag_s * seen.rate_hz).max(0.0) as usize;
    let jumps = jumps_s(seen.recording, seen.rate_hz, late(from)..late(to));
    let near = jumps.into_iter().filter(|at_s| (at_s - about_s).abs() < CLICK_S);
    let nearest = near.min_by(|a, b| (a - about_s).abs().total_cmp(&(b - about_s).abs()));
    let at = Instant { s: nearest.unwrap_or(about_s), jumps: nearest.is_some() };
    let recording_s = seen.recording.len() as f64 / seen.rate_hz;
    (EDGE_S..recording_s - EDGE_S).contains(&at.s).then_some(at)
}

/// A loudspeaker that went off, or came on, in the midst of the sweep.
fn broken(seen: &TakeEvidence<'_>, at: Instant) -> Option<Trouble> {
    let (found, rise) = (seen.arrival.broken?, seen.rise?);
    let hz = rise.at_hz(at.s - seen.arrival.lag_s);
    let told_s = seen.settings.from_s + at.s;
    let said = if found.came_on {
        format!("the loudspeaker comes on only at {told_s:.1} s, when the sweep is at {hz:.0} Hz already")
    } else {
        format!("the loudspeaker is off from {told_s:.1} s on, when the sweep is at {hz:.0} Hz")
    };
    let advice = "look at its plugs and its amplifier: standby, protection, mute; then repeat";
    // Nor does a crossover let sound come before its signal, or make the waveform jump.
    if found.sure || at.jumps || seen.arrival.lag_s < -AHEAD_S && seen.settings.together {
        return Some(Trouble::again("broken-off", said, advice).at(told_s));
    }
    Some(Trouble::note(
        "ends-at-once",
        format!("{said}, or a very steep crossover ends its range there"),
        "if it plays higher tones, they are missing: repeat; if it doesn't, there is nothing to do",
    ))
}

/// Clipping and gaps of a recording and its reference as they were recorded: reading them at another clock's rate
/// rounds flat tops and jumps off.
#[must_use]
pub fn as_recorded(recording: &[f64], reference: Option<&[f64]>, rate_hz: f64) -> Vec<Trouble> {
    let mut found: Vec<Trouble> = clipping(recording, rate_hz, MICROPHONE).into_iter().collect();
    let Some(reference) = reference else { return found };
    found.extend(clipping(reference, rate_hz, REFERENCE));
    if let Some(signal) = Signal::of(reference, rate_hz) {
        found.extend(gaps((recording, Some(reference)), (rate_hz, 0.0), &signal, (0.0, None)));
    }
    found
}

/// Gaps while the signal plays, of the reference too if it was recorded; the sound arrives `lag_s` after it. Times count from
/// `from_s` before the samples; what jumps where the loudspeaker broke off is its own.
fn gaps(
    (recording, reference): (&[f64], Option<&[f64]>),
    (rate_hz, from_s): (f64, f64),
    signal: &Signal,
    (lag_s, break_s): (f64, Option<f64>),
) -> Option<Trouble> {
    let late = |at: usize| (at as f64 + lag_s * rate_hz).max(0.0) as usize;
    let explained = |at_s: f64| break_s.is_some_and(|break_s| (at_s - break_s).abs() < CLICK_S);
    signal.bursts.iter().find_map(|(from, to)| {
        dropouts(recording, rate_hz, late(*from)..late(*to), (MICROPHONE, from_s), explained)
            .or_else(|| dropouts(reference?, rate_hz, *from..*to, (REFERENCE, from_s), |_| false))
    })
}
