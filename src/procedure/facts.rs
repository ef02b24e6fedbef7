//! What the checks are made on.

use crate::decay::BandDecay;
use crate::flag::{Flag, Flags};
use crate::session::{Role, Session, State};

/// One state of the room as it was measured.
#[derive(Debug, Clone)]
pub struct ProcedureState<'a> {
    /// The session, for places, room and visit.
    pub session: &'a Session,
    /// The state.
    pub state: &'a State,
    /// Positions with their source that could be read.
    pub places: Vec<ProcedurePlace<'a>>,
    /// Reverberation time that stands in where no band has one (say, the median T60 of the modes),
    /// seconds; for the least distance from source to microphone.
    pub expected_t_s: Option<f64>,
}

/// One position with one source.
#[derive(Debug, Clone, Copy)]
pub struct ProcedurePlace<'a> {
    /// Position name.
    pub position: &'a str,
    /// Source name; empty for the only or first one.
    pub source: &'a str,
    /// How many takes went into its response.
    pub takes: usize,
    /// Its bands, in rising frequency; octaves or thirds.
    pub bands: &'a [BandDecay],
    /// Range in which its capture says that the response is known, Hz; its bands beyond hold nothing of the room.
    pub range_hz: (f64, f64),
    /// Usable length of the record, seconds from its first sample.
    pub record_s: f64,
    /// Direct sound, seconds from the first sample.
    pub onset_s: f64,
    /// What its response showed to be wrong.
    pub flags: Option<&'a Flags>,
    /// How much later its direct sound arrives than its distance says, s, where that is too much.
    pub arrival_off_s: Option<f64>,
}

impl<'a> ProcedurePlace<'a> {
    /// Its bands within the range in which the response is known.
    pub(super) fn heard(&self) -> impl Iterator<Item = &'a BandDecay> + use<'a> {
        let (low_hz, high_hz) = self.range_hz;
        self.bands.iter().filter(move |band| (low_hz..=high_hz).contains(&band.band.centre_hz))
    }
}

impl<'a> ProcedureState<'a> {
    /// Places that are measurements of their own: not those that sound like another position, perhaps its takes.
    pub(super) fn counted(&self) -> impl Iterator<Item = &ProcedurePlace<'a>> {
        let alike = |place: &&ProcedurePlace<'a>| place.flags.is_some_and(|f| f.has(Flag::SoundsAlike));
        self.places.iter().filter(move |place| !alike(place))
    }

    /// Names of the microphone positions, each once, in the order met.
    pub(super) fn positions(&self) -> Vec<&'a str> {
        distinct(self.counted().map(|place| place.position))
    }

    /// Names of the sources, each once, in the order met.
    pub(super) fn sources(&self) -> Vec<&'a str> {
        distinct(self.places.iter().map(|place| place.source))
    }

    /// Places that a spatial average may rest on: corners and other boundaries are left out, where any other place is
    /// (ISO 3382-2:2008, 4.3: a quarter wavelength, normally 1 m, from reflecting surfaces).
    pub(super) fn in_the_room(&self) -> impl Iterator<Item = &ProcedurePlace<'a>> {
        let inside = |place: &&ProcedurePlace<'a>| self.session.role(place.position) != Role::Boundary;
        let any = self.counted().any(|place| inside(&place));
        self.counted().filter(move |place| !any || inside(place))
    }

    /// Bands of the places in the room that lie within a range of frequency, each with its place.
    pub(super) fn bands_within(
        &self,
        range: Range,
    ) -> impl Iterator<Item = (&ProcedurePlace<'a>, &'a BandDecay)> {
        let within = move |band: &&'a BandDecay| range.holds(band.band.centre_hz);
        self.in_the_room().flat_map(move |place| place.bands.iter().filter(within).map(move |b| (place, b)))
    }
}

impl ProcedurePlace<'_> {
    /// `seat`, or `seat@left`.
    pub(super) fn name(&self) -> String {
        if self.source.is_empty() {
            self.position.to_owned()
        } else {
            format!("{}@{}", self.position, self.source)
        }
    }
}

fn distinct<'a>(names: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut met: Vec<&str> = Vec::new();
    for name in names {
        if !met.iter().any(|known| crate::session::same_name(known, name)) {
            met.push(name);
        }
    }
    met
}

/// A range of frequency; a band belongs to it with its centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    /// Lower edge of the lowest band, hertz.
    pub from_hz: f64,
    /// Upper edge of the highest band, hertz.
    pub to_hz: f64,
    /// Key of its words.
    pub words: &'static str,
}

impl Range {
    /// Whether a band of this centre lies in it.
    pub(super) fn holds(self, centre_hz: f64) -> bool {
        (self.from_hz..self.to_hz).contains(&centre_hz)
    }
}
