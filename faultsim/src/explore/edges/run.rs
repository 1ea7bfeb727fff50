//! Carries out a plan over edges.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use super::list::{Edge, List};
use crate::check::baseline::What;
use crate::check::finding::{Finding, Signature};
use crate::config::{Config, Edges, Systematic};
use crate::explore::cache::Cache;
use crate::explore::clock::Clock;
use crate::explore::context::{Context, FOLLOWED_ONE_IN_THRIFTY};
use crate::explore::example::{Example, Explored, Stop};
use crate::explore::images::Distinct;
use crate::explore::retell;
use crate::explore::sampling::NEW_FOLLOWED_ONE_IN;
use crate::report::{Counts, Report, beyond, left_out};
use crate::subject::{Subject, counted};
use crate::workload::edge::Start;

/// Groups of edges that differ in the last operation, between two merges of their results.
const BATCH: usize = 256;
/// The most distinct images that are counted; their digests take 4 GiB. A digest is half of a
/// fingerprint: the chance that any two of 2^29 images share one is below 1 %.
const MOST_DIGESTS: usize = 1 << 29;
/// Digests that are gathered before they are sorted in, and at least half as many as are sorted
/// already.
const NEW_DIGESTS: usize = 1 << 22;

/// After a first cut, further cuts are made in one of this many kinds of recovery.
const SAMPLE: u32 = 40;

/// The result of one edge.
type Outcome = Result<Explored, Finding>;

/// Carries out a plan over edges.
pub(crate) fn run<S: Subject>(
    config: &Config,
    plan: &Edges,
    subject: &S,
    clock: &Clock<'_>,
) -> Report {
    let sequences = format!("sequences of up to {}", counted(plan.longest.into(), "operation"));
    let mut report = Report::begun(config, subject, "edges", sequences);
    let List { edges: list, unreached } = plan.list(subject, &config.geometry);
    clock.progress.planned.fetch_add(list.len() as u64, Ordering::Relaxed);
    let clock = &clock.of_workloads();
    let mut counts = Counts { planned: list.len() as u64, ..Counts::default() };
    // In the order in which they were met.
    let mut findings: Vec<(Edge, Signature, Example)> = Vec::new();
    let mut digests = Distinct::new(MOST_DIGESTS);
    let groups: Vec<&[Edge]> = list.chunk_by(Edge::differs_last).collect();
    for batch in groups.chunks(BATCH) {
        let explored = batch.par_iter().flat_map_iter(|group| {
            let mut cache = Cache::default();
            let explored =
                |edge: &Edge| (*edge, explore(config, plan, subject, *edge, clock, &mut cache));
            group.iter().map(explored).collect::<Vec<_>>()
        });
        let outcomes: Vec<(Edge, Outcome)> = explored.collect();
        for (edge, outcome) in outcomes {
            let explored = match outcome {
                Ok(explored) => explored,
                Err(finding) if clock.excuses(&finding) => continue,
                Err(finding) => {
                    report.reason = format!("{}: {}", edge.source(), finding.sentence);
                    return report;
                }
            };
            let finished = explored.counts.done == explored.counts.planned;
            counts.add(&explored.counts);
            counts.done += u64::from(finished);
            report.worst.merge(&explored.worst);
            digests.extend(explored.fingerprints.into_iter().map(|fingerprint| fingerprint as u64));
            for (signature, example) in explored.findings {
                match findings.iter_mut().find(|(_, known, _)| *known == signature) {
                    None => findings.push((edge, signature, example)),
                    Some((_, _, known)) => known.count += example.count,
                }
            }
        }
        digests.sort_in(|sorted| NEW_DIGESTS.max(sorted / 2) + 1);
        if clock.is_up() || config.stop_at_first && !findings.is_empty() {
            break;
        }
    }
    let (distinct, is_at_limit) = digests.count();
    counts.distinct = distinct;
    clock.conclude(&mut report, counts, !findings.is_empty(), "sequences");
    report.not_explored = not_explored(config, plan, &unreached);
    if is_at_limit {
        let what = "distinct images were counted up to this number only: run it in shards";
        report.not_explored.push(what.to_owned());
    }
    for (edge, signature, example) in findings {
        let systematic = systematic(plan, edge);
        let workload = systematic.workload.build(&config.geometry);
        let context = Context::new(config, subject, &systematic, &workload);
        // It was prepared before, when it was explored.
        let Ok(prepared) = context.prepare() else { continue };
        let retold = retell::retell(&context, &prepared, &example.path);
        let token = context.token(systematic.workload, (None, None), &example, retold.digest);
        report.violations.push(retold.violation(signature, &example, &token));
    }
    report.violations.sort_by_key(|violation| violation.cuts);
    report
}

/// Cuts the last operation of an edge at every step, and what follows. `cache` is shared by edges
/// that differ only in the last operation.
fn explore<S: Subject>(
    config: &Config,
    plan: &Edges,
    subject: &S,
    edge: Edge,
    clock: &Clock<'_>,
    cache: &mut Cache,
) -> Outcome {
    let systematic = systematic(plan, edge);
    let workload = systematic.workload.build(&config.geometry);
    let context = Context::new(config, subject, &systematic, &workload);
    let prepared = context.prepare()?;
    let trace = &prepared.baseline.trace;
    let last = edge.ops.as_slice().len().checked_sub(1);
    let of_last = |what| match (what, last) {
        (What::Op(index, _), Some(last)) => index == last,
        (What::Recovery, None) => true,
        _ => false,
    };
    let first = trace.segments.iter().find(|segment| of_last(segment.what));
    // An operation that writes nothing can only be cut before or after it, and other edges have
    // those cuts too.
    let cut_points =
        first.map_or_else(Vec::new, |first| (first.first..=trace.steps.len()).collect());
    let mut explored = context.explore(&prepared, cut_points, Stop::of(config), clock, Some(cache));
    explored.worst.merge(&prepared.baseline.worst);
    clock.progress.done.fetch_add(1, Ordering::Relaxed);
    Ok(explored)
}

