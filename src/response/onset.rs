//! Where the direct sound arrives.
//!
//! ISO 3382-1:2009, A.3.4: the response starts where it first rises clearly out of the noise while
//! it is still more than 20 dB below its maximum. The rule is applied to the envelope of a band well
//! above the modes, so that neither a mode nor rumble nor an offset is taken for the direct sound.

use super::envelope::{Band, Envelope, Record};
use std::ops::Range;

/// How far below the maximum the response starts: 20 dB as a ratio of pressures (A.3.4).
const BELOW_MAXIMUM: f64 = 0.1;

/// "Clearly out of the noise": 12 dB over its rms; Gaussian noise stays below for some 10⁶ periods
/// of the band (own choice).
const OVER_NOISE: f64 = 4.0;

/// A band is used from this peak-to-noise on (20 dB); from 32 dB the 20 dB rule works undisturbed.
const LEAST_PEAK_TO_NOISE: f64 = 10.0;
const AMPLE_PEAK_TO_NOISE: f64 = OVER_NOISE / BELOW_MAXIMUM;

/// Centre of the band looked at first, in hertz: above the modes, below where loudspeakers beam.
const FIRST_HZ: f64 = 3000.0;

/// Centres of the bands tried where that one lacks peak-to-noise, in hertz.
const OTHER_HZ: [f64; 4] = [TOP_HZ, 1000.0, 330.0, 110.0];

/// Centre of the band that sees arrivals sharpest, and tells them from a mere step, in hertz.
const TOP_HZ: f64 = 12_000.0;

/// In the top band an arrival counts from 10 dB below the maximum: steps fall by 6 dB an octave.
const BELOW_TOP_MAXIMUM: f64 = 0.316_227_766_016_837_94;

/// A value of the overview may stand next to a top that is this much of it (a tenth at most, see there).
const NEXT_TO_TOP: f64 = 0.9;

/// The direct sound of one response. Times in seconds from sample 0.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Onset {
    /// The onset: start of the direct sound, t = 0 of clarity, definition and centre time, and of the mode fit.
    pub start_s: f64,
    /// The arrival: peak of its envelope, the steadier of the two; an ideal impulse has both at one instant.
    pub arrival_s: f64,
    /// Width of the band's impulse response (one sd): how sharply arrivals are seen at all.
    pub resolution_s: f64,
    /// Centre of the band that showed it, in hertz.
    pub band_hz: f64,
    /// Peak over noise rms in that band, as a ratio of pressures; infinite above digital silence.
    pub peak_to_noise: f64,
    /// When the band's envelope is largest.
    pub maximum_s: f64,
    /// Whether the envelope stands above the threshold at the very first sample.
    pub at_first_sample: bool,
    /// Another arrival that may be the direct sound instead: the first in the top band. A step (the
    /// start of a sum of modes, cross-talk through a filter) precedes the direct sound in some files.
    pub alternative_s: Option<f64>,
}

impl Onset {
    /// How far the arrival may be off where only a band below 1 kHz shows it, s: three periods of that band, as the modes' own
    /// sound beats with the direct one. Higher bands tell far better than anything is held against. Our own choice.
    #[must_use]
    pub fn within_s(&self) -> f64 {
        if (1.0..1_000.0).contains(&self.band_hz) { 3.0 / self.band_hz } else { 0.0 }
    }
}

