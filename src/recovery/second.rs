//! A second recording of one place: quieter, to see what isn't linear; or with noise of another seed, to see the
//! distortion that periods of one seed hide.

use super::reference::centres;
use super::transform::{Lags, quick_length, spectrum};
use super::words::{against, signed};
use super::{Line, PeriodicResponse, Trouble};

/// What a second recording shows.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Linearity {
    /// By how much the second recording was lower, dB: by the signals recorded beside both, or by the bands that nothing holds
    /// down.
    pub lower_db: f64,
    /// How much lower it was meant to be, dB, where the user said so.
    pub turned_db: Option<f64>,
    /// Whether the signals recorded beside both tell how much lower it was.
    pub by_reference: bool,
    /// Largest change of the response between both in a third octave, dB; its overall gain is counted only where the
    /// signal was recorded beside both.
    pub change_db: f64,
    /// What noise may make of that change, dB.
    pub noise_db: f64,
    /// Middle of that third octave, Hz.
    pub band_hz: f64,
    /// Where the louder run is held down.
    pub held: Option<Held>,
    /// Where both are known well enough to agree, and within what.
    pub agreement: Option<Agreement>,
}

/// Two runs that agree.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Agreement {
    /// Range, Hz.
    pub range_hz: (f64, f64),
    /// Largest difference in it, dB.
    pub within_db: f64,
}

/// A level that is held down.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Held {
    /// Range, Hz.
    pub range_hz: (f64, f64),
    /// By how much at the most, dB.
    pub db: f64,
}

/// A response that changes by more with the level isn't linear, dB; own choice.
const LINEAR_DB: f64 = 0.5;
/// A level that is held down by more than this over [`HELD_BANDS`] third octaves is a limiter's, dB; own choice. What
/// rattles does so in one or two, and adds power.
const HELD_DB: f64 = 1.0;
const HELD_BANDS: usize = 3;
/// What noise may do to a level is allowed for this many times over.
const SURE: f64 = 4.0;
/// A second run this much lower or more tells something, dB.
const LEAST_LOWER_DB: f64 = 3.0;
/// A dial that says how much lower the second run was played is right within this, dB; own choice.
const DIAL_DB: f64 = 1.5;
/// A response's level is read this long after its first sound, s, and as long as its band smears it.
const LEVEL_S: f64 = 0.3;

/// Level of a third octave: its mean power behind the first sound less its noise, and the relative sd of that.
#[derive(Debug, Clone, Copy)]
struct Level {
    hz: f64,
    power: f64,
    sd: f64,
}

/// Levels by third octave within a range.
fn levels(run: Run<'_>, rate_hz: f64, (low_hz, high_hz): (f64, f64)) -> Vec<Level> {
    let length = quick_length(run.samples.len());
    let lines = spectrum(run.samples, length);
    let end_s = run.samples.len() as f64 / rate_hz;
    let level = |band: Lags| {
        let smear_s = 2.0 / band.width_hz;
        let (from_s, to_s) = (run.arrival_s - smear_s, (run.arrival_s + LEVEL_S + smear_s).min(0.8 * end_s));
        let noise = band.mean(0.8 * end_s, end_s);
        let power = (band.mean(from_s, to_s) - noise).max(f64::MIN_POSITIVE);
        let independent = (band.width_hz * (to_s - from_s)).max(1.0);
        let sd = ((noise * noise + 2.0 * power * noise) / independent).sqrt() / power;
        Level { hz: band.centre_hz, power, sd }
    };
    let bands = centres(1.15 * low_hz, high_hz / 1.15);
    bands.filter_map(|hz| Lags::of(&lines, length, rate_hz, hz)).map(level).collect()
}

/// A response with what it was made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run<'a> {
    /// The response.
    pub samples: &'a [f64],
    /// Range in which it stands over its noise, Hz.
    pub range_hz: (f64, f64),
    /// When the first sound arrives, s from sample 0.
    pub arrival_s: f64,
    /// Rms of the signal as it was recorded beside it and the response was divided by.
    pub driven_rms: Option<f64>,
}

