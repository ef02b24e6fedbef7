//! Which floor corner is the loudspeaker's.

use crate::room::Enclosure;

/// Of the floor corners in which none of the places lies the one whose worst-driven mode is driven best.
pub(super) fn loudspeaker_m(air: &Enclosure, places_m: &[[f64; 3]]) -> Option<[f64; 3]> {
    let square = |a: [f64; 3], b: [f64; 3]| (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>();
    let nearest =
        |corner: [f64; 3]| places_m.iter().map(|at_m| square(corner, *at_m)).fold(f64::INFINITY, f64::min);
    let floor = air.plan_m().into_iter().map(|[x, y]| [x, y, 0.0]);
    let free = floor.filter(|corner| nearest(*corner) > APART_M * APART_M);
    // Every corner of a box drives every mode in full: then the farthest, of equally far ones the first.
    let least = |corner: [f64; 3]| driven_least(air, corner).map_or(1.0, |(_, share)| share);
    let better = |a: [f64; 3], b: [f64; 3]| match least(a) - least(b) {
        more if more.abs() > 1e-6 => more > 0.0,
        _ => nearest(a) > nearest(b) + 1e-9,
    };
    free.reduce(|best, corner| if better(corner, best) { corner } else { best })
}

/// The mode that a loudspeaker in a place drives least, and how much of its largest pressure it has there.
pub(super) fn driven_least(air: &Enclosure, at_m: [f64; 3]) -> Option<(usize, f64)> {
    let shares = (0..air.modes.len()).map(|mode| (mode, air.shape(mode, at_m).abs()));
    shares.min_by(|a, b| a.1.total_cmp(&b.1))
}

/// A microphone nearer to a corner than this stands in it, metres.
const APART_M: f64 = 0.5;

#[cfg(test)]
mod tests {
    use super::super::tests::{planned, room};
    use super::super::{PlannedPosition, candidates, plan};
    use super::*;

    /// The loudspeaker goes into a floor corner that holds no microphone; where they hold all four there is none.
    #[test]
    fn the_loudspeaker_gets_a_corner_of_its_own() {
        let plan = planned(120.0, &[]);
        let corner = plan.loudspeaker_m.unwrap();
        assert!(room(60.0).corners_m()[..4].contains(&corner), "{corner:?}");
        let far = |p: &PlannedPosition| {
            (0..3).map(|k| (p.candidate.at_m[k] - corner[k]).powi(2)).sum::<f64>() > 0.25
        };
        assert!(plan.positions.iter().all(far), "{plan:#?}");
        assert!(plan.driven_least.unwrap().1 > 0.999, "a corner of a box drives every mode in full");
        let seats: Vec<(String, [f64; 3])> = [[0.0, 0.0], [5.15, 0.0], [5.15, 3.86], [0.0, 3.86]]
            .map(|[x, y]| (String::new(), [x, y, 0.1]))
            .into();
        assert_eq!(planned(60.0, &seats).loudspeaker_m, None);
    }

    /// In an L a corner may stand where a mode vanishes: the loudspeaker goes where its weakest mode is driven best, and
    /// which that is and how much is said. (It went to the corner 5.45, 0 m, which drives the mode at 40.2 Hz at 4 %.)
    #[test]
    fn the_loudspeaker_of_an_l_goes_where_its_weakest_mode_is_driven_best() {
        let corners = [[0.0, 0.0], [5.45, 0.0], [5.45, 3.1], [3.6, 3.1], [3.6, 4.55], [0.0, 4.55]];
        let air = Enclosure::upright(&corners, 2.58, 20.0, 120.0).unwrap();
        let plan = plan(&air, &candidates(&air, &[]), None);
        let at = plan.loudspeaker_m.unwrap();
        let worst = |at: [f64; 3]| {
            (0..air.modes.len()).map(|mode| air.shape(mode, at).abs()).fold(f64::INFINITY, f64::min)
        };
        let taken = |at: [f64; 3]| {
            let away = |p: &PlannedPosition| {
                (0..3).map(|k| (p.candidate.at_m[k] - at[k]).powi(2)).sum::<f64>().sqrt()
            };
            plan.positions.iter().any(|p| away(p) < 0.5)
        };
        let floor = || corners.iter().map(|&[x, y]| [x, y, 0.0]).filter(|at| !taken(*at));
        assert!(floor().count() > 1 && floor().all(|other| worst(other) <= worst(at) + 1e-9), "{plan:#?}");
        assert_ne!(at, [5.45, 0.0, 0.0]);
        let (mode, share) = plan.driven_least.unwrap();
        assert!((share - worst(at)).abs() < 1e-12 && air.modes.contains(&mode), "{share}");
    }
}
