//! All bands of one response: which rate each band runs at, and the run, backwards in time.

use super::band::Band;
use super::butterworth::Cascade;
use super::half_band::{Grid, HalfBand, USABLE_SHARE};
use super::lanes::{LOOK_EVERY, LaneFilter, WIDTH};

/// A plan for one sample rate: a cascade per band, each at the lowest rate that carries its band.
#[derive(Debug, Clone)]
pub struct Bank {
    rate_hz: f64,
    half_band: HalfBand,
    groups: Vec<Group>,
}

/// Bands that run at the same rate, in lockstep.
#[derive(Debug, Clone)]
struct Group {
    halvings: u32,
    channels: Vec<Channel>,
}

/// One band of a [`Bank`] and what its filter does to time.
#[derive(Debug, Clone)]
pub struct Channel {
    /// Place of the band in the list that the bank was made from.
    pub index: usize,
    /// The band.
    pub band: Band,
    /// Its filter at `rate_hz`.
    pub cascade: Cascade,
    /// Rate that the band runs at: the file's over a power of two, in hertz.
    pub rate_hz: f64,
    /// Its ringing.
    pub ringing: Ringing,
}

/// How a filter spreads the energy of an impulse over time (forward run; the reversed run spreads it to the past).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ringing {
    /// Centre of the energy of the impulse response, in seconds: the delay that clarity and centre time take off.
    pub delay_s: f64,
    /// Time after which 1e-5 of the energy is still to come, in seconds.
    pub length_s: f64,
}

/// A band's squared output, integrated from the end of the record back to each sample.
#[derive(Debug, Clone, Copy)]
pub struct Backward<'a> {
    /// Entry `k`: sum of the squared output from sample `k` to the end; one entry more than samples, the last is 0.
    pub to_come: &'a [f64],
    /// Index of time zero, the direct sound.
    pub zero: usize,
    /// The band and its filter.
    pub channel: &'a Channel,
}

impl Bank {
    /// Plans the run; bands that the rate can't carry are left out.
    #[must_use]
    pub fn new(bands: &[Band], rate_hz: f64) -> Self {
        let mut groups: Vec<Group> = Vec::new();
        for (index, band) in bands.iter().enumerate().rev() {
            let halvings = halvings(band, rate_hz);
            let rate_hz = rate_hz / f64::from(1_u32 << halvings);
            let Some(cascade) = Cascade::new(band, rate_hz) else { continue };
            let ringing = Ringing::of(&cascade, rate_hz);
            let channel = Channel { index, band: *band, cascade, rate_hz, ringing };
            match groups.last_mut() {
                Some(group) if group.halvings == halvings && group.channels.len() < WIDTH => {
                    group.channels.push(channel);
                }
                _ => groups.push(Group { halvings, channels: vec![channel] }),
            }
        }
        groups.sort_by_key(|group| group.halvings);
        Self { rate_hz, half_band: HalfBand::new(), groups }
    }

    /// Sample rate of the responses that the bank takes, in hertz.
    #[must_use]
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// The bands that run, highest first.
    pub fn channels(&self) -> impl Iterator<Item = &Channel> {
        self.groups.iter().flat_map(|group| &group.channels)
    }

    /// Filters `samples` backwards in time and hands over each band's backward integral.
    ///
    /// Sample `zero` is the direct sound; silence is taken before the first and after the last sample.
    /// The output begins where the ringing of the direct sound does, which may lie before the record.
    pub fn run(&self, samples: &[f64], zero: usize, mut band: impl FnMut(Backward)) {
        let mut integrals: [Vec<f64>; WIDTH] = std::array::from_fn(|_| Vec::new());
        self.each_rate(samples, zero, |group, grid| {
            let rate_hz = group.channels[0].rate_hz;
            let ringing = group.channels.iter().map(|c| c.ringing.length_s).fold(0.0, f64::max);
            let before = (ringing * rate_hz).ceil() as usize;
            integrate(group, grid, before, &mut integrals);
            for (channel, to_come) in group.channels.iter().zip(&integrals) {
                band(Backward { to_come, zero: before, channel });
            }
        });
    }

    /// Walks down the rates: one group of bands with the samples at its rate after the other.
    fn each_rate(&self, samples: &[f64], zero: usize, mut visit: impl FnMut(&Group, &Grid)) {
        let mut grid = Grid { samples: samples.to_vec(), zero: zero.min(samples.len()) };
        let mut halvings = 0;
        for group in &self.groups {
            while halvings < group.halvings {
                grid = self.half_band.halve(&grid);
                halvings += 1;
            }
            visit(group, &grid);
        }
    }
}

/// How often the rate can be halved before the band comes too close to half of it.
fn halvings(band: &Band, rate_hz: f64) -> u32 {
    let ratio = USABLE_SHARE * rate_hz / band.upper_hz;
    if ratio.is_finite() && ratio >= 1.0 { (ratio.log2().floor() as u32).min(24) } else { 0 }
}

/// Runs a group over the grid from its end to `before` samples ahead of time zero; sums squares on the way.
fn integrate(group: &Group, grid: &Grid, before: usize, integrals: &mut [Vec<f64>; WIDTH]) {
    let after = grid.samples.len() - grid.zero;
    for integral in integrals.iter_mut() {
        integral.clear();
        integral.resize(before + after + 1, 0.0);
    }
    let mut filter = LaneFilter::new(group.channels.iter().map(|c| &c.cascade));
    let mut sum = [0.0; WIDTH];
    let first = grid.zero.saturating_sub(before);
    let silent = before - (grid.zero - first);
    let [a, b, c, d] = integrals.each_mut().map(|integral| &mut integral[..before + after]);
    let outputs = a.iter_mut().zip(b.iter_mut()).zip(c.iter_mut()).zip(d.iter_mut()).rev();
    let inputs = grid.samples[first..].iter().rev().copied().chain(std::iter::repeat_n(0.0, silent));
    for (k, ((((a, b), c), d), input)) in outputs.zip(inputs).enumerate() {
        if k % LOOK_EVERY == 0 {
            filter.clear_traces();
        }
        let output = filter.run(input).0;
        for (sum, output) in sum.iter_mut().zip(output) {
            *sum += output * output;
        }
        [*a, *b, *c, *d] = sum;
    }
}

impl Ringing {
    /// From the impulse response of the cascade itself.
    fn of(cascade: &Cascade, rate_hz: f64) -> Self {
        let mut filter = LaneFilter::new(std::iter::once(cascade));
        let energies: Vec<f64> = (0..cascade.settled_after())
            .map(|k| filter.run(if k == 0 { 1.0 } else { 0.0 }).0[0].powi(2))
            .collect();
        let total: f64 = energies.iter().sum();
        let moment: f64 = energies.iter().enumerate().map(|(k, energy)| k as f64 * energy).sum();
        let mut left = total;
        let reaches = |energy: &f64| {
            left -= energy;
            left < 1e-5 * total
        };
        let length = energies.iter().position(reaches).unwrap_or(energies.len());
        Self { delay_s: moment / total / rate_hz, length_s: length as f64 / rate_hz }
    }
}
