//! SOFA files (AES69-2022): how many responses, where measured, how fast sampled. Samples are read elsewhere.
//!
//! A response counts as the channel `(m·R + r)·E + e + 1`: measurement, receiver, emitter. Microphones at one
//! point are one position, sources at one point one source; the file has no names for them, so positions are
//! called after the file and numbered, sources `s1`, `s2`, … where there are several.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use hdf5_pure::{AttrValue, DType, Dataset, File};

use super::Told;

/// Conventions that hold responses of a room, or may.
const ROOM: [&str; 5] =
    ["SingleRoomSRIR", "SingleRoomMIMOSRIR", "SingleRoomDRIR", "GeneralFIR", "GeneralFIR-E"];
/// Most measurements, receivers times emitters, and values that are decoded at a time (512 MiB): our own bounds.
const MOST_RESPONSES: u64 = 65_535;
const MOST_VALUES: u64 = 1 << 26;
/// Points nearer than this are one: 1 mm, finer than anybody places a microphone.
const SAME_POINT_M: f64 = 1e-3;
/// Longest delay in front of a response, samples.
const MOST_DELAY: f64 = 1e6;

/// Why a file is not read: which part, what stands there, what may.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Attribute or variable.
    pub what: &'static str,
    /// What was found.
    pub found: String,
    /// What is read.
    pub allowed: String,
}

/// What a file says of its responses.
#[derive(Debug, Clone, PartialEq)]
pub struct Sofa {
    /// Name of the convention.
    pub convention: String,
    /// Sample rate, hertz.
    pub rate_hz: f64,
    /// Samples of a response.
    pub samples: u64,
    measurements: u64,
    receivers: u64,
    emitters: u64,
    /// Emitters stand behind the samples in `Data.IR`.
    emitters_last: bool,
    /// Samples are single precision.
    pub single: bool,
    delay: Values,
    told: Vec<Told>,
}

/// A variable of at most three axes.
#[derive(Debug, Clone, Default, PartialEq)]
struct Values {
    shape: Vec<u64>,
    values: Vec<f64>,
}

impl Values {
    /// The value at these places; an axis of length 1 stands for all.
    fn at(&self, places: &[u64]) -> Option<f64> {
        let mut index = 0;
        for (axis, length) in self.shape.iter().enumerate() {
            let place = if *length == 1 { 0 } else { places.get(axis).copied().unwrap_or(0) };
            index = index * length + place.min(length.saturating_sub(1));
        }
        self.values.get(usize::try_from(index).ok()?).copied()
    }
}

fn fault(what: &'static str, found: impl Into<String>, allowed: impl Into<String>) -> Fault {
    Fault { what, found: found.into(), allowed: allowed.into() }
}

/// A reader's panic on bad input must cost one file, not the batch.
fn guarded<T>(run: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    let gave_up = |_| Err(fault("HDF5", "the reader failed (an error of its own)", "a whole file"));
    catch_unwind(AssertUnwindSafe(run)).unwrap_or_else(gave_up)
}

/// Looks at a file without reading samples.
///
/// # Errors
/// [`Fault`] for what is no SOFA file of a room, contradicts itself, or is too large.
pub fn look(path: &Path) -> Result<Sofa, Fault> {
    guarded(|| {
        let file = open(path)?;
        let mut sofa = shape(&file)?;
        let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        sofa.told = places(&file, &sofa, &stem);
        Ok(sofa)
    })
}

impl Sofa {
    /// How many responses the file holds.
    #[must_use]
    pub fn responses(&self) -> u64 {
        self.measurements * self.receivers * self.emitters
    }

    pub(super) fn told(&self) -> Vec<Told> {
        self.told.clone()
    }

