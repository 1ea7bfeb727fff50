//! Plans, results and replays as text.

use std::fmt::Display;

use outlast_faultsim::check::collateral_loss::CollateralLoss;
use outlast_faultsim::part::DeviceTime;
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::{Counts, Verdict, Violation, WorstCase};

use super::outcome::{Outcome, StageOutcome, Totals};
use super::regressions::Rerun;
use super::schedule::{Plan, Stage, level_in_words};
use super::story::Story;
use crate::words::{counted, grouped};

/// How many violations are printed in full, and how many of the others as a line and a token.
const IN_FULL: usize = 3;
const IN_SHORT: usize = 9;
const RULE: &str =
    "--------------------------------------------------------------------------------";

/// The plan, and the command that repeats it.
pub(crate) fn plan(plan: &Plan, stages: &[Stage]) -> String {
    let mut lines = Lines::default();
    lines.add(format_args!("outlast {}", env!("CARGO_PKG_VERSION")));
    lines.add(format_args!("  subject  {}", plan.subject.name()));
    lines.add(format_args!("  part     {}", plan.geometry));
    lines.add(format_args!("  level    {}: {}", plan.level, level_in_words(plan.level)));
    lines.add(format_args!("  seed     {}", plan.seed));
    if let Some(budget) = plan.budget {
        lines.add(format_args!("  budget   {} s", budget.as_secs()));
    }
    for (number, stage) in (1..).zip(stages) {
        let label = if number == 1 { "plan" } else { "" };
        lines.add(format_args!("  {label:<8} {number}. {}", stage.description()));
    }
    lines.add(format_args!("  repeat   {}", plan.command()));
    lines.add("");
    lines.0
}

/// The result of a torture run; the last line is made for `grep`.
pub(crate) fn outcome(outcome: &Outcome) -> String {
    let mut lines = Lines::default();
    rerun_lines(&outcome.regressions, &mut lines);
    for (number, stage) in (1..).zip(&outcome.stages) {
        stage_lines(number, stage, &mut lines);
    }
    not_explored(&outcome.stages, &mut lines);
    for (number, violation) in (1..).zip(&outcome.violations).take(IN_FULL) {
        in_full(number, violation, outcome, &mut lines);
    }
    let others = outcome.violations.get(IN_FULL..).unwrap_or_default();
    if !outcome.violations.is_empty() {
        lines.add(RULE);
    }
    for (number, violation) in (IN_FULL + 1..).zip(others).take(IN_SHORT) {
        lines.add(format_args!("violation {number}: {}", headline(violation)));
        lines.add(format_args!("  {}", outcome.replay(&violation.token)));
    }
    let left = others.len().saturating_sub(IN_SHORT);
    if left > 0 {
        lines.add(format_args!("and {}: see --json", counted(left, "more kind of violation")));
    }
    if !outcome.reason.is_empty() {
        lines.add(format_args!("{}: {}", verdict(outcome.verdict), outcome.reason));
    }
    let totals = &outcome.totals;
    if !totals.harm.is_none() {
        lines.add(format_args!("collateral damage: {}", harm_line(&totals.harm)));
    }
    lines.add(format_args!("repeat with: {}", outcome.repeat));
    lines.add(format_args!(
        "torture: {}",
        last_line(
            outcome.verdict,
            totals,
            outcome.violations.len(),
            outcome.identity.seed,
            outcome.seconds
        )
    ));
    lines.0
}

/// The verdict and the counts, for `grep`.
pub(crate) fn last_line(
    of_all: Verdict,
    totals: &Totals,
    signatures: usize,
    seed: u64,
    seconds: f64,
) -> String {
    format!(
        "{} distinct={} judged={} cuts={} power-ups={} violating={} signatures={signatures} \
         seed={seed} seconds={seconds:.1}",
        verdict(of_all),
        totals.distinct,
        totals.judged,
        totals.cuts,
        totals.power_ups,
        totals.violating,
    )
}

