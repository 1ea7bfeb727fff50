//! The sources of workloads: every workload that has a name, and how to build it.

use rand::rngs::ChaCha8Rng;

use super::definition::{MOST_PRELUDE_OPS, Workload};
use super::edge::{self, OpSequence, Start};
use super::mix::OpMix;
use super::{rotation, tide_gauge};
use crate::part::Geometry;
use crate::selftest::mutants::cases;

/// Where a workload comes from. A token names it in a few bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WorkloadSource {
    /// The life of a tide gauge: [`tide_gauge::tide_gauge`].
    TideGauge,
    /// A random workload that uses at most half of the live capacity.
    Random {
        /// Seed of the draw.
        seed: u64,
        /// Operations during which power is cut.
        ops: u32,
    },
    /// A random workload that fills the part up.
    Full {
        /// Seed of the draw.
        seed: u64,
        /// Operations during which power is cut.
        ops: u32,
    },
    /// Like [`Random`](Self::Random), with counters among the settings.
    Counters {
        /// Seed of the draw.
        seed: u64,
        /// Operations during which power is cut.
        ops: u32,
    },
    /// Few settings, one of them long, so that each few operations go on to the next sector.
    Rotation {
        /// Seed of the draw.
        seed: u64,
        /// Operations.
        ops: u32,
    },
    /// One of the short workloads that prove the rig: [`crate::selftest::mutants::cases`].
    Case(u8),
    /// A start state and a few operations, see [`crate::explore::edges`].
    Edge {
        /// The state before the operations.
        start: Start,
        /// Bytes of the value that fills the last sector.
        filler: u32,
        /// The operations.
        ops: OpSequence,
    },
}

impl WorkloadSource {
    /// The workload for a part of this geometry; the same arguments give the same workload.
    pub fn build(&self, geometry: &Geometry) -> Workload {
        match *self {
            Self::TideGauge => tide_gauge::tide_gauge(geometry),
            Self::Random { seed, ops } => Workload::random(seed, geometry, ops, false),
            Self::Full { seed, ops } => Workload::random(seed, geometry, ops, true),
            Self::Counters { seed, ops } => {
                let (mix, rng) = OpMix::new(seed, geometry, false);
                Workload::drawn("counters", seed, (mix.with_counters(), rng), geometry, ops)
            }
            Self::Rotation { seed, ops } => rotation::rotation(seed, geometry, ops),
            Self::Case(number) => cases::workload(number),
            Self::Edge { start, filler, ops } => edge::workload(geometry, start, filler, ops),
        }
    }
}

impl std::fmt::Display for WorkloadSource {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TideGauge => formatter.write_str("tide-gauge"),
            Self::Random { seed, ops } => write!(formatter, "random:{seed}:{ops}"),
            Self::Full { seed, ops } => write!(formatter, "full:{seed}:{ops}"),
            Self::Counters { seed, ops } => write!(formatter, "counters:{seed}:{ops}"),
            Self::Rotation { seed, ops } => write!(formatter, "rotation:{seed}:{ops}"),
            Self::Case(number) => write!(formatter, "case:{number}"),
            Self::Edge { start, filler, ops } => {
                write!(formatter, "edge:{}:{filler}:{ops}", start.name())
            }
        }
    }
}

/// The error for a text that does not name a workload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnknownWorkload(String);

impl std::fmt::Display for UnknownWorkload {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            formatter,
            "unknown workload '{}': expected tide-gauge, random:SEED:OPS, full:SEED:OPS, \
             counters:SEED:OPS, rotation:SEED:OPS, case:NUMBER or edge:START:BYTES:DIGITS",
            self.0
        )
    }
}

impl std::error::Error for UnknownWorkload {}

impl std::str::FromStr for WorkloadSource {
    type Err = UnknownWorkload;

    fn from_str(text: &str) -> Result<Self, UnknownWorkload> {
        let unknown = || UnknownWorkload(text.to_owned());
        if text == "tide-gauge" {
            return Ok(Self::TideGauge);
        }
        if let Some(number) = text.strip_prefix("case:") {
            return number.parse().map(Self::Case).map_err(|_| unknown());
        }
        if let Some(edge) = text.strip_prefix("edge:") {
            return edge_from(edge).ok_or_else(unknown);
        }
        let mut parts = text.split(':');
        let kind = parts.next().unwrap_or_default();
        let seed = parts.next().and_then(|part| part.parse().ok()).ok_or_else(unknown)?;
        let ops = parts.next().and_then(|part| part.parse().ok()).ok_or_else(unknown)?;
        match (kind, parts.next()) {
            ("random", None) => Ok(Self::Random { seed, ops }),
            ("full", None) => Ok(Self::Full { seed, ops }),
            ("rotation", None) => Ok(Self::Rotation { seed, ops }),
            ("counters", None) => Ok(Self::Counters { seed, ops }),
            _ => Err(unknown()),
        }
    }
}

/// Parses the text after `edge:`.
fn edge_from(text: &str) -> Option<WorkloadSource> {
    let mut parts = text.split(':');
    let name = parts.next()?;
    let start = Start::ALL.into_iter().find(|start| start.name() == name)?;
    let filler = parts.next()?.parse().ok()?;
    let digits: Option<Vec<u8>> =
        parts.next()?.chars().map(|digit| u8::try_from(digit.to_digit(10)?).ok()).collect();
    let ops = OpSequence::new(&digits?)?;
    parts.next().is_none().then_some(WorkloadSource::Edge { start, filler, ops })
}

