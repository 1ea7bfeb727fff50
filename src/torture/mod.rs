//! `outlast torture`: carries out a plan and combines the results of its stages.

pub(crate) mod args;
mod emit;
mod identity;
mod interrupt;
pub(crate) mod merge;
mod meter;
mod outcome;
mod prove;
mod regressions;
pub(crate) mod replay;
mod report;
mod schedule;
mod story;
mod subject;
mod text;

use std::io::Write;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use outlast_faultsim::report::Verdict;

use self::args::{Request, Wanted};
use self::identity::Identity;
use self::meter::Meter;
use self::outcome::{Outcome, Totals};
use self::regressions::Regression;
use self::schedule::{Plan, Stage};
use crate::exit::Exit;
use crate::output::{self, Output};

/// How many examples are shrunk, and the time for one of them and for all. It is added to the
/// budget.
const SHRUNK_EXAMPLES: usize = 3;
const TIME_PER_EXAMPLE: Duration = Duration::from_secs(10);
const TIME_FOR_EXAMPLES: Duration = Duration::from_secs(20);

/// Carries out a request and prints the result.
pub(crate) fn run<W: Write>(request: &Request, output: &mut Output<W>) -> anyhow::Result<Exit> {
    match request {
        Request::Run { plan, wanted } => run_plan(plan, wanted, output),
        Request::Prove(request) => prove::run(request, output),
    }
}

/// Carries out a plan, and prints it and its result.
fn run_plan<W: Write>(
    plan: &Plan,
    wanted: &Wanted,
    output: &mut Output<W>,
) -> anyhow::Result<Exit> {
    let stages = plan.stages();
    // Errors in writing the files show now and not after a long run. And what an earlier run left
    // there must not be mistaken for the result of this one.
    if let Some(path) = &wanted.report {
        output::write_file(path, &report::page::unfinished(&plan.command()))?;
    }
    if let Some(path) = &wanted.junit {
        output::write_file(path, &report::junit::unfinished()?)?;
    }
    if !wanted.json {
        output.say(&text::plan(plan, &stages))?;
    }
    let outcome = carry_out(plan, &stages, &wanted.regressions);
    if let Some(path) = &wanted.report {
        output::write_file(path, &report::page::page(&outcome, wanted.planted.as_deref()))?;
    }
    if let Some(path) = &wanted.junit {
        output::write_file(path, &report::junit::junit(&outcome)?)?;
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
        shard: plan.shard_info(),
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
            // The signal that stopped the run may also have ended the program under test.
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
        meter.shrinking();
        outcome.violations.sort_by_key(|violation| violation.cuts);
        let until = Instant::now() + TIME_FOR_EXAMPLES;
        for violation in outcome.violations.iter_mut().take(SHRUNK_EXAMPLES) {
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

#[cfg(test)]
mod tests {
    use outlast_faultsim::part::{Geometry, Level, Part};
    use outlast_faultsim::report::Violation;
    use outlast_faultsim::subject::KeyNames;
    use outlast_faultsim::subject::{Op, Subject, Trouble};
    use outlast_faultsim::subjects::AnySubject;

    use super::outcome::{add_violation, rank};
    use super::schedule::Kind;
    use super::*;

    /// Opens with this result.
    struct Opens(Result<(), &'static str>);

    impl Subject for Opens {
        type Store = ();

        fn name(&self) -> &'static str {
            "opens"
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
        let exit = run_plan(plan, &Wanted::default(), &mut Output::new(&mut text)).unwrap();
        (exit, String::from_utf8(text).unwrap())
    }

    #[test]
    fn failing_without_cuts_ends_the_plan() {
        let plan = plan(&Opens(Err("no crystal")), Kind::Default { depth: None });
        let (exit, text) = run(&plan);
        assert_eq!(exit.code(), 4);
        assert!(text.contains("\nfails-without-cuts: stage 1: "), "{text}");
        assert!(text.contains("no crystal"), "{text}");
        assert!(text.contains("\nstage 3: not started\n"), "{text}");
        assert!(text.lines().last().unwrap().starts_with("torture: fails-without-cuts "), "{text}");
    }

    #[test]
    fn a_violation_outweighs_an_early_end() {
        let (exit, text) = run(&plan(&Opens(Ok(())), Kind::Deep { cuts: 1 }));
        assert_eq!(exit, Exit::Violation, "{text}");
        let order =
            [Verdict::Clean, Verdict::Incomplete, Verdict::BaselineFailed, Verdict::Violation];
        assert!(order.is_sorted_by_key(|&verdict| rank(verdict)));
    }

    #[test]
    fn equal_signatures_are_one_violation() {
        let outcome = carry_out(&plan(&Opens(Ok(())), Kind::Deep { cuts: 1 }), &[], &[]);
        let found = run_deep();
        let mut outcome = Outcome { violations: Vec::new(), ..outcome };
        let more_cuts = Violation { cuts: found.cuts + 1, count: 5, ..found.clone() };
        add_violation(&mut outcome.violations, more_cuts);
        add_violation(&mut outcome.violations, Violation { count: 2, ..found.clone() });
        assert_eq!(outcome.violations.len(), 1);
        assert_eq!((outcome.violations[0].cuts, outcome.violations[0].count), (found.cuts, 7));
    }

    fn run_deep() -> Violation {
        let plan = plan(&Opens(Ok(())), Kind::Deep { cuts: 1 });
        let outcome = carry_out(&plan, &plan.stages(), &[]);
        outcome.violations.into_iter().next().unwrap()
    }
}
