//! What was found becomes rows: the only code that puts a state's values into the tables' units. (The command `gather`, which
//! merges results of many sessions, is [`crate::archive`].)

use std::sync::Arc;

use super::cell::Name;
use super::decibel;
use super::gather_captures::captures;
use super::{
    BandRow, CheckRow, FailureRow, FileRow, FitRow, ModeLevelRow, ModeRow, Results, RoomFitRow, SessionRow,
    SettingsRow,
};
use crate::analysis::{Analysis, Settings, TargetKind};
use crate::criterion::MASK;
use crate::decay::BandDecay;
use crate::estimate::{Estimate, Reading};
use crate::flag::{Flag, Flags};
use crate::modes::{Amplitude, Kind, Mode, ModeSet};
use crate::room::sound_speed_m_s;
use crate::session::{Role, Session, channel_words};
use crate::state::{Resonances, StateResult};

/// How the user's command read the folder; for the record only.
#[derive(Debug, Clone, Copy, Default)]
pub struct Asked<'a> {
    /// Whether every file counted as a state of its own.
    pub each: bool,
    /// Baseline of a comparison.
    pub before: Option<&'a str>,
    /// States compared with it.
    pub after: &'a [String],
    /// What decay times were held against.
    pub target: Option<TargetKind>,
}

/// All tables of an analysis; nothing is compared.
#[must_use]
pub fn results(session: &Session, settings: &Settings, asked: &Asked<'_>, found: &Analysis) -> Results {
    let listening = |position: &str| session.role(position) == Role::Listening;
    Results {
        session: SessionRow {
            title: session.title.clone(),
            baseline: session.baseline.clone(),
            volume_m3: session.room.volume_m3,
            states: found.states.iter().map(|state| state.name.clone()).collect(),
        },
        settings: settings_row(session, settings, asked),
        failures: found.failures.iter().map(failure_row).collect(),
        warnings: found.warnings.clone(),
        files: found.files.iter().map(|file| file_row(session, file)).collect(),
        captures: captures(session, &found.files),
        room_fit: found.states.iter().filter_map(|state| room_fit(session, state)).collect(),
        fits: found.states.iter().flat_map(fit_rows).collect(),
        absorber: Vec::new(),
        bands: found.states.iter().flat_map(|state| band_rows(state, &listening)).collect(),
        modes: found.states.iter().flat_map(mode_rows).collect(),
        mode_levels: tell_uncalibrated(
            found.states.iter().flat_map(|state| mode_level_rows(session, state)).collect(),
        ),
        checks: found.states.iter().flat_map(check_rows).collect(),
        comparison: None,
    }
}

fn check_rows(state: &StateResult) -> Vec<CheckRow> {
    let name: Name = state.name.as_str().into();
    let row = |check: &crate::procedure::Check| CheckRow {
        state: name.clone(),
        standard: check.standard,
        clause: check.clause,
        requirement: check.requirement.clone(),
        found: check.found.clone(),
        limit: check.limit.clone(),
        met: check.met.word(),
        affects: check.affects.clone(),
    };
    state.checks.iter().map(row).collect()
}

fn settings_row(session: &Session, settings: &Settings, asked: &Asked<'_>) -> SettingsRow {
    let range = settings.modes.unwrap_or_default();
    SettingsRow {
        bands: settings.fraction.word(),
        with_modes: settings.modes.is_some(),
        modes_from_hz: range.from_hz,
        modes_to_hz: range.to_hz,
        each: asked.each,
        names: session.names.as_ref().map(|pattern| pattern.text().to_owned()),
        channel: u32::try_from(session.channel).unwrap_or(u32::MAX),
        channels: Some(channel_words(&session.channels)).filter(|words| !words.is_empty()),
        rate_hz: session.rate_hz,
        same_chain: session.same_chain,
        time_base: session.time_base.map(|base| base.word().to_owned()),
        before: asked.before.map(str::to_owned),
        after: asked.after.to_vec(),
        target_t60_s: match asked.target {
            Some(TargetKind::Longest(limit_s)) => Some(limit_s),
            _ => None,
        },
        target_mask: match asked.target {
            Some(TargetKind::Mask) => Some(MASK.to_owned()),
            Some(TargetKind::MaskRound(mean_s)) => Some(format!("{MASK} round {mean_s:.2} s")),
            _ => None,
        },
    }
}

fn failure_row(failure: &crate::analysis::Failure) -> FailureRow {
    FailureRow {
        file: failure.file.clone(),
        state: failure.state.clone(),
        reason: failure.reason.clone(),
        found: failure.found.clone(),
        allowed: failure.allowed.clone(),
        advice: failure.advice.clone(),
    }
}

