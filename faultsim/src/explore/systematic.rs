//! The systematic mode: every step of the workload is cut in every class of ways, and so are
//! the recoveries that follow.
//!
//! The workload runs once; the image after a cut is built from its recorded steps. Each cut
//! point is a job of its own, with its own memory of what was seen, so the outcome does not
//! depend on how jobs are spread over threads.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::cache::Cache;
use super::clock::Clock;
use super::context::{Context, Prepared};
use super::cut_point::CutPoint;
use super::example::{Examples, Explored, Kills, PointResult, Stop};
use super::images::keep_distinct;
use super::retell;
use crate::check::coverage::Place;
use crate::config::{Config, Systematic};
use crate::report::{Counts, Report, Verdict, WorstCase};
use crate::subject::Subject;

/// Steps from one stored image to the next.
const CHECKPOINT_STEPS: usize = 16;

/// Carries out a systematic plan.
pub(crate) fn run<S: Subject>(
    config: &Config,
    plan: &Systematic,
    subject: &S,
    clock: &Clock<'_>,
) -> Report {
    let workload = plan.workload.build(&config.geometry);
    let context = Context::new(config, subject, plan, &workload);
    let mut report = Report::begun(config, subject, "systematic", plan.workload.to_string());
    report.not_explored = context.not_explored();
    let prepared = match context.prepare() {
        Ok(prepared) => prepared,
        Err(finding) if clock.excuses(&finding) => {
            report.verdict = Verdict::Incomplete;
            return report;
        }
        Err(finding) => {
            report.reason = finding.sentence;
            return report;
        }
    };
    report.baseline = prepared.baseline.summary.clone();
    report.worst = prepared.baseline.worst;
    let cut_points = 0..=prepared.baseline.trace.steps.len();
    let Explored { mut counts, worst, findings, kills, mut fingerprints } =
        context.explore(&prepared, cut_points.collect(), Stop::of(config), clock, None);
    keep_distinct(&mut fingerprints, usize::MAX);
    counts.distinct = fingerprints.len() as u64;
    report.kills = kills.into_iter().collect();
    report.worst.merge(&worst);
    (report.verdict, report.reason) = counts.outcome(!findings.is_empty(), "cut points");
    clock.explain(&mut report.reason);
    report.counts = counts;
    let mut ordered: Vec<_> = findings.into_iter().collect();
    ordered.sort_by_key(|(_, example)| example.path.cuts.len());
    report.violations = ordered
        .into_iter()
        .map(|(signature, example)| {
            let told = retell::tell(&context, &prepared, &example.path);
            let token = context.token(plan.workload, None, &example, told.digest);
            told.violation(signature, &example, &token)
        })
        .collect();
    report
}

impl<S: Subject> Context<'_, S> {
    /// Explores the cut points given, which must ascend; one after the other if they share a memory.
    pub(crate) fn explore(
        &self,
        prepared: &Prepared,
        cut_points: Vec<usize>,
        stop: Stop<'_>,
        clock: &Clock<'_>,
        cache: Option<&mut Cache>,
    ) -> Explored {
        let steps = &prepared.baseline.trace.steps;
        let planned = cut_points.len() as u64;
        let place = |at: &usize| prepared.baseline.trace.place(*at, false);
        let places: Vec<Place> = cut_points.iter().map(place).collect();
        if clock.counts_points {
            clock.progress.planned.fetch_add(planned, Ordering::Relaxed);
        }
        // The part before every n-th step, so that a job need not start from the beginning.
        let mut image = prepared.baseline.start.clone();
        let mut checkpoints = vec![image.clone()];
        for chunk in steps.chunks_exact(CHECKPOINT_STEPS) {
            chunk.iter().for_each(|step| image.apply(self.geometry, step));
            checkpoints.push(image.clone());
        }
        let before = |at: usize| {
            let mut image = checkpoints[at / CHECKPOINT_STEPS].clone();
            let since = &steps[at / CHECKPOINT_STEPS * CHECKPOINT_STEPS..at];
            since.iter().for_each(|step| image.apply(self.geometry, step));
            image.become_origin();
            image
        };
        // When stopping: the earliest job that has a finding. Later ones are dropped, so that
        // the result does not depend on who was faster.
        let first = AtomicUsize::new(usize::MAX);
        let work = |job: usize, at: usize, cache: &mut Cache| {
            if clock.is_up() || first.load(Ordering::Relaxed) < job {
                return PointResult::default();
            }
            let image = before(at);
            let result = CutPoint::new(self, prepared, &image, stop, clock, cache).run(at, image);
            if stop != Stop::Never && !result.findings.is_empty() {
                first.fetch_min(job, Ordering::Relaxed);
            }
            if clock.counts_points {
                clock.progress.done.fetch_add(1, Ordering::Relaxed);
            }
            result
        };
        let results: Vec<PointResult> = match cache {
            Some(cache) => (0..).zip(cut_points).map(|(job, at)| work(job, at, cache)).collect(),
            None => cut_points
                .into_par_iter()
                .enumerate()
                .map(|(job, at)| work(job, at, &mut Cache::default()))
                .collect(),
        };

        let mut counts = Counts { planned, ..Counts::default() };
        let mut worst = WorstCase::default();
        let mut findings = Examples::new();
        let mut kills = Kills::new();
        let mut fingerprints = Vec::new();
        let last = first.into_inner();
        for (job, (mut result, place)) in results.into_iter().zip(places).enumerate() {
            counts.coverage.point(place, result.finished && job <= last);
            if job > last {
                continue;
            }
            for (parts, images) in result.kills {
                kills.entry(parts).or_insert(counts.judged + images);
            }
            counts.add(&result.counts);
            counts.done += u64::from(result.finished);
            worst.merge(&result.worst);
            fingerprints.append(&mut result.fingerprints);
            for (signature, example) in result.findings {
                match findings.get_mut(&signature) {
                    None => {
                        findings.insert(signature, example);
                    }
                    Some(known) => {
                        let count = known.count + example.count;
                        if example.path.cuts.len() < known.path.cuts.len() {
                            *known = example;
                        }
                        known.count = count;
                    }
                }
            }
        }
        Explored { counts, worst, findings, kills, fingerprints }
    }
}
