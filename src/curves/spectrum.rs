//! The mean spectrum of some places.

use super::Record;
use crate::state::PlaceResult;

/// Power over frequency, averaged over places.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Spectrum {
    /// Frequencies, rising by equal ratios, Hz.
    pub frequency_hz: Vec<f64>,
    /// Mean over the places of |Σ x e^(−iωn)|², relative to a unit sample.
    pub power: Vec<f64>,
}

/// Zeros are added up to this length: then bins lie closer than the narrowest peak (2.2/T60) is wide.
const PADDED_S: f64 = 16.0;

/// The mean spectrum from the direct sound to the end of each record.
///
/// `None` without a place that has a low end, or for a range that is none.
#[must_use]
pub fn spectrum(places: &[&PlaceResult], from_hz: f64, to_hz: f64, points: usize) -> Option<Spectrum> {
    if !(from_hz > 0.0 && to_hz > from_hz && points > 1) {
        return None;
    }
    let ratio = (to_hz / from_hz).ln() / (points - 1) as f64;
    let frequency_hz: Vec<f64> = (0..points).map(|k| from_hz * (ratio * k as f64).exp()).collect();
    let mut power = vec![0.0; points];
    let mut counted = 0.0;
    for record in places.iter().filter_map(|place| Record::new(&place.response.low)) {
        let bins = record.transform(PADDED_S);
        let per_hz = bins.len() as f64 / record.rate_hz;
        for (sum, hz) in power.iter_mut().zip(&frequency_hz) {
            let place = (hz * per_hz).min(bins.len() as f64 / 2.0 - 1.0);
            let (below, share) = (place as usize, place.fract());
            *sum += (1.0 - share) * bins[below].norm_sqr() + share * bins[below + 1].norm_sqr();
        }
        counted += 1.0;
    }
    power.iter_mut().for_each(|p| *p /= counted);
    (counted > 0.0).then_some(Spectrum { frequency_hz, power })
}