fn file_row(session: &Session, file: &crate::analysis::File) -> FileRow {
    let read = file.provenance.as_ref();
    FileRow {
        file: file.take.file.as_str().into(),
        state: file.state.as_str().into(),
        position: file.take.position.as_str().into(),
        source: file.take.source.as_str().into(),
        take: file.take.take.as_str().into(),
        used: file.used,
        note: file.note.clone(),
        sha256: read.map(|r| r.sha256.clone()),
        format: read.map(|r| r.format.clone()),
        rate_hz: read.map(|r| r.rate_hz),
        bit_depth: read.map(|r| r.bit_depth).filter(|bits| *bits > 0),
        channels: read.map(|r| r.channels),
        channel: read.map(|_| u32::try_from(session.channel_of(&file.take)).unwrap_or(u32::MAX)),
        frames: read.map(|r| r.frames),
        length_s: read.map(|r| r.frames as f64 / f64::from(r.rate_hz)),
        emission_s: file.capture.as_ref().and_then(|c| c.emission_s),
        range_low_hz: file.capture.as_ref().map(|c| c.range_hz[0]),
        range_high_hz: file.capture.as_ref().map(|c| c.range_hz[1]),
        clock_ppm: file.capture.as_ref().and_then(|c| Some(c.clock?.ppm)),
        clock_sd_ppm: file.capture.as_ref().and_then(|c| Some(c.clock?.sd_ppm)),
        capture: file.capture.iter().flat_map(|c| &c.findings).map(|f| f.found.clone()).collect(),
        repairs: read.map(|r| r.repairs.clone()).unwrap_or_default(),
    }
}

fn room_fit(session: &Session, state: &StateResult) -> Option<RoomFitRow> {
    let fit = state.resonances.as_ref()?.names.fit.as_ref()?;
    let known = session.state(&state.name).and_then(|s| s.temperature_c);
    let temperature_c = known.unwrap_or(session.room.temperature_c);
    let [length, width, height] = fit.dimensions_m?;
    Some(RoomFitRow {
        state: state.name.as_str().into(),
        length,
        width,
        height,
        temperature_c,
        speed_of_sound_m_per_s: sound_speed_m_s(temperature_c).ok()?,
        assigned_modes: u32::try_from(fit.assigned).unwrap_or(u32::MAX),
        rms_error_percent: fit.rms_error.map(|error| 100.0 * error),
    })
}

/// How well the modes explain each place.
fn fit_rows(state: &StateResult) -> Vec<FitRow> {
    let Some(found) = &state.resonances else { return Vec::new() };
    let name: Name = state.name.as_str().into();
    let places = found.set.places.iter().zip(&found.set.residual_over_noise);
    let row = |((position, source), ratio): (&(String, String), &Result<f64, Flag>)| FitRow {
        state: name.clone(),
        position: position.as_str().into(),
        source: source.as_str().into(),
        residual_over_noise_db: ratio.and_then(|r| decibel::of_power(r).ok_or(Flag::NotFinite)),
        single_modes_to_hz: found.set.single_modes_to_hz.ok_or(Flag::Overlapping),
        flags: Flags::default(),
    };
    places.map(row).collect()
}

/// Remarks on the instant that files share: a band's decay doesn't depend on it.
const ABOUT_INSTANTS: [Flag; 4] =
    [Flag::NoTimeBase, Flag::OwnStart, Flag::EmissionFromDistance, Flag::EmissionAssumed];

/// Faults of one place that an average over places carries on.
const SPOIL_AVERAGES: [Flag; 13] = [
    Flag::Clipped,
    Flag::ZeroTail,
    Flag::FadedTail,
    Flag::Incomplete,
    Flag::Reversed,
    Flag::SecondSound,
    Flag::SignalItself,
    Flag::FadedDecay,
    Flag::LateMaximum,
    Flag::EndsEarly,
    Flag::RateSuspect,
    Flag::IdenticalFiles,
    Flag::Normalised,
];

