//! Fourier transforms of real records, with plans that are kept: planning a length costs more than transforming it.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::{Arc, Mutex, PoisonError};

/// Numbers kept of each kind, some 64 MB. Files of one session share their lengths; an archive of many lengths must
/// not grow for ever.
const KEPT: usize = 1 << 22;

/// The values asked for last, made where they are missing; each key with how many numbers its value holds.
pub(crate) struct Kept<K, V: ?Sized>(Mutex<Vec<(K, usize, Arc<V>)>>);

impl<K: PartialEq, V: ?Sized> Kept<K, V> {
    pub(crate) const fn new() -> Self {
        Self(Mutex::new(Vec::new()))
    }

    /// The value of `key`; `make` must give the same for the same key, so that it doesn't matter who asked first.
    pub(crate) fn get(&self, key: K, numbers: usize, make: impl FnOnce() -> Arc<V>) -> Arc<V> {
        // A thread that panicked while it held the lock left whole entries behind.
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let entry = match known.iter().position(|(other, ..)| *other == key) {
            Some(at) => known.remove(at),
            None => (key, numbers, make()),
        };
        let value = Arc::clone(&entry.2);
        let mut room = KEPT.saturating_sub(entry.1);
        known.retain(|(_, numbers, _)| {
            let fits = *numbers <= room;
            room = room.saturating_sub(*numbers);
            fits
        });
        known.insert(0, entry);
        value
    }
}

static FORWARD: Kept<usize, dyn RealToComplex<f64>> = Kept::new();
static BACK: Kept<usize, dyn ComplexToReal<f64>> = Kept::new();
static COMPLEX_BACK: Kept<usize, dyn Fft<f64>> = Kept::new();

/// Bins 0 to half the length of a real record, not scaled; `samples` is used as memory.
pub(crate) fn of_real(samples: &mut [f64]) -> Vec<Complex<f64>> {
    let mut memory = Memory { real: samples.to_vec(), ..Memory::default() };
    memory.transform();
    memory.bins
}

/// Longest record whose memory is kept for the next: a sweep of a minute at 48 kHz, and what was recorded of it, one after the
/// other. Fresh pages for each transform of it take a twelfth more time.
const LONGEST_KEPT: usize = 2 * KEPT;

/// Memory of transforms, for the next ones: fetching fresh pages costs as much as transforming.
#[derive(Default)]
pub(crate) struct Memory {
    /// A real record.
    pub real: Vec<f64>,
    /// Its bins.
    pub bins: Vec<Complex<f64>>,
    /// Another spectrum, then its complex record.
    pub complex: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

static SPARE: Mutex<Vec<Memory>> = Mutex::new(Vec::new());

impl Memory {
    /// What a finished transform left, or none yet; its contents mean nothing.
    pub(crate) fn spare() -> Self {
        SPARE.lock().unwrap_or_else(PoisonError::into_inner).pop().unwrap_or_default()
    }

    /// Gives it to the next; a record longer than usual takes its memory with it.
    pub(crate) fn give_back(self) {
        if self.real.capacity() <= LONGEST_KEPT {
            SPARE.lock().unwrap_or_else(PoisonError::into_inner).push(self);
        }
    }

    /// Bins 0 to half the length of `real`, not scaled; `real` itself is lost.
    pub(crate) fn transform(&mut self) {
        let (zero, length) = (Complex::ZERO, self.real.len());
        self.bins.clear();
        if length == 0 {
            return;
        }
        let plan = FORWARD.get(length, length, || RealFftPlanner::new().plan_fft_forward(length));
        self.bins.resize(length / 2 + 1, zero);
        self.scratch.resize(plan.get_scratch_len().max(self.scratch.len()), zero);
        // The lengths are the plan's own, so it has nothing to refuse.
        let _ = plan.process_with_scratch(&mut self.real, &mut self.bins, &mut self.scratch);
    }

    /// The real record of `length` samples with these bins, `length` times as large, in `real`; the bins are lost. The
    /// first bin, and the last of an even length, count as real.
    pub(crate) fn back_to_real(&mut self, length: usize) {
        let zero = Complex::ZERO;
        self.bins.resize(length / 2 + 1, zero);
        self.real.clear();
        self.real.resize(length, 0.0);
        if length == 0 {
            return;
        }
        self.bins[0].im = 0.0;
        if length.is_multiple_of(2) {
            self.bins[length / 2].im = 0.0;
        }
        let plan = BACK.get(length, length, || RealFftPlanner::new().plan_fft_inverse(length));
        self.scratch.resize(plan.get_scratch_len().max(self.scratch.len()), zero);
        let _ = plan.process_with_scratch(&mut self.bins, &mut self.real, &mut self.scratch);
    }