    /// Samples of a response, counted from 1, with its delay in front as silence.
    ///
    /// # Errors
    /// [`Fault`] for damaged data and for a delay that is no whole number of samples.
    pub fn read(&self, path: &Path, response: u64) -> Result<Vec<f64>, Fault> {
        let index = response.saturating_sub(1);
        let per_measurement = self.receivers * self.emitters;
        let (measurement, rest) = (index / per_measurement, index % per_measurement);
        let (receiver, emitter) = (rest / self.emitters, rest % self.emitters);
        let delay = self.delay.at(&[measurement, receiver, emitter]).unwrap_or(0.0);
        if !(0.0..=MOST_DELAY).contains(&delay) || delay.fract().abs() > 1e-6 {
            let allowed = format!("whole samples from 0 to {MOST_DELAY}");
            return Err(fault("Data.Delay", format!("{delay} samples"), allowed));
        }
        let values = guarded(|| {
            let file = open(path)?;
            let data = dataset(&file, "Data.IR")?;
            data.read_f64_rows(measurement, 1).map_err(|error| damaged("Data.IR", &error))
        })?;
        let (samples, emitters) = (self.samples as usize, self.emitters as usize);
        let (start, step) = if self.emitters_last {
            (receiver as usize * samples * emitters + emitter as usize, emitters)
        } else {
            (rest as usize * samples, 1)
        };
        let read: Vec<f64> =
            values.get(start..).unwrap_or_default().iter().step_by(step).take(samples).copied().collect();
        if read.len() < samples {
            return Err(fault("Data.IR", format!("{} samples", read.len()), format!("{samples} samples")));
        }
        Ok([vec![0.0; delay.round() as usize], read].concat())
    }
}

fn open(path: &Path) -> Result<File, Fault> {
    File::open_streaming(path).map_err(|error| damaged("HDF5", &error))
}

fn damaged(what: &'static str, error: &hdf5_pure::Error) -> Fault {
    fault(
        what,
        format!("the reader says: {error}"),
        "HDF5 as libraries up to 1.14 write it, plain or deflated",
    )
}

fn dataset(file: &File, name: &'static str) -> Result<Dataset, Fault> {
    file.dataset(name).map_err(|error| damaged(name, &error))
}

/// Text of an attribute.
fn text(attributes: &std::collections::HashMap<String, AttrValue>, name: &str) -> String {
    match attributes.get(name) {
        Some(AttrValue::String(text) | AttrValue::AsciiString(text) | AttrValue::VarLenString(text)) => {
            text.trim_end_matches('\0').to_owned()
        }
        _ => String::new(),
    }
}

/// Sizes, rate and delays.
fn shape(file: &File) -> Result<Sofa, Fault> {
    let attributes = file.root().attrs().map_err(|error| damaged("HDF5", &error))?;
    let (kind, convention) = (text(&attributes, "DataType"), text(&attributes, "SOFAConventions"));
    if text(&attributes, "Conventions") != "SOFA" {
        return Err(fault("Conventions", "an HDF5 file of another kind", "SOFA (AES69)"));
    }
    if !ROOM.contains(&convention.as_str()) {
        let why = if convention.contains("FreeField") { " (free field: there is no room in it)" } else { "" };
        return Err(fault("SOFAConventions", format!("{convention}{why}"), ROOM.join(", ")));
    }
    let data = dataset(file, "Data.IR")?;
    let shape = data.shape().map_err(|error| damaged("Data.IR", &error))?;
    let several = kind == "FIR-E";
    let (measurements, receivers, samples, emitters, emitters_last) = match (several, shape.as_slice()) {
        (false, &[m, r, n]) if kind == "FIR" => (m, r, n, 1, false),
        // Samples before emitters since the edition of 2020, behind them before; there are more samples.
        (true, &[m, r, n, e]) if n >= e => (m, r, n, e, true),
        (true, &[m, r, e, n]) => (m, r, n, e, false),
        _ => {
            return Err(fault(
                "Data.IR",
                format!("{kind} of shape {shape:?}"),
                "FIR with three axes, FIR-E with four",
            ));
        }
    };
    let single = match data.dtype().map_err(|error| damaged("Data.IR", &error))? {
        DType::F32 => true,
        DType::F64 => false,
        other => {
            return Err(fault("Data.IR", format!("numbers of the kind {other:?}"), "32- or 64-bit floats"));
        }
    };
    check_sizes(&data, &[measurements, receivers, samples, emitters])?;
    let (told, delay) = (Vec::new(), values(file, "Data.Delay").unwrap_or_default());
    let rate_hz = rate(file)?;
    Ok(Sofa {
        convention,
        rate_hz,
        samples,
        measurements,
        receivers,
        emitters,
        emitters_last,
        single,
        delay,
        told,
    })
}