/// Finds the direct sound in `samples` (linear pressure at `rate_hz`, no faded or silent tail).
///
/// Accuracy: a band-limited impulse at any fraction of a sample, within 0.05 samples (its start 0.1 or 3 µs); the time
/// follows a delay exactly, whatever gain and sign. `None` where no band stands 20 dB over its noise:
/// there is no direct sound. Never panics.
#[must_use]
pub fn find_onset(samples: &[f64], rate_hz: f64) -> Option<Onset> {
    let mut best: Option<(Envelope, Rise)> = None;
    let bands = bands(rate_hz);
    let mut record = Record::new(samples, rate_hz, bands.first()?.centre_hz);
    for band in bands {
        let mut lower = (band.centre_hz < 0.9 * FIRST_HZ.min(rate_hz / 4.0))
            .then(|| Record::new(samples, rate_hz, band.centre_hz));
        let envelope = Envelope::overview(lower.as_mut().unwrap_or(&mut record), band);
        let Some(rise) = first_rise(&envelope, samples, BELOW_MAXIMUM) else { continue };
        let ratio = envelope.peak_to_noise();
        if best.as_ref().is_none_or(|(other, _)| ratio > other.peak_to_noise()) {
            best = Some((envelope, rise));
        }
        if ratio >= AMPLE_PEAK_TO_NOISE {
            break;
        }
    }
    let (envelope, rise) = best?;
    let top = sharper(&mut record, envelope.band);
    let (rise, seen_in) = refined(&rise, envelope.band, &record).unwrap_or((rise, envelope.band));
    let arrival_s = rise.peak / rate_hz;
    Some(Onset {
        start_s: rise.start / rate_hz,
        arrival_s,
        resolution_s: seen_in.width_s(),
        band_hz: envelope.band.centre_hz,
        peak_to_noise: envelope.peak_to_noise(),
        maximum_s: envelope.sample(envelope.top(envelope.largest).0) / rate_hz,
        at_first_sample: rise.at_first_sample,
        alternative_s: top.and_then(|top| alternative(&top, samples, arrival_s)),
    })
}

/// How far before a known arrival the direct sound may be, s: bands see it no sharper.
const ARRIVAL_S: f64 = 0.01;

/// The direct sound of a response whose emission or arrival is known: nothing before is looked at, be it
/// noise or a product of distortion. Where the search shows nothing, the known arrival stands.
#[must_use]
pub fn find_onset_from(samples: &[f64], rate_hz: f64, emission_s: Option<f64>, arrival_s: f64) -> Onset {
    let earliest_s = emission_s.unwrap_or(arrival_s - ARRIVAL_S).clamp(0.0, (arrival_s - 0.001).max(0.0));
    let first = ((earliest_s * rate_hz) as usize).min(samples.len());
    let skipped_s = first as f64 / rate_hz;
    let found = find_onset(&samples[first..], rate_hz).filter(|onset| {
        let late = onset.start_s + skipped_s > arrival_s + 5.0 * ARRIVAL_S.max(onset.resolution_s);
        !onset.at_first_sample && !late
    });
    match found {
        Some(onset) => Onset {
            start_s: onset.start_s + skipped_s,
            arrival_s: onset.arrival_s + skipped_s,
            maximum_s: onset.maximum_s + skipped_s,
            alternative_s: onset.alternative_s.map(|other| other + skipped_s),
            ..onset
        },
        None => Onset {
            start_s: arrival_s,
            arrival_s,
            resolution_s: ARRIVAL_S,
            band_hz: 0.0,
            peak_to_noise: f64::INFINITY,
            maximum_s: arrival_s,
            at_first_sample: false,
            alternative_s: None,
        },
    }
}

/// The bands that this rate allows, in the order of trying.
fn bands(rate_hz: f64) -> Vec<Band> {
    let first = FIRST_HZ.min(rate_hz / 4.0);
    let fits = |hz: &f64| *hz <= rate_hz / 4.0 && (*hz < 0.7 * first || *hz > 1.4 * first);
    std::iter::once(first).chain(OTHER_HZ.into_iter().filter(fits)).map(Band::around).collect()
}

/// Envelope in the top band, if it is much above the one that showed the onset.
fn sharper(record: &mut Record<'_>, found_in: Band) -> Option<Envelope> {
    let top_hz = TOP_HZ.min(record.rate_hz / 4.0);
    (top_hz >= 2.0 * found_in.centre_hz).then(|| Envelope::overview(record, Band::around(top_hz)))
}

