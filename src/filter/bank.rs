//! All bands of one response: which rate each band runs at, and the run, backwards in time.

use super::band::Band;
use super::butterworth::Cascade;
use super::half_band::{Grid, HalfBand, USABLE_SHARE};
use super::lanes::{BLOCK, LaneFilter, Lanes, WIDTH};
use std::f64::consts::PI;
use std::sync::{Mutex, PoisonError};

/// A plan for one sample rate: a cascade per band, each at the lowest rate that carries its band.
#[derive(Debug)]
pub struct Bank {
    rate_hz: f64,
    half_band: HalfBand,
    groups: Vec<RateGroup>,
    /// Memory of finished runs, for the next ones: fetching fresh pages costs as much as filtering.
    spare: Mutex<Vec<Scratch>>,
}

/// Memory that a run works in; its contents mean nothing to the next.
#[derive(Debug, Default)]
struct Scratch {
    integrals: [Vec<f64>; WIDTH],
    grid: [Vec<f64>; 2],
}

/// Bands that run at the same rate, in lockstep.
#[derive(Debug, Clone)]
struct RateGroup {
    halvings: u32,
    /// Samples per entry of the stored integral.
    stride: usize,
    channels: Vec<Channel>,
}

/// One band of a [`Bank`] and what its filter does to time.
#[derive(Debug, Clone, Copy)]
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

/// A band's squared output, summed from the end of the record back to each entry.
#[derive(Debug, Clone, Copy)]
pub struct Backward<'a> {
    /// Entry `k`: sum of the squared output from the entry's instant to the end, times the sample interval
    /// (pressure² · s). The last entry is 0.
    pub to_come: &'a [f64],
    /// Entries per second; at most the rate that the band runs at.
    pub rate_hz: f64,
    /// The entry that begins with the direct sound's sample.
    pub zero: usize,
    /// Energy of the response from each limit on, cut *before* the filter: Σ of the squared output times the
    /// sample interval. Its ringing is whole, none of the earlier response's is in it.
    pub late: [f64; LIMITS],
    /// The band and its filter.
    pub channel: &'a Channel,
}

/// How many limits a run can take: 50 and 80 ms.
pub const LIMITS: usize = 2;

/// Entries per second beyond which the integral is stored sparsely: 0.1 ms resolves a decay of 5 ms.
const STORED_RATE_HZ: f64 = 10_000.0;

impl Bank {
    /// Plans the run; bands that the rate can't carry are left out.
    #[must_use]
    pub fn new(bands: &[Band], rate_hz: f64) -> Self {
        let mut groups: Vec<RateGroup> = Vec::new();
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
                _ => groups.push(RateGroup::new(halvings, channel)),
            }
        }
        groups.sort_by_key(|group| group.halvings);
        Self { rate_hz, half_band: HalfBand::new(), groups, spare: Mutex::default() }
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
    /// `limits_s`: times after the direct sound from which the late energy is wanted.
    pub fn run(&self, samples: &[f64], zero: usize, limits_s: [f64; LIMITS], mut band: impl FnMut(Backward)) {
        // A thread that panicked while it held the lock left whole buffers behind.
        let spare = || self.spare.lock().unwrap_or_else(PoisonError::into_inner);
        let mut scratch = spare().pop().unwrap_or_default();
        let Scratch { integrals, grid: [from, to] } = &mut scratch;
        let (mut zero, mut halvings) = (zero.min(samples.len()), 0);
        for group in &self.groups {
            while halvings < group.halvings {
                let input = Grid { samples: if halvings == 0 { samples } else { from }, zero };
                zero = self.half_band.halve(input, to);
                std::mem::swap(from, to);
                halvings += 1;
            }
            let input = Grid { samples: if halvings == 0 { samples } else { from }, zero };
            let run = group.integrate(input, limits_s, integrals);
            for (lane, (channel, to_come)) in group.channels.iter().zip(integrals.iter()).enumerate() {
                let rate_hz = channel.rate_hz / group.stride as f64;
                band(Backward {
                    to_come,
                    rate_hz,
                    zero: run.zero,
                    late: run.late.map(|late| late.0[lane]),
                    channel,
                });
            }
        }
        spare().push(scratch);
    }
}

