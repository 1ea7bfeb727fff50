//! Carries out a plan and draws one result from its stages.

use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use outlast_faultsim::check::collateral_loss::CollateralLoss;
use outlast_faultsim::part::Geometry;
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::{BaselineSummary, Counts, Report, Verdict, Violation, WorstCase};
use outlast_faultsim::subject::Bounds;
use serde::{Deserialize, Serialize};

use crate::exit::Exit;
use crate::identity::Identity;
use crate::merge::Part;
use crate::output::Output;
use crate::plan::{Plan, Stage};
use crate::progress::Meter;
use crate::regressions::{Regression, Rerun};
use crate::{interrupt, report, text};

/// Examples that are made smaller, and the time for one of them and for all. It comes on top of
/// the budget.
const SMALLER_EXAMPLES: usize = 3;
const TIME_PER_EXAMPLE: Duration = Duration::from_secs(10);
const TIME_FOR_EXAMPLES: Duration = Duration::from_secs(20);

/// The result of a torture run; as JSON what `--json` prints.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Outcome {
    #[serde(flatten)]
    pub(crate) identity: Identity,
    /// The command that repeats the run.
    pub(crate) repeat: String,
    /// What a replay needs beside the token: `--program PATH `, if the code is not built in.
    #[serde(skip)]
    pub(crate) program_option: Option<String>,
    /// When it began, in UTC.
    pub(crate) began: String,
    pub(crate) verdict: Verdict,
    /// Why it is incomplete or what fails without cuts; else empty.
    pub(crate) reason: String,
    /// Of the whole run.
    pub(crate) seconds: f64,
    /// Which part of a plan it is, if not all of it.
    pub(crate) shard: Option<Part>,
    pub(crate) totals: Totals,
    /// Tokens of mended bugs, run first.
    pub(crate) regressions: Vec<Rerun>,
    pub(crate) stages: Vec<StageOutcome>,
    /// One per signature, fewest cuts first.
    pub(crate) violations: Vec<Violation>,
}

/// Sums over the stages.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Totals {
    /// Power cuts made.
    pub(crate) cuts: u64,
    /// Different crash images, counted within each stage and added up.
    pub(crate) distinct: u64,
    /// Images judged: each once per reading of its marginal bits and per set of obligations.
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
    /// Sizes of its part: the random lives of the default plan have a smaller one.
    pub(crate) geometry: Geometry,
    /// Unit of `counts.planned` and `counts.done`.
    pub(crate) counted: &'static str,
    /// None if it was not begun.
    pub(crate) verdict: Option<Verdict>,
    pub(crate) reason: String,
    pub(crate) seconds: f64,
    pub(crate) counts: Counts,
    pub(crate) baseline: BaselineSummary,
    /// The worst case the storage code claims for itself, if it does.
    pub(crate) bounds: Option<Bounds>,
    pub(crate) worst: WorstCase,
    /// What it does not show, in words.
    pub(crate) not_explored: Vec<String>,
}

/// What is wanted beside the run itself.
#[derive(Debug, Default)]
pub(crate) struct Wanted {
    /// JSON instead of text on standard output.
    pub(crate) json: bool,
    /// Where to write a page, and JUnit XML.
    pub(crate) report: Option<PathBuf>,
    pub(crate) junit: Option<PathBuf>,
    /// To be run first.
    pub(crate) regressions: Vec<Regression>,
    /// Kill matrix of the rig, to be shown on the page.
    pub(crate) planted: Option<String>,
}

