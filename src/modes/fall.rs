//! How the sound of each band falls into its noise: where records may end, and where a decay may be split.

use super::noise::hann_spectrum;
use super::record::sounding_len;
use super::settings::Place;

/// Width of a band, Hz: holds some numbers of a part of 0.2 s, and few modes.
pub(super) const BAND_HZ: f64 = 20.0;
/// Distance of the bands' middles, Hz.
pub(super) const STEP_HZ: f64 = 5.0;
/// Frame of the look at decays, s; each begins half a frame after the last.
const FRAME_S: f64 = 0.128;
/// Frames at a record's end that its noise is taken from.
const AT_THE_END: usize = 4;

/// A decay may be split from where its band stands this far over the noise: 10 dB.
const OVER_NOISE: f64 = 10.0;
/// Bands that never stand this far over their noise (20 dB) have no decay to split.
const WORTH_SPLITTING: f64 = 100.0;
/// A part that lies further below the start (35 dB) would ask for amplitudes more exact than the model is.
const DOWN: f64 = 3.2e-4;

/// How a band fell until it stood this far over its noise (6 dB) tells when it will be …
const SEEN: f64 = 4.0;
/// … so far under it (20 dB): a resonance is narrower than its band, and stands longer over the noise than the band does.
const UNDER_NOISE: f64 = 0.01;
/// How bands that stand high over their noise fell by so much (45 dB) …
const FALLEN: f64 = 3.2e-5;
/// … tells when it will be so much (60 dB). Of what a pole's decay can be known by a ten-thousandth comes
/// after that (the tail of ∫ x² exp(−x) dx). These four are our own choice, tried on the rooms of docs/accuracy.md: with
/// 10 dB under the noise for 20 one claim in thirty was lost at 40 dB of peak-to-noise, with 20 none.
const PAST: f64 = 1e-6;

/// Energies over the noise of all places' mean, band by band, frame by frame from the onset.
pub(super) struct Fall(Vec<Vec<f64>>);