/// Nothing is decoded that the machine can't hold, whatever the header promises.
fn check_sizes(data: &Dataset, sizes: &[u64; 4]) -> Result<(), Fault> {
    let product = |sizes: &[u64]| sizes.iter().try_fold(1_u64, |all, size| all.checked_mul(*size));
    let [measurements, receivers, samples, emitters] = *sizes;
    let responses = product(&[measurements, receivers, emitters]);
    let chunk = data.chunk_shape().ok().flatten();
    let decoded = [product(&[receivers, samples, emitters]), product(chunk.as_deref().unwrap_or(&[]))];
    let fits = |all: &Option<u64>| all.is_some_and(|all| (1..=MOST_VALUES).contains(&all));
    if responses.is_none_or(|all| !(1..=MOST_RESPONSES).contains(&all)) || !decoded.iter().all(fits) {
        let allowed =
            format!("1 to {MOST_RESPONSES} responses, and {MOST_VALUES} values in a measurement and a chunk");
        return Err(fault("Data.IR", format!("shape {sizes:?}, chunks {chunk:?}"), allowed));
    }
    Ok(())
}

fn rate(file: &File) -> Result<f64, Fault> {
    let rates = values(file, "Data.SamplingRate").unwrap_or_default().values;
    match rates.as_slice() {
        [first, others @ ..] if others.iter().all(|rate| (rate - first).abs() < 1e-9 * first) => Ok(*first),
        [] => Err(fault("Data.SamplingRate", "nothing", "one rate for all measurements")),
        _ => Err(fault("Data.SamplingRate", "several rates", "one rate for all measurements")),
    }
}

/// A small variable; `None` where it is missing or large.
fn values(file: &File, name: &str) -> Option<Values> {
    let data = file.dataset(name).ok()?;
    let shape = data.shape().ok()?;
    let size = shape.iter().try_fold(1_u64, |all, size| all.checked_mul(*size))?;
    if shape.len() > 3 || size > 3 * MOST_RESPONSES {
        return None;
    }
    Some(Values { shape, values: data.read_f64().ok()? })
}

/// A variable of points, axes `[., C]` or `[., C, .]`, in metres.
struct Points {
    values: Values,
    spherical: bool,
}

/// Numbers of microphone and loudspeaker, and where they are, metres.
type Numbered = ((usize, usize), Option<[f64; 3]>, Option<[f64; 3]>);

impl Points {
    fn of(file: &File, name: &str) -> Option<Self> {
        let values = values(file, name)?;
        let kind = text(&file.dataset(name).ok()?.attrs().ok()?, "Type");
        let spherical = kind == "spherical";
        (values.shape.len() > 1
            && values.shape[1] == 3
            && (spherical || matches!(kind.as_str(), "" | "cartesian")))
        .then_some(Self { values, spherical })
    }

    /// The point `own` along the first axis, of measurement `m` along the third.
    fn at(&self, own: u64, measurement: u64) -> Option<[f64; 3]> {
        let mut point = [0.0; 3];
        for (axis, coordinate) in point.iter_mut().enumerate() {
            *coordinate = self.values.at(&[own, axis as u64, measurement])?;
        }
        let [a, b, c] = point;
        // Azimuth and elevation in degrees, radius in metres (AES69, 3.4).
        let (azimuth, elevation) = (a.to_radians(), b.to_radians());
        let flat = c * elevation.cos();
        let point = if self.spherical {
            [flat * azimuth.cos(), flat * azimuth.sin(), c * elevation.sin()]
        } else {
            point
        };
        point.iter().all(|x| x.is_finite()).then_some(point)
    }
}

