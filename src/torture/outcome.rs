//! The result of a torture run, combined from those of its stages.

use std::time::Duration;

use outlast_faultsim::check::collateral_loss::CollateralLoss;
use outlast_faultsim::part::Geometry;
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::{BaselineSummary, Counts, Report, Verdict, Violation, WorstCase};
use outlast_faultsim::subject::Bounds;
use serde::{Deserialize, Serialize};

use super::identity::Identity;
use super::regressions::Rerun;
use super::schedule::{ShardInfo, Stage};

/// The result of a torture run, which `--json` prints.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Outcome {
    #[serde(flatten)]
    pub(crate) identity: Identity,
    /// The command that repeats the run.
    pub(crate) repeat: String,
    /// What a replay needs in addition to the token: `--program PATH `, if the store is not built
    /// in.
    #[serde(skip)]
    pub(crate) program_option: Option<String>,
    /// When the run began, in UTC.
    pub(crate) began: String,
    pub(crate) verdict: Verdict,
    /// Why it is incomplete, or what fails without cuts; otherwise empty.
    pub(crate) reason: String,
    /// The duration of the whole run.
    pub(crate) seconds: f64,
    /// Which part of a plan it covers, if it is not the whole plan.
    pub(crate) shard: Option<ShardInfo>,
    pub(crate) totals: Totals,
    /// Regression tokens, replayed first.
    pub(crate) regressions: Vec<Rerun>,
    pub(crate) stages: Vec<StageOutcome>,
    /// One for each signature, fewest cuts first.
    pub(crate) violations: Vec<Violation>,
}

/// Sums over the stages.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Totals {
    /// Power cuts made.
    pub(crate) cuts: u64,
    /// Different crash images, counted within each stage and then added.
    pub(crate) distinct: u64,
    /// Images judged: each once for every reading of its marginal bits and set of obligations.
    pub(crate) judged: u64,
    pub(crate) power_ups: u64,
    /// Images that broke a promise.
    pub(crate) violating: u64,
    /// What collateral damage cost.
    #[serde(default, skip_serializing_if = "CollateralLoss::is_none")]
    pub(crate) harm: CollateralLoss,
}

/// The result of one stage.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct StageOutcome {
    /// What it does.
    pub(crate) description: String,
    /// The sizes of its part, which is smaller for the random lives of the default plan.
    pub(crate) geometry: Geometry,
    /// The unit of `counts.planned` and `counts.done`.
    pub(crate) counted: &'static str,
    /// `None` if it was not started.
    pub(crate) verdict: Option<Verdict>,
    pub(crate) reason: String,
    pub(crate) seconds: f64,
    pub(crate) counts: Counts,
    pub(crate) baseline: BaselineSummary,
    /// The worst case that the store claims, if it claims any.
    pub(crate) bounds: Option<Bounds>,
    pub(crate) worst: WorstCase,
    /// What it does not cover, in words.
    pub(crate) not_explored: Vec<String>,
}

impl Outcome {
    /// The command that replays a history; `what` is its token, with options before it.
    pub(crate) fn replay(&self, what: &str) -> String {
        format!("outlast replay {}{what}", self.program_option.as_deref().unwrap_or_default())
    }

    /// Adds the result of a stage; without a report it was not started.
    pub(crate) fn add(&mut self, stage: &Stage, report: Option<Report>, time: Duration) {
        let number = self.stages.len() + 1;
        let mut done = StageOutcome {
            description: stage.description(),
            geometry: stage.config.geometry,
            counted: stage.counted(),
            verdict: None,
            reason: "not started".to_owned(),
            seconds: time.as_secs_f64(),
            counts: Counts::default(),
            baseline: BaselineSummary::default(),
            bounds: None,
            worst: WorstCase::default(),
            not_explored: Vec::new(),
        };
        let verdict = report.as_ref().map_or(Verdict::Incomplete, |report| report.verdict);
        if let Some(report) = report {
            done.verdict = Some(report.verdict);
            done.reason = report.reason;
            done.counts = report.counts;
            done.baseline = report.baseline;
            done.bounds = report.bounds;
            done.worst = report.worst;
            self.totals.add(&(&done.counts).into());
            done.not_explored = report.not_explored;
            done.not_explored.extend(stage.not_explored());
            for violation in report.violations {
                add_violation(&mut self.violations, violation);
            }
        }
        if rank(verdict) > rank(self.verdict) {
            self.verdict = verdict;
            self.reason.clear();
            if !done.reason.is_empty() {
                self.reason = format!("stage {number}: {}", done.reason);
            }
        }
        self.stages.push(done);
    }

    /// Adds the replay of a regression token. A bug that is back is a violation.
    pub(crate) fn add_rerun(&mut self, rerun: Rerun) {
        if rerun.outcome == Replayed::Reproduced && self.verdict != Verdict::Violation {
            self.verdict = Verdict::Violation;
            self.reason = format!("regression {}: {}", rerun.name, rerun.sentence);
        }
        self.regressions.push(rerun);
    }
}

/// Adds a violation. Each signature keeps one example, that with the fewest cuts.
pub(crate) fn add_violation(list: &mut Vec<Violation>, violation: Violation) {
    match list.iter_mut().find(|known| known.signature == violation.signature) {
        None => list.push(violation),
        Some(known) => {
            let count = known.count + violation.count;
            if violation.cuts < known.cuts {
                *known = violation;
            }
            known.count = count;
        }
    }
}

/// The verdict of the whole run is that of its stages with the highest rank.
pub(crate) const fn rank(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Clean => 0,
        Verdict::Incomplete => 1,
        Verdict::BaselineFailed => 2,
        Verdict::Violation => 3,
    }
}

impl Totals {
    pub(crate) fn add(&mut self, more: &Self) {
        self.cuts += more.cuts;
        self.distinct += more.distinct;
        self.judged += more.judged;
        self.power_ups += more.power_ups;
        self.violating += more.violating;
        self.harm += more.harm;
    }
}

impl From<&Counts> for Totals {
    fn from(counts: &Counts) -> Self {
        let Counts { cuts, distinct, judged, power_ups, violating, collateral_loss: harm, .. } =
            *counts;
        Self { cuts, distinct, judged, power_ups, violating, harm }
    }
}