impl Fall {
    /// Of bands around these frequencies, Hz.
    pub fn of(places: &[Place<'_>], middles: &[f64]) -> Self {
        let frames: Vec<Vec<Vec<f64>>> = places.iter().map(|place| over_noise(place, middles)).collect();
        let longest = frames.iter().map(Vec::len).max().unwrap_or(0);
        let mean = |band: usize, frame: usize| {
            let here: Vec<f64> = frames.iter().filter_map(|p| Some(p.get(frame)?[band])).collect();
            here.iter().sum::<f64>() / here.len().max(1) as f64
        };
        let band = |band| (0..longest).map(|frame| mean(band, frame)).collect();
        Self((0..middles.len()).map(band).collect())
    }

    /// When each band that has a decay to split comes within 10 dB of its noise or 35 dB under its start, s after the
    /// onset, in rising order.
    pub fn splittable_until_s(&self) -> Vec<f64> {
        let mut all: Vec<f64> = self.0.iter().filter_map(|band| band_splittable_until_s(band)).collect();
        all.sort_by(f64::total_cmp);
        all
    }

    /// When nothing sounds any more that a fit could use, s after the onset; `None` where a band may sound to the end.
    pub fn past_s(&self) -> Option<f64> {
        self.0.iter().try_fold(0.0_f64, |latest, band| Some(latest.max(band_past_s(band)?)))
    }
}

/// The frame, of the first three, in which a band is loudest.
fn loudest(band: &[f64]) -> Option<usize> {
    (0..band.len().min(3)).max_by(|a, b| band[*a].total_cmp(&band[*b]))
}

/// When one band comes within 10 dB of its noise or 35 dB under its start; `None` where it has no decay to split.
fn band_splittable_until_s(band: &[f64]) -> Option<f64> {
    let start = loudest(band)?;
    if band[start] < WORTH_SPLITTING {
        return None;
    }
    let until = OVER_NOISE.max(DOWN * band[start]);
    (start..band.len()).find(|frame| band[*frame] < until).map(|frame| 0.5 * FRAME_S * frame as f64)
}

/// Like [`Fall::past_s`] for one band: its fall so far, drawn on.
fn band_past_s(band: &[f64]) -> Option<f64> {
    let start = band[loudest(band)?];
    if start < SEEN {
        return Some(0.0);
    }
    let seen = SEEN.max(FALLEN * start);
    // The first frame that stays under it; beats may come up again.
    let frames = band.iter().rposition(|energy| *energy > seen).map_or(0, |last| last + 1);
    let fell = (start / seen).ln().max(SEEN.ln());
    let falls = (start / UNDER_NOISE.max(PAST * start)).ln();
    let stretch = (falls / fell).min(4.0);
    (frames + AT_THE_END < band.len()).then_some(0.5 * FRAME_S * (frames + 2) as f64 * stretch)
}

/// Energy over that of the record's end: frame by frame from the onset, each with its bands.
fn over_noise(place: &Place<'_>, bands: &[f64]) -> Vec<Vec<f64>> {
    let (len, first) =
        ((FRAME_S * place.rate_hz) as usize, (place.onset_s.max(0.0) * place.rate_hz) as usize);
    let end = sounding_len(&place.samples);
    if len < 8 || end < first + 6 * len {
        return Vec::new();
    }
    let frames: Vec<Vec<f64>> = (first..=end - len)
        .step_by(len / 2)
        .map(|at| band_energies(&place.samples[at..at + len], place.rate_hz, bands, BAND_HZ))
        .collect();
    let last = &frames[frames.len() - AT_THE_END..];
    let floor: Vec<f64> =
        (0..bands.len()).map(|b| last.iter().map(|f| f[b]).sum::<f64>() / last.len() as f64).collect();
    let ratio = |frame: &Vec<f64>| {
        frame.iter().zip(&floor).map(|(e, n)| e / n.max(f64::MIN_POSITIVE)).collect::<Vec<f64>>()
    };
    frames.iter().map(ratio).collect()
}

/// Middles of the bands of a range, Hz.
pub(super) fn middles(from_hz: f64, to_hz: f64) -> Vec<f64> {
    let count = ((to_hz - from_hz - BAND_HZ) / STEP_HZ).floor().max(0.0) as usize + 1;
    (0..count).map(|i| from_hz + 0.5 * BAND_HZ + STEP_HZ * i as f64).collect()
}

/// Energies in bands behind a Hann window.
pub(super) fn band_energies(samples: &[f64], rate_hz: f64, middles: &[f64], width_hz: f64) -> Vec<f64> {
    let n = samples.len();
    let bins = hann_spectrum(samples);
    let step_hz = rate_hz / n as f64;
    let energy = |hz: f64| {
        let first = ((hz - 0.5 * width_hz) / step_hz).ceil().max(1.0) as usize;
        let last = (((hz + 0.5 * width_hz) / step_hz).floor() as usize).min(n / 2);
        bins.get(first..=last).map_or(0.0, |bins| bins.iter().map(|v| v.norm_sqr()).sum())
    };
    middles.iter().map(|hz| energy(*hz)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A band that falls by 30 dB a second (each half frame 1.92 dB) from so many dB over its noise.
    fn band(start_db: f64, seconds: f64) -> Vec<f64> {
        let frames = (seconds / (0.5 * FRAME_S)) as usize;
        let db = |frame: usize| start_db - 30.0 * 0.5 * FRAME_S * frame as f64;
        (0..frames).map(|frame| 1.0 + 10_f64.powf(0.1 * db(frame))).collect()
    }

    /// 40 dB over the noise it is 20 dB under it after 2 s, whatever follows; 80 dB over it
    /// 60 dB down just as soon; a frame or two are added.
    #[test]
    fn a_band_is_past_when_its_resonances_are_under_the_noise() {
        for (start_db, seconds) in [(40.0, 3.0), (40.0, 6.0), (80.0, 4.0)] {
            let past_s = band_past_s(&band(start_db, seconds)).unwrap();
            assert!((2.0..2.5).contains(&past_s), "{start_db} {seconds}: {past_s}");
        }
    }

    /// Still over the noise at the end, or heard again (a beat, a second sound): the record is needed as far as that.
    #[test]
    fn what_sounds_to_the_end_is_not_past() {
        assert_eq!(band_past_s(&band(40.0, 1.2)), None);
        let mut again = band(40.0, 4.0);
        again[50] = 100.0;
        assert!(band_past_s(&again).unwrap() > 3.2);
    }

    /// A band that never stands over its noise keeps no record from ending.
    #[test]
    fn a_silent_band_is_past_at_once() {
        assert_eq!(band_past_s(&band(3.0, 3.0)), Some(0.0));
        let fall = Fall(vec![band(3.0, 3.0), band(40.0, 3.0), band(30.0, 3.0)]);
        assert!((2.0..2.5).contains(&fall.past_s().unwrap()));
        assert_eq!(Fall(vec![band(40.0, 3.0), band(40.0, 1.2)]).past_s(), None);
    }
}
