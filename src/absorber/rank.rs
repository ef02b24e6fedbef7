//! Takes, and the room without the unit, by how long the mode rings in them (where that isn't known, by its T60).
//!
//! Intervals that overlap leave the order open, but overlap isn't passed on: of three neighbours the outer two may lie
//! apart. So each stands by how many others ring beyond doubt shorter; those with equally many share a rank, and the
//! next rank counts all before it (1, 1, 1, 4).

use super::outcome::Finding;
use crate::estimate::{Estimate, SD_PER_95};

/// Who stands where.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ranking {
    /// Of each take, from 1; `None` where neither ring time nor T60 is known.
    pub takes: Vec<Option<usize>>,
    /// Of the room without the unit.
    pub untreated: usize,
    /// The take that rings shortest, if that is beyond doubt shorter than without the unit.
    pub best: Option<usize>,
}

/// What ranks a take, seconds.
fn rings(finding: &Finding) -> Option<Estimate> {
    finding.ring_s.filter(|r| r.sd.is_some()).or(finding.t60_s)
}

/// A rank is one more than the number of those ahead: that have fewer others whose whole 95 % interval lies below theirs.
pub(super) fn rank(findings: &[Finding], untreated: Estimate) -> Ranking {
    let ends = |t: Estimate| t.interval_95().unwrap_or((t.value, t.value));
    let times = findings.iter().map(rings).chain([Some(untreated)]);
    let all: Vec<Option<(f64, f64)>> = times.map(|t| t.map(ends)).collect();
    let shorter = |own: (f64, f64)| all.iter().flatten().filter(|other| other.1 < own.0).count();
    let of = |own| 1 + all.iter().flatten().filter(|other| shorter(**other) < shorter(own)).count();
    let known = (0..findings.len()).filter_map(|k| Some((k, rings(&findings[k])?)));
    let best = known.min_by(|a, b| a.1.value.total_cmp(&b.1.value));
    Ranking {
        takes: all[..findings.len()].iter().map(|own| own.map(of)).collect(),
        untreated: of(ends(untreated)),
        best: best.filter(|(_, t)| beats(*t, untreated)).map(|(k, _)| k),
    }
}

/// Whether a time is shorter than another with 95 % confidence.
fn beats(time: Estimate, other: Estimate) -> bool {
    let sd = time.sd.unwrap_or(0.0).hypot(other.sd.unwrap_or(0.0));
    other.value - time.value > SD_PER_95 * sd
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(t60: Option<(f64, f64)>) -> Finding {
        Finding { t60_s: t60.map(|(v, sd)| Estimate::new(v, sd)), ..Finding::of("") }
    }

    #[test]
    fn overlapping_takes_share_a_rank() {
        let takes = [take(Some((1.0, 0.05))), take(Some((0.95, 0.05))), take(None), take(Some((2.0, 0.1)))];
        let ranking = rank(&takes, Estimate::new(1.5, 0.02));
        assert_eq!(ranking.takes, [Some(1), Some(1), None, Some(4)]);
        assert_eq!((ranking.untreated, ranking.best), (3, Some(1)));
    }

    /// Three lead together; the room without the unit rings beyond doubt longer than one of them only, and was second.
    #[test]
    fn the_rank_after_a_tie_counts_all_before_it() {
        let takes = [
            take(Some((0.82, 0.09))),
            take(Some((1.84, 0.04))),
            take(Some((1.44, 0.37))),
            take(Some((1.3, 0.25))),
        ];
        let ranking = rank(&takes, Estimate::new(1.51, 0.1));
        assert_eq!(ranking.takes, [Some(1), Some(5), Some(1), Some(1)]);
        assert_eq!(ranking.untreated, 4);
    }

    #[test]
    fn a_setting_that_beats_nothing_is_not_the_best() {
        let takes = [take(Some((1.69, 0.02))), take(Some((1.80, 0.02)))];
        let ranking = rank(&takes, Estimate::new(1.70, 0.01));
        assert_eq!(ranking.best, None);
        assert_eq!((ranking.takes, ranking.untreated), (vec![Some(1), Some(3)], 1));
    }
}
