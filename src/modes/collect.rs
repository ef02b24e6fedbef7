//! What the windows of a fit found, gathered into one [`ModeSet`].

use super::covariance::{Sensitivity, pole_covariance};
use super::joint_fit::WindowFit;
use super::pole::Pole;
use super::record::Records;
use super::settings::Place;
use super::{Amplitude, Kind, Mode, ModeSet};
use crate::flag::{Flag, Flags};
use nalgebra::DMatrix;

/// The pole of a resonance.
pub(super) fn pole_of(mode: &Mode) -> Pole {
    Pole { omega_per_s: mode.omega_per_s, decay_per_s: mode.decay_per_s }
}

/// A set without resonances.
pub(super) fn empty(places: &[Place<'_>]) -> ModeSet {
    ModeSet {
        places: places.iter().map(|p| (p.position.clone(), p.source.clone())).collect(),
        file_rates_hz: places.iter().map(|p| p.file_rate_hz).collect(),
        ..ModeSet::default()
    }
}

/// Takes each window's own poles with their joint covariance into the set, in rising frequency.
pub(super) fn collect(
    set: &mut ModeSet,
    places: &[Place<'_>],
    records: &Records,
    windows: &[WindowFit],
    to_hz: f64,
) {
    let mut blocks: Vec<DMatrix<f64>> = Vec::new();
    for fitted in windows {
        let window = &fitted.window;
        let poles = &window.fit.poles;
        let Some(covariance) = pole_covariance(window) else {
            set.unfitted_hz.push((fitted.span.owns_from_hz, fitted.span.owns_to_hz.min(to_hz)));
            continue;
        };
        let mut own: Vec<usize> = (0..poles.len())
            .filter(|j| fitted.span.owns(&poles[*j]) && poles[*j].frequency_hz() <= to_hz)
            .collect();
        own.sort_by(|a, b| poles[*a].omega_per_s.total_cmp(&poles[*b].omega_per_s));
        let amplitudes = amplitudes(places, records, fitted, &covariance, &own);
        for (j, amplitudes) in own.iter().zip(amplitudes) {
            set.modes.push(mode(places, &poles[*j], &covariance, *j, amplitudes));
        }
        blocks.push(DMatrix::from_fn(2 * own.len(), 2 * own.len(), |r, c| {
            covariance[(2 * own[r / 2] + r % 2, 2 * own[c / 2] + c % 2)]
        }));
    }
    set.covariance = block_diagonal(&blocks);
}

fn mode(
    places: &[Place<'_>],
    pole: &Pole,
    covariance: &DMatrix<f64>,
    j: usize,
    amplitudes: Vec<Option<Amplitude>>,
) -> Mode {
    let mut flags = Flags::default();
    if places.iter().any(|p| p.emission_s.is_none()) {
        flags.add(Flag::NoTimeBase);
    }
    Mode {
        kind: Kind::Unsure,
        omega_per_s: pole.omega_per_s,
        decay_per_s: pole.decay_per_s,
        omega_sd_per_s: covariance[(2 * j, 2 * j)].sqrt(),
        decay_sd_per_s: covariance[(2 * j + 1, 2 * j + 1)].sqrt(),
        amplitudes,
        flags,
    }
}

/// Amplitudes of a window's own poles at all places, brought to the emission (or, without one, the own onset).
fn amplitudes(
    places: &[Place<'_>],
    records: &Records,
    fitted: &WindowFit,
    covariance: &DMatrix<f64>,
    own: &[usize],
) -> Vec<Vec<Option<Amplitude>>> {
    let window = &fitted.window;
    let poles = &window.fit.poles;
    let delta_chi2 = window.delta_chi2_by_place();
    let mut all = vec![vec![None; places.len()]; own.len()];
    for (group, fit) in window.problem.groups.iter().zip(&window.fit.projection.groups) {
        let Some(sensitivity) = Sensitivity::new(group, fit, poles) else { continue };
        for (m, index) in group.records.iter().enumerate() {
            let record = &records.records[*index];
            let place = &places[record.place];
            let origin_s = place.emission_s.unwrap_or(place.onset_s);
            for (row, j) in all.iter_mut().zip(own) {
                let variance = window.variances[*index];
                let earlier_s = record.start_s - origin_s;
                let value = sensitivity.amplitude(fit, poles, covariance, (*j, m), variance, earlier_s);
                row[record.place] = Some(Amplitude { delta_chi2: delta_chi2[*j][*index], ..value });
            }
        }
    }
    all
}

fn block_diagonal(blocks: &[DMatrix<f64>]) -> Vec<f64> {
    let size: usize = blocks.iter().map(DMatrix::nrows).sum();
    let mut whole = DMatrix::zeros(size, size);
    let mut at = 0;
    for block in blocks {
        whole.view_mut((at, at), block.shape()).copy_from(block);
        at += block.nrows();
    }
    whole.as_slice().to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_stand_on_the_diagonal() {
        let blocks = [DMatrix::from_element(1, 1, 1.0), DMatrix::from_row_slice(2, 2, &[2.0, 3.0, 4.0, 5.0])];
        let whole = DMatrix::from_row_slice(3, 3, &[1.0, 0.0, 0.0, 0.0, 2.0, 3.0, 0.0, 4.0, 5.0]);
        assert_eq!(DMatrix::from_vec(3, 3, block_diagonal(&blocks)), whole);
    }
}
