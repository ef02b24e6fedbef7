//! Where in a quotient the response stands, and how far each band of it stands over the noise.

use super::RecoveryError;
use super::broken::{Break, clicked};
use super::recovered::{Harmonic, OctavePeak};
use super::reference::{Rise, centres};
use super::transform::{CLEAR, Lags};
use rustfft::num_complex::Complex64;

/// All third octaves of a quotient over all lags.
pub(super) struct Ring {
    /// One entry a band, in rising frequency.
    pub bands: Vec<Lags>,
    /// Least lag that is meant, s; the greatest is a turn of the ring later. `None`: half a turn both ways.
    least_s: Option<f64>,
}

/// The response's place among the lags.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Arrival {
    /// First sound, s; a time before zero comes before the signal in the reference.
    pub lag_s: f64,
    /// Times of more responses like it: the signal was played again, s.
    pub again_s: Vec<f64>,
    /// Where the sound broke off or came on, if the bands' lags show it.
    pub broken: Option<Break>,
    /// What the lags of the weaker bands say against it: no arrival, unless those bands hold no sound at all.
    pub against: Option<RecoveryError>,
}

/// A band tells times from 30 dB over its usual power on; below, noise passes for early sound.
const SHARP: f64 = 1e3;
/// Low bands may peak this much after the first sound, s, while modes build up.
const BUILD_UP_S: f64 = 0.25;
/// The first sound lies within this of a band's largest power (15 dB).
const FIRST: f64 = 0.03;
/// A second response is within this of the first one's power (10 dB).
const AGAIN: f64 = 0.1;
/// Length of the pieces in which more responses are looked for, s.
const PIECE_S: f64 = 0.1;
/// Share of all bands that must show a peak before they are said to contradict each other: in a few, noise makes one.
const LEAST_CLEAR: f64 = 0.4;
/// Share of clear bands that must agree on the arrival.
const LEAST_AGREEMENT: f64 = 0.6;

impl Ring {
    /// The bands within a range.
    pub fn of(quotient: &[Complex64], length: usize, rate_hz: f64, (low_hz, high_hz): (f64, f64)) -> Self {
        let bands =
            centres(low_hz, high_hz).filter_map(|hz| Lags::of(quotient, length, rate_hz, hz)).collect();
        Self { bands, least_s: None }
    }

    /// The ring of a recording that fills this share of the transform.
    pub fn filled(self, share: f64) -> Self {
        Self { bands: self.bands.into_iter().map(|band| band.filled(share)).collect(), ..self }
    }

    /// The ring of a recording that a recorder took by itself. The signal, `signal_s` long, may have begun as long
    /// before it, and as late as the recording is long: a ring of both lengths holds each of these lags once.
    pub fn apart(self, signal_s: f64) -> Self {
        Self { least_s: Some(-signal_s), ..self }
    }

    /// Least and greatest lag, s.
    pub fn lags(&self) -> (f64, f64) {
        let seconds = self.bands.first().map_or(0.0, Lags::seconds);
        let least = self.least_s.unwrap_or(-0.5 * seconds);
        (least, least + seconds)
    }
}

/// A band's tolerance around the common arrival, s.
fn tolerance_s(band: &Lags) -> f64 {
    0.03 + BUILD_UP_S.min(30.0 / band.centre_hz) + 2.0 / band.width_hz
}

/// Finds the response.
///
/// # Errors
/// [`RecoveryError::NoResponse`] where no band shows any, [`RecoveryError::OtherSignal`] where each shows
/// its own.
pub(super) fn locate(ring: &Ring, rise: Option<&Rise>) -> Result<Arrival, RecoveryError> {
    let (least, greatest) = ring.lags();
    let clear: Vec<(&Lags, f64, f64)> = ring
        .bands
        .iter()
        .map(|band| (band, band.largest(least, greatest), band.usual()))
        .filter(|(_, (most, _), usual)| *most > CLEAR * usual)
        .map(|(band, (most, lag), _)| (band, most, lag))
        .collect();
    if clear.is_empty() {
        return Err(RecoveryError::NoResponse);
    }
    // Where the signal was played several times, each band has its largest peak at one of them and nearly as much at
    // the others.
    let near = |at: f64| {
        let shows = |(band, most, lag): &&(&Lags, f64, f64)| {
            let reach = tolerance_s(band);
            let limit = (AGAIN * most).max(CLEAR * band.usual());
            (lag - at).abs() < reach || band.largest(at - reach, at + reach).0 > limit
        };
        clear.iter().filter(shows).count()
    };
    // Of places with as many bands, that of the highest band, which sees it sharpest.
    let most = clear.iter().map(|(_, _, lag)| near(*lag)).max().unwrap_or(0);
    let rough = clear.iter().rev().find(|(_, _, lag)| near(*lag) == most).map_or(0.0, |c| c.2);
    let agreement = most as f64 / clear.len() as f64;
    let sharp: Vec<(&Lags, f64, f64)> = clear.iter().filter(|c| c.1 > SHARP * c.0.usual()).copied().collect();
    let sharp = if sharp.is_empty() { &clear } else { &sharp };
    if let Some((broken, lag_s)) = rise.and_then(|rise| clicked(sharp, rise)) {
        let lag_s = first_sound(sharp, lag_s);
        return Ok(Arrival { lag_s, again_s: Vec::new(), broken: Some(broken), against: None });
    }
    if agreement < LEAST_AGREEMENT && (clear.len() as f64) < LEAST_CLEAR * ring.bands.len() as f64 {
        return Err(RecoveryError::NoResponse);
    }
    if agreement < LEAST_AGREEMENT {
        let spread = |pick: fn(f64, f64) -> f64, start| clear.iter().map(|c| c.2).fold(start, pick);
        let apart_s = spread(f64::max, f64::NEG_INFINITY) - spread(f64::min, f64::INFINITY);
        let error = RecoveryError::OtherSignal { apart_s, bands: clear.len() };
        let strong = strong(&clear);
        let Some(rough) = common(&strong) else { return Err(error) };
        let lag_s = first_sound(&strong, rough);
        return Ok(Arrival { lag_s, again_s: Vec::new(), broken: None, against: Some(error) });
    }
    let lag_s = first_sound(sharp, rough);
    Ok(Arrival { lag_s, again_s: again(sharp, ring.lags(), rough, rise), broken: None, against: None })
}