/// Carries the plan out and prints plan and result.
pub(crate) fn run<W: Write>(
    plan: &Plan,
    wanted: &Wanted,
    output: &mut Output<W>,
) -> anyhow::Result<Exit> {
    let stages = plan.stages();
    // Now rather than at the end of a long run it shows whether the files can be written; and
    // what an earlier run left there must not be taken for the result of this one.
    if let Some(path) = &wanted.report {
        report::write(path, &report::page::unfinished(&plan.command()))?;
    }
    if let Some(path) = &wanted.junit {
        report::write(path, &report::junit::unfinished()?)?;
    }
    if !wanted.json {
        output.say(&text::plan(plan, &stages))?;
    }
    let outcome = carry_out(plan, &stages, &wanted.regressions);
    if let Some(path) = &wanted.report {
        report::write(path, &report::page::page(&outcome, wanted.planted.as_deref()))?;
    }
    if let Some(path) = &wanted.junit {
        report::write(path, &report::junit::junit(&outcome)?)?;
    }
    if wanted.json {
        output.json(&outcome)?;
    } else {
        output.say(&text::outcome(&outcome))?;
    }
    Ok(outcome.verdict.into())
}

fn carry_out(plan: &Plan, stages: &[Stage], regressions: &[Regression]) -> Outcome {
    let started = Instant::now();
    let meter = Arc::new(Meter::new(stages));
    let stops = Arc::clone(&meter);
    interrupt::on_first(move || stops.stop());
    let mut outcome = Outcome {
        identity: Identity::new(plan.subject.name(), plan.geometry, plan.level, plan.seed),
        repeat: plan.command(),
        program_option: plan.program_option().map(|option| option + " "),
        began: humantime::format_rfc3339_seconds(SystemTime::now()).to_string(),
        verdict: Verdict::Clean,
        reason: String::new(),
        seconds: 0.0,
        shard: plan.part(),
        totals: Totals::default(),
        regressions: Vec::new(),
        stages: Vec::new(),
        violations: Vec::new(),
    };
    meter.watch(|| {
        for regression in regressions {
            if meter.is_stopped() {
                break;
            }
            let rerun = regression.rerun(plan.subject);
            // Whoever stopped the run may have ended the code under test as well.
            if meter.is_stopped() {
                break;
            }
            outcome.add_rerun(rerun);
        }
        for (index, stage) in stages.iter().enumerate() {
            let left = plan.budget.map(|budget| budget.saturating_sub(started.elapsed()));
            let begun = Instant::now();
            let skipped = left == Some(Duration::ZERO)
                || outcome.verdict == Verdict::BaselineFailed
                || meter.is_stopped()
                || meter.of(index).is_none();
            let report = meter.of(index).filter(|_| !skipped).map(|progress| {
                let mut config = stage.config;
                config.budget = left;
                plan.subject.run(&config, progress)
            });
            outcome.add(stage, report, begun.elapsed());
        }
        meter.minimising();
        outcome.violations.sort_by_key(|violation| violation.cuts);
        let until = Instant::now() + TIME_FOR_EXAMPLES;
        for violation in outcome.violations.iter_mut().take(SMALLER_EXAMPLES) {
            if meter.is_stopped() {
                break;
            }
            let left = until.saturating_duration_since(Instant::now());
            plan.subject.shrink(violation, left.min(TIME_PER_EXAMPLE));
        }
    });
    if meter.is_stopped() && outcome.verdict == Verdict::Incomplete {
        outcome.reason.insert_str(0, "stopped by a signal; ");
    }
    outcome.seconds = started.elapsed().as_secs_f64();
    outcome
}

impl Outcome {
    /// The command that runs a history again; `what` is its token, with options before it.
    pub(crate) fn replay(&self, what: &str) -> String {
        format!("outlast replay {}{what}", self.program_option.as_deref().unwrap_or_default())
    }

