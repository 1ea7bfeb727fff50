//! What to run: the part, the fault level and one of three modes.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use crate::ablation::Mechanisms;
use crate::part::{Geometry, Level};
use crate::workload::mixed;
use crate::workload::source::WorkloadSource;

/// What to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Config {
    /// Sizes of the part.
    pub geometry: Geometry,
    /// The fault level: how severe the simulated damage is.
    pub level: Level,
    /// Seed of everything drawn at random. The same configuration gives the same result for any
    /// number of threads, unless the budget ends it early.
    pub seed: u64,
    /// Time after which the run stops. It is then reported as incomplete.
    pub budget: Option<Duration>,
    /// Stop at the first failing image instead of counting all.
    pub stop_at_first: bool,
    /// Time to spend on shrinking each example; `None` leaves them as found.
    pub shrink: Option<Duration>,
    /// How to choose the cuts.
    pub mode: Mode,
}

/// How to choose the cuts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Every step of a workload, torn by every class of faults, with further cuts in recovery.
    Systematic(Systematic),
    /// Every erase of a workload makes its sector bad, and the steps after it are cut.
    BadSectors(BadSectors),
    /// Random lives. A life is what happens to one part, from blank on, over hundreds of cuts.
    Random(RandomLives),
    /// Edges. An edge is a start state in which a sector is almost full or another limit is near,
    /// with a short sequence of operations.
    Edges(Edges),
}

/// Parameters of the systematic mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Systematic {
    /// The operations to cut.
    pub workload: WorkloadSource,
    /// Most cuts in one history, 1 or more: the first in an operation, the others in the recoveries
    /// after it or shortly after those.
    pub depth: u32,
    /// 1 tries all tears of a step, n about every n-th one.
    pub thin: u32,
    /// Judge equal images only once per cut point.
    pub merge_equal: bool,
    /// Make further cuts only in one of several recoveries that did the same.
    pub group: bool,
    /// Make further cuts in about one of this many such groups, and from the second cut on in a
    /// quarter as many. 1 leaves out none after the first cut.
    pub sample: u32,
    /// For plans of very many short workloads: fewer of the images after first cuts are written to
    /// and rewritten as a whole, and marginal bits are read in one way per image.
    pub thrifty: bool,
    /// Mechanisms that are switched off, to see what they contribute.
    pub without: Mechanisms,
}

/// Parameters of the mode in which sectors go bad. The level is F7.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BadSectors {
    /// How the steps after that are cut.
    pub cuts: Systematic,
    /// How many operations are cut: the one in which the sector goes bad, and those after it.
    pub operations: u32,
}

/// Parameters of random lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RandomLives {
    /// Independent lives.
    pub runs: u64,
    /// Power-ups per life, each ended by a cut.
    pub power_ups: u32,
    /// Most consecutive recoveries that are cut before the code is up; the next one is spared.
    pub recoveries_cut_in_a_row: u32,
}

impl Default for Systematic {
    fn default() -> Self {
        Self {
            workload: WorkloadSource::TideGauge,
            depth: 3,
            thin: 1,
            merge_equal: true,
            group: true,
            sample: 1,
            thrifty: false,
            without: Mechanisms::NONE,
        }
    }
}

impl Default for RandomLives {
    fn default() -> Self {
        Self { runs: 1000, power_ups: 300, recoveries_cut_in_a_row: u32::MAX }
    }
}

impl Config {
    /// The life of the tide gauge, systematically, with up to three cuts per history.
    pub fn systematic(geometry: Geometry, level: Level) -> Self {
        Self {
            geometry,
            level,
            seed: 1,
            budget: None,
            stop_at_first: false,
            shrink: Some(Duration::from_secs(10)),
            mode: Mode::Systematic(Systematic::default()),
        }
    }

    /// Random lives.
    pub fn random(geometry: Geometry, level: Level) -> Self {
        Self { mode: Mode::Random(RandomLives::default()), ..Self::systematic(geometry, level) }
    }

    /// A dozen random operations with one cut each: seconds even in a debug build.
    pub fn small(geometry: Geometry, level: Level) -> Self {
        let workload = WorkloadSource::Random { seed: 1, ops: 12 };
        let mode = Systematic { workload, depth: 1, ..Systematic::default() };
        Self { mode: Mode::Systematic(mode), ..Self::systematic(geometry, level) }
    }
}

/// Parameters of the edges mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edges {
    /// Most operations in a sequence, 1 to 3. All sequences of up to this many are tried. The last
    /// operation is cut; those before it are cut as the last one of a shorter sequence.
    pub longest: u8,
    /// Most cuts in one history.
    pub depth: u32,
    /// The shard of the plan that this run does.
    pub shard: Shard,
}

/// One of several shares of a plan that are run separately.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Shard {
    number: u32,
    of: u32,
}

impl Shard {
    /// The whole plan.
    pub const WHOLE: Self = Self { number: 1, of: 1 };
    /// More shards than this are refused.
    pub const MOST: u32 = 1024;

    /// Shard `number`, from 1, of `of`; `None` if there is no such shard.
    pub const fn new(number: u32, of: u32) -> Option<Self> {
        if 1 <= number && number <= of && of <= Self::MOST {
            Some(Self { number, of })
        } else {
            None
        }
    }

    /// Its number, from 1.
    pub const fn number(self) -> u32 {
        self.number
    }

    /// How many there are.
    pub const fn of(self) -> u32 {
        self.of
    }

    /// Shards are scattered over the list, since cheap and expensive sequences alternate in it.
    pub(crate) const fn takes(self, index: u64) -> bool {
        mixed(index) % self.of as u64 == self.number as u64 - 1
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}/{}", self.number, self.of)
    }
}

/// The text does not name a shard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShardError;

impl fmt::Display for ShardError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            out,
            "a shard is NUMBER/COUNT, like 2/8: numbers from 1 to the count, a count of at most {}",
            Shard::MOST
        )
    }
}

impl std::error::Error for ShardError {}

impl FromStr for Shard {
    type Err = ShardError;

    fn from_str(text: &str) -> Result<Self, ShardError> {
        let (number, of) = text.split_once('/').ok_or(ShardError)?;
        let parsed = number.parse().ok().zip(of.parse().ok());
        parsed.and_then(|(number, of)| Self::new(number, of)).ok_or(ShardError)
    }
}