/// Bands within 40 dB of the one that stands farthest over its usual power.
fn strong<'a>(clear: &[(&'a Lags, f64, f64)]) -> Vec<(&'a Lags, f64, f64)> {
    let over = |(band, most, _): &(&Lags, f64, f64)| most / band.usual().max(f64::MIN_POSITIVE);
    let most = clear.iter().map(over).fold(0.0, f64::max);
    clear.iter().filter(|band| over(band) > WEAK * most).copied().collect()
}

/// See [`strong`].
const WEAK: f64 = 1e-4;

/// The lag that four bands of five share, s; `None` of fewer than four.
fn common(bands: &[(&Lags, f64, f64)]) -> Option<f64> {
    let mut lags: Vec<f64> = bands.iter().map(|band| band.2).collect();
    lags.sort_by(f64::total_cmp);
    let middle = *lags.get(lags.len() / 2).filter(|_| lags.len() >= 4)?;
    let near = bands.iter().filter(|(band, _, lag)| (lag - middle).abs() < tolerance_s(band)).count();
    (5 * near >= 4 * bands.len()).then_some(middle)
}

/// Start of the first sound near `rough`, in the highest clear bands.
fn first_sound(clear: &[(&Lags, f64, f64)], rough: f64) -> f64 {
    let sharp = clear.iter().rev().filter(|(b, _, lag)| (lag - rough).abs() < tolerance_s(b)).take(3);
    let mut starts: Vec<f64> = sharp
        .map(|(band, most, lag)| {
            let earliest = (lag - BUILD_UP_S / 2.0).min(rough);
            let steps = ((lag - earliest) / band.step_s) as usize;
            let passed = (0..=steps).map(|k| earliest + k as f64 * band.step_s);
            let limit = (FIRST * most).max(40.0 * band.usual());
            let start = passed.into_iter().find(|at| band.largest(*at, at + band.step_s).0 >= limit);
            // A band smears an impulse over about the inverse of its width.
            start.map_or(*lag, |start| (start + 0.5 / band.width_hz).min(*lag))
        })
        .collect();
    starts.sort_by(f64::total_cmp);
    starts.get(starts.len() / 2).copied().unwrap_or(rough)
}

/// Other lags at which most bands show as much again; harmonic products, which lie before, are weaker.
fn again(clear: &[(&Lags, f64, f64)], lags: (f64, f64), rough: f64, rise: Option<&Rise>) -> Vec<f64> {
    let apart = rise.map_or(1.0, |rise| rise.time_constant_s.max(1.0));
    let upper: Vec<&(&Lags, f64, f64)> = clear.iter().rev().take(6).collect();
    let mut times: Vec<(f64, usize)> = Vec::new();
    for (band, most, _) in &upper {
        let limit = (AGAIN * most).max(CLEAR * band.usual());
        for lag in peaks(band, limit, lags, (rough, apart)) {
            let alike = tolerance_s(band).max(0.15);
            match times.iter_mut().find(|(time, _)| (*time - lag).abs() < alike) {
                Some((_, bands)) => *bands += 1,
                None => times.push((lag, 1)),
            }
        }
    }
    let mut found: Vec<f64> =
        times.into_iter().filter(|(_, bands)| 2 * bands > upper.len()).map(|(time, _)| time).collect();
    found.sort_by(f64::total_cmp);
    found
}

/// Lags of a band's peaks over a limit, each the largest within `apart` of it and as far from what is known: how
/// a response falls off after its peak is no second one.
fn peaks(band: &Lags, limit: f64, (least, greatest): (f64, f64), (known, apart): (f64, f64)) -> Vec<f64> {
    let pieces = ((greatest - least) / PIECE_S) as usize;
    let from = |k: usize| least + k as f64 * PIECE_S;
    let mut high: Vec<(f64, f64)> = (0..pieces)
        .map(|k| band.largest(from(k), from(k + 1)))
        .filter(|(power, lag)| *power > limit && (lag - known).abs() > apart)
        .collect();
    high.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<f64> = Vec::new();
    for (_, lag) in high {
        if kept.iter().all(|other| (lag - other).abs() > apart) {
            kept.push(lag);
        }
    }
    kept
}