/// A change of one third octave with the level.
#[derive(Debug, Clone, Copy)]
struct Change {
    hz: f64,
    db: f64,
    /// What noise may make of it, dB.
    noise_db: f64,
}

impl Change {
    fn of((loud, soft): (&Level, &Level)) -> Self {
        let noise_db = SURE * DB_PER_SHARE * loud.sd.hypot(soft.sd);
        Self { hz: loud.hz, db: 10.0 * (loud.power / soft.power).log10(), noise_db }
    }

    /// By how much it is more than noise makes, dB.
    fn sure_db(&self) -> f64 {
        self.db.abs() - self.noise_db
    }

    fn held(&self) -> bool {
        self.db < -HELD_DB - self.noise_db
    }
}

/// Decibels of a small relative change of power: 10/ln 10.
const DB_PER_SHARE: f64 = 4.343;

/// Holds a quieter run against the main one, played lower by `turned_db` as far as the user said so.
///
/// # Errors
/// What the user should know where it is too little lower to tell anything.
pub fn linearity(
    main: Run<'_>,
    quieter: Run<'_>,
    rate_hz: f64,
    turned_db: Option<f64>,
) -> Result<Option<Linearity>, Trouble> {
    let lower = |loud: f64, soft: f64| 20.0 * (loud / soft.max(f64::MIN_POSITIVE)).log10();
    let driven_db = main.driven_rms.zip(quieter.driven_rms).map(|(loud, soft)| lower(loud, soft));
    // Turned down behind the reference, the level of neither response says anything of the other's.
    let by_reference = driven_db.filter(|db| *db >= LEAST_LOWER_DB);
    let range = (main.range_hz.0.max(quieter.range_hz.0), main.range_hz.1.min(quieter.range_hz.1));
    let (loud, soft) = (levels(main, rate_hz, range), levels(quieter, rate_hz, range));
    let mut changes: Vec<Change> = loud.iter().zip(&soft).map(Change::of).collect();
    let Some(step_db) = step_db(&changes) else { return Ok(None) };
    let lower_db = by_reference.unwrap_or(driven_db.unwrap_or(0.0) + step_db);
    if let Some(trouble) = told(lower_db, turned_db) {
        return Err(trouble);
    }
    let gain_db = if by_reference.is_some() { 0.0 } else { step_db };
    changes.iter_mut().for_each(|change| change.db -= gain_db);
    let held = changes
        .chunk_by(|a, b| a.held() && b.held())
        .filter(|run| run.len() >= HELD_BANDS)
        .max_by_key(|run| run.len())
        .map(|run| Held {
            range_hz: (run[0].hz, run[run.len() - 1].hz),
            db: run.iter().map(|change| -change.db).fold(0.0, f64::max),
        });
    let most = changes.iter().max_by(|a, b| a.sure_db().total_cmp(&b.sure_db()));
    Ok(most.map(|most| Linearity {
        lower_db,
        turned_db,
        by_reference: by_reference.is_some(),
        change_db: most.db,
        noise_db: most.noise_db,
        band_hz: most.hz,
        held,
        agreement: agreement(&changes),
    }))
}

/// By how much the bands that nothing holds down are lower: those next to the upper quartile, as what is held is less. Bands
/// that noise makes unsure have no say where enough others do.
fn step_db(changes: &[Change]) -> Option<f64> {
    let sure: Vec<f64> =
        changes.iter().filter(|change| change.noise_db < LINEAR_DB).map(|change| change.db).collect();
    let mut sorted =
        if sure.len() >= HELD_BANDS { sure } else { changes.iter().map(|change| change.db).collect() };
    sorted.sort_by(f64::total_cmp);
    let upper = *sorted.get(3 * sorted.len() / 4)?;
    sorted.retain(|db| (db - upper).abs() < HELD_DB);
    Some(sorted[sorted.len() / 2])
}