impl Workload {
    /// A random workload sized to the geometry: small values, batches of two or three changes,
    /// deletes, overwrites with an equal value, occasionally a larger value, a factory reset,
    /// housekeeping and restarts. With `fill` the values are too large for the part.
    pub fn random(seed: u64, geometry: &Geometry, ops: u32, fill: bool) -> Self {
        let kind = if fill { "full" } else { "random" };
        Self::drawn(kind, seed, OpMix::new(seed, geometry, fill), geometry, ops)
    }

    fn drawn(
        kind: &str,
        seed: u64,
        (mut mix, mut rng): (OpMix, ChaCha8Rng),
        geometry: &Geometry,
        ops: u32,
    ) -> Self {
        let count = u64::from(geometry.bytes()) * 2 / u64::from(mix.mean_record_bytes());
        let prelude = (0..count.min(MOST_PRELUDE_OPS)).map(|_| mix.draw(&mut rng)).collect();
        let ops = (0..ops).map(|_| mix.draw(&mut rng)).collect();
        let name = format!("{kind} {seed}");
        Self {
            name,
            keys: mix.keys().clone(),
            prelude,
            ops,
            may_fill: mix.fills(),
            goes_round: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::subject::{Change, Op, OpKind};
    use crate::workload::mix::{live_room, record_bytes};

    fn geometries() -> impl Iterator<Item = Geometry> {
        [(2, 512), (2, 4096), (3, 1024), (4, 4096), (8, 512), (8, 4096)].into_iter().flat_map(
            |(sectors, bytes)| {
                [1, 4, 8, 32].map(|unit| Geometry::new(sectors, bytes, unit, 256).unwrap())
            },
        )
    }

    #[test]
    fn sources_read_as_they_print() {
        for source in [
            WorkloadSource::TideGauge,
            WorkloadSource::Random { seed: 7, ops: 40 },
            WorkloadSource::Full { seed: u64::MAX, ops: 0 },
            WorkloadSource::Counters { seed: 0, ops: 9 },
            WorkloadSource::Rotation { seed: 4, ops: 9 },
            WorkloadSource::Edge {
                start: Start::TailMixed,
                filler: 3990,
                ops: OpSequence::new(&[4, 8]).unwrap(),
            },
        ] {
            assert_eq!(source.to_string().parse(), Ok(source));
        }
        for wrong in [
            "",
            "tide",
            "random:1",
            "random:1:2:3",
            "random:-1:2",
            "random:1:x",
            "edge:first:1:9",
            "edge:first:1:0000",
            "edge:no-such:1:0",
            "edge:first:1:0:0",
        ] {
            assert!(wrong.parse::<WorkloadSource>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn live_settings_use_at_most_half_of_the_live_capacity() {
        for geometry in geometries() {
            for source in [
                WorkloadSource::TideGauge,
                WorkloadSource::Random { seed: 1, ops: 50 },
                WorkloadSource::Random { seed: 2, ops: 50 },
            ] {
                let workload = source.build(&geometry);
                let sizes = workload.sizes();
                let names = workload.keys.iter().map(|(_, name)| name.len());
                let live: u32 = names
                    .zip(&sizes)
                    .map(|(name, &size)| record_bytes(&geometry, name, size))
                    .sum();
                // The first three settings are there, however small the part is.
                let small = live_room(&geometry) < 512;
                assert!(live <= live_room(&geometry) * if small { 2 } else { 1 }, "{geometry}");
                assert_eq!(workload, source.build(&geometry));
            }
        }
    }

    #[test]
    fn the_tide_gauge_has_every_kind_of_operation() {
        let geometry = Geometry::new(4, 4096, 1, 256).unwrap();
        let workload = WorkloadSource::TideGauge.build(&geometry);
        let kinds: BTreeSet<OpKind> = workload.ops.iter().map(Op::kind).collect();
        assert_eq!(kinds.len(), 6, "{kinds:?}");
        let written = |ops: &[Op]| -> usize {
            let put = |key: u16, value: &[u8]| workload.keys.name(key).len() + value.len();
            ops.iter()
                .map(|op| match op {
                    Op::Put { key, value } => put(*key, value),
                    Op::Batch(changes) => changes
                        .iter()
                        .map(|change| match change {
                            Change::Put { key, value } => put(*key, value),
                            Change::Delete { .. } => 0,
                        })
                        .sum(),
                    _ => 0,
                })
                .sum()
        };
        // The prelude writes more than the part holds; the operations write about a sector, if the
        // overhead of the records is counted.
        assert!(written(&workload.prelude) > 16384);
        assert!(written(&workload.ops) > 2048);
    }

    #[test]
    fn draws_depend_only_on_the_seed() {
        let geometry = Geometry::new(4, 1024, 1, 256).unwrap();
        let a = WorkloadSource::Random { seed: 5, ops: 30 }.build(&geometry);
        let b = WorkloadSource::Random { seed: 5, ops: 60 }.build(&geometry);
        assert_eq!(a.ops[..], b.ops[..30]);
        let other = WorkloadSource::Random { seed: 6, ops: 30 }.build(&geometry);
        assert_ne!(a.ops, other.ops);
    }
}
