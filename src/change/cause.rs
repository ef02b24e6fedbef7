//! What changed a mode: the room, a filter in the chain, or the loudspeaker.

use super::chain::{self, NeighbourRatio, TransferEvidence};
use super::rank::{RankOneTest, Rows};
use super::shape::mac;
use super::split::REACH_HZ;
use super::verdict::Cause;
use super::view::Resonance;
use super::wide_filter;
use rustfft::num_complex::Complex64;

/// Log-likelihood ratio from which the neighbouring modes show a filter: odds of a thousand to one.
const FILTER: f64 = 6.9;
/// … and from which they show that it was the room: ten to one. A filter that cancels a mode's pole
/// to the digit does not come about by itself (common practice, no source).
const ROOM: f64 = 2.3;
/// If at least this many decays changed and the joint test rejects a filter for all of them, each single one is
/// attributed to the room unless its own test favours a filter.
const MANY: usize = 3;
/// A pole whose residues follow the before state's response this closely may be a filter's.
const LIKE_RESPONSE: f64 = 0.8;

/// Shapes this alike (modal assurance criterion) are one. Our own choice.
const SAME_SHAPE: f64 = 0.9;

/// A pole of the after state that belongs to a filter.
#[derive(Debug, Clone, Copy)]
pub(super) struct Filter {
    /// Index among the after state's resonances.
    pub pole: usize,
    at: Complex64,
    residue: Complex64,
}

/// Poles among `candidates` that act as a filter on all modes that have one partner.
pub(super) fn filters(
    old: &[Resonance],
    new: &[Resonance],
    candidates: impl Iterator<Item = usize>,
    witnesses: &[NeighbourRatio],
    gain_sd: f64,
) -> Vec<Filter> {
    let mut filters = Vec::new();
    for pole in candidates {
        let at = new[pole].pole;
        let Some((residue, alike)) = chain::filter_residue(old, &new[pole]) else { continue };
        // The mode that the pole sits beside is excluded: an absorber's pole changes it by the very same factor.
        let beside = chain::beside(old, at);
        let evidence =
            chain::log_likelihood_ratio(witnesses, |_, s| chain::adding(at, residue)(s), beside, at, gain_sd);
        if alike >= LIKE_RESPONSE && evidence.is_filter(FILTER) {
            filters.push(Filter { pole, at, residue });
        }
    }
    filters
}

/// What the question of room or chain is decided by.
pub(super) struct Causes<'a> {
    pub old: &'a [Resonance],
    pub new: &'a [Resonance],
    /// For each mode before its poles after.
    pub after: &'a [Vec<Resonance>],
    /// Poles after that no mode before and no split has.
    pub left: &'a [usize],
    pub witnesses: &'a [NeighbourRatio],
    pub rows: Option<&'a Rows<'a>>,
    pub filters: &'a [Filter],
    /// Whether many modes show a filter too broad to have a pole among them.
    pub wide_filter: bool,
    /// Factor of pressure between the states, and the sd of its logarithm.
    pub gain: (f64, f64),
    /// Whether the loudspeaker moved.
    pub loudspeaker: bool,
    /// How many places can be compared.
    pub places: usize,
    /// Whether the session says that the chain stayed the same: it is believed until the neighbours alone show a filter.
    pub same_chain: bool,
}

