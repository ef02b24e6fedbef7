//! Measured and finite-element responses of the folder that `STILLROOM_IR` names, read file by file, and what their fits say of each other.
#![allow(dead_code, clippy::print_stdout, reason = "shared by tests and the bench; says when it skips")]

use rustfft::num_complex::Complex;
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use stillroom::flag::Flag;
use stillroom::modes::{
    FitSettings, Kind, LN_1000, Mode, ModeSet, Place, Pole, RecordConditions, bound, fit,
};
use stillroom::recording::{Wanted, read_take};
use stillroom::response::{LowRecord, Place as Seat, TakeInput, combine};

/// Folder of the responses; `None` (and a word) where it is missing, an error on the machine that judges.
pub fn folder(name: &str) -> Option<PathBuf> {
    let root = std::env::var_os("STILLROOM_IR")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/ir"), PathBuf::from);
    let folder = root.join(name);
    if folder.exists() {
        return Some(folder);
    }
    assert!(std::env::var("CI").as_deref() != Ok("true"), "measured responses are missing");
    println!("skipped: no measured responses (STILLROOM_IR names their folder)");
    None
}

/// Low end of the mean of some files, as `analyze` makes it.
pub fn low_record(files: &[PathBuf]) -> LowRecord {
    let inputs = files.iter().map(|path| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let recording = read_take(path, &name, Wanted { channel: 1, rate_hz: None }).unwrap();
        let faults = stillroom::recording::inspect(&recording.samples, recording.rate_hz);
        let mut input = TakeInput::new(&name, recording);
        (input.usable_samples, input.flags) = (faults.usable_samples, faults.flags());
        input
    });
    let seat = Seat { position: "seat".into(), source: String::new() };
    combine(inputs.collect(), seat).unwrap().low
}

/// All WAVs of a folder in order of their names.
pub fn waves(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "wav"))
        .collect();
    files.sort();
    files
}

/// Arni's takes of a state (2: dry, 50: live).
pub fn arni(state: &str, takes: &[u32]) -> Option<LowRecord> {
    let folder = folder("arni_two_states")?;
    let all = waves(&folder);
    let own = |path: &PathBuf| {
        let name = path.to_string_lossy();
        name.contains(&format!("numClosed_{state}_"))
            && takes.iter().any(|t| name.ends_with(&format!("sweep_{t}.wav")))
    };
    Some(low_record(&all.into_iter().filter(own).collect::<Vec<_>>()))
}

/// The only file of a folder.
pub fn single(name: &str) -> Option<LowRecord> {
    Some(low_record(&waves(&folder(name)?)[..1]))
}

/// Fit of low ends, each its own position, with their starts moved.
pub fn fit_lows(lows: &[LowRecord], later_s: f64, refits: bool) -> ModeSet {
    let places: Vec<Place<'_>> = lows
        .iter()
        .enumerate()
        .map(|(i, low)| {
            let mut place = Place::from_low_record(&format!("p{i}"), "", low);
            place.onset_s += later_s;
            place
        })
        .collect();
    let mut settings = FitSettings::default();
    settings.refits = refits;
    fit(&places, &settings)
}

pub fn hertz(mode: &Mode) -> f64 {
    mode.frequency().value
}

pub fn claims(set: &ModeSet) -> Vec<&Mode> {
    set.modes.iter().filter(|m| m.kind == Kind::Mode).collect()
}

/// Claims, and resonances that only their overlap keeps from being claimed: one place in a large room can't prove them.
pub fn stable(set: &ModeSet) -> Vec<&Mode> {
    let doubts = |m: &Mode| {
        m.flags.iter().any(|f| !matches!(f, Flag::Overlapping | Flag::OwnShareUnpredicted | Flag::NoTimeBase))
    };
    let own = |m: &&Mode| m.kind == Kind::Mode || (m.kind == Kind::Unsure && !doubts(m));
    set.modes.iter().filter(own).collect()
}

