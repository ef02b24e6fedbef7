//! Places become records that begin at their onset, grouped by rate and length, with their spectra.

use super::basis::Bins;
use super::noise::NoiseSpectrum;
use super::problem::{Group, Problem};
use super::residual_terms::ResidualTerms;
use super::settings::Place;
use super::tall::Tall;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::sync::Arc;

/// Which part of a record is used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cut {
    /// It begins so long after the onset, s.
    pub later_s: f64,
    /// Of what lies between its beginning and the end this share is kept, from the beginning.
    pub keep: f64,
    /// It ends at most this long after the onset (not after its beginning), s.
    pub until_s: f64,
}

impl Cut {
    /// From the onset to the end.
    pub const WHOLE: Cut = Cut { later_s: 0.0, keep: 1.0, until_s: f64::INFINITY };
}

/// Records longer than this are cut: 25–30 dB of decay hold all that a fit can use (Yao & Pandit 1995),
/// and modes of more than 10 s don't occur in rooms.
const LONGEST_S: f64 = 6.0;
/// Shorter records can't tell poles from a polynomial.
const SHORTEST_S: f64 = 0.12;
/// A record shorter than this share of the median one tells less than it takes: it widens the bins, leaves its
/// window with fewer numbers than poles, and shows no background. Such a record is left out. Our own choice.
const MUCH_SHORTER: f64 = 0.4;
/// Records of one rate whose lengths differ by less than this share are cut to one length. Our own choice.
const ALIKE: f64 = 0.03;

/// One place's record as it is fitted.
#[derive(Debug, Clone)]
pub(crate) struct Record {
    /// Index in the caller's places.
    pub place: usize,
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// First sample used.
    pub first: usize,
    /// Samples used.
    pub len: usize,
    /// Time of the first sample used, s from sample 0 of the place.
    pub start_s: f64,
}

/// Records of one rate and length.
#[derive(Debug, Clone)]
struct SameLength {
    rate_hz: f64,
    len: usize,
    /// Index in `Records::records` and spectrum over fs, bins 0 to len/2.
    spectra: Vec<(usize, Vec<Complex<f64>>)>,
}

/// All records of one state, cut in one way.
#[derive(Debug, Clone)]
pub(crate) struct Records {
    /// The usable places, in order.
    pub records: Vec<Record>,
    lengths: Vec<SameLength>,
}

/// Samples up to the last that isn't silent: an exporter's zero padding is no measurement.
pub(crate) fn sounding_len(samples: &[f64]) -> usize {
    let top = samples.iter().fold(0.0_f64, |t, s| t.max(s.abs()));
    samples.iter().rposition(|s| s.abs() > 1e-10 * top).map_or(0, |last| last + 1)
}

/// The largest length up to `len` with no prime factor over 7, for a quick transform.
fn quick_length(len: usize) -> usize {
    let only_small_primes = |mut n: usize| {
        for p in [2, 3, 5, 7] {
            while n.is_multiple_of(p) {
                n /= p;
            }
        }
        n == 1
    };
    (1..=len).rev().find(|n| only_small_primes(*n)).unwrap_or(len)
}

fn record(index: usize, place: &Place<'_>, cut: Cut) -> Option<Record> {
    if !(place.rate_hz.is_finite() && place.rate_hz > 0.0 && place.onset_s.is_finite()) {
        return None;
    }
    if place.samples.iter().any(|s| !s.is_finite()) {
        return None;
    }
    let first = ((place.onset_s + cut.later_s) * place.rate_hz).ceil().max(0.0) as usize;
    let rest = sounding_len(&place.samples).saturating_sub(first);
    let longest_s = LONGEST_S.min(cut.until_s - cut.later_s).max(0.0);
    let kept = rest.min((longest_s * place.rate_hz) as usize);
    let len = (kept as f64 * cut.keep) as usize;
    if (len as f64) < SHORTEST_S * place.rate_hz {
        return None;
    }
    let start_s = first as f64 / place.rate_hz;
    Some(Record { place: index, rate_hz: place.rate_hz, first, len, start_s })
}

/// Leaves out records that are much shorter than the median one.
fn without_much_shorter(mut records: Vec<Record>) -> Vec<Record> {
    let mut seconds: Vec<f64> = records.iter().map(Record::seconds).collect();
    seconds.sort_by(f64::total_cmp);
    let least = seconds.get(seconds.len() / 2).map_or(0.0, |median| MUCH_SHORTER * median);
    records.retain(|record| record.seconds() >= least);
    records
}

