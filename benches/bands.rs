//! What the bands of one response cost, against yardsticks measured in the same run.
//!
//! `cargo bench --bench bands` prints ratios; times themselves depend on the machine and its load.
//! - all one-third octaves of 3 s at 48 kHz against reading the file and one forward real FFT of its length
//!   (aim: at most 5);
//! - the same response followed by as much digital silence, and with silence between decay and last sample,
//!   against noise of that length (aim: at most 3; subnormal numbers would make it 100);
//! - a response from 60 s of a sweep in two channels at 48 kHz, read from memory, against one forward real FFT of its
//!   length (aim: under 1 s of CPU; the first one plans its transforms, the next ones find the plans);
//! - the time per band, for `tests/reference/bands.py --time` to compare with.

#![allow(missing_docs, clippy::print_stdout)]

use realfft::RealFftPlanner;
use std::hint::black_box;
use std::io::Cursor;
use std::time::Instant;
use stillroom::decay::{Signal, band_decays, bank};
use stillroom::excitation::Sweep;
use stillroom::filter::{Bank, Fraction};
use stillroom::output::audio::{SampleForm, wav_of};
use stillroom::recording::read_whole_from;
use stillroom::recovery::{Parts, SweepRecording, responses_of_sweeps};

const RATE_HZ: f64 = 48_000.0;
const LENGTH: usize = 144_000;

fn main() {
    recovery();
    let room = room();
    let bytes = wav(&room);
    let read_ms = milliseconds(|| drop(black_box(read(&bytes))));
    let fft_ms = fft_ms(&room);
    println!(
        "reading 3 s of 24-bit WAV from memory: {read_ms:.2} ms; forward real FFT of its length: {fft_ms:.2} ms"
    );
    for fraction in [Fraction::Third, Fraction::Octave] {
        let filters = bank(fraction, RATE_HZ);
        let plan_ms = milliseconds(|| drop(black_box(bank(fraction, RATE_HZ))));
        let ms = evaluate_ms(fraction, &filters, &room);
        let bands = fraction.bands().len() as f64;
        println!(
            "{fraction:?}: {ms:.2} ms, {:.3} ms a band; planning the filters, once a rate: {plan_ms:.2} ms",
            ms / bands
        );
        println!("  over one FFT            {:6.2}", ms / fft_ms);
        println!("  over reading and an FFT {:6.2}  (aim: 5)", ms / (read_ms + fft_ms));
        silence(fraction, &filters, &room);
    }
}

/// A minute of a sweep through a delay and a mode at 40 Hz.
fn recovery() {
    let played = Sweep { seconds: 45.0, tail_s: 14.0, ..Sweep::default() }.samples().expect("in range");
    let (b, a) = ((-6.9 / RATE_HZ).exp(), 2.0 * (std::f64::consts::TAU * 40.0 / RATE_HZ).cos());
    let (mut before, mut last) = (0.0, 0.0);
    let heard: Vec<f64> = (0..played.len())
        .map(|n| {
            let sound = if n < 288 { 0.0 } else { played[n - 288] };
            let next = a * b * last - b * b * before + 1e-5 * sound;
            (before, last) = (last, next);
            0.1 * sound + next + 1e-5 * hash(n)
        })
        .collect();
    let bytes = wav_of(&[&heard, &played], RATE_HZ as u32, SampleForm::Integer24).expect("it fits");
    let once = || {
        let channel = |channel| {
            read_whole_from(Cursor::new(bytes.clone()), "recording", channel).expect("just written")
        };
        let (microphone, reference) = (channel(1), channel(2));
        let taken = SweepRecording {
            microphone: &microphone,
            reference: Some(&reference),
            signal: None,
            length_s: None,
            parts: Parts::AsPlayed,
        };
        drop(black_box(responses_of_sweeps(&taken).expect("a response")));
    };
    let timed = |work: &dyn Fn()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1e3
    };
    let (first, next) = (timed(&once), timed(&once).min(timed(&once)));
    let fft = fft_ms(&played);
    println!(
        "response from 60 s of a sweep: {first:.0} ms, {next:.0} ms where lengths repeat; FFT {fft:.0} ms"
    );
    println!("  over one FFT            {:6.1}, then {:.1}", first / fft, next / fft);
}

fn silence(fraction: Fraction, filters: &Bank, room: &[f64]) {
    let followed =
        |by: fn(usize) -> f64| room.iter().copied().chain((0..LENGTH).map(by)).collect::<Vec<f64>>();
    let noise = evaluate_ms(fraction, filters, &followed(|k| 1e-4 * hash(k)));
    let silent = evaluate_ms(fraction, filters, &followed(|_| 0.0));
    let gap = evaluate_ms(fraction, filters, &followed(|k| if k + 1 == LENGTH { 1e-4 } else { 0.0 }));
    println!(
        "  silence over noise      {:6.2}, with a last sample after it {:.2}  (aim: 3)",
        silent / noise,
        gap / noise
    );
}

fn evaluate_ms(fraction: Fraction, filters: &Bank, samples: &[f64]) -> f64 {
    let signal = Signal { samples, rate_hz: RATE_HZ, onset_s: 0.02 };
    milliseconds(|| drop(black_box(band_decays(&signal, fraction, filters))))
}

fn fft_ms(samples: &[f64]) -> f64 {
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(samples.len());
    let (mut output, mut scratch) = (fft.make_output_vec(), fft.make_scratch_vec());
    let mut input = samples.to_vec();
    milliseconds(|| {
        input.copy_from_slice(samples);
        drop(black_box(fft.process_with_scratch(&mut input, &mut output, &mut scratch)));
    })
}

/// Best of many: other work on the machine only adds.
fn milliseconds(mut work: impl FnMut()) -> f64 {
    let once = |()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1e3
    };
    std::iter::repeat_n((), 25).map(once).fold(f64::MAX, f64::min)
}

/// A direct sound, a decay of 0.5 s, noise 70 dB below.
fn room() -> Vec<f64> {
    let decay = |k: usize| (-6.907_755 * (k as f64 - 960.0) / (0.5 * RATE_HZ)).exp();
    (0..LENGTH).map(|k| hash(k) * if k < 960 { 3e-4 } else { decay(k) + 3e-4 }).collect()
}

/// Evenly spread numbers from −1 to 1.
fn hash(k: usize) -> f64 {
    let mixed = (k as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

fn wav(samples: &[f64]) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ as u32,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("a valid format");
    for sample in samples {
        writer.write_sample((sample * 4e6) as i32).expect("memory to write to");
    }
    writer.finalize().expect("memory to write to");
    bytes.into_inner()
}

fn read(bytes: &[u8]) -> Vec<f64> {
    let mut reader = hound::WavReader::new(bytes).expect("the header just written");
    reader
        .samples::<i32>()
        .map(|sample| f64::from(sample.expect("a sample just written")) / 8_388_608.0)
        .collect()
}
