//! What to run.

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
    /// How nasty the cuts are.
    pub level: Level,
    /// Seed of everything drawn at random. The same configuration finds the same, whatever the
    /// number of threads, unless the budget ends it early.
    pub seed: u64,
    /// Time after which the run stops; what is left is reported as incomplete.
    pub budget: Option<Duration>,
    /// Stop at the first failing image instead of counting all.
    pub stop_at_first: bool,
    /// Time to spend on making each example smaller; `None` leaves them as found.
    pub shrink: Option<Duration>,
    /// How to choose the cuts.
    pub mode: Mode,
}

/// How to choose the cuts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Every step of a workload, torn in every class of ways, with further cuts in recovery.
    Systematic(Systematic),
    /// Long random lives with hundreds of cuts.
    Random(RandomLives),
    /// Short sequences of operations from start states near every edge.
    Edges(Edges),
}

/// Parameters of the systematic mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Systematic {
    /// The operations to cut.
    pub workload: WorkloadSource,
    /// Most cuts in one history, 1 or more: the first in an operation, the others in the
    /// recoveries after it or shortly behind.
    pub depth: u32,
    /// 1 tries all tears of a step, n about every n-th.
    pub thin: u32,
    /// Judge equal images only once per cut point.
    pub merge_equal: bool,
    /// Make further cuts only in one of several recoveries that did the same.
    pub group: bool,
    /// Of these groups, make further cuts in about one of so many; from the second cut on in four
    /// times fewer. 1 leaves out none behind the first cut.
    pub sample: u32,
    /// For plans of very many short workloads: of the images behind first cuts, fewer are written
    /// on and turned over, and marginal bits are read in one way per image.
    pub thrifty: bool,
    /// Parts of the rig that are switched off, to see what they are good for.
    pub without: Mechanisms,
}

/// Parameters of the deep mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RandomLives {
    /// Independent lives.
    pub runs: u64,
    /// Power-ups per life, each ended by a cut.
    pub power_ups: u32,
    /// Most recoveries in a row that are cut before the code is up; the next one is spared.
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
    /// The tide gauge's life, systematically, to three cuts.
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

/// Parameters of a plan over edges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edges {
    /// Most operations in a sequence, 1 to 3. All sequences of up to so many are tried; the last
    /// operation is cut, those before it are cut as the last one of a shorter sequence.
    pub longest: u8,
    /// Most cuts in one history.
    pub depth: u32,
    /// The part of the plan that this run takes.
    pub shard: Shard,
}

/// One of several parts of a plan that are run apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Shard {
    number: u32,
    of: u32,
}

impl Shard {
    /// All of the plan.
    pub const WHOLE: Self = Self { number: 1, of: 1 };
    /// More parts than that are refused.
    pub const MOST: u32 = 1024;

    /// Part `number`, from 1, of so many; `None` if there is no such part.
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

    /// Scattered, since what is cheap and what is dear comes round in the list again and again.
    pub(crate) const fn takes(self, index: u64) -> bool {
        mixed(index) % self.of as u64 == self.number as u64 - 1
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}/{}", self.number, self.of)
    }
}

/// A text that names no shard.
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