pub fn stable_between(set: &ModeSet, from_hz: f64, to_hz: f64) -> usize {
    stable(set).iter().filter(|m| (from_hz..to_hz).contains(&hertz(m))).count()
}

/// One line a mode.
pub fn list(set: &ModeSet) -> String {
    let mut lines = String::new();
    for mode in &set.modes {
        let words: Vec<&str> = mode.flags.iter().map(|f| f.word()).collect();
        lines += &format!(
            "{:8.3} ± {:6.3} Hz {:6.3} s ± {:5.1} % {:?} {}\n",
            hertz(mode),
            mode.omega_sd_per_s / TAU,
            LN_1000 / mode.decay_per_s,
            100.0 * mode.decay_sd_per_s / mode.decay_per_s,
            mode.kind,
            words.join(";")
        );
    }
    lines
}

/// Stable resonances of two fits of the same room, in pairs, and how many pairs agree within the joint 95 % interval.
#[derive(Debug, Default, Clone)]
pub struct Agreement {
    pub claims: (usize, usize),
    pub pairs: usize,
    pub frequency: usize,
    pub decay: usize,
    pub notes: Vec<String>,
}

impl Agreement {
    /// Mutually nearest claims within a hertz, or three joint sds.
    pub fn of(a: &ModeSet, b: &ModeSet) -> Self {
        Self::between(a, b, (0.0, f64::INFINITY))
    }

    /// Mutually nearest claims, those of the first within some frequencies.
    pub fn between(a: &ModeSet, b: &ModeSet, (from_hz, to_hz): (f64, f64)) -> Self {
        let (a, b) = (stable(a), stable(b));
        let mut found = Self { claims: (a.len(), b.len()), ..Self::default() };
        for own in a.iter().filter(|m| (from_hz..to_hz).contains(&hertz(m))) {
            let Some(other) = nearest(own, &b) else { continue };
            let back = nearest(other, &a).is_some_and(|m| std::ptr::eq(m, *own));
            let joint = own.omega_sd_per_s.hypot(other.omega_sd_per_s);
            let apart = (own.omega_per_s - other.omega_per_s).abs();
            if !back || apart > TAU.max(3.0 * joint) {
                continue;
            }
            let decays = (own.decay_per_s - other.decay_per_s).abs();
            let joint_decay = own.decay_sd_per_s.hypot(other.decay_sd_per_s);
            found.pairs += 1;
            found.frequency += usize::from(apart < 1.96 * joint);
            found.decay += usize::from(decays < 1.96 * joint_decay);
            if apart > 1.96 * joint || decays > 1.96 * joint_decay {
                found.notes.push(format!(
                    "{:.2} / {:.2} Hz: {:.1} sd, T60 {:.2} / {:.2} s: {:.1} sd",
                    hertz(own),
                    hertz(other),
                    apart / joint,
                    LN_1000 / own.decay_per_s,
                    LN_1000 / other.decay_per_s,
                    decays / joint_decay
                ));
            }
        }
        found
    }

    /// Both tests of all pairs that agree, of how many.
    pub fn held(&self) -> (usize, usize) {
        (self.frequency + self.decay, 2 * self.pairs)
    }
}

fn nearest<'a>(mode: &Mode, among: &[&'a Mode]) -> Option<&'a Mode> {
    let apart = |m: &Mode| (m.omega_per_s - mode.omega_per_s).abs();
    among.iter().copied().min_by(|x, y| apart(x).total_cmp(&apart(y)))
}

/// Whether `held` of `of` is below 90 % by more than chance: a binomial of 0.9 shows so few in under 5 % of cases.
pub fn below_90_beyond_chance((held, of): (usize, usize)) -> bool {
    let mut chance = 0.0;
    let mut term = 0.1_f64.powi(of as i32);
    for k in 0..=held {
        chance += term;
        term *= (of - k) as f64 / (k + 1) as f64 * 9.0;
    }
    chance < 0.05
}