/// How often the rate can be halved before the band comes too close to half of it.
fn halvings(band: &Band, rate_hz: f64) -> u32 {
    let ratio = USABLE_SHARE * rate_hz / band.upper_hz;
    if ratio.is_finite() && ratio >= 1.0 { (ratio.log2().floor() as u32).min(24) } else { 0 }
}

impl RateGroup {
    fn new(halvings: u32, first: Channel) -> Self {
        let mut stride = 1;
        while stride < BLOCK && first.rate_hz / (2 * stride) as f64 >= STORED_RATE_HZ {
            stride *= 2;
        }
        Self { halvings, stride, channels: vec![first] }
    }

    /// Runs from the end of the grid to where the direct sound's ringing begins, in whole blocks; sums squares
    /// on the way.
    fn integrate(&self, grid: Grid, limits_s: [f64; LIMITS], integrals: &mut [Vec<f64>; WIDTH]) -> Run {
        let before = self.ringing_blocks();
        let after = (grid.samples.len() - grid.zero).div_ceil(BLOCK);
        let per_block = BLOCK / self.stride;
        let entries = (before + after) * per_block;
        for integral in integrals.iter_mut() {
            integral.resize(entries + 1, 0.0);
            integral[entries] = 0.0;
        }
        let cuts = limits_s.map(|limit_s| EarlyCut::new(limit_s, self));
        let mut late = [Lanes::ZERO; LIMITS];
        let mut filter = LaneFilter::new(self.channels.iter().map(|c| &c.cascade));
        let mut inputs = Reversed { grid, end: (grid.zero + after * BLOCK) as isize };
        let mut outputs = [Lanes::ZERO; BLOCK];
        let mut sum = Lanes::ZERO;
        let interval = Lanes::all(1.0 / self.channels[0].rate_hz);
        let [a, b, c, d] = integrals.each_mut().map(|integral| integral[..entries].rchunks_mut(per_block));
        for (block, (((a, b), c), d)) in (0..after + before).rev().zip(a.zip(b).zip(c).zip(d)) {
            for (cut, late) in cuts.iter().zip(&mut late) {
                if block + 1 == before + cut.block.min(after) {
                    *late = sum + cut.energy(&filter, &inputs) * interval;
                }
            }
            filter.run(&inputs.next_block(), &mut outputs);
            let entries = a.iter_mut().zip(b).zip(c).zip(d).rev();
            for ((((a, b), c), d), outputs) in entries.zip(outputs.chunks(self.stride)) {
                for output in outputs {
                    sum = sum + *output * *output * interval;
                }
                [*a, *b, *c, *d] = sum.0;
            }
        }
        Run { zero: before * per_block, late }
    }

    /// Blocks that the longest ringing of the group spans.
    fn ringing_blocks(&self) -> usize {
        let ringing_s = self.channels.iter().map(|c| c.ringing.length_s).fold(0.0, f64::max);
        ((ringing_s * self.channels[0].rate_hz).ceil() as usize).div_ceil(BLOCK)
    }
}

/// What a run leaves beside the integrals.
struct Run {
    /// Entry of time zero.
    zero: usize,
    /// Energy from each limit on.
    late: [Lanes; LIMITS],
}

/// A cut of the response before the filter: what lies before a limit is faded out, and the filter rings on.
///
/// The fade is half a cosine of [`fade_s`] around the limit. A hard cut would be a click from whatever low
/// tone is there, and in a small room that click outshouts the high bands.
struct EarlyCut {
    limit_s: f64,
    /// One fade per lane.
    fade_s: [f64; WIDTH],
    rate_hz: f64,
    /// Blocks from time zero to the first one that no fade reaches.
    block: usize,
    /// Blocks to run on from there.
    blocks: usize,
}

