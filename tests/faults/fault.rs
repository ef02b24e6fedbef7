//! What goes wrong with files: each a change of the bytes of some files of a session.

use super::room::{Clean, RATE_HZ, Room};
use std::path::{Path, PathBuf};
use stillroom::room::simulate::Gauss;

/// Which files are hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Hit {
    /// The second place of the treated state.
    One,
    /// The second place of the baseline.
    OneBefore,
    /// Every file of the treated state.
    All,
}

/// What is done to a file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum What {
    /// Only this share of the bytes is there; the header stays.
    CopiedShort(f64),
    /// A sound file of so many seconds.
    Short(f64),
    Reversed,
    /// Channel 1 holds a pulse, channel 2 the microphone.
    LoopBack,
    /// The microphone on channel 1 of so many.
    Channels(u16),
    /// Channel 1 of so many is silent.
    SilentFirst(u16),
    Sweep,
    /// Another rate in the header.
    Label(u32),
    /// An exponential fade of so many dB over the record, from the peak on.
    Faded(f64),
    /// Silence from so many seconds on.
    Gated(f64),
    /// Cut off at this share of the peak.
    Clipped(f64),
    /// Squeezed as by an overloaded stage: tanh, the peak so many times over its range.
    Soft(f64),
    /// A second shot so many seconds later, so strong.
    Twice(f64, f64),
    Inverted,
    /// Later by so many seconds.
    Late(f64),
    /// The baseline's file of the same place.
    CopyOfBefore,
    /// The file of the first place of the same state.
    CopyOfNeighbour,
    Noise,
    Silent,
    Offset(f64),
    Normalised,
    Text,
    Empty,
    NotFinite,
    Missing,
    Louder(f64),
}

/// One fault, what must be said of it, and whether `check` may still call the session enough.
pub struct Fault {
    pub what: What,
    pub hit: Hit,
    /// Words of which one must stand in what `check` says.
    pub check: &'static [&'static str],
    /// Words of which one must stand in what `compare` says, on screen or in changes.csv.
    pub compare: &'static [&'static str],
}

/// Writes the session with the fault.
pub fn write(folder: &Path, room: &Room, clean: &Clean, fault: Option<&Fault>) {
    std::fs::create_dir_all(folder).expect("writable");
    std::fs::write(folder.join("session.toml"), room.manifest()).expect("writable");
    let hit = |state: &str, place: &str| {
        fault.is_some_and(|fault| match fault.hit {
            Hit::One => state == "treated" && place == room.places[1].0,
            Hit::OneBefore => state == "empty" && place == room.places[1].0,
            Hit::All => state == "treated",
        })
    };
    for ((state, place), samples) in &clean.files {
        let path = folder.join(state).join(format!("{place}.wav"));
        std::fs::create_dir_all(folder.join(state)).expect("writable");
        match fault.filter(|_| hit(state, place)) {
            Some(fault) => damaged(&path, samples, &(*state, *place), room, clean, fault.what),
            None => wav(&path, &[samples], RATE_HZ),
        }
    }
}