/// A state of a finite-element room: low ends by position, with what it is known to be.
pub struct Known {
    pub lows: Vec<LowRecord>,
    pub poles: Vec<Pole>,
    /// Cramér–Rao sds (ω, δ) for all positions.
    pub truth: serde_json::Value,
    pub positions: Vec<String>,
}

/// Reads one state of a finite-element room.
pub fn known(room: &str, state: &str) -> Option<Known> {
    let folder = folder(room)?;
    let text = std::fs::read_to_string(folder.join(format!("{state}.truth.json"))).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&text).unwrap();
    let files = waves(&folder.join(state));
    let positions = files.iter().map(|p| p.file_stem().unwrap().to_string_lossy().into_owned()).collect();
    let emission = truth["onset_s"].as_f64().unwrap();
    let lows = files.iter().map(|file| {
        let mut low = low_record(std::slice::from_ref(file));
        low.emission_s = Some(emission);
        low
    });
    let poles = truth["poles"].as_array().unwrap().iter().map(pole).collect();
    Some(Known { lows: lows.collect(), poles, truth, positions })
}

pub fn pole(value: &serde_json::Value) -> Pole {
    Pole {
        omega_per_s: TAU * value["frequency_hz"].as_f64().unwrap(),
        decay_per_s: value["decay_per_s"].as_f64().unwrap(),
    }
}

impl Known {
    /// Low ends of every other position, from `first`.
    pub fn every_other(&self, first: usize) -> Vec<LowRecord> {
        self.lows.iter().skip(first).step_by(2).cloned().collect()
    }

    /// Cramér–Rao sds (ω, δ) of each pole, with the poles of 15 to 200 Hz and the loudspeaker's unknown
    /// and the noise's colour known.
    pub fn bounds(&self) -> Vec<(f64, f64)> {
        let noise = &self.truth["noise"];
        let (floor, knee) = (noise["floor"].as_f64().unwrap(), noise["knee_hz"].as_f64().unwrap());
        let density = |hz: f64| floor * (1.0 + (knee / hz.max(8.0)).powi(2));
        let listening: Vec<RecordConditions<'_>> = self
            .lows
            .iter()
            .map(|low| RecordConditions {
                rate_hz: low.rate_hz,
                samples: low.samples.len() - (low.onset_s * low.rate_hz).ceil() as usize,
                density: &density,
            })
            .collect();
        let list = |key: &str| self.truth[key].as_array().unwrap().clone();
        let kept: Vec<usize> = (0..self.poles.len())
            .filter(|j| (15.0..200.0).contains(&self.poles[*j].frequency_hz()))
            .collect();
        let all = list("poles");
        let entries = kept.iter().map(|j| all[*j].clone()).chain(list("loudspeaker_poles"));
        let entries: Vec<serde_json::Value> =
            entries.filter(|e| e["frequency_hz"].as_f64().unwrap() > 15.0).collect();
        let poles: Vec<Pole> = entries.iter().map(pole).collect();
        let amplitudes: Vec<Vec<Complex<f64>>> =
            entries.iter().zip(&poles).map(|(e, p)| self.at_start(e, p)).collect();
        let mut sds = vec![(f64::INFINITY, f64::INFINITY); self.poles.len()];
        if let Some(covariance) = bound(&listening, &poles, &amplitudes, (10.0, 205.0)) {
            for (i, j) in kept.iter().enumerate() {
                sds[*j] = (covariance[(2 * i, 2 * i)].sqrt(), covariance[(2 * i + 1, 2 * i + 1)].sqrt());
            }
        }
        sds
    }

    /// Residues of a pole at the start of each position's record.
    fn at_start(&self, entry: &serde_json::Value, pole: &Pole) -> Vec<Complex<f64>> {
        let residue = |position: &String| {
            let pair = &entry["residues"][position];
            Complex::new(pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap())
        };
        self.positions
            .iter()
            .zip(&self.lows)
            .map(|(position, low)| {
                let late = low.onset_s - low.emission_s.unwrap_or(0.0);
                residue(position) * (pole.lambda() * late).exp()
            })
            .collect()
    }
}