fn sum(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// Names and points of all responses.
fn places(file: &File, sofa: &Sofa, stem: &str) -> Vec<Told> {
    let points = |name| Points::of(file, name);
    let (listener, receiver) = (points("ListenerPosition"), points("ReceiverPosition"));
    let (source, emitter) = (points("SourcePosition"), points("EmitterPosition"));
    let turned = [points("ListenerView"), points("SourceView")]
        .map(|view| view.is_some_and(|v| v.is_turned(sofa.measurements)));
    let origin = corner(file);
    let at = |whole: &Option<Points>, part: &Option<Points>, own: u64, m: u64, turned: bool| {
        let offset = part.as_ref().and_then(|part| part.at(own, m)).unwrap_or_default();
        let apart = offset.iter().any(|x| x.abs() > SAME_POINT_M);
        // An array that looks another way than along the first axis would have to be turned.
        let whole = whole.as_ref().and_then(|whole| whole.at(m, m)).filter(|_| !(apart && turned))?;
        Some(sum(whole, offset))
    };
    let (mut microphones, mut sources) = (Numbers::default(), Numbers::default());
    // Of a source that nobody placed, a file doesn't say whether it is the one of the measurement before: takes of
    // different sources must not be averaged, so each is a source of its own.
    let mut unplaced: BTreeMap<(usize, u64), u64> = BTreeMap::new();
    let mut found = Vec::new();
    for m in 0..sofa.measurements {
        for r in 0..sofa.receivers {
            for e in 0..sofa.emitters {
                let (microphone, loudspeaker) =
                    (at(&listener, &receiver, r, m, turned[0]), at(&source, &emitter, e, m, turned[1]));
                let number = microphones.of(microphone, r, m * sofa.receivers + r);
                let before = unplaced.entry((number, e)).or_default();
                let source = sources.of(loudspeaker, e, *before * sofa.emitters + e);
                *before += u64::from(loudspeaker.is_none());
                found.push(((number, source), microphone, loudspeaker));
            }
        }
    }
    let mut takes: BTreeMap<(usize, usize), usize> = BTreeMap::new();
    let counts = found.iter().fold(BTreeMap::new(), |mut counts: BTreeMap<_, usize>, one| {
        *counts.entry(one.0).or_default() += 1;
        counts
    });
    let one = |((microphone, loudspeaker), at, from): Numbered| {
        let take = takes.entry((microphone, loudspeaker)).or_default();
        *take += 1;
        let repeated = counts.get(&(microphone, loudspeaker)).is_some_and(|count| *count > 1);
        let repeat = if repeated { format!("#{take}") } else { String::new() };
        Told {
            name: format!("{}-{microphone}{repeat}", stem.split(['@', '#']).next().unwrap_or(stem)),
            source: (sources.len() > 1).then(|| format!("s{loudspeaker}")),
            position_m: at.zip(origin).map(|(at, origin)| sum(at, origin)),
            source_m: from.zip(origin).map(|(from, origin)| sum(from, origin)),
        }
    };
    found.into_iter().map(one).collect()
}

impl Points {
    /// Whether any measurement looks another way than along the first axis.
    fn is_turned(&self, measurements: u64) -> bool {
        (0..measurements)
            .filter_map(|m| self.at(m, m))
            .any(|[x, y, z]| x <= 0.0 || y.abs() > 1e-6 || z.abs() > 1e-6)
    }
}

/// What to add to a point so that it counts from the room's corner; `None` where the file doesn't say where that is.
fn corner(file: &File) -> Option<[f64; 3]> {
    let [a, b] =
        ["RoomCornerA", "RoomCornerB"].map(|name| Points::of(file, name).and_then(|points| points.at(0, 0)));
    let (a, b) = a.zip(b)?;
    let extends = (0..3).all(|axis| (a[axis] - b[axis]).abs() > SAME_POINT_M);
    extends.then(|| [0, 1, 2].map(|axis: usize| -a[axis].min(b[axis])))
}

/// Numbers points from 1 in the order in which they are met.
#[derive(Default)]
struct Numbers(BTreeMap<(Option<[i64; 3]>, u64), usize>);

impl Numbers {
    /// `part` is the receiver or emitter: two of one measurement are no repeats of each other, even where the file puts
    /// them at one point. `index` tells those apart whose point isn't known.
    fn of(&mut self, point: Option<[f64; 3]>, part: u64, index: u64) -> usize {
        let key = match point {
            Some(point) => (Some(point.map(|x| (x / SAME_POINT_M).round() as i64)), part),
            None => (None, index),
        };
        let next = self.0.len() + 1;
        *self.0.entry(key).or_insert(next)
    }

    fn len(&self) -> usize {
        self.0.len()
    }
}
