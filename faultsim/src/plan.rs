//! A run from its configuration to its report.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::deep;
use crate::device::{Geometry, Level};
use crate::edges::{self, Edges};
use crate::explore;
use crate::finding::{Breach, Finding, Signature};
use crate::minimise;
use crate::parts::RigParts;
use crate::report::{Baseline, Counts, WorstCase};
pub use crate::report::{Report, Verdict};
use crate::subject::Subject;
use crate::workload::WorkloadSource;

mod usual;

pub use usual::{Usual, lives};

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
    pub minimise: Option<Duration>,
    /// How to choose the cuts.
    pub mode: Mode,
}

/// How to choose the cuts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Every step of a workload, torn in every class of ways, with further cuts in recovery.
    Systematic(Systematic),
    /// Long random lives with hundreds of cuts.
    Deep(Deep),
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
    pub without: RigParts,
}

/// Parameters of the deep mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Deep {
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
            without: RigParts::NONE,
        }
    }
}

impl Default for Deep {
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
            minimise: Some(Duration::from_secs(10)),
            mode: Mode::Systematic(Systematic::default()),
        }
    }

    /// Random lives.
    pub fn deep(geometry: Geometry, level: Level) -> Self {
        Self { mode: Mode::Deep(Deep::default()), ..Self::systematic(geometry, level) }
    }

    /// The report of a run of which nothing was done yet.
    pub(crate) fn begun<S: Subject>(&self, subject: &S, mode: &str, workload: String) -> Report {
        Report {
            subject: subject.name().to_owned(),
            geometry: self.geometry,
            level: self.level,
            mode: mode.to_owned(),
            workload,
            seed: self.seed,
            verdict: Verdict::BaselineFailed,
            reason: String::new(),
            counts: Counts::default(),
            baseline: Baseline::default(),
            bounds: subject.bounds(&self.geometry),
            worst: WorstCase::default(),
            violations: Vec::new(),
            kills: Vec::new(),
            not_explored: Vec::new(),
        }
    }

    /// A dozen random operations with one cut each: seconds even in a debug build.
    pub fn small(geometry: Geometry, level: Level) -> Self {
        let workload = WorkloadSource::Random { seed: 1, ops: 12 };
        let mode = Systematic { workload, depth: 1, ..Systematic::default() };
        Self { mode: Mode::Systematic(mode), ..Self::systematic(geometry, level) }
    }
}

/// How far a run is, to be read by another thread while it works.
#[derive(Debug, Default)]
pub struct Progress {
    /// Cut points or runs of the plan; 0 while the baseline runs.
    pub planned: AtomicU64,
    /// Of these, done.
    pub done: AtomicU64,
    /// Power cuts made so far.
    pub cuts: AtomicU64,
    /// Images judged so far.
    pub judged: AtomicU64,
    /// Distinct images so far; those met at several cut points are counted at each until the
    /// report.
    pub distinct: AtomicU64,
    /// Failing images so far.
    pub violating: AtomicU64,
    /// Set to true to end the run early; it then reports what it has.
    pub stop: AtomicBool,
}

/// When to stop: shared by all workers.
#[derive(Debug)]
pub(crate) struct Clock<'run> {
    deadline: Option<Instant>,
    pub(crate) progress: &'run Progress,
    late: AtomicBool,
    /// Whether the progress is told in cut points.
    pub(crate) counts_points: bool,
    /// How often the code did not come back in time, by signature.
    timeouts: Mutex<BTreeMap<Signature, u32>>,
}

/// So many images that end in a timeout are judged per signature before the cut point of a further one is
/// left at it, and so many in all before the run is: each costs seconds.
const TIMEOUTS_ALIKE: u32 = 2;
const TIMEOUTS: u32 = 20;

impl<'run> Clock<'run> {
    pub(crate) fn new(budget: Option<Duration>, progress: &'run Progress) -> Self {
        let deadline = budget.and_then(|budget| Instant::now().checked_add(budget));
        let late = AtomicBool::new(false);
        Self { deadline, progress, late, counts_points: true, timeouts: Mutex::default() }
    }

    /// The same for a plan that tells its progress in workloads.
    pub(crate) fn of_workloads(&self) -> Self {
        let late = AtomicBool::new(self.is_up());
        let Self { deadline, progress, .. } = *self;
        Self { deadline, progress, late, counts_points: false, timeouts: Mutex::default() }
    }

    /// Notes what was found. Whether to go on with this cut point.
    pub(crate) fn goes_on(&self, finding: &Finding, signature: &Signature) -> bool {
        if !finding.timed_out {
            return true;
        }
        let mut timeouts = self.timeouts.lock().unwrap_or_else(PoisonError::into_inner);
        let alike = timeouts.entry(signature.clone()).or_default();
        *alike += 1;
        let goes_on = *alike < TIMEOUTS_ALIKE;
        if timeouts.values().sum::<u32>() >= TIMEOUTS {
            self.late.store(true, Ordering::Relaxed);
        }
        goes_on
    }

    /// Adds to a reason what timeouts left undone.
    pub(crate) fn explain(&self, reason: &mut String) {
        let timeouts = self.timeouts.lock().unwrap_or_else(PoisonError::into_inner);
        let sum: u32 = timeouts.values().sum();
        if sum == 0 || reason.is_empty() {
            return;
        }
        reason.push_str(&format!(
            "; the code did not come back in time in {sum} images, and where that was known not every cut was made"
        ));
    }

    /// Whether this is a crash in a run that somebody is ending, and who may have ended the code under
    /// test as well.
    pub(crate) fn excuses(&self, finding: &Finding) -> bool {
        finding.breach == Breach::Panicked && self.progress.stop.load(Ordering::Relaxed)
    }

    /// Whether the time is up or somebody asked to stop. Once true it stays true.
    pub(crate) fn is_up(&self) -> bool {
        if self.late.load(Ordering::Relaxed) {
            return true;
        }
        let up = self.progress.stop.load(Ordering::Relaxed)
            || self.deadline.is_some_and(|deadline| Instant::now() >= deadline);
        if up {
            self.late.store(true, Ordering::Relaxed);
        }
        up
    }
}

#[cfg(test)]
mod tests;

/// Carries out a plan on the current rayon thread pool.
pub fn run<S: Subject>(config: &Config, subject: &S, progress: &Progress) -> Report {
    let clock = Clock::new(config.budget, progress);
    let mut report = match &config.mode {
        Mode::Systematic(systematic) => explore::run(config, systematic, subject, &clock),
        Mode::Deep(deep) => deep::run(config, deep, subject, &clock),
        Mode::Edges(edges) => edges::run(config, edges, subject, &clock),
    };
    if let Some(limit) = config.minimise {
        for violation in &mut report.violations {
            minimise::shrink(violation, subject, limit);
        }
    }
    report
}
