//! What the closed form says about each mode of an invented session.

use super::jobs::Job;
use crate::room::simulate::{Scene, Solved};
use rustfft::num_complex::Complex64;

/// What really happened to one mode before.
pub struct Truth {
    /// ln of the ratio of decay constants, of the slowest pole with a quarter of the shape.
    pub log: f64,
    /// dB of level change in the room.
    pub level_db: f64,
    /// Poles after that are this mode's, in the order of the truth.
    pub poles: Vec<usize>,
    /// Whether two of them each have a quarter of its shape.
    pub split: bool,
    /// What the two strongest leave of its shape, over what the better one alone leaves; 0 with one.
    pub rest: f64,
    /// The second largest share of its shape.
    pub second_share: f64,
    /// The slowest of them.
    pub slow: usize,
}

/// Room alone: after state with the places, source, gain and chain of before.
pub fn room_only(job: &Job) -> Solved {
    let scene = Scene {
        chain: job.before.scene.chain.clone(),
        gain: job.before.scene.gain,
        ..job.after.scene.clone()
    };
    scene.solve().expect("a sound scene")
}

/// What happened to pole `i` of the room before; `None` where no pole after carries a quarter of its shape.
pub fn truth(job: &Job, old: &Solved, new: &Solved, i: usize) -> Option<Truth> {
    let before = old.room_poles()[i];
    let residues = |s: &Solved| -> Vec<Vec<Complex64>> {
        job.before.places.iter().map(|p| s.residues(job.before.source, *p)).collect()
    };
    let (r_old, r_new) = (residues(old), residues(new));
    let norm: f64 = r_old.iter().map(|r| r[i].norm_sqr()).sum();
    let share =
        |k: usize| r_old.iter().zip(&r_new).map(|(a, b)| b[k] * a[i].conj()).sum::<Complex64>().norm() / norm;
    let own: Vec<usize> = (0..new.room_poles().len()).filter(|k| new.poles[*k].axes == before.axes).collect();
    let strong: Vec<usize> = own.iter().copied().filter(|k| share(*k) >= 0.25).collect();
    let mut shares: Vec<f64> = own.iter().map(|k| share(*k)).collect();
    shares.sort_by(|a, b| b.total_cmp(a));
    let slow = strong
        .iter()
        .copied()
        .min_by(|a, b| new.poles[*a].decay_per_s().total_cmp(&new.poles[*b].decay_per_s()))?;
    let height = |r: &[Vec<Complex64>], s: &Solved, poles: &[usize]| -> f64 {
        let at = |omega: f64| -> f64 {
            r.iter()
                .map(|r| {
                    poles
                        .iter()
                        .map(|k| r[*k] / (Complex64::new(0.0, omega) - s.poles[*k].s))
                        .sum::<Complex64>()
                        .norm_sqr()
                })
                .sum()
        };
        let (low, high) = poles.iter().fold((f64::INFINITY, 0.0f64), |(l, h), k| {
            let p = s.poles[*k];
            (l.min(p.s.im - p.decay_per_s()), h.max(p.s.im + p.decay_per_s()))
        });
        (0..=400).map(|k| at(low + (high - low) * f64::from(k) / 400.0)).fold(0.0, f64::max)
    };
    let level_db = 10.0 * (height(&r_new, new, &strong) / height(&r_old, old, &[i])).log10();
    Some(Truth {
        log: (new.poles[slow].decay_per_s() / before.decay_per_s()).ln(),
        level_db,
        poles: own.clone(),
        split: strong.len() == 2,
        rest: rest(&r_old, &r_new, i, &own, &share),
        second_share: shares.get(1).copied().unwrap_or(0.0),
        slow,
    })
}

/// |R0 - R1 - R2| over the smaller of |R0 - R1| and |R0 - R2|, over all places.
fn rest(
    old: &[Vec<Complex64>],
    new: &[Vec<Complex64>],
    before: usize,
    own: &[usize],
    share: &impl Fn(usize) -> f64,
) -> f64 {
    let mut ranked = own.to_vec();
    ranked.sort_by(|a, b| share(*b).total_cmp(&share(*a)));
    let [first, second, ..] = ranked[..] else { return 0.0 };
    let left = |poles: &[usize]| -> f64 {
        let at = |(a, b): (&Vec<Complex64>, &Vec<Complex64>)| {
            (a[before] - poles.iter().map(|k| b[*k]).sum::<Complex64>()).norm_sqr()
        };
        old.iter().zip(new).map(at).sum::<f64>().sqrt()
    };
    left(&[first, second]) / left(&[first]).min(left(&[second]))
}
