//! Which takes may have one coupling, and whether the data let them.

use crate::session::Unit;

/// Takes differ in their coupling if sharing it costs χ² beyond this chance.
pub(super) const SHARED: f64 = 0.01;

/// How many couplings fewer the shared fit has.
pub(super) fn each_freedom(groups: &[usize], takes: usize) -> usize {
    takes - groups.iter().max().map_or(0, |g| g + 1)
}

/// Takes whose units stood at one place, powered alike, may share their coupling.
pub(super) fn groups(units: &[&[Unit]]) -> Vec<usize> {
    let alike = |a: &[Unit], b: &[Unit]| {
        a.len() == b.len()
            && a.iter().zip(b).all(|(x, y)| x.name == y.name && x.at_m == y.at_m && x.powered == y.powered)
    };
    let mut kinds: Vec<&[Unit]> = Vec::new();
    units
        .iter()
        .map(|u| {
            kinds.iter().position(|k| alike(k, u)).unwrap_or_else(|| {
                kinds.push(u);
                kinds.len() - 1
            })
        })
        .collect()
}

/// Chance of a χ² at least this large.
pub(super) fn chance(square: f64, freedom: usize) -> f64 {
    use statrs::distribution::{ChiSquared, ContinuousCDF};
    ChiSquared::new(freedom as f64).map_or(1.0, |d| d.sf(square.max(0.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One unit at one place, powered alike, is one group; of another name, elsewhere or switched off it is another.
    #[test]
    fn takes_share_where_nothing_about_the_unit_differs() {
        let unit = |name: &str, x: f64, powered: bool| {
            [Unit {
                name: name.to_owned(),
                at_m: Some([x, 0.0, 0.0]),
                powered,
                tuned_hz: None,
                dials: Vec::new(),
                note: None,
            }]
        };
        let units = [
            unit("a", 1.0, true),
            unit("b", 1.0, true),
            unit("a", 2.0, true),
            unit("a", 1.0, false),
            unit("a", 1.0, true),
        ];
        let units: Vec<&[Unit]> = units.iter().map(|u| &u[..]).chain([&[][..]]).collect();
        assert_eq!(groups(&units), [0, 1, 2, 3, 0, 4]);
    }
}
