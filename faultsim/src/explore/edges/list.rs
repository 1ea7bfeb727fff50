//! Which start states and sequences a plan has, and which of them a shard takes.

use crate::check::baseline::{BaselinePart, Script, baseline};
use crate::check::finding::Finding;
use crate::check::oracle::Values;
use crate::config::Edges;
use crate::part::{Geometry, Step};
use crate::subject::Subject;
use crate::workload::edge::{OpSequence, Start, workload};
use crate::workload::source::WorkloadSource;

/// A start state with a sequence of operations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Edge {
    /// The state of the part before the operations.
    pub start: Start,
    /// Bytes of the value that fills the last sector.
    pub filler: u32,
    /// The operations.
    pub ops: OpSequence,
}

impl Edge {
    /// Whether another edge is the same but for its last operation.
    pub(super) fn differs_last(&self, other: &Self) -> bool {
        let before = |edge: &Self| edge.ops.before_last();
        (self.start, self.filler, before(self)) == (other.start, other.filler, before(other))
    }

    /// As a workload.
    pub const fn source(self) -> WorkloadSource {
        let Self { start, filler, ops } = self;
        WorkloadSource::Edge { start, filler, ops }
    }
}

/// Room in bytes to leave in a sector, besides the room for one small record: each number from a
/// little too few bytes to enough for a batch, then about a page with and without a record, and
/// plenty.
fn rooms() -> impl Iterator<Item = i64> {
    (-4..=80).chain([96, 150, 255, 256, 257, 280, 310, 340, 600, 1500])
}

/// The edges of a plan, and the start states that the code cannot be brought into.
pub(super) struct List {
    pub(super) edges: Vec<Edge>,
    pub(super) unreached: Vec<Start>,
}

impl Edges {
    /// All edges of the plan that the shard takes, for this code on this part.
    pub(super) fn list<S: Subject>(&self, subject: &S, geometry: &Geometry) -> List {
        let (mut edges, mut unreached) = (Vec::new(), Vec::new());
        for start in Start::ALL {
            let fits = if start.is_filled() {
                let Ok(fits) = longest_filler(subject, geometry, start) else {
                    unreached.push(start);
                    continue;
                };
                Some(fits)
            } else {
                None
            };
            let around = |fits: u32| {
                let filler = move |room| u32::try_from(i64::from(fits) - room).ok();
                // Only those that the code accepts.
                rooms().filter_map(filler).filter(move |&filler| {
                    filler <= fits || erases(subject, geometry, start, filler).is_ok()
                })
            };
            let mut fillers: Vec<u32> = fits.map_or_else(|| vec![0], |fits| around(fits).collect());
            fillers.sort_unstable();
            fillers.dedup();
            for filler in fillers {
                // On a blank part, the first start alone is a sequence too.
                let shortest = usize::from(start != Start::Blank);
                for count in shortest..=usize::from(self.longest) {
                    let edge = |ops| Edge { start, filler, ops };
                    edges.extend(OpSequence::all_of(count).map(edge));
                }
            }
        }
        let groups = (0..).zip(edges.chunk_by(Edge::differs_last));
        let taken = groups.filter(|(index, _)| self.shard.takes(*index));
        let edges = taken.flat_map(|(_, group)| group.iter().copied()).collect();
        List { edges, unreached }
    }
}

/// The longest filler after which a small record still fits without an erase. With one more byte
/// the sector is full.
fn longest_filler<S: Subject>(
    subject: &S,
    geometry: &Geometry,
    start: Start,
) -> Result<u32, Finding> {
    let usual = erases(subject, geometry, start, 0)?;
    let (mut fits, mut too_long) = (0, geometry.sector_bytes);
    while too_long - fits > 1 {
        let middle = u32::midpoint(fits, too_long);
        // A value that the code refuses is too long as well.
        if erases(subject, geometry, start, middle).is_ok_and(|erases| erases == usual) {
            fits = middle;
        } else {
            too_long = middle;
        }
    }
    Ok(fits)
}

/// How often sectors are erased on the way to the start state and by a small put there, and how many
/// operations are refused. A filler that is refused needs no erase, and is too long all the same.
fn erases<S: Subject>(
    subject: &S,
    geometry: &Geometry,
    start: Start,
    filler: u32,
) -> Result<(usize, u64), Finding> {
    let put = OpSequence::new(&[0]).unwrap_or_default();
    let workload = workload(geometry, start, filler, put);
    let mut values = Values::new();
    let script = Script::new(workload.all_ops(), &mut values);
    let baseline =
        baseline(subject, BaselinePart { geometry, bad: None }, &workload, &script, &values)?;
    let before: u32 = baseline.start.erase_counts().iter().sum();
    let steps = &baseline.trace.steps;
    let by_put = steps.iter().filter(|step| matches!(step, Step::Erase { .. })).count();
    let refused = baseline.summary.refused.iter().map(|(_, count)| count).sum();
    Ok((before as usize + by_put, refused))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Shard;
    use crate::subjects::outlast::Outlast;

    fn plan(longest: u8, shard: Shard) -> Edges {
        Edges { longest, depth: 1, shard }
    }

    #[test]
    fn one_byte_more_is_too_long() {
        for (sectors, bytes, unit) in [(4, 4096, 1), (3, 1024, 1), (4, 4096, 8)] {
            let page = if unit == 1 { 256 } else { unit };
            let geometry = Geometry::new(sectors, bytes, unit, page).unwrap();
            for start in Start::ALL.into_iter().filter(|start| start.is_filled()) {
                let fits = longest_filler(&Outlast, &geometry, start).unwrap();
                let erases = |filler| erases(&Outlast, &geometry, start, filler).unwrap();
                assert_eq!(erases(fits), erases(fits / 2), "{start:?} on {geometry}");
                assert!(erases(fits) < erases(fits + 1), "{start:?} on {geometry}");
            }
        }
    }

    #[test]
    fn shards_are_a_partition() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let edges = |shard| plan(2, shard).list(&Outlast, &geometry).edges;
        let whole = edges(Shard::WHOLE);
        let mut parts: Vec<Edge> =
            (1..=3).flat_map(|number| edges(Shard::new(number, 3).unwrap())).collect();
        parts.sort_unstable();
        parts.dedup();
        let mut sorted = whole.clone();
        sorted.sort_unstable();
        assert_eq!(parts, sorted);
        // First start alone, then 9 + 81 sequences from each start state.
        assert_eq!(whole.len() % 90, 1, "{}", whole.len());
    }

    #[test]
    fn shards_read_as_they_print() {
        let shard = Shard::new(2, 8).unwrap();
        assert_eq!(shard.to_string().parse(), Ok(shard));
        for wrong in ["", "2", "0/2", "3/2", "1/0", "1/1025", "a/b", "-1/2", "1/2/3"] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
    }
}
