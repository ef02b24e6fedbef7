//! Takes by the T60 that the mode has in them; where intervals overlap there is no rank between them.

use super::outcome::Finding;

/// Ranks from 1, and the take with the shortest T60.
///
/// A take's rank is one more than the number of takes whose whole 95 % interval lies below its own.
pub(super) fn rank(findings: &[Finding]) -> (Vec<Option<usize>>, Option<usize>) {
    let ends: Vec<Option<(f64, f64)>> =
        findings.iter().map(|f| f.t60_s.map(|t| t.interval_95().unwrap_or((t.value, t.value)))).collect();
    let ranks = ends
        .iter()
        .map(|own| own.map(|own| 1 + ends.iter().flatten().filter(|other| other.1 < own.0).count()))
        .collect();
    let known = (0..findings.len()).filter_map(|k| Some((k, findings[k].t60_s?.value)));
    let best = known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|b| b.0);
    (ranks, best)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::absorber::outcome::Next;
    use crate::estimate::Estimate;

    #[test]
    fn overlapping_takes_share_a_rank() {
        let take = |t60: Option<(f64, f64)>| Finding {
            state: String::new(),
            unit: None,
            t60_s: t60.map(|(v, sd)| Estimate::new(v, sd)),
            ring_s: None,
            values: None,
            consistency: None,
            advice: None,
            next: Next::default(),
            reason: None,
        };
        let takes = [take(Some((1.0, 0.05))), take(Some((0.95, 0.05))), take(None), take(Some((2.0, 0.1)))];
        let (ranks, best) = rank(&takes);
        assert_eq!(ranks, [Some(1), Some(1), None, Some(3)]);
        assert_eq!(best, Some(1));
    }
}
