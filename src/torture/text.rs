//! Plans and results as text.

use std::fmt::Display;

use outlast_faultsim::check::collateral_loss::CollateralLoss;
use outlast_faultsim::part::DeviceTime;
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::{Verdict, Violation, WorstCase};

use super::outcome::{Outcome, StageOutcome, Totals};
use super::regressions::Rerun;
use super::schedule::{Plan, Stage, level_in_words};
use super::story::Story;
use crate::words::grouped;

/// Violations told in full; of so many others there is a line and a token.
const TOLD_IN_FULL: usize = 3;
const TOLD_IN_SHORT: usize = 9;
const RULE: &str =
    "--------------------------------------------------------------------------------";

/// What will be done and the command that does it again.
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
    for (number, violation) in (1..).zip(&outcome.violations).take(TOLD_IN_FULL) {
        told_in_full(number, violation, outcome, &mut lines);
    }
    let others = outcome.violations.get(TOLD_IN_FULL..).unwrap_or_default();
    if !outcome.violations.is_empty() {
        lines.add(RULE);
    }
    for (number, violation) in (TOLD_IN_FULL + 1..).zip(others).take(TOLD_IN_SHORT) {
        lines.add(format_args!("violation {number}: {}", headline(violation)));
        lines.add(format_args!("  {}", outcome.replay(&violation.token)));
    }
    let untold = others.len().saturating_sub(TOLD_IN_SHORT);
    if untold > 0 {
        lines.add(format_args!("{untold} more kinds of violation: see --json"));
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

/// Verdict and counts, for `grep`.
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

/// Tokens of mended bugs, which were run first.
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
            Replayed::Diverged => "shows nothing any more, record it anew",
        };
        lines.add(format_args!("  {} {ended}: {}", rerun.name, rerun.sentence));
        lines.add(format_args!("    kept because: {}", rerun.why));
        lines.add(format_args!("    outlast replay {}", rerun.token));
    }
}

fn stage_lines(number: usize, stage: &StageOutcome, lines: &mut Lines) {
    let Some(of_stage) = stage.verdict else {
        lines.add(format_args!("stage {number}: not begun"));
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
            full => format!(", {full} found no room"),
        };
        lines.add(format_args!(
            "  without cuts  {} operations, then {} with {} steps{full}; {} of device time",
            grouped(baseline.prelude_ops),
            grouped(baseline.ops),
            grouped(baseline.steps),
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
        "  images        {} distinct, {} judged in {} power-ups{}",
        grouped(counts.distinct),
        grouped(counts.judged),
        grouped(counts.power_ups),
        by_cuts(&counts.judged_by_cuts)
    ));
    if counts.represented > 0 {
        lines.add(format_args!(
            "  stood for     {} images by one with the same recovery, result and obligations",
            grouped(counts.represented)
        ));
    }
    if !counts.collateral_loss.is_none() {
        lines.add(format_args!("  collateral    {}", harm_line(&counts.collateral_loss)));
    }
    worst(&stage.worst, lines);
}

/// What the stages do not show; what several do not is said once, with their numbers.
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
        lines.add(format_args!("  stage {}: {gap}", numbers.join(", ")));
    }
}

/// What was counted behind collateral damage: how often, and what.
pub(crate) fn harm(harm: &CollateralLoss) -> [(u64, &'static str); 8] {
    [
        (harm.lost, "with a setting lost"),
        (harm.older, "with an older value, and nothing says so"),
        (harm.corrupt, "with one reported as damaged"),
        (harm.elsewhere, "with one of another sector reported as damaged"),
        (harm.names, "with a damaged name in the list"),
        (harm.twice, "with programs over hidden data"),
        (harm.unopened, "refused, with no setting known elsewhere"),
        (harm.apart, "readings from other sectors, all right"),
    ]
}

/// The same in one line.
fn harm_line(counted: &CollateralLoss) -> String {
    let list: Vec<String> =
        harm(counted).iter().map(|(count, what)| format!("{} {what}", grouped(*count))).collect();
    format!("{} images; {}", grouped(counted.images), list.join("; "))
}

fn by_cuts(judged: &[u64]) -> String {
    if judged.len() < 2 {
        return String::new();
    }
    let list: Vec<String> = (1..)
        .zip(judged)
        .map(|(cuts, &count)| format!("{} after {}", grouped(count), cuts_in_words(cuts)))
        .collect();
    format!(": {}", list.join(", "))
}

fn worst(worst: &WorstCase, lines: &mut Lines) {
    lines.add(format_args!(
        "  most work     power-up {}, {} bytes read, {}",
        worst.open,
        grouped(worst.open_read_bytes),
        device_time(&worst.open_time)
    ));
    lines.add(format_args!("                operation {}", worst.op));
}

fn told_in_full(number: usize, violation: &Violation, outcome: &Outcome, lines: &mut Lines) {
    let of = outcome.violations.len();
    lines.add(RULE);
    lines.add(format_args!("violation {number} of {of}: {}", headline(violation)));
    lines.add(format_args!("  {}", violation.sentence));
    story_lines(&violation.operations, &violation.cut_points, lines);
    let size = if violation.shrunk { "shortest found" } else { "as found" };
    lines.add(format_args!("  fails at {}, {size}; replay with:", violation.level));
    lines.add(format_args!("  {}", outcome.replay(&violation.token)));
}

pub(crate) fn headline(violation: &Violation) -> String {
    let images = if violation.count == 1 { "image" } else { "images" };
    format!("{} ({} {images})", violation.signature, grouped(violation.count))
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

fn cuts_in_words(cuts: u64) -> String {
    if cuts == 1 { "1 cut".to_owned() } else { format!("{cuts} cuts") }
}

pub(crate) fn device_time(time: &DeviceTime) -> String {
    let milliseconds = |ns: u64| ns as f64 / 1e6;
    format!(
        "{:.1} ms typical, {:.1} ms at most",
        milliseconds(time.typical_ns),
        milliseconds(time.maximal_ns)
    )
}

/// Text that grows line by line.
#[derive(Debug, Default)]
struct Lines(String);

impl Lines {
    fn add(&mut self, line: impl Display) {
        self.0.push_str(&line.to_string());
        self.0.push('\n');
    }
}