/// Regression tokens, which were replayed first.
fn rerun_lines(reruns: &[Rerun], lines: &mut Lines) {
    if reruns.is_empty() {
        return;
    }
    let count = |outcome| reruns.iter().filter(|rerun| rerun.outcome == outcome).count();
    lines.add(format_args!(
        "regressions: {} pass, {} reproduced, {} diverged",
        count(Replayed::PassesNow),
        count(Replayed::Reproduced),
        count(Replayed::Diverged)
    ));
    for rerun in reruns {
        let ended = match rerun.outcome {
            Replayed::PassesNow => continue,
            Replayed::Reproduced => "is back",
            Replayed::Diverged => "no longer shows anything; record it again",
        };
        lines.add(format_args!("  {} {ended}: {}", rerun.name, rerun.sentence));
        lines.add(format_args!("    kept because: {}", rerun.why));
        lines.add(format_args!("    outlast replay {}", rerun.token));
    }
}

fn stage_lines(number: usize, stage: &StageOutcome, lines: &mut Lines) {
    let Some(of_stage) = stage.verdict else {
        lines.add(format_args!("stage {number}: not started"));
        return;
    };
    let counts = &stage.counts;
    lines.add(format_args!(
        "stage {number}: {}, {} of {} {}, {:.1} s",
        verdict(of_stage),
        grouped(counts.done),
        grouped(counts.planned),
        stage.counted,
        stage.seconds
    ));
    let baseline = &stage.baseline;
    if baseline.ops > 0 {
        let full = match baseline.full {
            0 => String::new(),
            full => format!(", {full} of them found the store full"),
        };
        lines.add(format_args!(
            "  without cuts  {}, then {} with {}{full}; device time {}",
            counted(baseline.prelude_ops, "operation"),
            grouped(baseline.ops),
            counted(baseline.steps, "step"),
            device_time(&baseline.device_time)
        ));
        if !baseline.refused.is_empty() {
            let list: Vec<String> =
                baseline.refused.iter().map(|(kind, count)| format!("{count} x {kind}")).collect();
            lines.add(format_args!("  refused       {}", list.join(", ")));
        }
    }
    if counts.cuts == 0 {
        return;
    }
    lines.add(format_args!(
        "  images        {} distinct, {} judged in {}{}",
        grouped(counts.distinct),
        grouped(counts.judged),
        counted(counts.power_ups, "power-up"),
        by_cuts(&counts.judged_by_cuts)
    ));
    if counts.represented > 0 {
        lines.add(format_args!(
            "  skipped       {} equivalent to one already judged",
            counted(counts.represented, "image")
        ));
    }
    if !counts.collateral_loss.is_none() {
        lines.add(format_args!("  collateral    {}", harm_line(&counts.collateral_loss)));
    }
    worst(&stage.worst, lines);
    if let Some(programs) = programs(&stage.worst, counts) {
        lines.add(format_args!("  programs      {programs}"));
    }
}

/// How often units were programmed, if that was counted.
pub(crate) fn programs(worst: &WorstCase, counts: &Counts) -> Option<String> {
    let most = u64::from(worst.most_programs);
    let repeated = match counts.repeated_zeros {
        0 => String::new(),
        count => format!("; zeros over a unit that read blank repeated {}", counted(count, "time")),
    };
    let most = (most > 0).then(|| counted(most, "program"))?;
    Some(format!("at most {most} of one unit between two erases{repeated}"))
}

/// What the stages do not cover. What several leave out is listed once, with their numbers.
pub(crate) fn gaps(stages: &[StageOutcome]) -> Vec<(&str, Vec<String>)> {
    let mut gaps: Vec<(&str, Vec<String>)> = Vec::new();
    for (number, stage) in (1..).zip(stages) {
        for gap in &stage.not_explored {
            let number = u32::to_string(&number);
            match gaps.iter_mut().find(|(known, _)| known == gap) {
                Some((_, numbers)) => numbers.push(number),
                None => gaps.push((gap, vec![number])),
            }
        }
    }
    gaps
}

fn not_explored(stages: &[StageOutcome], lines: &mut Lines) {
    let gaps = gaps(stages);
    if !gaps.is_empty() {
        lines.add("not explored:");
    }
    for (gap, numbers) in gaps {
        let stages = if numbers.len() == 1 { "stage" } else { "stages" };
        lines.add(format_args!("  {stages} {}: {gap}", numbers.join(", ")));
    }
}

