//! Distances, heights and symmetry of the places: ISO 3382-2:2008, 4.3.

use super::check::ISO_3382_2;
use super::wording::{first_few, length, named, shortest as listed};
use super::{Check, Met, ProcedureState, Topic};
use crate::decay::{self, BandDecay};
use crate::language::{Message, number, say};
use crate::room::sound_speed_m_s;
use crate::session::FloorPlan;

/// Least distance between microphones: half a wavelength in the usual range of frequency, metres.
const MICROPHONES_APART_M: f64 = 2.0;
/// Least distance from a microphone to the nearest surface: a quarter of a wavelength, metres.
const FROM_SURFACE_M: f64 = 1.0;
/// Height of a seated listener's ears, metres.
const MICROPHONE_HEIGHT_M: f64 = 1.2;
/// Height of a speaker's or player's sound, metres.
const SOURCE_HEIGHT_M: f64 = 1.5;
/// What still counts as that height; the standard gives none, this is ours. Metres.
const HEIGHT_WITHIN_M: f64 = 0.1;
/// Closer than this to a mirror image or a middle plane is symmetric; ours. Metres.
const SYMMETRY_WITHIN_M: f64 = 0.05;
/// Slack for lengths that were typed in decimals, metres.
const TYPING_M: f64 = 1e-9;

type Place<'a> = (&'a str, Option<[f64; 3]>);

/// The requirements on places; each answers yes or no where `session.toml` places everything.
pub(super) fn checks(state: &ProcedureState<'_>) -> Vec<Check> {
    let microphones: Vec<Place<'_>> =
        state.positions().into_iter().map(|p| (p, state.session.position(p).and_then(|p| p.at_m))).collect();
    let sources: Vec<Place<'_>> = state
        .sources()
        .into_iter()
        .map(|s| {
            let listed = state.session.source(s);
            (listed.map_or(s, |l| l.name.as_str()), listed.and_then(|l| l.at_m))
        })
        .map(|(name, at)| (if name.is_empty() { "source" } else { name }, at))
        .collect();
    let room = state.session.room.dimensions_m;
    let surfaces = match (&state.session.plan, room) {
        (Some(plan), _) => Surfaces::Plan(plan),
        (None, Some(lengths)) => Surfaces::Box(lengths),
        (None, None) => Surfaces::Unknown,
    };
    vec![
        microphones_apart(&microphones),
        from_surfaces(&microphones, surfaces),
        from_source(state),
        heights(&microphones, Topic::MicrophoneHeight, MICROPHONE_HEIGHT_M),
        heights(&sources, Topic::SourceHeight, SOURCE_HEIGHT_M),
        symmetry(&microphones, room),
    ]
}

/// Least distance from source to microphone, metres: `d = 2 √(V/(c T))` with the volume in m³, the
/// speed of sound in m/s and the expected reverberation time in s. `None` unless all are above zero.
#[must_use]
pub fn least_distance_m(volume_m3: f64, sound_speed_m_s: f64, t_s: f64) -> Option<f64> {
    let known = [volume_m3, sound_speed_m_s, t_s].iter().all(|x| x.is_finite() && *x > 0.0);
    known.then(|| 2.0 * (volume_m3 / (sound_speed_m_s * t_s)).sqrt())
}

fn row(topic: Topic, requirement: Message, limit: Message, outcome: Outcome, affects: Message) -> Check {
    Check {
        standard: ISO_3382_2,
        clause: "4.3",
        requirement,
        found: outcome.found,
        limit,
        met: Met::of(outcome.misses, outcome.all_known),
        affects,
        grade: None,
        topic,
        misses: outcome.misses,
    }
}

/// What was found, in words and in numbers.
struct Outcome {
    found: Message,
    misses: usize,
    all_known: bool,
}

impl Outcome {
    /// Judges lengths that must not fall below a limit; `None` where a length isn't known. Only the shortest are
    /// named: of ten thousand positions there are fifty million pairs.
    fn of_lengths<N: Fn() -> String>(all: impl Iterator<Item = (N, Option<f64>)>, least_m: f64) -> Self {
        const NAMED: usize = 4;
        let (mut count, mut known, mut misses) = (0, 0, 0);
        let mut shortest: Vec<(f64, String)> = Vec::new();
        for (name, length) in all {
            count += 1;
            let Some(length) = length else { continue };
            known += 1;
            misses += usize::from(length < least_m - TYPING_M);
            let at = shortest.partition_point(|(shorter, _)| *shorter <= length);
            if at < NAMED {
                shortest.insert(at, (length, name()));
                shortest.truncate(NAMED);
            }
        }
        let shown = if misses > 0 { misses.min(NAMED) } else { shortest.len().min(1) };
        let said: Vec<Message> =
            shortest[..shown].iter().map(|(metres, name)| named(name, length(*metres))).collect();
        let list = listed(said, misses.saturating_sub(NAMED));
        let found = match (misses, known) {
            (_, 0) => Message::default(),
            (0, _) => say!("procedure.shortest", list = list),
            (_, of) => {
                let (misses, of) = (number(misses as f64, 0), number(of as f64, 0));
                say!("procedure.of-too-short", misses = misses, of = of, list = list)
            }
        };
        Self { found, misses, all_known: known == count }
    }
}