/// Rows of every place, then of the averages.
fn band_rows(state: &StateResult, listening: &impl Fn(&str) -> bool) -> Vec<BandRow> {
    let name: Name = state.name.as_str().into();
    let mut rows = Vec::new();
    for place in &state.places {
        let response = &place.response;
        let position: Name = response.place.position.as_str().into();
        let source: Name = response.place.source.as_str().into();
        let file: Name = response.files().collect::<Vec<_>>().join(";").into();
        let labels = [&name, &position, &source, &file];
        let remarks: Flags = response.flags.iter().filter(|flag| !ABOUT_INSTANTS.contains(flag)).collect();
        rows.extend(place.bands.iter().map(|band| band_row(labels, band, &remarks)));
    }
    let nothing: Name = "".into();
    let averages: [(&str, Vec<BandDecay>); 2] =
        [("*", state.average(|_| true)), ("listening", state.average(|place| listening(&place.position)))];
    let counted: [&dyn Fn(&str) -> bool; 2] = [&|_: &str| true, listening];
    for ((position, bands), counts) in averages.iter().zip(counted) {
        let remarks: Flags = state
            .places
            .iter()
            .filter(|place| counts(&place.response.place.position))
            .flat_map(|place| place.response.flags.iter())
            .filter(|flag| SPOIL_AVERAGES.contains(flag))
            .collect();
        let position: Name = Arc::from(*position);
        let labels = [&name, &position, &nothing, &nothing];
        rows.extend(bands.iter().map(|band| band_row(labels, band, &remarks)));
    }
    rows
}

fn band_row([state, position, source, file]: [&Name; 4], band: &BandDecay, more: &Flags) -> BandRow {
    let db = |power: Result<f64, Flag>| power.and_then(|p| decibel::of_power(p).ok_or(Flag::NotFinite));
    let mut flags = band.flags.clone();
    flags.extend(more);
    BandRow {
        state: state.clone(),
        position: position.clone(),
        source: source.clone(),
        file: file.clone(),
        band_hz: band.band.centre_hz,
        edt_s: band.edt_s,
        t20: band.t20_s,
        t30: band.t30_s,
        c50_db: db(band.c50),
        c80_db: db(band.c80),
        d50: band.d50,
        ts_ms: band.ts_s.map(|s| 1000.0 * s),
        level_db: db(band.level),
        peak_to_noise_db: db(band.peak_to_noise),
        decay_range_db: db(band.decay_range),
        nonlinearity_t20_permille: band.nonlinearity_t20.map(|xi| 1000.0 * xi),
        nonlinearity_t30_permille: band.nonlinearity_t30.map(|xi| 1000.0 * xi),
        curvature_percent: band.curvature.map(|c| 100.0 * c),
        bt_product: band.bt_product,
        flags,
    }
}

/// Magnitude of an amplitude and its standard deviation along it.
fn magnitude(amplitude: &Amplitude) -> (f64, f64) {
    let Amplitude { re, im, covariance: [rr, ri, ii], .. } = *amplitude;
    let size = re.hypot(im);
    let variance = (re * re * rr + 2.0 * re * im * ri + im * im * ii) / (size * size);
    (size, variance.max(0.0).sqrt())
}

/// Steady-state level fs·|A|/δ of a mode at a place, as a ratio of pressures with its standard deviation.
fn level(set: &ModeSet, mode: &Mode, place: usize, amplitude: &Amplitude) -> Estimate {
    let (size, sd) = magnitude(amplitude);
    let value = set.file_rates_hz[place] * size / mode.decay_per_s;
    let relative = (sd / size).hypot(mode.decay_sd_per_s / mode.decay_per_s);
    Estimate::new(value, value * relative)
}

fn mode_rows(state: &StateResult) -> Vec<ModeRow> {
    let Some(found) = &state.resonances else { return Vec::new() };
    let name: Name = state.name.as_str().into();
    (0..found.set.modes.len()).map(|m| mode_row(&name, found, m)).collect()
}

fn mode_row(state: &Name, found: &Resonances, m: usize) -> ModeRow {
    let mode = &found.set.modes[m];
    let given = &found.names.modes[m];
    let known: Vec<(usize, &Amplitude)> =
        mode.amplitudes.iter().enumerate().filter_map(|(p, a)| Some((p, a.as_ref()?))).collect();
    let seen = known.iter().filter(|(_, amplitude)| amplitude.is_detected()).count();
    let power = known.iter().map(|(p, a)| level(&found.set, mode, *p, a).value.powi(2)).sum::<f64>()
        / known.len().max(1) as f64;
    let frequency = mode.frequency();
    let thresholds = Resonances::thresholds_s(frequency.value);
    let mut flags = mode.flags.clone();
    flags.extend(&given.flags);
    found.filter_doubts.get(m).copied().flatten().into_iter().for_each(|doubt| flags.add(doubt));
    let t60 = t60(mode);
    t60.err().into_iter().for_each(|flag| flags.add(flag));
    ModeRow {
        state: state.clone(),
        mode: number(m),
        kind: mode.kind.word(),
        frequency: Ok(frequency),
        t60,
        q: t60.map(|_| mode.omega_per_s / (2.0 * mode.decay_per_s)),
        level_db: decibel::of_power(power).ok_or(Flag::NotSeen),
        positions: u32::try_from(seen).unwrap_or(u32::MAX),
        axes: given.axes.map_or_else(|| "".into(), |[x, y, z]| format!("{x} {y} {z}").into()),
        predicted_hz: given.predicted_hz,
        shape_match: given.shape_match,
        filter_t20_s: found.filter_t20_s[m].map(|estimate| estimate.value),
        threshold_t60_s: thresholds[0],
        threshold_music_t60_s: thresholds[1],
        priority: found.priorities[m],
        evidence: given.evidence.clone().unwrap_or_default(),
        flags,
    }
}

