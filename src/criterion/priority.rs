//! Which mode to treat first: by what is heard of it at the worst listening position.

use super::Curve;

/// What the rule needs to know of one mode of a state.
#[derive(Debug, Clone, PartialEq)]
pub struct Ringing {
    /// Damped natural frequency, hertz.
    pub frequency_hz: f64,
    /// Decay constant, 1/s: one that the data ensure, as the upper end of its interval.
    pub decay_per_s: f64,
    /// Half-power bandwidth of the decay as found, hertz: δ/π, 2.2 over T60.
    pub bandwidth_hz: f64,
    /// Energy with which the mode starts to ring (square of its amplitude; the decay is not in it) at each
    /// listening position, or at every position where none is said to be one; `None` where the mode isn't seen.
    /// Any unit, the same for all modes and positions in the same order.
    pub energies: Vec<Option<f64>>,
    /// Whether the program stands behind it. One that it doesn't stand behind takes part in what its neighbours
    /// are heard against, and gets no rank.
    pub claimed: bool,
}

/// A mode this far under what its octave starts to ring with isn't heard beside it: 20 dB. Common practice, no
/// source.
const HEARD: f64 = 0.01;

/// Treatments within so wide a range are one: a third octave (IEC 61260-1), as a ratio of frequencies. Our own choice: an
/// absorber that isn't tuned works over a third octave and more.
const DENSE_RATIO: f64 = 1.258_925;
/// So many treatments within that range are one. Our own choice: a practitioner tunes a unit to one mode, or two; four beside
/// each other call for one absorber of the whole range.
const DENSE: usize = 4;
/// … and none of them is further from the next than so many of their bandwidths: what stands apart is treated by itself. Our own
/// choice.
const TOUCH: f64 = 2.0;

/// Ranks the modes of a state: 1 is the one to treat first. Modes that one treatment meets share a rank. In the order of
/// the modes given; `None` for a mode that needs none.
///
/// The rule, our own. What one treatment meets: the slowest mode takes with it those within its own half-power bandwidth,
/// then the slowest of the rest, and so on. A gate: the program stands behind the mode; its T60 exceeds the published
/// threshold at its
/// frequency ([`Curve::Absolute`], Fazenda, Stephenson & Goldberg 2015; outside 32 to 250 Hz, where none is
/// published, the curve's end value stands in); and at some position it starts no more than 20 dB under all modes of
/// its octave together. Then the order: sound stops, and a mode that starts `D` dB under its octave is 60 dB under
/// that start after `T60 (60 − D)/60`. At the position where that is longest it stands against the threshold; the
/// larger ratio comes first. Energies of modes that share a treatment add up, and the longest of
/// them speaks for all. Where four treatments or more pass the gate within a third octave, each within two bandwidths of the
/// next, all of these are one (an absorber of that range instead of a tuned one each), the fullest third octave first; the
/// largest ratio speaks for it. Ratios within a tenth of each other rank by the number of positions that hear the mode.
#[must_use]
pub fn prioritise(modes: &[Ringing]) -> Vec<Option<u32>> {
    let mut rows: Vec<Row> = dense_together(rows(modes), modes);
    rows.sort_by(|a, b| b.excess.total_cmp(&a.excess));
    // Within a tenth of the first of a run the number of places decides; the order before that stays.
    let mut from = 0;
    while from < rows.len() {
        let least = rows[from].excess / 1.1;
        let to = from + rows[from..].iter().take_while(|row| row.excess >= least).count();
        rows[from..to].sort_by_key(|row| std::cmp::Reverse(row.places));
        from = to;
    }
    let mut ranks = vec![None; modes.len()];
    for (rank, row) in (1..).zip(rows) {
        for member in row.members {
            ranks[member] = Some(rank);
        }
    }
    ranks
}

/// Modes to treat together.
struct Row {
    /// The slowest first.
    members: Vec<usize>,
    /// Ring time over threshold at the worst position.
    excess: f64,
    /// Positions where it is heard beyond the threshold.
    places: usize,
}