/// A rise seen sharper: by the rule that found it, in the widest band, on the samples around it.
///
/// There the response also starts with what its lower frequencies bring, however short.
fn refined(rise: &Rise, found_in: Band, record: &Record<'_>) -> Option<(Rise, Band)> {
    let band = Band::wide(TOP_HZ.min(record.rate_hz / 4.0));
    let width = found_in.width_s() * record.rate_hz;
    let among = (rise.peak - 4.0 * width).max(0.0) as usize..(rise.peak + width).ceil() as usize;
    let closer = Closer::new(record.samples, record.rate_hz, band, among, width);
    let threshold = threshold(&closer.envelope, closer.maximum()?, BELOW_MAXIMUM)?;
    Some((closer.rise(threshold)?, band))
}

/// First arrival in the top band, where it isn't the one found already.
fn alternative(top: &Envelope, samples: &[f64], arrival_s: f64) -> Option<f64> {
    let other_s = first_rise(top, samples, BELOW_TOP_MAXIMUM)?.peak / top.rate_hz;
    ((other_s - arrival_s).abs() > 3e-4).then_some(other_s)
}

/// A leading edge, in samples.
struct Rise {
    start: f64,
    peak: f64,
    at_first_sample: bool,
}

/// First rise of a response through `below_maximum` of its largest value, or higher where noise asks
/// for it; `None` if it doesn't stand out of its noise.
///
/// The overview says where to look: around each value that a top through the threshold may stand next to, the
/// envelope is made at every sample.
fn first_rise(overview: &Envelope, samples: &[f64], below_maximum: f64) -> Option<Rise> {
    if overview.ends_only || overview.largest_end == 0 {
        return None;
    }
    let values = &overview.values;
    let threshold = threshold(overview, overview.top(overview.largest).1, below_maximum)?;
    let width = overview.band.width_s() * overview.rate_hz;
    let mut next = 0;
    while let Some(near) = (next..=overview.largest).find(|&k| values[k] >= NEXT_TO_TOP * threshold) {
        let top = (near..overview.largest).find(|&k| values[k + 1] < values[k]).unwrap_or(overview.largest);
        let from = overview.sample(near as f64 - 1.5).max(0.0) as usize;
        let to = overview.sample(top as f64 + 1.5).ceil() as usize;
        let closer = Closer::new(samples, overview.rate_hz, overview.band, from..to, width);
        if let Some(rise) = closer.rise(threshold) {
            return Some(rise);
        }
        next = top + 1;
    }
    None
}

/// What the response must pass, if its maximum stands out of the noise.
fn threshold(envelope: &Envelope, maximum: f64, below_maximum: f64) -> Option<f64> {
    let stands_out = maximum > 0.0 && maximum >= LEAST_PEAK_TO_NOISE * envelope.noise;
    stands_out.then(|| (below_maximum * maximum).max(OVER_NOISE * envelope.noise))
}

/// The envelope at every sample of a short stretch.
struct Closer {
    envelope: Envelope,
    /// Sample of the record at which the envelope begins.
    first: usize,
    /// The stretch looked at, from there; around it lies what the band smears into it.
    among: Range<usize>,
}

impl Closer {
    /// Twenty times `width` around the stretch is enough for a band so wide in time.
    fn new(samples: &[f64], rate_hz: f64, band: Band, among: Range<usize>, width: f64) -> Self {
        let around = (20.0 * width) as usize;
        let first = among.start.saturating_sub(around).min(samples.len());
        let part = &samples[first..samples.len().min(among.end + around).max(first)];
        let envelope = Envelope::new(part, rate_hz, band);
        let end = (among.end - first).min(envelope.largest_end);
        Self { first, among: (among.start - first).min(end)..end, envelope }
    }

    /// The largest value.
    fn maximum(&self) -> Option<f64> {
        self.envelope.values[self.among.clone()].iter().copied().reduce(f64::max)
    }