impl Causes<'_> {
    /// What changed each decay whose change is significant.
    pub fn decays(&self, findings: &[bool]) -> Vec<Cause> {
        let found: Vec<usize> = (0..self.old.len()).filter(|i| findings[*i]).collect();
        let together = self.together(&found);
        let mut causes = vec![Cause::Undetermined; self.old.len()];
        for &i in &found {
            let evidence = self.alone(i);
            let alone = evidence.for_filter;
            let room = alone <= -ROOM || (found.len() >= MANY && together <= -FILTER && alone < ROOM);
            causes[i] = if room { Cause::Room } else { self.by_bins(i, evidence) };
        }
        causes
    }

    fn by_bins(&self, i: usize, evidence: TransferEvidence) -> Cause {
        // A unit beside the loudspeaker acts on what all positions get alike, as a filter does, and splits the mode; a
        // filter that does the same would have to cancel the mode's pole to the digit and put two in its place.
        let unit_like = self.after[i].len() > 1 || self.has_second_pole(i);
        let after: Vec<&Resonance> = self.after[i].iter().collect();
        let rank = self.rows.map(|rows| rows.test(&self.old[i], &after, self.gain.0));
        match rank {
            Some(RankOneTest::Rejected) if evidence.for_filter < FILTER => Cause::Room,
            // Neighbouring modes and bins contradict each other: neither decides.
            Some(RankOneTest::Rejected) => Cause::Undetermined,
            _ if unit_like => Cause::Undetermined,
            Some(RankOneTest::Accepted) if evidence.is_filter(ROOM) && !self.same_chain => Cause::Filter,
            _ if evidence.is_filter(FILTER) => Cause::Filter,
            _ => Cause::Undetermined,
        }
    }

    /// Whether a pole beside the mode's has its shape too, be it too little known to make a split: a unit's, for all that
    /// one can see.
    fn has_second_pole(&self, i: usize) -> bool {
        let known = |j: &&usize| !self.filters.iter().any(|filter| filter.pole == **j);
        let alike = |j: &usize| {
            let (mode, pole) = (&self.old[i], &self.new[*j]);
            (pole.hz() - mode.hz()).abs() < REACH_HZ && mac(mode, pole).is_some_and(|mac| mac >= SAME_SHAPE)
        };
        self.left.iter().filter(known).any(alike)
    }

    /// Log-likelihood ratio of a filter that explains one mode's change, against none.
    fn alone(&self, i: usize) -> TransferEvidence {
        match self.transfer(i) {
            Some(transfer) => {
                let transfer = |_: usize, s: Complex64| transfer(s);
                chain::log_likelihood_ratio(self.witnesses, transfer, Some(i), self.old[i].pole, self.gain.1)
            }
            None => TransferEvidence::default(),
        }
    }

    /// Log-likelihood ratio of filters that explain all changes, against none. Each mode is changed by those of the others.
    fn together(&self, found: &[usize]) -> f64 {
        let transfers: Vec<_> = found.iter().filter_map(|i| Some((*i, self.transfer(*i)?))).collect();
        let Some(&middle) = found.get(found.len() / 2) else { return 0.0 };
        let product = |but: usize, s: Complex64| {
            let others = transfers.iter().filter(|(i, _)| *i != but);
            others.map(|(_, transfer)| transfer(s)).product::<Complex64>()
        };
        chain::log_likelihood_ratio(self.witnesses, product, None, self.old[middle].pole, self.gain.1)
            .for_filter
    }

    /// The filter that would turn a mode's pole before into its poles after.
    fn transfer(&self, i: usize) -> Option<Box<dyn Fn(Complex64) -> Complex64>> {
        match self.after[i].as_slice() {
            [one] => Some(Box::new(chain::replacing(self.old[i].pole, one.pole))),
            [slow, fast] => {
                let residue = |p: &Resonance| chain::filter_residue(self.old, p).map(|r| r.0);
                let first = chain::adding(slow.pole, residue(slow)?);
                let second = chain::adding(fast.pole, residue(fast)?);
                Some(Box::new(move |s| first(s) + second(s) - 1.0))
            }
            _ => None,
        }
    }

    /// What changed a mode's level, its decay apart. `decays`: what changed each decay.
    pub fn level(&self, i: usize, decays: &[Cause]) -> Cause {
        if self.loudspeaker {
            return Cause::Loudspeaker;
        }
        match self.filter_on(i, decays) {
            Some(true) => Cause::Filter,
            _ if self.is_by_wide_filter(i, decays) => Cause::Filter,
            _ if self.places < 2 => Cause::Undetermined,
            _ => Cause::Room,
        }
    }

    /// Whether a filter without a pole of its own changed a mode's level. Where the room changed a decay it changed shapes too,
    /// and nothing is read from them.
    fn is_by_wide_filter(&self, i: usize, decays: &[Cause]) -> bool {
        let witness = self.witnesses.iter().find(|w| w.before == i);
        self.wide_filter && witness.is_some_and(wide_filter::changed) && !decays.contains(&Cause::Room)
    }

    /// Whether the filters found explain the ratio of a mode's residues; `None` where that is not known.
    fn filter_on(&self, i: usize, decays: &[Cause]) -> Option<bool> {
        let witness = self.witnesses.iter().find(|w| w.before == i)?;
        let added = self.filters.iter().fold(Complex64::new(1.0, 0.0), |sum, f| {
            sum + chain::adding(f.at, f.residue)(witness.pole) - 1.0
        });
        let replacing = (0..decays.len()).filter(|n| *n != i && decays[*n] == Cause::Filter);
        let replaced: Complex64 =
            replacing.filter_map(|n| self.transfer(n)).map(|transfer| transfer(witness.pole)).product();
        let transfer = added * replaced;
        // No residue is compared more closely than 2 %, and half its change must be explained: our own choice.
        let sd = witness.ratio.variance.sqrt().max(0.02);
        let felt = (transfer - 1.0).norm() > 3.0 * sd;
        let explains = (witness.ratio.value - transfer).norm() < 0.5 * (witness.ratio.value - 1.0).norm();
        Some(felt && explains)
    }
}