fn agreement(changes: &[Change]) -> Option<Agreement> {
    let sure: Vec<&Change> = changes.iter().filter(|change| change.noise_db < LINEAR_DB).collect();
    let [first, .., last] = sure.as_slice() else { return None };
    let within_db = sure.iter().map(|change| change.db.abs()).fold(0.0, f64::max);
    (sure.len() >= HELD_BANDS).then_some(Agreement { range_hz: (first.hz, last.hz), within_db })
}

/// What the levels of both runs alone say.
fn told(lower_db: f64, turned_db: Option<f64>) -> Option<Trouble> {
    let advice = "play it 10 dB lower; if it was played so, a limiter or compressor holds the louder one down: say by how \
                  much you turned it down (--quieter-by)";
    let found = match turned_db {
        Some(turned_db) if turned_db - lower_db > DIAL_DB && lower_db > -LEVEL_ALIKE_DB => {
            return Some(Trouble::again(
                "level-held",
                format!(
                    "the second run is {} dB quieter, turned down by {turned_db:.1} dB: a limiter or compressor holds this \
                     one down",
                    signed(&format!("{:.1}", lower_db + 0.0))
                ),
                HELD_ADVICE,
            ));
        }
        _ if lower_db >= LEAST_LOWER_DB => return None,
        _ if lower_db > LEVEL_ALIKE_DB => {
            format!(
                "the second run is only {lower_db:.1} dB quieter than this one: nothing can be told from it"
            )
        }
        _ if lower_db >= -LEVEL_ALIKE_DB => {
            "the second run is as loud as this one: nothing can be told from it".to_owned()
        }
        _ => {
            return Some(Trouble::note(
                "not-quieter",
                format!(
                    "the second run is {:.1} dB louder than this one: the two files are exchanged, or a gain was moved",
                    -lower_db
                ),
                "name the louder one first, the quieter one with --quieter, and leave the gain as it is",
            ));
        }
    };
    Some(Trouble::note("not-quieter", found, advice))
}

/// Runs this near to each other are equally loud, dB.
const LEVEL_ALIKE_DB: f64 = 0.5;
const HELD_ADVICE: &str =
    "switch it off, or measure at the lower level; levels of this take mean nothing, decays hold";

impl Linearity {
    /// What of it the user should know.
    #[must_use]
    pub fn trouble(&self) -> Trouble {
        let lower_db = self.lower_db;
        if let Some(held) = self.held {
            let (low_hz, high_hz) = held.range_hz;
            return Trouble::again(
                "level-held",
                format!(
                    "from {low_hz:.0} to {high_hz:.0} Hz up to {:.1} dB are missing that the run {lower_db:.1} dB quieter \
                     has: a limiter or compressor holds the level down",
                    held.db
                ),
                HELD_ADVICE,
            );
        }
        let step_known = self.by_reference || self.turned_db.is_some();
        if self.change_db.abs() > LINEAR_DB + self.noise_db {
            return Trouble::note(
                "not-linear",
                format!(
                    "at {:.0} Hz the response stands {} dB against the run {lower_db:.1} dB quieter",
                    self.band_hz,
                    signed(&format!("{:+.1}", self.change_db))
                ),
                if step_known { RATTLES } else { RATTLES_OR_HELD },
            );
        }
        let Some(Agreement { range_hz: (low_hz, high_hz), within_db }) = self.agreement else {
            return Trouble::note(
                "not-known-linear",
                format!(
                    "the run {lower_db:.1} dB quieter lies too near its noise: nothing can be told from it"
                ),
                "play both louder",
            );
        };
        let within_db = within_db.max(0.1);
        let agrees = format!(
            "the run {lower_db:.1} dB quieter agrees within {within_db:.1} dB from {low_hz:.0} to {high_hz:.0} Hz"
        );
        if step_known {
            return Trouble::note("linear", agrees + ": no limiter or compressor shows", "nothing to do");
        }
        Trouble::note(
            "linear",
            agrees + ": no limiter shows that holds some of them more than others",
            "if you turned it down by more, a limiter or compressor holds this one: say by how much (--quieter-by)",
        )
    }
}