/// Each slowest mode with those within its bandwidth, as far as they need a treatment.
fn rows(modes: &[Ringing]) -> Vec<Row> {
    let mut left: Vec<usize> = (0..modes.len()).filter(|m| modes[*m].claimed && usable(&modes[*m])).collect();
    left.sort_by(|a, b| modes[*a].bandwidth_hz.total_cmp(&modes[*b].bandwidth_hz));
    let mut rows = Vec::new();
    while let Some(&slowest) = left.first() {
        let slowest = &modes[slowest];
        let near = |m: &usize| (modes[*m].frequency_hz - slowest.frequency_hz).abs() <= slowest.bandwidth_hz;
        let members: Vec<usize> = left.iter().copied().filter(near).collect();
        left.retain(|m| !near(m));
        rows.extend(row(modes, &members));
    }
    rows
}

/// Rows of which a third octave holds too many to treat them one by one become one: first the third octave that holds
/// most (of several the lowest), then that of the rest, and so on. No range is wider.
fn dense_together(mut rows: Vec<Row>, modes: &[Ringing]) -> Vec<Row> {
    let hz = |row: &Row| modes[row.members[0]].frequency_hz;
    rows.sort_by(|a, b| hz(a).total_cmp(&hz(b)));
    let mut ranges = Vec::new();
    loop {
        let wide = |row: &Row| modes[row.members[0]].bandwidth_hz;
        let touch = |a: &Row, b: &Row| hz(b) - hz(a) <= 0.5 * TOUCH * (wide(a) + wide(b));
        let held = |from: usize| {
            let within =
                |k: &usize| hz(&rows[*k]) <= hz(&rows[from]) * DENSE_RATIO && touch(&rows[*k - 1], &rows[*k]);
            1 + (from + 1..rows.len()).take_while(within).count()
        };
        let fullest = (0..rows.len()).map(|from| (held(from), std::cmp::Reverse(from))).max();
        let Some((count, std::cmp::Reverse(from))) = fullest.filter(|(count, _)| *count >= DENSE) else {
            break;
        };
        let together = rows.drain(from..from + count).reduce(|mut range, row| {
            range.members.extend(row.members);
            range.excess = range.excess.max(row.excess);
            range.places = range.places.max(row.places);
            range
        });
        ranges.extend(together);
    }
    rows.extend(ranges);
    rows
}

fn row(modes: &[Ringing], members: &[usize]) -> Option<Row> {
    // The one whose T60 is longest for sure speaks for all; the slowest as found is known by its place.
    let surest =
        members.iter().copied().min_by(|a, b| modes[*a].decay_per_s.total_cmp(&modes[*b].decay_per_s))?;
    let mode = &modes[surest];
    let threshold_s = Curve::Absolute.nearest_t60_s(mode.frequency_hz);
    let t60_s = 1000_f64.ln() / mode.decay_per_s;
    let octave = |place: usize| -> f64 {
        let inside = |m: &&Ringing| (m.frequency_hz / mode.frequency_hz).log2().abs() <= 0.5 && usable(m);
        modes.iter().filter(inside).filter_map(|m| energy(m, place)).sum()
    };
    let ring_s = |place: usize| -> Option<f64> {
        let own: f64 = members.iter().filter_map(|m| energy(&modes[*m], place)).sum();
        let share = own / octave(place);
        (share >= HEARD).then(|| t60_s * (60.0 + 10.0 * share.log10()) / 60.0)
    };
    let over: Vec<f64> = (0..mode.energies.len())
        .filter_map(ring_s)
        .map(|ring_s| ring_s / threshold_s)
        .filter(|excess| *excess > 1.0)
        .collect();
    let worst = over.iter().copied().reduce(f64::max)?;
    Some(Row { members: members.to_vec(), excess: worst, places: over.len() })
}

