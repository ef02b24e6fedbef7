//! One state's part of the joint fit: its records, the poles round the treated mode, and the columns that the
//! treated mode's numbers move, free of all the others.

use crate::absorber::facts::SettingFacts;
use crate::absorber::local::Stretch;
use crate::absorber::sight::{LocalFit, cut_round};
use crate::absorber::spectrum::{Cut, Group, Target};
use nalgebra::DMatrix;
use rustfft::num_complex::Complex64;

/// Ways of cutting the records: the first is the fit's, what the others move goes into the intervals. Start after the
/// direct sound, seconds, and half width of the stretch, hertz.
pub(in crate::absorber) const WAYS: [(f64, f64); 4] =
    [(0.0, 45.0), (0.010, 45.0), (0.020, 45.0), (0.0, 33.0)];

/// A state as the joint fit takes it.
#[derive(Debug, Clone)]
pub(in crate::absorber) struct Side {
    pub stretch: Stretch,
    /// Poles beside the treated mode that move along.
    pub neighbours: Vec<Complex64>,
    /// For each record which place it belongs to, by a number that both states share.
    pub places: Vec<usize>,
    /// For each record the instant that the mode's residue refers to, seconds from its sample 0.
    pub origins_s: Vec<f64>,
    /// Variance of each record's whitened noise.
    pub variances: Vec<Option<f64>>,
    /// Factor of all its frequencies against the baseline's.
    pub factor: f64,
}

/// One record in the joint fit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    /// Its column among the group's data.
    pub column: usize,
    /// Its place.
    pub place: usize,
    /// Variance of its noise.
    pub variance: f64,
    /// From the origin to the record's start, seconds.
    pub late_s: f64,
}

/// What neighbours and polynomial leave of one group of records.
pub(super) struct Part {
    /// Orthonormal basis of the neighbours' columns.
    basis: DMatrix<f64>,
    triangle: DMatrix<f64>,
    scales: Vec<f64>,
    /// Columns of the treated mode, and the data, free of the basis.
    pub target: DMatrix<f64>,
    pub data: DMatrix<f64>,
    /// What the basis takes of both.
    target_within: DMatrix<f64>,
    data_within: DMatrix<f64>,
    pub rows: Vec<Row>,
}

impl Side {
    /// A state for the joint fit, cut in one of the ways, its places numbered as they come.
    pub(in crate::absorber) fn of(
        facts: &SettingFacts<'_>,
        mode: Complex64,
        seen: &LocalFit,
        factor: f64,
        (later_s, reach_hz): (f64, f64),
    ) -> Option<Self> {
        let (free, held) = seen.neighbours.split_at(seen.free);
        let cut = Cut { reach_hz, ..cut_round(mode, later_s, seen.top_hz) };
        Some(Self {
            stretch: Stretch::new(&facts.lows, cut, held.to_vec(), seen.colour)?,
            neighbours: free.to_vec(),
            places: (0..facts.lows.len()).collect(),
            origins_s: facts.lows.iter().map(|low| low.onset_s).collect(),
            variances: seen.variances.clone(),
            factor,
        })
    }

    fn rows(&self, group: &Group) -> Vec<Row> {
        let row = |(column, (record, start_s)): (usize, &(usize, f64))| {
            Some(Row {
                column,
                place: *self.places.get(*record)?,
                variance: (*self.variances.get(*record)?)?,
                late_s: start_s - self.origins_s.get(*record)?,
            })
        };
        group.places.iter().enumerate().filter_map(row).collect()
    }

    /// All groups with the neighbours where they are given.
    pub(super) fn parts(&self, neighbours: &[Complex64], poles: Target) -> Option<Vec<Part>> {
        let one = |(index, (group, data)): (usize, (&Group, &DMatrix<f64>))| {
            let neighbours: Vec<Target> = neighbours.iter().copied().map(Target::One).collect();
            let mut columns = group.poles(&neighbours);
            self.stretch.cleared(index, &mut columns);
            let scales: Vec<f64> = columns.column_iter().map(|c| c.norm()).collect();
            if scales.iter().any(|s| !(s.is_finite() && *s > 0.0)) || columns.nrows() <= columns.ncols() + 12
            {
                return None;
            }
            for (mut column, scale) in columns.column_iter_mut().zip(&scales) {
                column.unscale_mut(*scale);
            }
            let (basis, triangle) = decomposed(columns);
            let data_within = basis.tr_mul(data);
            let data = data - &basis * &data_within;
            let empty = DMatrix::zeros(0, 0);
            let rows = self.rows(group);
            let part = Part {
                basis,
                triangle,
                scales,
                target: empty.clone(),
                data,
                target_within: empty,
                data_within,
                rows,
            };
            Some(self.with_target(index, part, poles))
        };
        self.stretch.parts().enumerate().map(one).collect()
    }