fn distance_m(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt()
}

fn microphones_apart(all: &[Place<'_>]) -> Check {
    let lengths = pairs(all)
        .map(|((a, at), (b, bt))| (move || format!("{a}-{b}"), at.and_then(|at| Some(distance_m(at, bt?)))));
    let mut outcome = Outcome::of_lengths(lengths, MICROPHONES_APART_M);
    if all.len() < 2 {
        outcome.found = say!("procedure.no-pair");
    }
    row(
        Topic::MicrophoneDistance,
        say!("procedure.between-microphones"),
        say!("procedure.at-least", least = length(MICROPHONES_APART_M)),
        outcome,
        say!("procedure.affects-independence"),
    )
}

fn pairs<'a, T: Copy>(all: &'a [T]) -> impl Iterator<Item = (T, T)> + 'a {
    all.iter().enumerate().flat_map(|(i, a)| all[i + 1..].iter().map(move |b| (*a, *b)))
}

/// What is known of walls, floor and ceiling.
#[derive(Clone, Copy)]
enum Surfaces<'a> {
    Box([f64; 3]),
    Plan(&'a FloorPlan),
    Unknown,
}

impl Surfaces<'_> {
    fn nearest_m(&self, at: [f64; 3]) -> Option<f64> {
        let between = |x: f64, length: f64| x.min(length - x);
        match self {
            Self::Box(room) => at.iter().zip(room).map(|(x, length)| between(*x, *length)).reduce(f64::min),
            Self::Plan(plan) => Some(between(at[2], plan.height_m).min(-plan.outside_m([at[0], at[1]]))),
            Self::Unknown => None,
        }
    }
}