/// A tone that doesn't decay has no decay time; its own flag says whether it is the mains'. Nor has a resonance whose
/// decay is hardly known.
fn t60(mode: &Mode) -> Reading {
    let hum = if mode.flags.has(Flag::MainsHum) { Flag::MainsHum } else { Flag::SteadyTone };
    let t60 = mode.t60();
    match mode.kind {
        Kind::Hum => Err(hum),
        _ if t60.is_above_zero() => Ok(t60),
        _ => Err(Flag::WideInterval),
    }
}

pub(super) fn number(index: usize) -> u32 {
    u32::try_from(index + 1).unwrap_or(u32::MAX)
}

/// Remarks on a level: not seen, and what is odd about the place's instant or scale.
fn level_flags(state: &StateResult, place: usize, seen: bool) -> Flags {
    let of_place = state.places.get(place).map(|p| p.response.flags.clone()).unwrap_or_default();
    let matters = |flag: &Flag| ABOUT_INSTANTS.contains(flag) || *flag == Flag::Normalised;
    of_place.iter().filter(matters).chain((!seen).then_some(Flag::NotSeen)).collect()
}

fn mode_level_rows(session: &Session, state: &StateResult) -> Vec<ModeLevelRow> {
    let Some(found) = &state.resonances else { return Vec::new() };
    let name: Name = state.name.as_str().into();
    let set = &found.set;
    let mut rows = Vec::new();
    for (m, mode) in set.modes.iter().enumerate() {
        for (p, (position, source)) in set.places.iter().enumerate() {
            let Some(amplitude) = &mode.amplitudes[p] else { continue };
            let based = state.places.get(p).is_some_and(|place| place.response.emission_s.is_some());
            let seen = amplitude.is_detected();
            let known = state.places.get(p).and_then(|place| place.response.known);
            let zero_db = known.and_then(|known| known.zero_db_spl).or(session.zero_db_spl);
            let level = decibel::of_amplitude_estimate(level(set, mode, p, amplitude)).ok_or(Flag::NotSeen);
            rows.push(ModeLevelRow {
                state: name.clone(),
                mode: number(m),
                frequency_hz: Ok(mode.frequency().value),
                position: position.as_str().into(),
                source: source.as_str().into(),
                level_spl_db: zero_db.map(|zero_db| level.map(|level| level.value + zero_db)),
                level,
                phase_deg: match (based, seen) {
                    (false, _) => Err(Flag::NoTimeBase),
                    (true, false) => Err(Flag::NotSeen),
                    (true, true) => Ok(amplitude.im.atan2(amplitude.re).to_degrees()),
                },
                flags: level_flags(state, p, seen),
            });
        }
    }
    rows
}

/// Where some levels are known as sound pressure, the others say why theirs are not.
fn tell_uncalibrated(mut rows: Vec<ModeLevelRow>) -> Vec<ModeLevelRow> {
    if rows.iter().any(|row| row.level_spl_db.is_some()) {
        rows.iter_mut()
            .filter(|row| row.level_spl_db.is_none())
            .for_each(|row| row.flags.add(Flag::NotCalibrated));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The empty cell of a hum carries the mode's own flag: hum at 50 Hz is no "tone at no multiple of 50 or 60 Hz".
    #[test]
    fn hum_has_no_decay_time_and_says_which_hum_it_is() {
        for flag in [Flag::MainsHum, Flag::SteadyTone] {
            let mode = Mode {
                kind: Kind::Hum,
                omega_per_s: 314.16,
                decay_per_s: 0.01,
                omega_sd_per_s: 0.001,
                decay_sd_per_s: 0.01,
                amplitudes: Vec::new(),
                flags: [flag].into_iter().collect(),
            };
            assert_eq!(t60(&mode), Err(flag));
        }
    }
}
