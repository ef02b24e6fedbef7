//! What stands for a list of numbers: mean, median, the place of the largest.

/// Middle value, of an even count the mean of the two in the middle; `None` of nothing.
pub(crate) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

/// Middle value, of an even count the upper of the two in the middle; `None` of nothing. Leaves the values in another order.
pub(crate) fn upper_median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Mean; zero for nothing.
pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Index of the first of the largest values; 0 for nothing.
pub(crate) fn first_largest(values: &[f64]) -> usize {
    let mut best = 0;
    for (k, value) in values.iter().enumerate() {
        if value.total_cmp(&values[best]).is_gt() {
            best = k;
        }
    }
    best
}

/// Mean of the squares; zero for nothing.
pub(crate) fn mean_square(samples: &[f64]) -> f64 {
    samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64
}
