//! One filter for all positions? Bin by bin, with no model of the room.
//!
//! In each bin the spectra of the two states at M positions form a 2 × M matrix. If only the chain changed, its second
//! row is E(ω) times its first, so that the matrix has rank one: what is left after the best E is noise, and over that
//! noise it is χ² with 2(M − 1) degrees of freedom a bin.

use super::noise::Noise;
use super::view::{Common, Resonance};
use crate::response::LowRecord;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

// Our own choices where nothing else is said.

/// Bins count where most places stand this far over their noise (a ratio of powers).
const OVER_NOISE: f64 = 10.0;
/// How well the noise itself is known, relative (one sd, over all places).
const NOISE_SD: f64 = 0.06;
/// Rejected beyond this many sd: by chance one in a thousand.
const REJECT: f64 = 3.1;
/// Half widths of the window round a mode that are tried, hertz.
const WIDTHS_HZ: [f64; 3] = [2.5, 5.0, 10.0];
/// Start before the origin, and the fade at the end as a share of the record.
const LEAD_S: f64 = 0.01;
const FADE: f64 = 0.1;

/// What the bins round one mode say of rank one, that is, of one filter for all positions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RankOneTest {
    /// No single filter explains the change.
    Rejected,
    /// One filter explains it, and a change of the room would not have looked like that.
    Accepted,
    /// One filter explains it, but so would the room.
    Inconclusive,
}

/// Spectra of both states at the common places.
pub(super) struct Rows<'a> {
    places: Vec<PathRows<'a>>,
    seconds: f64,
    factor: f64,
}