impl EarlyCut {
    fn new(limit_s: f64, group: &RateGroup) -> Self {
        let rate_hz = group.channels[0].rate_hz;
        let mut fades = group.channels.iter().map(|channel| fade_s(&channel.band));
        let fade_s: [f64; WIDTH] = std::array::from_fn(|_| fades.next().unwrap_or(f64::MIN_POSITIVE));
        let longest_s = fade_s.into_iter().fold(0.0, f64::max);
        let block_s = BLOCK as f64 / rate_hz;
        let block = ((limit_s + longest_s / 2.0) / block_s).ceil() as usize;
        let blocks = block - ((limit_s - longest_s) / block_s).floor().max(0.0) as usize;
        Self { limit_s, fade_s, rate_hz, block, blocks: blocks + group.ringing_blocks() }
    }

    /// Sum of squares that a filter in its present state gives from here back, over the faded inputs and silence.
    fn energy(&self, filter: &LaneFilter, inputs: &Reversed) -> Lanes {
        let (mut filter, mut inputs) = (filter.clone(), *inputs);
        let mut outputs = [Lanes::ZERO; BLOCK];
        let mut sum = Lanes::ZERO;
        for _ in 0..self.blocks {
            let last = (inputs.end - 1 - inputs.grid.zero as isize) as f64;
            let mut faded = [Lanes::ZERO; BLOCK];
            for (k, (faded, sample)) in faded.iter_mut().zip(inputs.next_block()).enumerate() {
                *faded = self.weights((last - k as f64) / self.rate_hz) * Lanes::all(sample);
            }
            filter.run_each(&faded, &mut outputs);
            for output in outputs {
                sum = sum + output * output;
            }
        }
        sum
    }

    /// 0 before the fade, 1 after it; as much energy passes as if the cut were sharp at the limit.
    fn weights(&self, time_s: f64) -> Lanes {
        let after_s = time_s - self.limit_s;
        let mut weights = Lanes::ZERO;
        for (weight, fade_s) in weights.0.iter_mut().zip(self.fade_s) {
            // The square of the fade holds an eighth of its length less than a step in its middle does.
            let place = after_s / fade_s + 0.125;
            *weight = if place.abs() < 0.5 {
                0.5 + 0.5 * (PI * place).sin()
            } else {
                f64::from(u8::from(place > 0.0))
            };
        }
        weights
    }
}

/// Length of the fade: ten periods of the band, four where ten last longer than 4 ms.
///
/// A fade of p periods keeps a low tone's click 31 + 60 lg(p/2.4) dB under that of a hard cut (the side lobes of
/// the Hann window: Harris, Proc. IEEE 66 (1978) 51).
#[must_use]
pub fn fade_s(band: &Band) -> f64 {
    (10.0 / band.lower_hz).min((4.0 / band.lower_hz).max(0.004))
}

/// A grid's samples from the last to the first in whole blocks; silence around them.
#[derive(Clone, Copy)]
struct Reversed<'a> {
    grid: Grid<'a>,
    /// One past the next sample, from the grid's start; beyond either end of the grid lies silence.
    end: isize,
}

impl Reversed<'_> {
    fn next_block(&mut self) -> [f64; BLOCK] {
        let mut block = [0.0; BLOCK];
        let samples = self.grid.samples;
        let clamp = |index: isize| usize::try_from(index).unwrap_or(0).min(samples.len());
        let (first, last) = (clamp(self.end - BLOCK as isize), clamp(self.end));
        let skipped = usize::try_from(self.end - last as isize).unwrap_or(0);
        for (to, from) in block.iter_mut().skip(skipped).zip(samples[first..last].iter().rev()) {
            *to = *from;
        }
        self.end -= BLOCK as isize;
        block
    }
}

impl Ringing {
    /// From the impulse response of the cascade itself.
    fn of(cascade: &Cascade, rate_hz: f64) -> Self {
        let mut filter = LaneFilter::new(std::iter::once(cascade));
        let mut input = [0.0; BLOCK];
        input[0] = 1.0;
        let mut energies = Vec::new();
        let mut outputs = [Lanes::ZERO; BLOCK];
        while energies.len() < cascade.settled_after() {
            filter.run(&input, &mut outputs);
            energies.extend(outputs.iter().map(|output| output.0[0] * output.0[0]));
            input[0] = 0.0;
        }
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
