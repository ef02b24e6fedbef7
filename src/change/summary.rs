//! One sentence for the whole room.

use super::facts::ChangeSettings;
use super::outcome::{ChainFindings, ModeChange, Verdict};

/// Counts of verdicts, and what stood in the way.
pub(super) fn summary(modes: &[ModeChange], chain: &ChainFindings, settings: &ChangeSettings) -> String {
    let count = |verdict: Verdict| modes.iter().filter(|m| m.verdict == verdict).count();
    let told: Vec<String> = [
        (Verdict::Gone, "gone"),
        (Verdict::Shorter, "shorter"),
        (Verdict::Longer, "longer"),
        (Verdict::Chain, "explained by the measuring chain"),
        (Verdict::LevelOnly, "changed in level only"),
        (Verdict::Unchanged, "unchanged"),
    ]
    .into_iter()
    .filter_map(|(verdict, word)| Some((count(verdict), word)).filter(|c| c.0 > 0))
    .map(|(n, word)| format!("{n} {word}"))
    .collect();
    let (unsure, unsure_after): (Vec<&ModeChange>, Vec<&ModeChange>) =
        modes.iter().filter(|m| m.verdict == Verdict::Unsure).partition(|m| m.before.is_some());
    let before = modes.iter().filter(|m| m.before.is_some()).count();
    let mut text = match (before, told.is_empty()) {
        (0, _) => "No mode before to compare.".to_string(),
        (_, true) => format!("Of {before} modes none could be decided"),
        _ => format!("Of {before} modes: {}", told.join(", ")),
    };
    if before == 0 {
        return text;
    }
    if !unsure.is_empty() && !told.is_empty() {
        text.push_str(&format!("; {} undecided", unsure.len()));
    }
    if count(Verdict::New) > 0 {
        text.push_str(&format!("; {} new", count(Verdict::New)));
    }
    if !unsure_after.is_empty() {
        text.push_str(&format!("; {} seen only after, undecided", unsure_after.len()));
    }
    if chain.moved_loudspeaker {
        text.push_str("; the loudspeaker seems to have moved, so levels say nothing about the room");
    }
    if chain.gain.is_none() && settings.same_chain != Some(true) {
        text.push_str("; the gain between the states is unknown, so levels are not compared");
    }
    text.push('.');
    text
}