fn damaged(path: &PathBuf, x: &[f64], at: &(&str, &str), room: &Room, clean: &Clean, what: What) {
    let rate = f64::from(RATE_HZ);
    let peak = x.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
    let top = x.iter().position(|v| v.abs() >= peak).unwrap_or(0);
    let plain = |y: Vec<f64>| wav(path, &[&y], RATE_HZ);
    let each = |f: &dyn Fn(usize, f64) -> f64| plain(x.iter().enumerate().map(|(k, v)| f(k, *v)).collect());
    match what {
        What::CopiedShort(share) => {
            wav(path, &[x], RATE_HZ);
            let bytes = std::fs::read(path).expect("written");
            std::fs::write(path, &bytes[..(share * bytes.len() as f64) as usize]).expect("writable");
        }
        What::Short(seconds) => plain(x[..(seconds * rate) as usize].to_vec()),
        What::Reversed => plain(x.iter().rev().copied().collect()),
        What::LoopBack => {
            let mut gauss = Gauss::new(7);
            let mut pulse: Vec<f64> = x.iter().map(|_| 1e-6 * gauss.normal()).collect();
            pulse[1_440] += 0.5;
            pulse[1_441] -= 0.2;
            wav(path, &[&pulse, x], RATE_HZ);
        }
        What::Channels(count) => wav(path, &vec![x; usize::from(count)], RATE_HZ),
        What::SilentFirst(count) => {
            let still = vec![0.0; x.len()];
            let mut all: Vec<&[f64]> = vec![&still];
            all.resize(usize::from(count), x);
            wav(path, &all, RATE_HZ);
        }
        What::Sweep => {
            let length = x.len() as f64 / rate;
            let turns = |t: f64| 20.0 * length / 500f64.ln() * ((t / length * 500f64.ln()).exp() - 1.0);
            each(&|k, _| 0.5 * (std::f64::consts::TAU * turns(k as f64 / rate)).sin());
        }
        What::Label(rate_hz) => wav(path, &[x], rate_hz),
        What::Faded(db) => each(&|k, v| {
            let gone = k.saturating_sub(top) as f64 / (x.len() - top) as f64;
            v * 10f64.powf(-db * gone / 20.0)
        }),
        What::Gated(seconds) => each(&|k, v| if k as f64 > seconds * rate { 0.0 } else { v }),
        What::Clipped(share) => each(&|_, v| v.clamp(-share * peak, share * peak)),
        What::Soft(drive) => each(&|_, v| peak / drive * (drive * v / peak).tanh()),
        What::Twice(seconds, gain) => {
            let later = (seconds * rate) as usize;
            each(&|k, v| v + if k >= later { gain * x[k - later] } else { 0.0 });
        }
        What::Inverted => each(&|_, v| -v),
        What::Late(seconds) => {
            let later = (seconds * rate) as usize;
            each(&|k, _| if k >= later { x[k - later] } else { x[x.len() - later + k] });
        }
        What::CopyOfBefore => plain(clean.files[&("empty", at_place(room, at.1))].clone()),
        What::CopyOfNeighbour => {
            let state = if at.0 == "empty" { "empty" } else { "treated" };
            plain(clean.files[&(state, room.places[0].0)].clone());
        }
        What::Noise => {
            let mut gauss = Gauss::new(11 + at.1.len() as u64);
            plain(x.iter().map(|_| 0.01 * gauss.normal()).collect());
        }
        What::Silent => plain(vec![0.0; x.len()]),
        What::Offset(value) => each(&|_, v| v + value),
        What::Normalised => each(&|_, v| 0.9 * v / peak),
        What::Text => std::fs::write(path, "position\tnotes\n").expect("writable"),
        What::Empty => std::fs::write(path, "").expect("writable"),
        What::NotFinite => {
            let mut y = x.to_vec();
            y[5_000] = f64::NAN;
            float_wav(path, &y);
        }
        What::Missing => {}
        What::Louder(db) => each(&|_, v| v * 10f64.powf(db / 20.0)),
    }
}

fn at_place(room: &Room, name: &str) -> &'static str {
    room.places.iter().map(|(place, _)| *place).find(|place| *place == name).expect("a place of the room")
}

fn wav(path: &Path, channels: &[&[f64]], rate_hz: u32) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut out = hound::WavWriter::create(path, spec).expect("writable");
    for k in 0..channels[0].len() {
        for channel in channels {
            let code = (channel[k] * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0);
            out.write_sample(code as i32).expect("writable");
        }
    }
    out.finalize().expect("writable");
}

fn float_wav(path: &Path, samples: &[f64]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut out = hound::WavWriter::create(path, spec).expect("writable");
    samples.iter().for_each(|v| out.write_sample(*v as f32).expect("writable"));
    out.finalize().expect("writable");
}