    /// Σ complex[k] exp(2πi k m / length) in place of entry m.
    pub(crate) fn back(&mut self) {
        let length = self.complex.len();
        if length == 0 {
            return;
        }
        let plan = COMPLEX_BACK.get(length, 2 * length, || FftPlanner::new().plan_fft_inverse(length));
        self.scratch.resize(plan.get_inplace_scratch_len().max(self.scratch.len()), Complex::ZERO);
        plan.process_with_scratch(&mut self.complex, &mut self.scratch);
    }
}

/// The real record of `length` samples with these bins, `length` times as large; `bins` are used as memory.
///
/// The first bin, and the last of an even length, stand for real numbers: their imaginary parts count as zero.
pub(crate) fn to_real(bins: &mut [Complex<f64>], length: usize) -> Vec<f64> {
    if length == 0 || bins.len() != length / 2 + 1 {
        return vec![0.0; length];
    }
    let plan = BACK.get(length, length, || RealFftPlanner::new().plan_fft_inverse(length));
    bins[0].im = 0.0;
    if length.is_multiple_of(2) {
        bins[length / 2].im = 0.0;
    }
    let mut samples = plan.make_output_vec();
    let _ = plan.process(bins, &mut samples);
    samples
}

/// Next length whose only prime factors are 2, 3 and 5: the transform is quick there.
pub(crate) fn fast_length(least: usize) -> usize {
    let is_fast = |n: &usize| {
        let mut rest = *n;
        for prime in [2, 3, 5] {
            while rest.is_multiple_of(prime) {
                rest /= prime;
            }
        }
        rest == 1
    };
    (least.max(1)..).find(is_fast).unwrap_or(least)
}

/// A length of at least `least` whose only prime factors are 2, 3 and 5, at most an eighth longer; from a few
/// lengths an octave, so that plans are shared by records that are nearly as long.
pub(crate) fn shared_length(least: usize) -> usize {
    const OCTAVE: [usize; 8] = [64, 72, 80, 90, 96, 108, 120, 128];
    if least <= OCTAVE[0] {
        return OCTAVE[0];
    }
    let octaves = least.div_ceil(OCTAVE[7]).next_power_of_two();
    OCTAVE.into_iter().map(|n| n * octaves).find(|&n| n >= least).unwrap_or(least)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// The definition, term by term.
    #[test]
    fn transforms_are_their_sums() {
        let record: Vec<f64> = (0..60).map(|k| (f64::from(k * k) * 0.37).sin()).collect();
        let bins = of_real(&mut record.clone());
        assert_eq!(bins.len(), 31);
        for (m, bin) in bins.iter().enumerate() {
            let sum: Complex<f64> = record
                .iter()
                .enumerate()
                .map(|(k, x)| Complex::from_polar(*x, -TAU * (k * m) as f64 / 60.0))
                .sum();
            assert!((bin - sum).norm() < 1e-12);
        }
        let again = to_real(&mut bins.clone(), 60);
        assert!(again.iter().zip(&record).all(|(a, b)| (a / 60.0 - b).abs() < 1e-14));
        let mut memory = Memory { bins: bins.clone(), ..Memory::default() };
        memory.back_to_real(60);
        assert_eq!(memory.real, again);
        let mut memory = Memory { complex: bins.clone(), ..Memory::default() };
        memory.back();
        let sum: Complex<f64> =
            bins.iter().enumerate().map(|(k, x)| x * Complex::cis(TAU * (k * 5) as f64 / 31.0)).sum();
        assert!((memory.complex[5] - sum).norm() < 1e-12);
    }

    #[test]
    fn shared_lengths_are_a_little_longer_and_few() {
        let mut lengths: Vec<usize> = (1..5000).map(shared_length).collect();
        assert!(
            lengths.iter().zip(1..).all(|(n, least)| *n >= least && (least < 64 || 8 * n <= 9 * least + 8))
        );
        lengths.dedup();
        assert!(lengths.len() < 50, "{lengths:?}");
        assert_eq!(shared_length(144_320), 147_456);
    }

    #[test]
    fn only_what_was_asked_for_last_is_kept() {
        let kept: Kept<usize, usize> = Kept::new();
        for k in 0..100 {
            assert_eq!(*kept.get(k, KEPT / 4, || Arc::new(k)), k);
        }
        assert_eq!(kept.0.lock().expect("whole").len(), 4);
        assert_eq!(*kept.get(97, KEPT / 4, || Arc::new(0)), 97);
        assert_eq!(*kept.get(100, 2 * KEPT, || Arc::new(100)), 100);
        assert_eq!(kept.0.lock().expect("whole").len(), 1);
    }
}