/// What was counted after collateral damage: how often, and what.
pub(crate) fn harm(harm: &CollateralLoss) -> [(u64, &'static str); 8] {
    [
        (harm.lost, "lost a setting"),
        (harm.older, "returned an older value without an error"),
        (harm.corrupt, "reported a setting as damaged"),
        (harm.elsewhere, "reported a setting of another sector as damaged"),
        (harm.names, "listed a damaged name"),
        (harm.twice, "programmed over hidden data"),
        (harm.unopened, "failed to open, with no setting in another sector"),
        (harm.apart, "correct readings from other sectors"),
    ]
}

/// The counts of collateral damage in one line.
fn harm_line(damage: &CollateralLoss) -> String {
    let list: Vec<String> =
        harm(damage).iter().map(|(count, what)| format!("{} {what}", grouped(*count))).collect();
    format!("{}; {}", counted(damage.images, "image"), list.join("; "))
}

fn by_cuts(judged: &[u64]) -> String {
    if judged.len() < 2 {
        return String::new();
    }
    let list: Vec<String> = (1..)
        .zip(judged)
        .map(|(cuts, &count)| format!("{} after {}", grouped(count), counted(cuts, "cut")))
        .collect();
    format!(": {}", list.join(", "))
}

fn worst(worst: &WorstCase, lines: &mut Lines) {
    lines.add(format_args!(
        "  worst case    power-up {}, {} read, {}",
        worst.open,
        counted(worst.open_read_bytes, "byte"),
        device_time(&worst.open_time)
    ));
    lines.add(format_args!("                operation {}", worst.op));
}

fn in_full(number: usize, violation: &Violation, outcome: &Outcome, lines: &mut Lines) {
    let of = outcome.violations.len();
    lines.add(RULE);
    lines.add(format_args!("violation {number} of {of}: {}", headline(violation)));
    lines.add(format_args!("  {}", violation.sentence));
    story_lines(&violation.operations, &violation.cut_points, lines);
    let size = if violation.shrunk { "shortest history found" } else { "not shrunk" };
    lines.add(format_args!("  fails at {}, {size}; replay with:", violation.level));
    lines.add(format_args!("  {}", outcome.replay(&violation.token)));
}

pub(crate) fn headline(violation: &Violation) -> String {
    format!("{} ({})", violation.signature, counted(violation.count, "image"))
}

fn story_lines(operations: &[String], cut_points: &[String], lines: &mut Lines) {
    for (title, list) in [("operations:", operations), ("power:", cut_points)] {
        if !list.is_empty() {
            lines.add(format_args!("  {title}"));
        }
        for line in list {
            lines.add(format_args!("    {line}"));
        }
    }
}

/// The result of a replay; the last line is made for `grep`.
pub(crate) fn story(story: &Story) -> String {
    let mut lines = Lines::default();
    let identity = &story.identity;
    lines.add(format_args!(
        "{} on {}, level {}, seed {}",
        identity.subject, identity.geometry, identity.level, identity.seed
    ));
    lines.add(format_args!("recorded: {}", story.breach.headline()));
    story_lines(&story.operations, &story.cut_points, &mut lines);
    lines.add(match story.outcome {
        Replayed::Reproduced => format!("replay: reproduced: {}", story.sentence),
        Replayed::PassesNow => {
            "replay: passes now: same operations, same cuts, and nothing is wrong".to_owned()
        }
        Replayed::Diverged => format!("replay: diverged: {}", story.sentence),
    });
    lines.0
}

pub(crate) const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Clean => "clean",
        Verdict::Violation => "violation",
        Verdict::Incomplete => "incomplete",
        Verdict::BaselineFailed => "fails-without-cuts",
    }
}

pub(crate) fn device_time(time: &DeviceTime) -> String {
    let milliseconds = |ns: u64| ns as f64 / 1e6;
    format!(
        "{:.1} ms typical, {:.1} ms maximum",
        milliseconds(time.typical_ns),
        milliseconds(time.maximal_ns)
    )
}

/// Text that is built line by line.
#[derive(Debug, Default)]
struct Lines(String);

impl Lines {
    fn add(&mut self, line: impl Display) {
        self.0.push_str(&line.to_string());
        self.0.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn programs_of_a_unit_are_shown_if_they_were_counted() {
        let (mut worst, mut counts) = (WorstCase::default(), Counts::default());
        assert_eq!(programs(&worst, &counts), None);
        worst.most_programs = 1;
        let once = programs(&worst, &counts).unwrap();
        assert_eq!(once, "at most 1 program of one unit between two erases");
        worst.most_programs = 3;
        counts.repeated_zeros = 1200;
        let repeated = programs(&worst, &counts).unwrap();
        assert!(repeated.ends_with("; zeros over a unit that read blank repeated 1,200 times"));
    }
}
