//! How far a run is, and when it has to stop.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::check::finding::{Breach, Finding, Signature};
use crate::report::{Counts, Report};
use crate::subject::counted;

/// How far a run is, to be read by another thread while it works.
#[derive(Debug, Default)]
pub struct Progress {
    /// Cut points or runs in the plan; 0 while the baseline runs.
    pub planned: AtomicU64,
    /// How many of them are done.
    pub done: AtomicU64,
    /// Power cuts made so far.
    pub cuts: AtomicU64,
    /// Images judged so far.
    pub judged: AtomicU64,
    /// Distinct images so far. Until the report, an image met at several cut points is counted at
    /// each.
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
    /// Whether progress is counted in cut points.
    pub(crate) counts_points: bool,
    /// How often the code did not return in time, by signature.
    timeouts: Mutex<BTreeMap<Signature, u32>>,
}

/// After this many timeouts with the same signature a cut point is abandoned, and after `TIMEOUTS`
/// of any signature the run is: each costs seconds.
const TIMEOUTS_ALIKE: u32 = 2;

const TIMEOUTS: u32 = 20;

impl<'run> Clock<'run> {
    pub(crate) fn new(budget: Option<Duration>, progress: &'run Progress) -> Self {
        let deadline = budget.and_then(|budget| Instant::now().checked_add(budget));
        let late = AtomicBool::new(false);
        Self { deadline, progress, late, counts_points: true, timeouts: Mutex::default() }
    }

    /// A clock for a plan that counts its progress in workloads.
    pub(crate) fn of_workloads(&self) -> Self {
        let late = AtomicBool::new(self.is_up());
        let Self { deadline, progress, .. } = *self;
        Self { deadline, progress, late, counts_points: false, timeouts: Mutex::default() }
    }

    /// Notes a finding. Returns whether to go on with this cut point.
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

    /// Adds to a reason what was left undone because of timeouts.
    fn explain(&self, reason: &mut String) {
        let timeouts = self.timeouts.lock().unwrap_or_else(PoisonError::into_inner);
        let sum: u32 = timeouts.values().sum();
        if sum == 0 || reason.is_empty() {
            return;
        }
        reason.push_str(&format!(
            "; the code did not return in time in {}; where that happened, not every cut was made",
            counted(sum.into(), "image")
        ));
    }

    /// Writes the result of a run into its report. `units` are what the run was planned in.
    pub(crate) fn conclude(&self, report: &mut Report, counts: Counts, found: bool, units: &str) {
        (report.verdict, report.reason) = counts.outcome(found, units);
        self.explain(&mut report.reason);
        report.counts = counts;
    }

    /// Whether this is a crash while the user is ending the run. The same signal may have ended the
    /// code under test.
    pub(crate) fn excuses(&self, finding: &Finding) -> bool {
        finding.breach == Breach::Panicked && self.progress.stop.load(Ordering::Relaxed)
    }

    /// Whether the time is up or the user asked to stop. Once true it stays true.
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