/// Peak, noise and end of each band around the arrival, as powers.
pub(super) struct Levels {
    pub bands: Vec<BandLevel>,
}

pub(super) struct BandLevel {
    pub centre_hz: f64,
    pub peak: f64,
    pub noise: f64,
    /// Power at the end of what is kept, and half a second (or half of it) before.
    pub end: f64,
    pub before_end: f64,
}

/// Peak over mean noise from which a band belongs to the range (12 dB): a peak among 10⁴ values of noise
/// alone stands 9.6 dB over their mean.
const IN_RANGE: f64 = 16.0;

impl Ring {
    /// Reads each band's peak and noise; `silence_s` is how long the recording runs before the signal.
    pub fn levels(&self, arrival: &Arrival, after_s: f64, silence_s: f64) -> Levels {
        let at = arrival.lag_s;
        let bands = self.bands.iter().map(|band| {
            let smear = 2.0 / band.width_hz;
            let peak = band.largest(at - smear, at + BUILD_UP_S + smear).0;
            let tail = (0.2 * after_s).max(smear);
            let end = band.mean(at + after_s - tail, at + after_s);
            let ahead = (at - silence_s.min(1.0), at - 0.03 - 2.0 * smear);
            let before = if ahead.1 - ahead.0 > 4.0 * smear { band.mean(ahead.0, ahead.1) } else { end };
            BandLevel {
                centre_hz: band.centre_hz,
                peak,
                noise: before.min(end),
                end,
                before_end: band.mean(at + after_s - 3.0 * tail, at + after_s - 2.0 * tail),
            }
        });
        Levels { bands: bands.collect() }
    }

    /// Harmonic products of a sweep, in the band where each is largest against the response.
    pub fn harmonics(&self, rise: &Rise, arrival: &Arrival, levels: &Levels) -> Vec<Harmonic> {
        let strongest = levels.bands.iter().map(|band| band.peak).fold(0.0, f64::max);
        (2..=5)
            .filter_map(|order| {
                let lag = arrival.lag_s - rise.harmonic_lead_s(order);
                let found = self.bands.iter().zip(&levels.bands).filter_map(|(band, level)| {
                    let power = band.largest(lag - 0.02, lag + 0.08).0;
                    let seen = power > 20.0 * level.noise && level.peak > 1e-2 * strongest;
                    seen.then(|| (power / level.peak, band.centre_hz))
                });
                let (ratio, band_hz) = found.max_by(|a, b| a.0.total_cmp(&b.0))?;
                Some(Harmonic { order, ratio, band_hz })
            })
            .collect()
    }
}

impl Levels {
    /// The range around the strongest bands in which peaks stand over the noise, each edge with whether noise
    /// ends it (else the signal does); one weak band in between is a null, not an end.
    pub fn range(&self) -> Option<((f64, bool), (f64, bool))> {
        let inside = |band: &BandLevel| band.peak >= IN_RANGE * band.noise && band.peak > 0.0;
        let ratio = |band: &BandLevel| band.peak / band.noise.max(f64::MIN_POSITIVE);
        let best = (0..self.bands.len())
            .filter(|k| inside(&self.bands[*k]))
            .max_by(|a, b| ratio(&self.bands[*a]).total_cmp(&ratio(&self.bands[*b])))?;
        let (mut low, mut high) = (best, best);
        while (1..=2).any(|gap| low >= gap && inside(&self.bands[low - gap])) {
            low -= if inside(&self.bands[low - 1]) { 1 } else { 2 };
        }
        while (1..=2).any(|gap| self.bands.get(high + gap).is_some_and(inside)) {
            high += if inside(&self.bands[high + 1]) { 1 } else { 2 };
        }
        let edge = 2.0_f64.powf(1.0 / 6.0);
        let ends = (low > 0, high + 1 < self.bands.len());
        Some(((self.bands[low].centre_hz / edge, ends.0), (self.bands[high].centre_hz * edge, ends.1)))
    }

    /// Peak-to-noise of octaves within the range: of each, the weakest of its thirds.
    pub fn octaves(&self, (low_hz, high_hz): (f64, f64)) -> Vec<OctavePeak> {
        (-6..=4)
            .filter_map(|k| {
                let band_hz = 1_000.0 * 2.0_f64.powi(k);
                let of_octave = |b: &&BandLevel| (b.centre_hz / band_hz).log2().abs() < 0.4;
                let in_range = |b: &&BandLevel| (low_hz..high_hz).contains(&b.centre_hz);
                let thirds = self.bands.iter().filter(of_octave).filter(in_range);
                let ratios = thirds.map(|b| if b.noise > 0.0 { b.peak / b.noise } else { f64::INFINITY });
                let ratio = ratios.fold(None, |least: Option<f64>, r| Some(least.map_or(r, |l| l.min(r))))?;
                Some(OctavePeak { band_hz, ratio })
            })
            .collect()
    }
}
