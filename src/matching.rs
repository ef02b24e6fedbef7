//! One-to-one assignment of the least total cost.

/// A table of costs: whole numbers, so that ties and sums are exact whatever the order.
pub(crate) struct Costs {
    columns: usize,
    cells: Vec<i64>,
}

impl Costs {
    /// Costs by row and column; at least as many columns as rows.
    pub(crate) fn new(rows: usize, columns: usize, cost: impl Fn(usize, usize) -> i64) -> Self {
        let columns = columns.max(rows);
        let cells = (0..rows * columns).map(|k| cost(k / columns, k % columns)).collect();
        Self { columns, cells }
    }

    fn rows(&self) -> usize {
        self.cells.len().checked_div(self.columns).unwrap_or(0)
    }

    /// A column of its own for each row, with the least sum of costs (Kuhn, Naval Res. Logist. Q. 2 (1955) 83;
    /// rows added one by one along shortest augmenting paths: Jonker & Volgenant, Computing 38 (1987) 325).
    pub(crate) fn least(&self) -> Vec<usize> {
        let mut found = Prices { rows: vec![0; self.rows()], columns: vec![0; self.columns] };
        let mut owner: Vec<Option<usize>> = vec![None; self.columns];
        for row in 0..self.rows() {
            let Some((mut column, before)) = self.shortest_path(row, &owner, &mut found) else { continue };
            // Along the path each row moves on to the next column.
            while let Some(previous) = before[column] {
                owner[column] = owner[previous];
                column = previous;
            }
            owner[column] = Some(row);
        }
        let mut chosen = vec![0; self.rows()];
        for (column, row) in owner.into_iter().enumerate() {
            if let Some(row) = row {
                chosen[row] = column;
            }
        }
        chosen
    }

    /// From `row` over columns and their owners to the cheapest free column: that column, and before each column
    /// the one whose owner reached it. Keeps all reduced costs from falling below zero.
    fn shortest_path(
        &self,
        row: usize,
        owner: &[Option<usize>],
        prices: &mut Prices,
    ) -> Option<(usize, Vec<Option<usize>>)> {
        let mut reach = vec![i64::MAX; self.columns];
        let mut before: Vec<Option<usize>> = vec![None; self.columns];
        let mut done: Vec<usize> = Vec::new();
        let (mut at, mut here, mut length) = (row, None, 0_i64);
        loop {
            for column in (0..self.columns).filter(|c| !done.contains(c)) {
                let cost = self.cells[at * self.columns + column] - prices.rows[at] - prices.columns[column];
                if length + cost < reach[column] {
                    (reach[column], before[column]) = (length + cost, here);
                }
            }
            let next = (0..self.columns).filter(|c| !done.contains(c)).min_by_key(|&c| reach[c])?;
            length = reach[next];
            match owner[next] {
                Some(owned) => {
                    done.push(next);
                    (at, here) = (owned, Some(next));
                }
                None => {
                    prices.rows[row] += length;
                    for column in done {
                        prices.columns[column] -= length - reach[column];
                        if let Some(owned) = owner[column] {
                            prices.rows[owned] += length - reach[column];
                        }
                    }
                    return Some((next, before));
                }
            }
        }
    }
}

/// Dual variables: no cost is below the sum of its row's and its column's.
struct Prices {
    rows: Vec<i64>,
    columns: Vec<i64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn total(costs: &Costs, chosen: &[usize]) -> i64 {
        chosen.iter().enumerate().map(|(row, column)| costs.cells[row * costs.columns + column]).sum()
    }

    /// Least total over all ways, one after the other.
    fn exhaustive(costs: &Costs, row: usize, used: &mut Vec<usize>) -> i64 {
        if row == costs.rows() {
            return 0;
        }
        let mut least = i64::MAX;
        for column in 0..costs.columns {
            if !used.contains(&column) {
                used.push(column);
                let cost = costs.cells[row * costs.columns + column];
                least = least.min(cost + exhaustive(costs, row + 1, used));
                used.pop();
            }
        }
        least
    }

    #[test]
    fn no_other_assignment_costs_less() {
        let mut word = 1_u64;
        let mut draw = |below: i64| {
            word = word.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (word >> 33) as i64 % below
        };
        for round in 0..300_usize {
            let (rows, columns) = (1 + round % 5, 1 + round % 5 + round % 3);
            // Few different costs make ties.
            let drawn: Vec<i64> =
                (0..rows * columns).map(|_| draw(if round % 2 == 0 { 7 } else { 1000 }) - 3).collect();
            let costs = Costs::new(rows, columns, |row, column| drawn[row * columns + column]);
            let chosen = costs.least();
            let mut distinct = chosen.clone();
            distinct.sort_unstable();
            distinct.dedup();
            assert_eq!(distinct.len(), rows);
            assert_eq!(total(&costs, &chosen), exhaustive(&costs, 0, &mut Vec::new()), "{drawn:?}");
        }
    }

    #[test]
    fn nothing_is_assigned_to_nobody() {
        assert!(Costs::new(0, 0, |_, _| 0).least().is_empty());
        assert!(Costs::new(0, 3, |_, _| 0).least().is_empty());
        assert_eq!(Costs::new(1, 0, |_, _| 5).least(), [0]);
    }
}