fn usable(mode: &Ringing) -> bool {
    mode.decay_per_s.is_finite()
        && mode.decay_per_s > 0.0
        && mode.frequency_hz.is_finite()
        && mode.bandwidth_hz.is_finite()
}

fn energy(mode: &Ringing, place: usize) -> Option<f64> {
    mode.energies.get(place).copied().flatten().filter(|energy| energy.is_finite() && *energy > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode(frequency_hz: f64, t60_s: f64, levels_db: &[f64]) -> Ringing {
        let energies = levels_db.iter().map(|db| Some(10f64.powf(db / 10.0))).collect();
        let decay_per_s = 1000_f64.ln() / t60_s;
        let bandwidth_hz = decay_per_s / std::f64::consts::PI;
        Ringing { frequency_hz, decay_per_s, bandwidth_hz, energies, claimed: true }
    }

    fn ranks(modes: &[Ringing]) -> Vec<u32> {
        prioritise(modes).into_iter().map(|rank| rank.unwrap_or(0)).collect()
    }

    /// One thing at a time: longer, louder; each comes first. 63 and 80 Hz: thresholds 0.300 and 0.284 s.
    #[test]
    fn long_and_loud_comes_first() {
        assert_eq!(ranks(&[mode(63.0, 0.6, &[0.0]), mode(63.0 * 1.1, 0.9, &[0.0])]), [2, 1]);
        assert_eq!(ranks(&[mode(63.0, 0.8, &[-15.0]), mode(63.0 * 1.1, 0.8, &[0.0])]), [2, 1]);
    }

    /// 33 Hz at 1.7 s rings 1.99 thresholds, 66 Hz at 1.69 s 5.7: frequency decides through what is heard, but a
    /// weak mode doesn't come first for its threshold alone.
    #[test]
    fn a_pole_far_under_its_neighbours_gets_no_rank() {
        let modes = [mode(66.0, 1.0, &[0.0]), mode(70.0, 3.0, &[-46.0]), mode(120.0, 1.0, &[-10.0])];
        assert_eq!(ranks(&modes), [2, 0, 1], "70 Hz is 46 dB under 66 Hz");
    }

    #[test]
    fn nothing_below_the_threshold_or_unclaimed_is_ranked() {
        let mut unproven = mode(63.0, 2.0, &[0.0]);
        unproven.claimed = false;
        let modes = [mode(40.0, 0.5, &[0.0]), unproven, mode(f64::NAN, 1.0, &[0.0]), mode(100.0, 1.0, &[])];
        assert_eq!(prioritise(&modes), [None; 4]);
        assert!(prioritise(&[]).is_empty());
    }

    /// Worked by hand: 63 Hz, 0.9 s, 12 dB under its neighbour an eighth up: its share of both is −12.27 dB, ring
    /// time 0.9 · (60 − 12.27)/60 = 0.716 s, 2.39 thresholds; the neighbour 0.5 s at 69.3 Hz (0.295 s): −0.27 dB, 1.69.
    #[test]
    fn ring_time_is_the_stated_formula() {
        let modes = [mode(63.0, 0.9, &[-12.0]), mode(69.3, 0.5, &[0.0])];
        let rows = rows(&modes);
        assert!((rows[0].excess - 2.39).abs() < 0.01, "{}", rows[0].excess);
        assert!((rows[1].excess - 1.69).abs() < 0.02, "{}", rows[1].excess);
    }

    /// The worst place counts, not the mean; equal modes rank by the number of places.
    #[test]
    fn the_worst_place_counts_and_places_break_ties() {
        let quiet = -40.0;
        let one = mode(63.0, 0.80, &[0.0, quiet, quiet]);
        let all = mode(126.1, 0.49, &[0.0, 0.0, 0.0]);
        let other = mode(63.0 * 1.3, 0.1, &[quiet, 0.0, 0.0]);
        assert_eq!(ranks(&[one, all, other]), [1, 2, 0]);
        let fewer = mode(63.0, 0.60, &[0.0, quiet, quiet]);
        let more = mode(200.0, 0.335, &[0.0, 0.0, 0.0]);
        let mask = mode(85.0, 0.1, &[-30.0, 0.0, 0.0]);
        assert_eq!(
            ranks(&[fewer, more, mask]),
            [2, 1, 0],
            "2.0 and 1.97 thresholds: the one at three places first"
        );
    }

    /// Half a hertz apart at T60 of 1 s (bandwidth 2.2 Hz): one row.
    #[test]
    fn modes_within_a_bandwidth_share_a_rank() {
        assert_eq!(
            ranks(&[mode(66.0, 1.0, &[0.0]), mode(66.5, 0.9, &[0.0]), mode(90.0, 2.0, &[0.0])]),
            [2, 2, 1]
        );
    }

    /// 88.7 and 97.6 Hz with modes between that each lie within the next one's bandwidth: no chain makes them one. Slow
    /// ones (0.5 s: 4.4 Hz) at 88.7 and 97.6, a fast one (0.3 s: 7.3 Hz) between: that is the slower one's nearest.
    #[test]
    fn what_lies_within_the_slowest_s_bandwidth_is_one_treatment() {
        let modes = [mode(88.7, 0.50, &[0.0]), mode(92.8, 0.40, &[0.0]), mode(97.6, 0.45, &[0.0])];
        let ranks = ranks(&modes);
        assert_eq!(ranks[0], ranks[1], "4.1 Hz apart, 4.4 Hz wide");
        assert_ne!(ranks[0], ranks[2], "8.9 Hz apart");
    }

    /// A T60 known badly has a high sure decay; what it reaches is its own bandwidth still.
    #[test]
    fn an_interval_widens_no_treatment() {
        let mut vague = mode(100.0, 1.0, &[0.0]);
        vague.decay_per_s *= 1.5;
        assert_ne!(ranks(&[vague.clone(), vague_at(103.0, vague)]), [1, 1], "3 Hz apart, 2.2 Hz wide");
    }

    fn vague_at(frequency_hz: f64, like: Ringing) -> Ringing {
        Ringing { frequency_hz, ..like }
    }

    /// Four or more within a third octave, each no further than two bandwidths (2.75 Hz at 1.6 s) from the next, are one; no
    /// chain makes a range wider than a third octave; what stands apart, and three, are treated one by one.
    #[test]
    fn many_in_a_third_octave_are_one_treatment() {
        let at = |hz: &[f64]| hz.iter().map(|hz| mode(*hz, 1.6, &[0.0])).collect::<Vec<_>>();
        let ranks = ranks(&at(&[60.0, 70.0, 140.0, 142.5, 145.0, 147.5, 150.0]));
        assert!(ranks[2..].iter().all(|rank| *rank == ranks[2]), "{ranks:?}");
        assert!(ranks[0] != ranks[1] && ranks[1] != ranks[2] && ranks[0] != ranks[2], "{ranks:?}");
        let chain: Vec<f64> = (0..30).map(|k| 100.0 + 2.5 * f64::from(k)).collect();
        let ranges = super::prioritise(&at(&chain));
        assert!(ranges[0] != ranges[29], "100 to 172.5 Hz: {ranges:?}");
        for apart in [&[127.0, 133.0, 139.0, 145.0, 150.0][..], &[140.0, 142.5, 145.0]] {
            let mut each = super::prioritise(&at(apart));
            each.dedup();
            assert_eq!(each.len(), apart.len(), "{apart:?}: {each:?}");
        }
    }

    #[test]
    fn gain_changes_nothing() {
        let modes = [mode(63.0, 0.9, &[0.0]), mode(75.0, 0.8, &[10.0]), mode(100.0, 0.5, &[-6.0])];
        let louder: Vec<Ringing> = modes
            .iter()
            .map(|m| Ringing {
                energies: m.energies.iter().map(|e| e.map(|e| 1e6 * e)).collect(),
                ..m.clone()
            })
            .collect();
        assert_eq!(prioritise(&louder), prioritise(&modes));
    }
}