const RATTLES: &str = "measure at the lower level, and look for what rattles";
const RATTLES_OR_HELD: &str = "measure at the lower level, and look for what rattles; if you turned it down by more, a limiter or compressor holds \
     this one too (--quieter-by)";

/// Distortion as two seeds show it: its power over the response's, mean over the lines; and one standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct SeedDifference {
    /// Ratio of powers; may be negative where the noise of the lines is all there is.
    pub ratio: f64,
    /// One standard error of it.
    pub sd: f64,
}

/// Lines of two seeds against each other, noise taken off. One line differs by the noise of both and by two
/// products of distortion that have nothing to do with each other. `None` where the periods differ or single ones
/// leave the noise unknown.
#[must_use]
pub fn seed_difference(first: &PeriodicResponse, second: &PeriodicResponse) -> Option<SeedDifference> {
    if (first.period_s - second.period_s).abs() > 1e-6 * first.period_s {
        return None;
    }
    let pairs = first.lines.iter().filter_map(|line| Some((line, near(&second.lines, line.hz)?)));
    let mut excess: Vec<(f64, f64)> = Vec::new();
    for (a, b) in pairs {
        let apart = (a.re - b.re).powi(2) + (a.im - b.im).powi(2);
        let noise = 2.0 * (a.sd?.powi(2) + b.sd?.powi(2));
        excess
            .push((0.5 * (apart - noise), 0.5 * (a.re.powi(2) + a.im.powi(2) + b.re.powi(2) + b.im.powi(2))));
    }
    let n = excess.len() as f64;
    let power = excess.iter().map(|line| line.1).sum::<f64>() / n;
    let mean = excess.iter().map(|line| line.0).sum::<f64>() / n;
    let variance = excess.iter().map(|line| (line.0 - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (n > 10.0 && power > 0.0)
        .then(|| SeedDifference { ratio: mean / power, sd: (variance / n).sqrt() / power })
}

/// The line at a frequency.
fn near(lines: &[Line], hz: f64) -> Option<&Line> {
    let near = lines.partition_point(|line| line.hz < hz - 1e-6);
    lines.get(near).filter(|line| (line.hz - hz).abs() < 1e-3)
}

impl SeedDifference {
    /// What of it the user should know: distortion, or up to where there is none.
    #[must_use]
    pub fn trouble(&self) -> Trouble {
        if self.ratio > 3.0 * self.sd {
            return Trouble::note(
                "distortion",
                format!("two seeds differ by distortion {} the response", against(self.ratio)),
                "turn the volume down by 6 dB and see whether it falls by more",
            );
        }
        let most = against((self.ratio.max(0.0) + 2.0 * self.sd).max(1e-12));
        Trouble::note(
            "distortion-low",
            format!("two seeds show no distortion down to {most} the response"),
            "nothing to do",
        )
    }
}

impl PeriodicResponse {
    /// The mean of both seeds, with what their difference shows instead of the word that nothing could.
    #[must_use]
    pub fn with_second_seed(mut self, second: &Self, difference: &SeedDifference) -> Self {
        self.samples.iter_mut().zip(&second.samples).for_each(|(a, b)| *a = 0.5 * (*a + b));
        let both = |own: &Line| Some(own.mean(near(&second.lines, own.hz)?));
        self.lines = self.lines.iter().filter_map(both).collect();
        self.averages += second.averages;
        self.runs += second.runs;
        self.troubles.retain(|trouble| trouble.word != "distortion-not-seen");
        let own: Vec<&str> = self.troubles.iter().map(|trouble| trouble.word).collect();
        let more: Vec<Trouble> = second
            .troubles
            .iter()
            .filter(|trouble| trouble.word != "distortion-not-seen" && !own.contains(&trouble.word))
            .cloned()
            .collect();
        self.troubles.extend(more);
        self.troubles.push(difference.trouble());
        self
    }
}