    /// Adds what became of a stage; no report means that it was not begun.
    fn add(&mut self, stage: &Stage, report: Option<Report>, time: Duration) {
        let number = self.stages.len() + 1;
        let mut done = StageOutcome {
            description: stage.description(),
            geometry: stage.config.geometry,
            counted: stage.counted(),
            verdict: None,
            reason: "not begun".to_owned(),
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

    /// A bug that is back is a violation, whatever the stages find.
    fn add_rerun(&mut self, rerun: Rerun) {
        if rerun.outcome == Replayed::Reproduced && self.verdict != Verdict::Violation {
            self.verdict = Verdict::Violation;
            self.reason = format!("regression {}: {}", rerun.name, rerun.sentence);
        }
        self.regressions.push(rerun);
    }
}

/// One example per signature: the one with the fewest cuts.
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

/// Which verdict says more about the whole than another about a stage of it.
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

#[cfg(test)]
mod tests {
    use outlast_faultsim::part::{Level, Part};
    use outlast_faultsim::subject::{KeyNames, Op, Subject, Trouble};
    use outlast_faultsim::subjects::AnySubject;

    use super::*;
    use crate::plan::Kind;

    /// Comes up as the text says.
    struct ComesUp(Result<(), &'static str>);

    impl Subject for ComesUp {
        type Store = ();

        fn name(&self) -> &'static str {
            "comes-up"
        }

        fn open(&self, _: &Part) -> Result<(), Trouble> {
            self.0.map_err(|why| Trouble::Broken(why.to_owned()))
        }

        fn apply(&self, (): &mut (), _: &Op, _: &KeyNames) -> Result<(), Trouble> {
            Err(Trouble::Broken("nothing to write to".to_owned()))
        }

        fn get(&self, (): &mut (), _: &str, _: &mut Vec<u8>) -> Result<bool, Trouble> {
            Ok(false)
        }
    }

    fn plan(subject: &'static dyn AnySubject, kind: Kind) -> Plan {
        let geometry = Geometry::new(2, 512, 1, 256).unwrap();
        let (program, budget) = (None, None);
        Plan { subject, program, geometry, level: Level::F0, seed: 1, budget, kind }
    }

    fn run(plan: &Plan) -> (Exit, String) {
        let mut text = Vec::new();
        let exit = super::run(plan, &Wanted::default(), &mut Output::new(&mut text)).unwrap();
        (exit, String::from_utf8(text).unwrap())
    }

    #[test]
    fn failing_without_cuts_ends_the_plan() {
        let plan = plan(&ComesUp(Err("no crystal")), Kind::Default { depth: None });
        let (exit, text) = run(&plan);
        assert_eq!(exit.code(), 4);
        assert!(text.contains("\nfails-without-cuts: stage 1: "), "{text}");
        assert!(text.contains("no crystal"), "{text}");
        assert!(text.contains("\nstage 3: not begun\n"), "{text}");
        assert!(text.lines().last().unwrap().starts_with("torture: fails-without-cuts "), "{text}");
    }

    #[test]
    fn a_violation_outweighs_an_early_end() {
        let (exit, text) = run(&plan(&ComesUp(Ok(())), Kind::Deep { cuts: 1 }));
        assert_eq!(exit, Exit::Violation, "{text}");
        let order =
            [Verdict::Clean, Verdict::Incomplete, Verdict::BaselineFailed, Verdict::Violation];
        assert!(order.is_sorted_by_key(|&verdict| rank(verdict)));
    }

    #[test]
    fn equal_signatures_are_one_violation() {
        let outcome = carry_out(&plan(&ComesUp(Ok(())), Kind::Deep { cuts: 1 }), &[], &[]);
        let found = run_deep();
        let mut outcome = Outcome { violations: Vec::new(), ..outcome };
        let more_cuts = Violation { cuts: found.cuts + 1, count: 5, ..found.clone() };
        add_violation(&mut outcome.violations, more_cuts);
        add_violation(&mut outcome.violations, Violation { count: 2, ..found.clone() });
        assert_eq!(outcome.violations.len(), 1);
        assert_eq!((outcome.violations[0].cuts, outcome.violations[0].count), (found.cuts, 7));
    }

    fn run_deep() -> Violation {
        let plan = plan(&ComesUp(Ok(())), Kind::Deep { cuts: 1 });
        let outcome = carry_out(&plan, &plan.stages(), &[]);
        outcome.violations.into_iter().next().unwrap()
    }
}
