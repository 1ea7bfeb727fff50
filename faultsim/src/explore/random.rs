//! Random lives: long ones, with hundreds of power cuts, each anywhere - in an operation, in the
//! recovery from the cut before, in the recovery from that - so that cuts nest without limit and
//! damage can add up.
//!
//! A life is fixed by seed and run number: what is drawn for a power-up never depends on what
//! became of earlier ones, so parts of a life can be left out and the rest stays the same.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::clock::Clock;
use super::images::{Distinct, Fingerprint};
use super::random_life::RandomLife;
use crate::check::finding::{Finding, Signature};
use crate::config::{Config, RandomLives};
use crate::history::power_cycle::{LifeChoices, PowerCycle, PowerCycles};
use crate::history::token::{Origin, Token};
use crate::part::{Geometry, Level};
use crate::report::{Counts, Outcome, Replay, Report, Violation, WorstCase, beyond, left_out};
use crate::subject::{KeyNames, Subject, counted};
use crate::workload::mix::longest_value;

/// Lives carried out between two merges of their results.
const BATCH: u64 = 512;
/// The most distinct images that are counted; their digests take 2 GiB.
const MOST_FINGERPRINTS: usize = 1 << 27;
/// Digests that are gathered before they are sorted in: as many as are sorted already, within these
/// limits.
const NEW_FINGERPRINTS: Range<usize> = 1 << 16..1 << 22;
/// Most lines in a report about a life that was not shrunk.
const LINES: usize = 40;

#[derive(Debug, Default)]
struct LifeResult {
    counts: Counts,
    worst: WorstCase,
    fingerprints: Vec<Fingerprint>,
    finished: bool,
    found: Option<(Signature, Finding, u32)>,
}

#[derive(Debug)]
struct LifeExample {
    count: u64,
    run: u64,
    power_ups: u32,
    finding: Finding,
}

/// Carries out a plan of random lives.
pub(crate) fn run<S: Subject>(
    config: &Config,
    plan: &RandomLives,
    subject: &S,
    clock: &Clock<'_>,
) -> Report {
    clock.progress.planned.fetch_add(plan.runs, Ordering::Relaxed);
    let mut counts = Counts { planned: plan.runs, ..Counts::default() };
    let mut worst = WorstCase::default();
    let mut fingerprints = Distinct::new(MOST_FINGERPRINTS);
    let mut findings: BTreeMap<Signature, LifeExample> = BTreeMap::new();
    let first = AtomicU64::new(u64::MAX);
    let mut start = 0;
    while start < plan.runs {
        let end = plan.runs.min(start + BATCH);
        let results: Vec<LifeResult> = (start..end)
            .into_par_iter()
            .map(|run| {
                if clock.is_up() || first.load(Ordering::Relaxed) < run {
                    return LifeResult::default();
                }
                let result = one_life(config, plan, subject, run, clock);
                if config.stop_at_first && result.found.is_some() {
                    first.fetch_min(run, Ordering::Relaxed);
                }
                result
            })
            .collect();
        for (run, result) in (start..end).zip(results) {
            if run > first.load(Ordering::Relaxed) {
                break;
            }
            counts.add(&result.counts);
            counts.done += u64::from(result.finished);
            worst.merge(&result.worst);
            fingerprints.extend(result.fingerprints);
            if let Some((signature, finding, power_ups)) = result.found {
                let found = LifeExample { count: 0, run, power_ups, finding };
                let known = findings.entry(signature).or_insert(found);
                known.count += 1;
            }
        }
        // Not after every batch: in long runs most digests would be sorted again and again.
        fingerprints.sort_in(|sorted| sorted.clamp(NEW_FINGERPRINTS.start, NEW_FINGERPRINTS.end));
        start = end;
        if first.load(Ordering::Relaxed) < u64::MAX || clock.is_up() {
            break;
        }
    }
    let mut report = Report::begun(
        config,
        subject,
        "deep",
        format!("random lives of {} power-ups", plan.power_ups),
    );
    let (distinct, is_at_limit) = fingerprints.count();
    counts.distinct = distinct;
    clock.conclude(&mut report, counts, !findings.is_empty(), "lives");
    report.worst = worst;
    report.not_explored =
        vec!["lives other than those drawn: random lives prove nothing about others".to_owned()];
    report.not_explored.extend(left_out(Some(longest_value(&config.geometry))));
    report.not_explored.push(beyond(config.level).to_owned());
    if is_at_limit {
        let what = "distinct images were counted up to this number only";
        report.not_explored.push(what.to_owned());
    }
    let mut ordered: Vec<_> = findings.into_iter().collect();
    ordered.sort_by_key(|(_, example)| (example.power_ups, example.run));
    report.violations = ordered
        .into_iter()
        .map(|(signature, example)| violation(config, plan, subject, signature, &example))
        .collect();
    report
}

