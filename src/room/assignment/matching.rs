//! The one-to-one pairing with the least total cost.

use crate::matching::Costs;

/// What leaving a mode without a name costs. A pair is worth it up to 3 standard deviations of
/// frequency with a perfect shape (4.5), or dead on with a criterion of 0.5 (5), not both at once.
const UNASSIGNED: f64 = 5.5;

/// Pairs each row with a column or with nothing so that the sum of costs is least. `None` in a row: this pair is impossible. Rows may outnumber columns.
pub(super) fn best(costs: &[Vec<Option<f64>>]) -> Vec<Option<usize>> {
    let (rows, columns) = (costs.len(), costs.first().map_or(0, Vec::len));
    if rows == 0 {
        return Vec::new();
    }
    // One dummy column a row means "nothing".
    let whole = |cost: f64| (cost.min(1e6) * 1e6).round() as i64;
    let weights = Costs::new(rows, columns + rows, |row, column| match costs[row].get(column) {
        Some(Some(cost)) => whole(*cost),
        Some(None) => whole(100.0 * UNASSIGNED),
        None if column - columns == row => whole(UNASSIGNED),
        None => whole(100.0 * UNASSIGNED),
    });
    let real =
        |(row, column): (usize, usize)| costs[row].get(column).is_some_and(Option::is_some).then_some(column);
    weights.least().into_iter().enumerate().map(real).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first row's favourite is worth more to the second: the sum decides, not the order.
    #[test]
    fn the_sum_decides() {
        let costs = [vec![Some(1.0), Some(2.0)], vec![Some(1.1), Some(5.0)]];
        assert_eq!(best(&costs), [Some(1), Some(0)]);
    }

    #[test]
    fn what_costs_too_much_or_can_not_be_stays_alone() {
        assert_eq!(best(&[vec![Some(5.6)], vec![None]]), [None, None]);
        assert_eq!(best(&[vec![Some(0.5)], vec![Some(0.1)], vec![Some(0.3)]]), [None, Some(0), None]);
        assert_eq!(best(&[]), []);
        assert_eq!(best(&[vec![]]), [None]);
    }

    /// Against all ways of pairing, on small tables of made-up costs.
    #[test]
    fn no_other_pairing_is_cheaper() {
        fn least(costs: &[Vec<Option<f64>>], used: &mut Vec<usize>) -> f64 {
            let Some((row, rest)) = costs.split_first() else { return 0.0 };
            let mut most = UNASSIGNED + least(rest, used);
            for (column, cost) in row.iter().enumerate().filter_map(|(c, cost)| cost.map(|cost| (c, cost))) {
                if !used.contains(&column) {
                    used.push(column);
                    most = most.min(cost + least(rest, used));
                    used.pop();
                }
            }
            most
        }
        let mut gauss = crate::room::simulate::Gauss::new(3);
        for _ in 0..50 {
            let mut cost = || Some(8.0 * gauss.uniform()).filter(|c| *c < 7.0);
            let costs: Vec<Vec<_>> = (0..4).map(|_| (0..3).map(|_| cost()).collect()).collect();
            let pairs = best(&costs);
            let total: f64 =
                pairs.iter().zip(&costs).map(|(p, row)| p.and_then(|p| row[p]).unwrap_or(UNASSIGNED)).sum();
            assert!((total - least(&costs, &mut Vec::new())).abs() < 1e-5);
        }
    }
}
