//! What a run found, ready to be printed or written as JSON.

use serde::{Deserialize, Serialize};

use super::scene::Scene;
use crate::ablation::Mechanisms;
pub use crate::check::baseline::BaselineSummary;
use crate::check::collateral_loss::CollateralLoss;
use crate::check::coverage::Coverage;
use crate::check::finding::Signature;
pub use crate::check::session::WorstCase;
use crate::config::Config;
use crate::part::{Geometry, Level};
use crate::subject::{Bounds, Subject};

/// The outcome of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Report {
    /// Name of the subject.
    pub subject: String,
    /// Sizes of the part.
    pub geometry: Geometry,
    /// The fault level: how severe the simulated damage was.
    pub level: Level,
    /// `systematic`, `edges`, or `deep` for random lives.
    pub mode: String,
    /// The workload: its name, or what random operations were drawn.
    pub workload: String,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// The result in one word.
    pub verdict: Verdict,
    /// Why the run is incomplete or what failed before any cut; else empty.
    pub reason: String,
    /// How much was done.
    pub counts: Counts,
    /// The uncut run of the workload; all zero for random lives.
    pub baseline: BaselineSummary,
    /// The worst case that the code states for itself, if it does.
    pub bounds: Option<Bounds>,
    /// The most expensive power-up and operation met, and the distribution of the work of
    /// power-ups.
    pub worst: WorstCase,
    /// One entry per signature, ordered by the number of cuts needed.
    pub violations: Vec<Violation>,
    /// For each set of mechanisms that failing images took: how many images were judged up to the
    /// first one. Systematic runs only.
    #[serde(skip)]
    pub kills: Vec<(Mechanisms, u64)>,
    /// What this run does not show, in words.
    pub not_explored: Vec<String>,
}

/// What no mode does at this level, for lists of what was not explored.
pub(crate) const fn beyond(level: Level) -> &'static str {
    match level {
        Level::F5 => "damage outside the sector a step works on, decay, wear, bus errors",
        Level::F7 => {
            "damage outside the bytes a step works on, two bad sectors at once, decay, bus errors"
        }
        _ => "damage outside the bytes a step works on, decay, wear, bus errors",
    }
}

/// What no workload of these modes contains, for the same lists; `longest` is the longest value, if
/// the lengths are not chosen for the part.
pub(crate) fn left_out(longest: Option<usize>) -> Vec<String> {
    let longer = longest.map(|longest| format!("values of more than {longest} bytes"));
    let others = [
        "start images other than a blank part: garbage, or what other firmware left",
        "numbers in flash that wrap only after more rounds of the sectors than one history makes",
        "a setting named twice in one batch",
    ];
    longer.into_iter().chain(others.map(str::to_owned)).collect()
}

impl Report {
    /// The report of a run that has not done anything yet.
    pub(crate) fn begun<S: Subject>(
        config: &Config,
        subject: &S,
        mode: &str,
        workload: String,
    ) -> Self {
        Self {
            subject: subject.name().to_owned(),
            geometry: config.geometry,
            level: config.level,
            mode: mode.to_owned(),
            workload,
            seed: config.seed,
            verdict: Verdict::BaselineFailed,
            reason: String::new(),
            counts: Counts::default(),
            baseline: BaselineSummary::default(),
            bounds: subject.bounds(&config.geometry),
            worst: WorstCase::default(),
            violations: Vec::new(),
            kills: Vec::new(),
            not_explored: Vec::new(),
        }
    }
}

/// The result of a run in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The whole plan was carried out and nothing was found.
    Clean,
    /// At least one promise was broken.
    Violation,
    /// Nothing was found, but the plan was not finished.
    Incomplete,
    /// The code failed without any cut, so cuts would show nothing.
    BaselineFailed,
}

/// How much was done.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Cut points of the plan: steps of the explored operations, or random lives.
    pub planned: u64,
    /// How many of them are done.
    pub done: u64,
    /// Power cuts made.
    pub cuts: u64,
    /// Different images left by them, counted by digests of 128 bits, or 64 bits for edges.
    pub distinct: u64,
    /// Images judged: each image once per reading of its marginal cells and per set of
    /// obligations.
    pub judged: u64,
    /// Judged images in whose recovery no further cut was made, because one with the same
    /// recovery, result and obligations represents them.
    pub represented: u64,
    /// Images judged after one cut, two cuts and so on; one entry for random lives.
    pub judged_by_cuts: Vec<u64>,
    /// Power-ups, without the ones of the baseline.
    pub power_ups: u64,
    /// Images that broke a promise.
    pub violating: u64,
    /// Where the power was cut, and what kinds of tear it left.
    #[serde(rename = "ledger")]
    pub coverage: Coverage,
    /// What collateral damage cost; there is none below F5.
    #[serde(rename = "harm", default, skip_serializing_if = "CollateralLoss::is_none")]
    pub collateral_loss: CollateralLoss,
    /// How often zeros were programmed a second time over a unit that still read blank, see
    /// [`SecondPrograms::Refused`](crate::part::SecondPrograms::Refused).
    #[serde(default, skip_serializing_if = "is_zero")]
    pub repeated_zeros: u64,
    /// Calls that failed while a sector was bad. Some have to.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub failed_calls: u64,
    /// Power-ups in which the code did not come up while a sector was bad; all settings could be
    /// read.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub stayed_down: u64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
const fn is_zero(number: &u64) -> bool {
    *number == 0
}

impl Counts {
    /// The verdict of a run that was planned in these units, and the reason if it was not finished.
    pub(crate) fn outcome(&self, found: bool, units: &str) -> (Verdict, String) {
        let Self { planned, done, .. } = *self;
        let verdict = match (found, done == planned) {
            (true, _) => Verdict::Violation,
            (false, true) => Verdict::Clean,
            (false, false) => Verdict::Incomplete,
        };
        let reason = if done < planned {
            format!("{done} of {planned} {units} done")
        } else {
            String::new()
        };
        (verdict, reason)
    }
}

/// One kind of failure with its simplest example.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Violation {
    /// What examples have in common.
    pub signature: Signature,
    /// Failing images with this signature.
    pub count: u64,
    /// What is wrong, in a plain sentence.
    pub sentence: String,
    /// Power cuts in the example.
    pub cuts: u32,
    /// The mildest fault level at which the example fails.
    pub level: Level,
    /// The operations of the example, one line each.
    pub operations: Vec<String>,
    /// Where the power went and how the part was left, one line per cut.
    pub cut_points: Vec<String>,
    /// The last cuts of the example as pictures.
    pub scenes: Vec<Scene>,
    /// Replays the example.
    pub token: String,
    /// Whether the example was shrunk.
    #[serde(rename = "minimised")]
    pub shrunk: bool,
}
