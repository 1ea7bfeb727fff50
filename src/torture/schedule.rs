//! The stages of a torture run, and their description.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Duration;

use outlast_faultsim::config::{BadSectors, Config, Edges, Mode, RandomLives, Shard, Systematic};
use outlast_faultsim::default_plan::{Usual, lives};
use outlast_faultsim::part::{Geometry, Level};
use outlast_faultsim::subjects::{self, AnySubject};
use outlast_faultsim::workload::source::WorkloadSource;
use serde::{Deserialize, Serialize};

use crate::words::counted;

/// Default number of cuts per history.
const DEPTH: u32 = Usual::DEPTH;

/// Everything that determines a torture run.
pub(crate) struct Plan {
    /// The store under test.
    pub(crate) subject: &'static dyn AnySubject,
    /// Its path, if it is not built in.
    pub(crate) program: Option<PathBuf>,
    /// The sizes of the part.
    pub(crate) geometry: Geometry,
    /// The fault level.
    pub(crate) level: Level,
    /// The seed of all random choices.
    pub(crate) seed: u64,
    /// The time for the whole run.
    pub(crate) budget: Option<Duration>,
    /// The kind of run.
    pub(crate) kind: Kind,
}

/// The kinds of run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The scenario and a random workload systematically, then some random lives.
    Default {
        /// Most cuts in one history of the systematic stages; `None` for what fits into a
        /// minute.
        depth: Option<u32>,
    },
    /// Random lives only.
    Deep {
        /// At least this many power cuts in all lives together.
        cuts: u64,
    },
    /// Short sequences of operations from start states near every edge.
    Edges {
        /// Most operations in a sequence.
        longest: u8,
        /// Most cuts in one history; `None` for the default number.
        depth: Option<u32>,
        /// The part of the plan that is run.
        shard: Shard,
    },
}

/// Which part of which plan a result covers, in the JSON of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ShardInfo {
    pub(crate) number: u32,
    pub(crate) of: u32,
    /// The command that runs the whole plan.
    pub(crate) plan: String,
}

/// One stage of a plan.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stage {
    /// Its configuration, without the budget.
    pub(crate) config: Config,
    /// Its expected share of the time, for the progress bar.
    pub(crate) weight: u32,
}

impl Plan {
    /// The stages, in order.
    pub(crate) fn stages(&self) -> Vec<Stage> {
        match self.kind {
            Kind::Default { depth } => self.default_stages(depth),
            Kind::Deep { cuts } => vec![self.stage(1, lives(cuts))],
            Kind::Edges { longest, depth, shard } => {
                let edges = Edges { longest, depth: depth.unwrap_or(DEPTH), shard };
                vec![self.stage(1, Mode::Edges(edges))]
            }
        }
    }

    fn default_stages(&self, depth: Option<u32>) -> Vec<Stage> {
        let plan = Usual {
            seed: self.seed,
            depth: depth.unwrap_or(DEPTH),
            random_cuts: match self.program {
                Some(_) => Usual::RANDOM_CUTS_OF_A_PROGRAM,
                None => Usual::RANDOM_CUTS,
            },
            has_counters: self.subject.has_counters(),
            is_on_bus: self.subject.is_on_bus(),
            ..Usual::new(self.geometry, self.level)
        };
        let weight = |config: &Config| match config.mode {
            Mode::BadSectors(_) => 5,
            Mode::Random(_) => 55,
            Mode::Systematic(Systematic { workload, .. }) => match workload {
                WorkloadSource::Random { .. } | WorkloadSource::Full { .. } => 5,
                _ => 40,
            },
            Mode::Edges(_) => 1,
        };
        let stages = plan.stages().into_iter();
        stages.map(|config| Stage { weight: weight(&config), config }).collect()
    }

    fn stage(&self, weight: u32, mode: Mode) -> Stage {
        let config = Config {
            geometry: self.geometry,
            level: self.level,
            seed: self.seed,
            budget: None,
            stop_at_first: false,
            // Done once for the whole plan, after its last stage.
            shrink: None,
            mode,
        };
        Stage { config, weight }
    }

    /// The option that names the store, if it is not built in.
    pub(crate) fn program_option(&self) -> Option<String> {
        let path = self.program.as_ref()?;
        Some(format!("--program {}", quoted(&path.display().to_string())))
    }

    /// Which part of a plan this is, if it is not the whole plan.
    pub(crate) fn shard_info(&self) -> Option<ShardInfo> {
        let Kind::Edges { longest, depth, shard } = self.kind else { return None };
        let kind = Kind::Edges { longest, depth, shard: Shard::WHOLE };
        let whole = Self { program: self.program.clone(), kind, budget: None, ..*self };
        let (number, of) = (shard.number(), shard.of());
        (of > 1).then(|| ShardInfo { number, of, plan: whole.command() })
    }