fn systematic(plan: &Edges, edge: Edge) -> Systematic {
    let Edges { depth, .. } = *plan;
    let workload = edge.source();
    Systematic { workload, depth, sample: SAMPLE, thrifty: true, ..Systematic::default() }
}

fn not_explored(config: &Config, plan: &Edges, unreached: &[Start]) -> Vec<String> {
    let mut list = vec![
        format!("sequences of more than {}", counted(plan.longest.into(), "operation")),
        format!("histories with more than {}", counted(plan.depth.into(), "cut")),
        format!(
            "most cuts after the first one: they are made in 1 of {SAMPLE} kinds of recovery, with \
             some tears of each step"
        ),
        "more than one way per image in which marginal bits read".to_owned(),
        format!(
            "writing after most recoveries: it is tried on 1 in {FOLLOWED_ONE_IN_THRIFTY} images, \
             and on 1 in {NEW_FOLLOWED_ONE_IN} of those with a new kind of recovery"
        ),
        beyond(config.level).to_owned(),
    ];
    list.extend(left_out(None));
    if !unreached.is_empty() {
        let names: Vec<&str> = unreached.iter().map(|start| start.name()).collect();
        list.push(format!(
            "start states that the code could not be brought into: {}",
            names.join(", ")
        ));
    }
    if plan.shard.of() > 1 {
        list.push(format!("all but shard {} of the sequences", plan.shard));
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Mode, Shard};
    use crate::explore::clock::Progress;
    use crate::history::token::Token;
    use crate::part::{Geometry, Level};
    use crate::replay::replay;
    use crate::report::Outcome as Replayed;
    use crate::report::Verdict;
    use crate::subjects::naive::Naive;
    use crate::subjects::outlast::Outlast;

    fn config(longest: u8, shard: u32, level: Level) -> Config {
        let shard = Shard::new(shard, shard).unwrap();
        let mode = Mode::Edges(Edges { longest, depth: 3, shard });
        let geometry = Geometry::new(4, 512, 1, 64).unwrap();
        Config { mode, shrink: None, ..Config::systematic(geometry, level) }
    }

    #[test]
    fn the_store_is_clean_and_a_second_run_is_the_same() {
        let config = config(2, 900, Level::F4);
        let progress = Progress::default();
        let report = crate::run::run(&config, &Outlast, &progress);
        assert_eq!((report.verdict, report.reason.as_str()), (Verdict::Clean, ""));
        assert!(report.counts.distinct > 5_000, "{:?}", report.counts);
        assert!(report.counts.judged_by_cuts.iter().all(|count| *count > 0), "{:?}", report.counts);
        assert_eq!(progress.done.into_inner(), report.counts.planned);
        assert_eq!(crate::run::run(&config, &Outlast, &Progress::default()), report);
    }

    /// This holds for a store in which something is wrong, too.
    #[test]
    fn what_was_shown_before_changes_no_verdict() {
        fn explored<S: Subject>(subject: &S, level: Level) {
            let config = config(2, 300, level);
            let Mode::Edges(plan) = config.mode else { panic!() };
            let progress = Progress::default();
            let clock = Clock::new(None, &progress);
            let list = plan.list(subject, &config.geometry).edges;
            let (mut shared, mut spared) = (0, 0);
            for group in list.chunk_by(Edge::differs_last) {
                shared += usize::from(group.len() > 1);
                let mut cache = Cache::default();
                for edge in group {
                    let explored =
                        |cache| explore(&config, &plan, subject, *edge, &clock, cache).unwrap();
                    let mut together = explored(&mut cache);
                    let apart = explored(&mut Cache::default());
                    spared += apart.counts.power_ups - together.counts.power_ups;
                    together.counts.power_ups = apart.counts.power_ups;
                    // Counted in the power-ups that were carried out.
                    assert!(together.counts.repeated_zeros <= apart.counts.repeated_zeros);
                    together.counts.repeated_zeros = apart.counts.repeated_zeros;
                    assert_eq!(together.counts, apart.counts);
                    assert_eq!(together.fingerprints, apart.fingerprints);
                    let findings = |explored: &Explored| format!("{:?}", explored.findings);
                    assert_eq!(findings(&together), findings(&apart));
                }
            }
            assert!(shared > 1 && spared > 1_000, "{shared} {spared}");
        }
        explored(&Outlast, Level::F4);
        explored(&Naive, Level::F2);
    }

    #[test]
    fn what_a_sector_rewrite_loses_is_found_and_replayed() {
        let report = crate::run::run(&config(1, 1, Level::F1), &Naive, &Progress::default());
        assert_eq!(report.verdict, Verdict::Violation, "{}", report.reason);
        for violation in &report.violations {
            let token: Token = violation.token.parse().unwrap();
            assert_eq!(replay(&token, &Naive).outcome, Replayed::Reproduced, "{violation:?}");
        }
    }
}