impl Record {
    /// Length, s.
    fn seconds(&self) -> f64 {
        self.len as f64 / self.rate_hz
    }
}

impl Records {
    /// Cuts and transforms all usable places.
    pub fn new(places: &[Place<'_>], cut: Cut) -> Self {
        let records = places.iter().enumerate().filter_map(|(i, place)| record(i, place, cut)).collect();
        let mut records = without_much_shorter(records);
        let mut order: Vec<usize> = (0..records.len()).collect();
        order.sort_by(|a, b| {
            let (a, b) = (&records[*a], &records[*b]);
            a.rate_hz.total_cmp(&b.rate_hz).then(a.len.cmp(&b.len))
        });
        let mut lengths: Vec<SameLength> = Vec::new();
        for index in order {
            let r = &records[index];
            match lengths.last_mut() {
                Some(same)
                    if same.rate_hz.total_cmp(&r.rate_hz).is_eq()
                        && r.len as f64 <= same.len as f64 * (1.0 + ALIKE) =>
                {
                    same.spectra.push((index, Vec::new()));
                }
                _ => lengths.push(SameLength {
                    rate_hz: r.rate_hz,
                    len: r.len,
                    spectra: vec![(index, Vec::new())],
                }),
            }
        }
        let mut planner = FftPlanner::new();
        for same in &mut lengths {
            same.len = quick_length(same.len);
            let fft = planner.plan_fft_forward(same.len);
            same.spectra.sort_by_key(|(index, _)| *index);
            for (index, spectrum) in &mut same.spectra {
                let record = &mut records[*index];
                record.len = same.len;
                let samples = &places[record.place].samples[record.first..record.first + record.len];
                *spectrum = transform(samples, record.rate_hz, &fft);
            }
        }
        Self { records, lengths }
    }

    /// The window `band_hz` as a least-squares problem with noise of the given shape.
    ///
    /// Records with too few bins in it to say anything take no part in the window; `None` if none can.
    pub fn problem(
        &self,
        band_hz: (f64, f64),
        terms: ResidualTerms,
        noise: &NoiseSpectrum,
    ) -> Option<Problem> {
        let mut groups = Vec::with_capacity(self.lengths.len());
        for same in &self.lengths {
            let width = same.rate_hz / same.len as f64;
            let first = (band_hz.0 / width).ceil().max(1.0) as usize;
            let last = ((band_hz.1 / width).floor() as usize).min((same.len - 1) / 2);
            if last < first + terms.count() + 3 {
                continue;
            }
            let mut bins = Bins::new(same.rate_hz, same.len, first, last);
            bins.weights = bins.omegas.iter().map(|omega| noise.weight(*omega)).collect();
            let n = bins.len();
            let spectra = Tall::from_fn(2 * n, same.spectra.len(), |row, column| {
                let k = row % n;
                let value = same.spectra[column].1[first + k] * bins.weights[k];
                if row < n { value.re } else { value.im }
            });
            let records = same.spectra.iter().map(|(index, _)| *index).collect();
            groups.push(Group::new(bins, spectra, records));
        }
        let slope = noise.slope;
        let none = ResidualTerms::NONE;
        let problem =
            Problem { groups, records: self.records.len(), terms: none, band_hz, slope, prior: None };
        (!problem.groups.is_empty()).then(|| problem.with_terms(terms))?
    }

    /// Longest record, s.
    pub fn seconds(&self) -> f64 {
        self.lengths.iter().map(|b| b.len as f64 / b.rate_hz).fold(0.0, f64::max)
    }

    /// Highest frequency that all rates carry, Hz.
    pub fn top_hz(&self) -> f64 {
        self.lengths.iter().map(|b| 0.45 * b.rate_hz).fold(f64::INFINITY, f64::min)
    }
}

fn transform(samples: &[f64], rate_hz: f64, fft: &Arc<dyn rustfft::Fft<f64>>) -> Vec<Complex<f64>> {
    let mut buffer: Vec<Complex<f64>> = samples.iter().map(|s| Complex::from(s / rate_hz)).collect();
    fft.process(&mut buffer);
    buffer.truncate(samples.len() / 2 + 1);
    buffer
}