/// Records of one path in both states.
struct PathRows<'a> {
    low: [&'a LowRecord; 2],
    /// Time of the origin in each record, seconds.
    origin_s: [f64; 2],
    noise: [&'a Noise; 2],
    rates_hz: [f64; 2],
    /// Index among the common places.
    index: usize,
}

impl<'a> Rows<'a> {
    /// `factor`: that all frequencies have in common, after over before. `None` under two usable places.
    pub fn new(
        places: &[Common<'a>],
        noises: [&'a [Option<Noise>]; 2],
        left_out: &[bool],
        factor: f64,
    ) -> Option<Self> {
        let mut rows = Self { places: Vec::new(), seconds: f64::INFINITY, factor };
        for (index, place) in places.iter().enumerate() {
            let (Some(old), Some(new)) = (place.before.low, place.after.low) else { continue };
            let (Some(quiet), Some(then)) = (&noises[0][index], &noises[1][index]) else { continue };
            if left_out[index] {
                continue;
            }
            let origin_s = [place.before.origin_s, place.after.origin_s + place.shift_s];
            for (low, origin) in [old, new].iter().zip(origin_s) {
                rows.seconds = rows.seconds.min(low.samples.len() as f64 / low.rate_hz - origin);
            }
            rows.places.push(PathRows {
                low: [old, new],
                origin_s,
                noise: [quiet, then],
                rates_hz: [place.before.file_rate_hz, place.after.file_rate_hz],
                index,
            });
        }
        (rows.places.len() >= 2 && rows.seconds > 0.3).then_some(rows)
    }

    /// Tests the bins round `mode`; `after` is what the room would have made of it.
    pub fn test(&self, mode: &Resonance, after: &[&Resonance], gain: f64) -> RankOneTest {
        let hz = mode.hz();
        let widest = WIDTHS_HZ[WIDTHS_HZ.len() - 1];
        let first = ((hz - widest) * self.seconds).ceil().max(1.0) as usize;
        let last = ((hz + widest) * self.seconds).floor() as usize;
        let bins: Vec<Bin> =
            (first..=last).filter_map(|k| self.bin(k as f64 / self.seconds, mode, after, gain)).collect();
        // The window is chosen by what the room would do to it, never by what is found.
        let windows = WIDTHS_HZ.map(|width| Window::sum(bins.iter().filter(|b| (b.hz - hz).abs() <= width)));
        let best = windows.into_iter().max_by(|a, b| a.promise().total_cmp(&b.promise()));
        let Some(window) = best.filter(|w| w.freedom > 0.0) else { return RankOneTest::Inconclusive };
        if window.found > window.limit() {
            RankOneTest::Rejected
        } else if window.would_reject() {
            RankOneTest::Accepted
        } else {
            RankOneTest::Inconclusive
        }
    }

    fn bin(&self, hz: f64, mode: &Resonance, after: &[&Resonance], gain: f64) -> Option<Bin> {
        let omega = 2.0 * PI * hz;
        let mut columns = Vec::with_capacity(self.places.len());
        let mut loud = 0;
        for place in &self.places {
            let (x, v) = place.spectrum(0, omega, self.seconds);
            let (y, w) = place.spectrum(1, omega * self.factor, self.seconds);
            // Under the room: the mode's own part replaced by what is there after.
            let part = |r: &Resonance| {
                r.residues[place.index]
                    .map_or(Complex64::default(), |s| s.value / (Complex64::new(0.0, omega) - r.pole))
            };
            let change = after.iter().map(|r| part(r)).sum::<Complex64>() - part(mode);
            loud += usize::from(x.norm_sqr() > OVER_NOISE * v);
            columns.push(Column { x, y: y / gain, v, w: w / (gain * gain), room: x + change });
        }
        (2 * loud > columns.len()).then(|| Bin {
            hz,
            found: left_over(&columns, |c| c.y),
            expected: left_over(&columns, |c| c.room),
            freedom: 2.0 * (columns.len() - 1) as f64,
        })
    }
}

impl PathRows<'_> {
    /// Spectrum at ω from the origin on, residue per 1/s, and its noise's expected square.
    fn spectrum(&self, state: usize, omega: f64, seconds: f64) -> (Complex64, f64) {
        let low = self.low[state];
        let origin = self.origin_s[state];
        let first = ((origin - LEAD_S) * low.rate_hz).ceil().max(0.0) as usize;
        let end = (((origin + seconds) * low.rate_hz).floor() as usize).min(low.samples.len());
        let start = first as f64 / low.rate_hz - origin;
        let turn = Complex64::from_polar(1.0, -omega / low.rate_hz);
        let mut phase = Complex64::from_polar(1.0, -omega * start);
        let (mut sum, mut power) = (Complex64::default(), 0.0);
        let fade_from = seconds * (1.0 - FADE);
        for (k, sample) in low.samples[first.min(end)..end].iter().enumerate() {
            let t = start + k as f64 / low.rate_hz;
            let late = ((t - fade_from) / (seconds - fade_from)).clamp(0.0, 1.0);
            let weight = if late > 0.0 { 0.5 + 0.5 * (PI * late).cos() } else { 1.0 };
            power += weight * weight;
            (sum, phase) = (sum + f64::from(*sample) * weight * phase, phase * turn);
        }
        let scale = self.rates_hz[state] / low.rate_hz;
        let density = self.noise[state].at(omega / (2.0 * PI));
        (sum * scale, 0.5 * density * low.rate_hz * power * scale * scale)
    }
}

struct Column {
    x: Complex64,
    y: Complex64,
    v: f64,
    w: f64,
    room: Complex64,
}

/// Twice the least Σ|y − E x|²/(w + |E|² v) over E: χ² with two degrees a place beyond the first.
fn left_over(columns: &[Column], row: impl Fn(&Column) -> Complex64) -> f64 {
    let mut e = Complex64::new(1.0, 0.0);
    let mut sum = 0.0;
    for _ in 0..8 {
        let weight = |c: &Column| 1.0 / (c.w + e.norm_sqr() * c.v);
        let top: Complex64 = columns.iter().map(|c| weight(c) * row(c) * c.x.conj()).sum();
        let bottom: f64 = columns.iter().map(|c| weight(c) * c.x.norm_sqr()).sum();
        sum = 2.0 * columns.iter().map(|c| weight(c) * (row(c) - e * c.x).norm_sqr()).sum::<f64>();
        if bottom > 0.0 {
            e = top / bottom;
        }
    }
    sum
}

struct Bin {
    hz: f64,
    found: f64,
    expected: f64,
    freedom: f64,
}

#[derive(Clone, Copy)]
struct Window {
    found: f64,
    expected: f64,
    freedom: f64,
}

impl Window {
    fn sum<'b>(bins: impl Iterator<Item = &'b Bin>) -> Self {
        let zero = Self { found: 0.0, expected: 0.0, freedom: 0.0 };
        bins.fold(zero, |sum, bin| Self {
            found: sum.found + bin.found,
            expected: sum.expected + bin.expected,
            freedom: sum.freedom + bin.freedom,
        })
    }

    fn limit(&self) -> f64 {
        let sd = (2.0 * self.freedom + (NOISE_SD * self.freedom).powi(2)).sqrt();
        self.freedom + REJECT * sd
    }

    /// Excess that the room would make, in units of its spread.
    fn promise(&self) -> f64 {
        if self.freedom > 0.0 { self.expected / (2.0 * self.freedom).sqrt() } else { 0.0 }
    }

    /// Whether a change of the room would have been rejected in 99 of 100 cases.
    fn would_reject(&self) -> bool {
        let spread = (2.0 * self.freedom + 4.0 * self.expected).sqrt();
        self.freedom + self.expected - 2.33 * spread > self.limit()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One place that both states heard alike, in files of twice the record's rate.
    fn alike<'a>(low: &'a LowRecord, noise: &'a Noise) -> PathRows<'a> {
        PathRows {
            low: [low, low],
            origin_s: [0.2; 2],
            noise: [noise, noise],
            rates_hz: [2000.0; 2],
            index: 0,
        }
    }

    /// Samples of such a file from 0.2 s before the direct sound on.
    fn recorded(samples: Vec<f32>) -> LowRecord {
        LowRecord { samples, rate_hz: 1000.0, file_rate_hz: 2000.0, onset_s: 0.2, emission_s: None }
    }

    /// Pulses of 1 at 5 ms, 2 at 100 ms and 4 at 950 ms, where the fade over the last tenth of a second is half way, have
    /// the spectrum e^{−0.005 iω} + 2 e^{−0.1 iω} + 2 e^{−0.95 iω}: at 40 Hz e^{−0.4 iπ} + 4. The file ran at twice the rate.
    #[test]
    fn the_spectrum_of_pulses_is_their_sum_from_the_origin_on() {
        let mut low = recorded(vec![0.0; 2000]);
        let noise = Noise::of(&low).unwrap();
        for (at, height) in [(205, 1.0), (300, 2.0), (1150, 4.0)] {
            low.samples[at] = height;
        }
        let place = alike(&low, &noise);
        let (found, _) = place.spectrum(0, 2.0 * PI * 40.0, 1.0);
        let expected = 2.0 * (Complex64::cis(-0.4 * PI) + 4.0);
        assert!((found - expected).norm() < 1e-6, "{found} {expected}");
    }

    /// Of χ² with ten degrees the limit is 10 + 3.1 √(20 + 0.6²) = 24.0. An excess of 60 lies above
    /// 70 − 2.33 √(20 + 240) = 32.4 in 99 of 100 cases, one of 40 above 50 − 2.33 √(20 + 160) = 18.7.
    #[test]
    fn a_room_that_would_not_show_is_no_ground_for_a_filter() {
        let of = |expected| Window { found: 0.0, expected, freedom: 10.0 };
        assert!(of(60.0).would_reject() && !of(40.0).would_reject());
    }

    /// Excess over the spread of χ², √20 for ten degrees.
    #[test]
    fn the_promise_of_a_window_is_its_excess_in_spreads() {
        let window = Window { found: 0.0, expected: 60.0, freedom: 10.0 };
        assert!((window.promise() - 60.0 / 20.0_f64.sqrt()).abs() < 1e-12);
    }

    /// Noise of a density S has the expected square S/2 · fs · Σ w² (w: one from 10 ms before the origin to 0.9 s, then the
    /// fade, whose squares have the mean 3/8), here of the file's rate, twice the record's.
    #[test]
    fn the_noise_of_a_spectrum_is_its_density_over_the_window() {
        let mut turn = 1_u32;
        let mut noise = move || {
            turn = turn.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (f64::from(turn) / f64::from(u32::MAX) - 0.5) as f32
        };
        let low = recorded((0..2000).map(|_| noise()).collect());
        let noise = Noise::of(&low).unwrap();
        let place = alike(&low, &noise);
        let (_, found) = place.spectrum(0, 2.0 * PI * 40.0, 1.0);
        let expected = 0.5 * noise.at(40.0) * 1000.0 * (910.0 + 37.5) * 4.0;
        assert!((found / expected - 1.0).abs() < 2e-3, "{found} {expected}");
    }

    #[test]
    fn windows_add_up_their_bins() {
        let bin = |found: f64, expected: f64, freedom: f64| Bin { hz: 40.0, found, expected, freedom };
        let sum = Window::sum([bin(1.0, 10.0, 4.0), bin(2.0, 20.0, 6.0)].iter());
        assert_eq!([sum.found, sum.expected, sum.freedom], [3.0, 30.0, 10.0]);
    }
}