fn from_surfaces(all: &[Place<'_>], room: Surfaces<'_>) -> Check {
    let distances =
        all.iter().map(|(name, at)| (move || (*name).to_owned(), at.and_then(|at| room.nearest_m(at))));
    let mut outcome = Outcome::of_lengths(distances, FROM_SURFACE_M);
    // Without the room's lengths the origin's walls and floor are known all the same.
    if matches!(room, Surfaces::Unknown) {
        let near = all.iter().filter_map(|(name, at)| {
            let least = at.as_ref()?.iter().copied().fold(f64::INFINITY, f64::min);
            (least < FROM_SURFACE_M - TYPING_M).then(|| named(name, length(least)))
        });
        let near: Vec<Message> = near.collect();
        outcome.misses = near.len();
        if !near.is_empty() {
            outcome.found =
                say!("procedure.too-short", misses = number(near.len() as f64, 0), list = first_few(near));
        }
    }
    row(
        Topic::SurfaceDistance,
        say!("procedure.to-surfaces"),
        say!("procedure.at-least", least = length(FROM_SURFACE_M)),
        outcome,
        say!("procedure.affects-low-levels"),
    )
}

fn from_source(state: &ProcedureState<'_>) -> Check {
    let least = least_from_data(state);
    let distances =
        state.places.iter().map(|p| (move || p.name(), state.session.distance_m(p.position, p.source)));
    let (outcome, limit) = match &least {
        Some((least_m, from)) => (
            Outcome::of_lengths(distances, *least_m),
            say!("procedure.at-least-from", least = length(*least_m), from = from.clone()),
        ),
        None => {
            let shown = Outcome::of_lengths(distances, 0.0);
            let unknown = Outcome { misses: 0, all_known: false, ..shown };
            (unknown, say!("procedure.least-unknown"))
        }
    };
    row(Topic::SourceDistance, say!("procedure.to-source"), limit, outcome, say!("procedure.affects-early"))
}

/// The least distance from source to microphone, and what it was worked out from.
fn least_from_data(state: &ProcedureState<'_>) -> Option<(f64, Message)> {
    let volume_m3 = state.session.room.volume_m3?;
    let speed = sound_speed_m_s(state.session.temperature_c(state.state)).ok()?;
    let (t_s, from) = reverberation(state)?;
    let least_m = least_distance_m(volume_m3, speed, t_s)?;
    let (m3, t) = (number(volume_m3, 1), number(t_s, 2));
    Some((least_m, say!("procedure.worked-out-from", m3 = m3, t = t, from = say!(from))))
}

/// That, and the key of where it is from: T20 of the middle bands over all places, as every other part of the program gives
/// it, or of all bands that have one, or what the caller expects.
fn reverberation(state: &ProcedureState<'_>) -> Option<(f64, &'static str)> {
    let places: Vec<_> = state.places.iter().map(|place| place.bands).filter(|b| !b.is_empty()).collect();
    let average = decay::average(&places);
    let t20 = |b: &BandDecay| (b.band.centre_hz, b.t20_s.ok().map(|t| t.value));
    let middle = decay::middle_t20_s(average.iter().map(t20)).map(|t| (t, "procedure.from-middle-bands"));
    let any = || {
        let times: Vec<f64> = average.iter().filter_map(|b| t20(b).1).collect();
        let mean = times.iter().sum::<f64>() / times.len() as f64;
        (!times.is_empty()).then_some((mean, "procedure.from-any-bands"))
    };
    middle.or_else(any).or_else(|| state.expected_t_s.map(|t| (t, "procedure.from-the-modes")))
}

fn heights(all: &[Place<'_>], topic: Topic, wanted_m: f64) -> Check {
    let known: Vec<(&str, f64)> = all.iter().filter_map(|(name, at)| Some((*name, (*at)?[2]))).collect();
    let off: Vec<Message> = known
        .iter()
        .filter(|(_, z)| (z - wanted_m).abs() > HEIGHT_WITHIN_M + TYPING_M)
        .map(|(name, z)| named(name, length(*z)))
        .collect();
    let (misses, n) = (off.len(), number(known.len() as f64, 0));
    let (height, within) = (length(wanted_m), length(HEIGHT_WITHIN_M));
    let found = match (misses, known.len()) {
        (_, 0) => Message::default(),
        (0, _) => say!("procedure.all-at", n = n, height = height.clone(), within = within.clone()),
        (misses, _) => {
            say!("procedure.elsewhere", misses = number(misses as f64, 0), n = n, list = first_few(off))
        }
    };
    let outcome = Outcome { found, misses, all_known: known.len() == all.len() && !all.is_empty() };
    row(
        topic,
        match topic {
            Topic::SourceHeight => say!("procedure.source-height"),
            _ => say!("procedure.microphone-height"),
        },
        say!("procedure.taken-as", height = height, within = within),
        outcome,
        say!("procedure.affects-vertical"),
    )
}

fn symmetry(all: &[Place<'_>], room: Option<[f64; 3]>) -> Check {
    let known: Vec<(&str, [f64; 3])> = all.iter().filter_map(|(name, at)| Some((*name, (*at)?))).collect();
    let mut said: Vec<Message> = Vec::new();
    if let Some(room) = room {
        let middle = known.iter().filter(|(_, at)| on_middle_plane(*at, room));
        said.extend(middle.map(|(name, _)| say!("procedure.in-the-middle", name = *name)));
        let mirrored = pairs(&known).filter(|(a, b)| mirror_images(a.1, b.1, room));
        said.extend(mirrored.map(|(a, b)| say!("procedure.mirrors", a = a.0, b = b.0)));
    }
    let all_known = room.is_some() && known.len() == all.len() && !all.is_empty();
    let misses = said.len();
    let found = match (misses, all_known) {
        (1.., _) => first_few(said),
        (0, true) => say!("procedure.none"),
        (0, false) => Message::default(),
    };
    row(
        Topic::Symmetry,
        say!("procedure.no-symmetry"),
        say!("procedure.none-within", within = length(SYMMETRY_WITHIN_M)),
        Outcome { found, misses, all_known },
        say!("procedure.affects-mirrors"),
    )
}

/// On the plane half way along length or width; half the height is no symmetry that one would choose.
fn on_middle_plane(at: [f64; 3], room: [f64; 3]) -> bool {
    (0..2).any(|axis| (at[axis] - room[axis] / 2.0).abs() <= SYMMETRY_WITHIN_M)
}

/// Whether two places are images of each other in one, two or all three middle planes.
fn mirror_images(a: [f64; 3], b: [f64; 3], room: [f64; 3]) -> bool {
    let same = |axis: usize| (a[axis] - b[axis]).abs() <= SYMMETRY_WITHIN_M;
    let mirrored = |axis: usize| (a[axis] + b[axis] - room[axis]).abs() <= SYMMETRY_WITHIN_M;
    (0..3).all(|axis| same(axis) || mirrored(axis)) && !(0..3).all(same)
}