    fn with_target(&self, index: usize, mut part: Part, poles: Target) -> Part {
        let raw = self.target(index, poles);
        part.target_within = part.basis.tr_mul(&raw);
        part.target = raw - &part.basis * &part.target_within;
        part
    }

    /// The treated mode's columns elsewhere, the neighbours where they are.
    pub(super) fn moved(&self, parts: &[Part], poles: Target) -> Vec<DMatrix<f64>> {
        parts.iter().enumerate().map(|(index, part)| self.moved_of(index, part, poles)).collect()
    }

    /// The treated mode's columns of one group elsewhere, the neighbours where they are.
    pub(super) fn moved_of(&self, index: usize, part: &Part, poles: Target) -> DMatrix<f64> {
        part.freed(self.target(index, poles))
    }

    fn target(&self, index: usize, poles: Target) -> DMatrix<f64> {
        let Some((group, _)) = self.stretch.parts().nth(index) else { return DMatrix::zeros(0, 0) };
        let mut raw = group.poles(&[poles]);
        self.stretch.cleared(index, &mut raw);
        raw
    }

    /// Slopes of a neighbour's two columns by the real and the imaginary part of its pole.
    pub(super) fn neighbour_slopes(&self, index: usize, part: &Part, pole: Complex64) -> [DMatrix<f64>; 2] {
        let step = 1e-3;
        [Complex64::new(step, 0.0), Complex64::new(0.0, step)].map(|by| {
            let at = |pole: Complex64| self.target(index, Target::One(pole));
            part.freed((at(pole + by) - at(pole - by)) / (2.0 * step))
        })
    }
}

/// QR, of no columns too.
fn decomposed(columns: DMatrix<f64>) -> (DMatrix<f64>, DMatrix<f64>) {
    if columns.ncols() == 0 {
        return (columns, DMatrix::zeros(0, 0));
    }
    let qr = columns.qr();
    (qr.q(), qr.r())
}

impl Part {
    /// How many columns the neighbours have.
    pub(super) fn columns(&self) -> usize {
        self.basis.ncols()
    }

    /// Columns free of the neighbours.
    fn freed(&self, columns: DMatrix<f64>) -> DMatrix<f64> {
        let within = self.basis.tr_mul(&columns);
        columns - &self.basis * within
    }

    /// The neighbours' coefficients for a record, the treated mode's being known.
    pub(super) fn neighbours(&self, row: &Row, target: &[f64]) -> Option<Vec<f64>> {
        let target = nalgebra::DVector::from_row_slice(target);
        let right = self.data_within.column(row.column) - &self.target_within * target;
        let found = self.triangle.solve_upper_triangular(&right)?;
        Some(found.iter().zip(&self.scales).map(|(x, s)| x / s).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::absorber::spectrum::record_of;
    use std::f64::consts::TAU;

    /// A record of the treated mode and one neighbour: freed of the neighbour it is the mode's columns times its residue, and
    /// what the neighbour has is its own residue.
    #[test]
    fn parts_tell_the_mode_from_its_neighbour() {
        let poles = [Complex64::new(-5.0, TAU * 40.0), Complex64::new(-7.0, TAU * 52.0)];
        let residues = [Complex64::new(0.3, -0.2), Complex64::new(-0.4, 0.25)];
        let sample = |n: i32| {
            let t = f64::from(n) / 1000.0;
            poles.iter().zip(residues).map(|(s, a)| 2.0 * (a * (s * t).exp()).re).sum::<f64>() as f32
        };
        let samples: Vec<f32> = (0..2000).map(sample).collect();
        let record = record_of(samples, 1000.0);
        let cut = Cut { later_s: 0.0, ..cut_round(poles[0], 0.0, 200.0) };
        let side = Side {
            stretch: Stretch::new(&[&record], cut, Vec::new(), 0.0).unwrap(),
            neighbours: vec![poles[1]],
            places: vec![0],
            origins_s: vec![0.0],
            variances: vec![Some(1.0)],
            factor: 1.0,
        };
        let parts = side.parts(&side.neighbours, Target::One(poles[0])).unwrap();
        let [part] = &parts[..] else { panic!("one group") };
        let own = [residues[0].re, residues[0].im];
        let left = &part.data - &part.target * DMatrix::from_column_slice(2, 1, &own);
        assert!(left.amax() < 1e-6 * part.data.amax(), "{} of {}", left.amax(), part.data.amax());
        let neighbour = part.neighbours(&part.rows[0], &own).unwrap();
        assert!((Complex64::new(neighbour[0], neighbour[1]) - residues[1]).norm() < 1e-6, "{neighbour:?}");
    }
}