    /// The command that repeats this run.
    pub(crate) fn command(&self) -> String {
        let Geometry { sectors, sector_bytes, unit, page } = self.geometry;
        let (level, seed) = (self.level, self.seed);
        let subject = self.program_option().unwrap_or_else(|| {
            let name = self.subject.name();
            if name == subjects::THROUGH_SPI.name() {
                format!("--subject {} --through spi", subjects::outlast::NAME)
            } else {
                format!("--subject {name}")
            }
        });
        let mut command = format!(
            "outlast torture {subject} --sectors {sectors} --sector-bytes \
             {sector_bytes} --unit {unit} --page {page} --level {level} --seed {seed}"
        );
        // Writing to a string does not fail.
        let _ = match self.kind {
            Kind::Default { depth: Some(depth) } => write!(command, " --depth {depth}"),
            Kind::Default { depth: None } => Ok(()),
            Kind::Deep { cuts } => write!(command, " --deep {cuts}"),
            Kind::Edges { longest, depth, shard } => {
                let _ = write!(command, " --edges {longest}");
                if let Some(depth) = depth {
                    let _ = write!(command, " --depth {depth}");
                }
                if shard == Shard::WHOLE { Ok(()) } else { write!(command, " --shard {shard}") }
            }
        };
        if let Some(budget) = self.budget {
            let _ = write!(command, " --budget {}s", budget.as_secs());
        }
        command
    }
}

/// A word quoted for a POSIX shell.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./+:@%".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

impl Stage {
    /// What the stage does, in one line.
    pub(crate) fn description(&self) -> String {
        match self.config.mode {
            Mode::Systematic(Systematic { workload, depth, .. }) => {
                let cuts = counted(depth, "cut");
                format!("systematic: every step of {workload}, up to {cuts} per history")
            }
            Mode::BadSectors(BadSectors {
                cuts: Systematic { workload, depth, .. },
                operations,
            }) => {
                format!(
                    "bad sectors: every erase of {workload} makes its sector bad, every step of {} after \
                     it, up to {} per history, {}",
                    counted(operations, "operation"),
                    counted(depth, "cut"),
                    self.config.geometry
                )
            }
            Mode::Edges(Edges { longest, depth, shard }) => {
                let part = match shard {
                    Shard::WHOLE => String::new(),
                    shard => format!(", shard {shard}"),
                };
                format!(
                    "edges: every step of all sequences of up to {} from start states near every edge, up \
                     to {} per history{part}",
                    counted(longest, "operation"),
                    counted(depth, "cut")
                )
            }
            Mode::Random(RandomLives { runs, power_ups, .. }) => {
                let lives = if runs == 1 { "life" } else { "lives" };
                format!(
                    "deep: {runs} random {lives} of {} with a cut in each, {}",
                    counted(power_ups, "power-up"),
                    self.config.geometry
                )
            }
        }
    }

    /// What its parameters leave out, in addition to what the report says.
    pub(crate) fn not_explored(&self) -> Option<String> {
        match self.config.mode {
            Mode::Systematic(_) | Mode::Edges(_) => None,
            Mode::BadSectors(_) => {
                Some("with bad sectors: two at once, and the first format".to_owned())
            }
            Mode::Random(RandomLives { recoveries_cut_in_a_row, .. }) => Some(format!(
                "in the random lives, more than {} before the store is up",
                match recoveries_cut_in_a_row {
                    1 => "1 interrupted recovery".to_owned(),
                    number => format!("{number} consecutive interrupted recoveries"),
                }
            )),
        }
    }

    /// What the counts `planned` and `done` count.
    pub(crate) const fn counted(&self) -> &'static str {
        match self.config.mode {
            Mode::Systematic(_) | Mode::BadSectors(_) => "cut points",
            Mode::Random(_) => "lives",
            Mode::Edges(_) => "sequences",
        }
    }
}

/// The damage of a fault level. Each level includes those before it.
pub(crate) const fn level_in_words(level: Level) -> &'static str {
    match level {
        Level::F0 => "cuts between operations",
        Level::F1 => "cuts, torn programs and erases in order",
        Level::F2 => "cuts, torn programs and erases in any subset and phase",
        Level::F3 => "cuts, torn programs and erases, marginal bits",
        Level::F4 => "cuts, torn programs and erases, marginal bits, tears that fool checks",
        Level::F5 => {
            "cuts, torn programs and erases, marginal bits, tears that fool checks, damage to other \
             bytes of the page or sector"
        }
        Level::F7 => "cuts, torn programs and erases, marginal bits, and a sector that goes bad",
    }
}