    /// First rise through a threshold, up to its top.
    fn rise(&self, threshold: f64) -> Option<Rise> {
        let (values, first) = (&self.envelope.values, self.first as f64);
        let crossing = self.among.clone().find(|&k| values[k] >= threshold)?;
        let last = self.among.end - 1;
        let top = (crossing..last).find(|&k| values[k + 1] < values[k]).unwrap_or(last);
        let (peak, height) = self.envelope.top(top);
        let at_first_sample = crossing == 0 && self.first == 0;
        if crossing == self.among.start && !at_first_sample {
            return Some(Rise { start: first + crossing as f64, peak: first + peak, at_first_sample });
        }
        let edge = match crossing.checked_sub(1) {
            Some(before) => before as f64 + fraction(values[before], values[crossing], threshold),
            None => 0.0,
        };
        // The band smears an impulse to a Gaussian, which crosses this long before its middle.
        let width = self.envelope.band.width_s() * self.envelope.rate_hz;
        let lead = width * (2.0 * (height / threshold).ln().max(0.0)).sqrt();
        let start = if at_first_sample { 0.0 } else { (edge + lead).min(peak) };
        Some(Rise { start: first + start, peak: first + peak, at_first_sample })
    }
}

/// How far between two samples the logarithm passes the threshold, 0 to 1.
fn fraction(below: f64, above: f64, threshold: f64) -> f64 {
    if below <= 0.0 {
        return 1.0;
    }
    let rise = (above / below).ln();
    if rise <= 0.0 { 1.0 } else { ((threshold / below).ln() / rise).clamp(0.0, 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::sample::{add_impulse, damped, measured, noise};
    use approx::assert_relative_eq;
    use std::f64::consts::PI;

    fn onset(samples: &[f64], rate_hz: f64) -> Onset {
        find_onset(samples, rate_hz).expect("there is a direct sound")
    }

    /// An impulse, then a reverberant tail of noise 20 dB under it, T60 0.4 s, over a noise floor.
    fn room(at: f64, rate_hz: f64, floor: f64) -> Vec<f64> {
        let n = rate_hz as usize;
        let mut samples: Vec<f64> = noise(7, n).iter().map(|x| floor * x).collect();
        let tail = noise(8, n);
        for k in at.ceil() as usize..n {
            samples[k] += 0.1 * tail[k] * (-17.3 * (k as f64 - at) / rate_hz).exp();
        }
        add_impulse(&mut samples, at, 1.0);
        samples
    }

    #[test]
    fn an_impulse_arrives_at_its_own_time_at_any_fraction_of_a_sample() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for at in [200.0, 1234.25, 1234.5, 2000.9] {
                let mut samples = vec![0.0; 4000];
                add_impulse(&mut samples, at, 0.3);
                let found = onset(&samples, rate_hz);
                assert!((found.arrival_s * rate_hz - at).abs() < 0.05, "{rate_hz}: {found:?}");
                assert!(
                    (found.start_s * rate_hz - at).abs() < (3e-6 * rate_hz).max(0.1),
                    "{rate_hz}: {found:?}"
                );
                assert_eq!(found.alternative_s, None);
            }
        }
    }

    /// Noise lifted tenfold and a product of distortion stand before the emission: known, it isn't searched for.
    #[test]
    fn what_comes_before_a_known_emission_is_not_the_direct_sound() {
        let mut samples = room(4800.0, 48_000.0, 1e-4);
        for (n, x) in noise(11, 4_000).iter().enumerate() {
            samples[n] += 0.3 * x;
        }
        let searched = onset(&samples, 48_000.0);
        assert!(searched.start_s < 0.05, "else this tests nothing: {searched:?}");
        let known = find_onset_from(&samples, 48_000.0, Some(0.09), 0.1);
        assert!((known.start_s - 0.1).abs() < 1e-4, "{known:?}");
        let silent = find_onset_from(&vec![0.0; 48_000], 48_000.0, Some(0.09), 0.1);
        assert!((silent.start_s - 0.1).abs() < 1e-12, "{silent:?}");
    }

    #[test]
    fn gain_sign_and_appended_silence_change_nothing_and_a_delay_only_the_time() {
        let plain = onset(&room(2400.0, 48_000.0, 1e-4), 48_000.0);
        let turned: Vec<f64> = room(2400.0, 48_000.0, 1e-4).iter().map(|x| -37.5 * x).collect();
        let longer = [room(2400.0, 48_000.0, 1e-4), vec![0.0; 30_000]].concat();
        let later = [vec![0.0; 480], room(2400.0, 48_000.0, 1e-4)].concat();
        assert_relative_eq!(
            onset(&turned, 48_000.0).start_s,
            plain.start_s,
            epsilon = 0.0,
            max_relative = 1e-9
        );
        assert_relative_eq!(
            onset(&longer, 48_000.0).start_s,
            plain.start_s,
            epsilon = 0.0,
            max_relative = 1e-4
        );
        assert!((onset(&later, 48_000.0).start_s - plain.start_s - 0.01).abs() < 2e-6);
    }

    /// In a reverberant field, at 30 to 80 dB of peak-to-noise, within a tenth of a millisecond.
    #[test]
    fn noise_and_reverberation_hardly_move_it() {
        for floor in [1e-4, 1e-3, 1e-2, 0.02] {
            let found = onset(&room(4800.0, 48_000.0, floor), 48_000.0);
            assert!((found.start_s - 0.1).abs() < 1e-4, "floor {floor}: {found:?}");
        }
    }

    /// Harmonic products of a sweep come before the response (Farina 2000), here 26 and 34 dB down;
    /// a band-limiting filter without phase rings ahead of it. Neither is the direct sound.
    #[test]
    fn distortion_products_and_pre_ringing_are_passed_over() {
        let mut samples = room(24_000.0, 48_000.0, 1e-5);
        add_impulse(&mut samples, 9_000.0, 0.05);
        add_impulse(&mut samples, 15_000.0, 0.02);
        for k in 1..2000 {
            let ringing = 0.05 * (PI * 0.9 * f64::from(k)).sin() / f64::from(k).sqrt();
            samples[24_000 - k as usize] += ringing;
        }
        assert!((onset(&samples, 48_000.0).start_s - 0.5).abs() < 1e-4);
    }

    #[test]
    fn a_reflection_louder_than_the_direct_sound_is_not_taken_for_it() {
        let mut samples = room(4800.0, 48_000.0, 1e-4);
        for at in [5300.0, 7000.0, 9000.0] {
            add_impulse(&mut samples, at, -6.0); // 15.6 dB above the direct sound
        }
        let found = onset(&samples, 48_000.0);
        assert!((found.start_s - 0.1).abs() < 1e-4, "{found:?}");
        assert!(found.maximum_s > found.arrival_s);
    }

    /// A strong mode that was already there, an offset and rumble do not start the response.
    #[test]
    fn an_offset_a_mode_and_rumble_do_not_start_it() {
        let mut samples = room(4800.0, 48_000.0, 1e-4);
        let mode = damped(38.0, 3.0, 0.7, 48_000.0, samples.len());
        samples.iter_mut().zip(mode).for_each(|(x, m)| *x += 0.1 + m);
        assert!((onset(&samples, 48_000.0).start_s - 0.1).abs() < 1e-4);
    }

    /// A sum of modes begins with a step at the emission; the direct sound comes 8 ms later. The first
    /// rise is the step, and the arrival in the top band is offered beside it.
    #[test]
    fn a_step_before_the_direct_sound_leaves_it_as_the_alternative() {
        let mut samples: Vec<f64> = noise(3, 48_000).iter().map(|x| 1e-4 * x).collect();
        let modes = damped(60.0, 12.0, 0.0, 48_000.0, 47_000);
        samples[1000..].iter_mut().zip(modes).for_each(|(x, m)| *x += 0.3 * m);
        add_impulse(&mut samples, 1384.0, 1.0);
        let found = onset(&samples, 48_000.0);
        assert!((found.arrival_s - 1000.0 / 48_000.0).abs() < 1e-4, "{found:?}");
        let other = found.alternative_s.expect("the impulse is there");
        assert!((other - 1384.0 / 48_000.0).abs() < 2e-5, "{found:?}");
    }

    /// Only a subwoofer: nothing above 200 Hz but noise. A lower band finds it, less sharply.
    #[test]
    fn a_response_of_low_frequencies_alone_is_found_in_a_lower_band() {
        let mut samples: Vec<f64> = noise(5, 48_000).iter().map(|x| 1e-3 * x).collect();
        for (k, x) in samples.iter_mut().enumerate().skip(4800) {
            let t = (k as f64 - 4800.0) / 48_000.0;
            *x += t * 300.0 * (-t * 120.0).exp() * (2.0 * PI * 60.0 * t).sin();
        }
        let found = onset(&samples, 48_000.0);
        assert!(found.resolution_s > 1e-3, "{found:?}");
        assert!((0.095..0.115).contains(&found.start_s), "{found:?}");
    }

    #[test]
    fn no_direct_sound_in_noise_hum_silence_or_nothing() {
        assert_eq!(find_onset(&noise(1, 48_000), 48_000.0), None);
        assert_eq!(find_onset(&damped(50.0, 0.0, 0.0, 48_000.0, 48_000), 48_000.0), None);
        assert_eq!(find_onset(&vec![0.0; 48_000], 48_000.0), None);
        assert_eq!(find_onset(&vec![0.25; 48_000], 48_000.0), None);
        assert_eq!(find_onset(&[], 48_000.0), None);
        let unit = [vec![1.0], vec![0.0; 9_999]].concat();
        assert_eq!(onset(&unit, 48_000.0).start_s, 0.0);
        for n in 1..50 {
            let _ = find_onset(&vec![1.0; n], 48_000.0);
        }
    }

    #[test]
    fn a_file_that_begins_with_its_direct_sound_says_so() {
        let found = onset(&room(4800.0, 48_000.0, 1e-4)[4800..], 48_000.0);
        assert!(found.at_first_sample && found.start_s < 1e-4, "{found:?}");
        assert!(!onset(&room(4800.0, 48_000.0, 1e-4), 48_000.0).at_first_sample);
    }

    /// What the sources of the measured files say, or what is seen in their waveforms.
    #[test]
    fn measured_responses_start_where_their_waveforms_do() {
        let cases = [
            ("arni_two_states/IR_numClosed_2_numComb_200_mic_1_sweep_1.wav", 0.0478, 0.0485),
            ("arni_two_states/IR_numClosed_50_numComb_5000_mic_1_sweep_3.wav", 0.0466, 0.0472),
            // The largest sample stands at 16.9 ms; the first arrival, sharp to 0.1 ms above 8 kHz,
            // comes 10 ms earlier with nothing but pre-ringing 50 dB down before it.
            ("openair_genesis6_live_room/Genesis 6 Studio Live Room.wav", 0.0065, 0.0070),
            (
                "but_room112/real.rir.Hotel_SkalskyDvur_Room112-micstep-0-spkstep-0-spkno-2-micno-10.wav",
                0.0015,
                0.0022,
            ),
            ("surrey_room_a/UniS_Room_A_16k_az+000.wav", 0.0036, 0.0041),
            ("surrey_room_a/UniS_Room_A_16k_az-090.wav", 0.0034, 0.0038),
        ];
        for (file, from_s, to_s) in cases {
            let Some((samples, rate_hz)) = measured(file) else { return };
            let found = onset(&samples, rate_hz);
            assert!((from_s..to_s).contains(&found.start_s), "{file}: {found:?}");
        }
    }
}
