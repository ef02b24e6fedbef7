//! How the range is cut into windows: poles are sought in narrow bands and fitted in wide windows.
//!
//! A polynomial of degree D over B hertz spans D + 1 degrees of freedom that sit around the onset, and
//! removes about the first (D + 1)/2B seconds of the decay from what the poles are fitted to. So the windows of the
//! joint fit are as wide as computing time allows; narrow bands are enough for the search.

use super::pole::Pole;

/// A window in frequency: the data that it uses and, narrower, the range whose poles it reports, Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Span {
    /// Reports poles from here (included) …
    pub owns_from_hz: f64,
    /// … to here (not included).
    pub owns_to_hz: f64,
    /// Uses data from here …
    pub fits_from_hz: f64,
    /// … to here.
    pub fits_to_hz: f64,
}

impl Span {
    /// Whether this window reports a pole.
    pub fn owns(&self, pole: &Pole) -> bool {
        (self.owns_from_hz..self.owns_to_hz).contains(&pole.frequency_hz())
    }

    /// Whether a pole is relevant to this window's data: it lies within them or just outside.
    pub fn meets(&self, pole: &Pole) -> bool {
        let hz = pole.frequency_hz();
        hz > self.fits_from_hz - super::refine::OUTSIDE_HZ && hz < self.fits_to_hz + super::refine::OUTSIDE_HZ
    }
}

/// Equal spans of at most `own_hz`, each fitting `guard_hz` more on both sides where the data reach.
pub(crate) fn spans(range_hz: (f64, f64), own_hz: f64, guard_hz: f64, offset_hz: f64) -> Vec<Span> {
    let (from, to) = range_hz;
    let count = ((to - from + offset_hz) / own_hz).ceil().max(1.0);
    let step = (to - from + offset_hz) / count;
    let seam = |i: f64| if i < count { (from - offset_hz + i * step).max(from) } else { to };
    (0..count as usize)
        .map(|i| Span {
            owns_from_hz: seam(i as f64),
            owns_to_hz: seam(i as f64 + 1.0),
            fits_from_hz: 0.0,
            fits_to_hz: 0.0,
        })
        .filter(|s| s.owns_to_hz > s.owns_from_hz)
        .map(|s| Span {
            fits_from_hz: (s.owns_from_hz - guard_hz).max(from),
            fits_to_hz: (s.owns_to_hz + guard_hz).min(to),
            ..s
        })
        .collect()
}

/// Windows for known poles: the whole range if it holds at most `max_poles` poles, else spans of at most `own_hz`
/// with the seams moved into the widest gap nearby.
pub(crate) fn windows(
    range_hz: (f64, f64),
    own_hz: f64,
    guard_hz: f64,
    max_poles: usize,
    poles: &[Pole],
) -> Vec<Span> {
    let own_hz = if poles.len() <= max_poles { range_hz.1 - range_hz.0 } else { own_hz };
    let mut spans = spans(range_hz, own_hz, guard_hz, 0.0);
    for i in 1..spans.len() {
        let seam = gap_near(spans[i].owns_from_hz, 4.0, poles);
        spans[i].owns_from_hz = seam;
        spans[i - 1].owns_to_hz = seam;
    }
    spans
}

/// Middle of the widest gap between poles within `reach_hz` of a frequency.
fn gap_near(at_hz: f64, reach_hz: f64, poles: &[Pole]) -> f64 {
    let mut edges: Vec<f64> = poles.iter().map(Pole::frequency_hz).collect();
    edges.extend([at_hz - reach_hz, at_hz + reach_hz]);
    edges.retain(|hz| (hz - at_hz).abs() <= reach_hz);
    edges.sort_by(f64::total_cmp);
    edges
        .windows(2)
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))
        .map_or(at_hz, |widest| 0.5 * (widest[0] + widest[1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_tile_the_range() {
        for offset in [0.0, 9.0] {
            let spans = spans((15.0, 200.0), 18.0, 9.0, offset);
            assert_eq!(spans[0].owns_from_hz, 15.0);
            assert_eq!(spans[spans.len() - 1].owns_to_hz, 200.0);
            for pair in spans.windows(2) {
                assert_eq!(pair[0].owns_to_hz, pair[1].owns_from_hz);
            }
        }
    }

    #[test]
    fn seams_avoid_poles() {
        let poles: Vec<Pole> = (0..80).map(|i| Pole::new(16.3 + 2.3 * f64::from(i), 1.0)).collect();
        let spans = windows((15.0, 200.0), 55.0, 25.0, 35, &poles);
        assert!(spans.len() >= 4);
        for span in &spans[1..] {
            assert!(poles.iter().all(|p| (p.frequency_hz() - span.owns_from_hz).abs() > 1.0));
        }
    }
}