fn one_life<S: Subject>(
    config: &Config,
    plan: &RandomLives,
    subject: &S,
    run: u64,
    clock: &Clock<'_>,
) -> LifeResult {
    let mut cycles = PowerCycles::new(
        config.seed,
        run,
        (&config.geometry, config.level),
        subject.has_counters(),
    );
    let keys = cycles.keys();
    let mut life = RandomLife::new(subject, &config.geometry, config.level, &keys);
    let mut result = LifeResult { finished: true, ..LifeResult::default() };
    life.spare_after(plan.recoveries_cut_in_a_row);
    for _ in 0..plan.power_ups {
        if clock.is_up() {
            result.finished = false;
            break;
        }
        let cycle = cycles.draw();
        if let Err(finding) = life.run_cycle(&cycle) {
            if clock.excuses(&finding) {
                result.finished = false;
                break;
            }
            clock.progress.violating.fetch_add(1, Ordering::Relaxed);
            result.counts.violating = 1;
            let signature = life.signature(&finding);
            // The life ends here anyway; too many timeouts end the run.
            let _ = clock.goes_on(&finding, &signature);
            result.found = Some((signature, finding, cycle.number + 1));
            break;
        }
        if life.ended {
            break;
        }
    }
    let progress = clock.progress;
    progress.done.fetch_add(1, Ordering::Relaxed);
    progress.cuts.fetch_add(life.cuts, Ordering::Relaxed);
    progress.judged.fetch_add(life.judged, Ordering::Relaxed);
    progress.distinct.fetch_add(life.fingerprints.len() as u64, Ordering::Relaxed);
    let counts = &mut result.counts;
    counts.cuts = life.cuts;
    counts.judged = life.judged;
    counts.judged_by_cuts = vec![life.judged];
    counts.power_ups = life.power_ups;
    counts.collateral_loss = life.collateral_loss;
    counts.repeated_zeros = life.repeated_zeros();
    (counts.failed_calls, counts.stayed_down) = life.failed();
    counts.coverage = std::mem::take(&mut life.coverage);
    result.worst = life.worst();
    result.fingerprints = life.fingerprints;
    result
}

fn violation<S: Subject>(
    config: &Config,
    plan: &RandomLives,
    subject: &S,
    signature: Signature,
    found: &LifeExample,
) -> Violation {
    let token = Token {
        subject: subject.name().to_owned(),
        geometry: config.geometry,
        level: config.level,
        seed: config.seed,
        breach: found.finding.breach,
        origin: Origin::Random(LifeChoices {
            run: found.run,
            power_ups: found.power_ups,
            in_a_row: plan.recoveries_cut_in_a_row,
            kept: None,
        }),
    };
    let replayed = match &token.origin {
        Origin::Random(choices) => replay(&token, choices, subject),
        Origin::Systematic { .. } => unreachable!(),
    };
    Violation {
        signature,
        count: found.count,
        sentence: found.finding.sentence.clone(),
        cuts: found.power_ups - 1,
        level: config.level,
        operations: replayed.operations,
        cut_points: replayed.cut_points,
        scenes: replayed.scenes,
        token: token.to_string(),
        shrunk: false,
    }
}

/// Runs a life, or what is kept of it, again.
pub(crate) fn replay<S: Subject>(token: &Token, choices: &LifeChoices, subject: &S) -> Replay {
    let cycles = PowerCycles::new(
        token.seed,
        choices.run,
        (&token.geometry, token.level),
        subject.has_counters(),
    );
    let keys = cycles.keys();
    let cycles = cycles.list(choices.power_ups, choices.kept.as_deref());
    let mut life = RandomLife::new(subject, &token.geometry, token.level, &keys);
    life.spare_after(choices.in_a_row);
    life.describe_all();
    let finding = live(&mut life, &cycles);
    if let Some(finding) = &finding {
        life.describe_end(finding);
    }
    let (outcome, sentence) = match finding {
        Some(finding) if finding.breach == token.breach => (Outcome::Reproduced, finding.sentence),
        Some(finding) => (Outcome::Diverged, finding.sentence),
        None => (Outcome::PassesNow, String::new()),
    };
    let shorten = |mut lines: Vec<String>| {
        if lines.len() > LINES {
            let gone = lines.len() - LINES;
            lines.drain(..gone);
            lines.insert(0, format!("({})", counted(gone as u64, "earlier line")));
        }
        lines
    };
    Replay {
        outcome,
        sentence,
        operations: shorten(life.operation_lines),
        cut_points: shorten(life.cut_lines),
        scenes: life.scenes,
    }
}

/// Runs power-ups until one has a finding.
pub(crate) fn live<S: Subject>(
    life: &mut RandomLife<'_, S>,
    cycles: &[PowerCycle],
) -> Option<Finding> {
    cycles.iter().find_map(|cycle| life.run_cycle(cycle).err())
}

/// How these power-ups fail, if they do.
pub(crate) fn fails<S: Subject>(
    subject: &S,
    geometry: &Geometry,
    level: Level,
    keys: &KeyNames,
    in_a_row: u32,
    cycles: &[PowerCycle],
) -> Option<Signature> {
    let mut life = RandomLife::new(subject, geometry, level, keys);
    life.spare_after(in_a_row);
    let finding = live(&mut life, cycles)?;
    Some(life.signature(&finding))
}
