//! The systematic mode: every step of the workload is cut in every class of ways, and so are
//! the recoveries that follow.
//!
//! The workload runs once; the image after a cut is built from its recorded steps. Each cut
//! point is a job of its own, with its own memory of what was seen, so the outcome does not
//! depend on how jobs are spread over threads.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::cache::Memory;
use super::clock::Clock;
use super::context::{Prepared, Setting};
use super::cut_point::Job;
use super::example::{Explored, Findings, Kills, Stop, Yield};
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
    let setting = Setting::new(config, subject, plan, &workload);
    let mut report = Report::begun(config, subject, "systematic", plan.workload.to_string());
    report.not_explored = setting.not_explored();
    let prepared = match setting.prepare() {
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
    report.baseline = prepared.baseline.facts.clone();
    report.worst = prepared.baseline.worst;
    let cut_points = 0..=prepared.baseline.trace.steps.len();
    let Explored { mut counts, worst, findings, kills, mut fingerprints } =
        setting.explore(&prepared, cut_points.collect(), Stop::of(config), clock, None);
    keep_distinct(&mut fingerprints, usize::MAX);
    counts.distinct = fingerprints.len() as u64;
    report.kills = kills.into_iter().collect();
    report.worst.merge(&worst);
    (report.verdict, report.reason) = counts.outcome(!findings.is_empty(), "cut points");
    clock.explain(&mut report.reason);
    report.counts = counts;
    let mut ordered: Vec<_> = findings.into_iter().collect();
    ordered.sort_by_key(|(_, found)| found.path.cuts.len());
    report.violations = ordered
        .into_iter()
        .map(|(signature, found)| {
            let told = retell::tell(&setting, &prepared, &found.path);
            let token = setting.token(plan.workload, None, &found, told.digest);
            told.violation(signature, &found, &token)
        })
        .collect();
    report
}

impl<S: Subject> Setting<'_, S> {
    /// Explores the cut points given, which must ascend; one after the other if they share a memory.
    pub(crate) fn explore(
        &self,
        prepared: &Prepared,
        cut_points: Vec<usize>,
        stop: Stop<'_>,
        clock: &Clock<'_>,
        memory: Option<&mut Memory>,
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
        let work = |job: usize, at: usize, memory: &mut Memory| {
            if clock.is_up() || first.load(Ordering::Relaxed) < job {
                return Yield::default();
            }
            let image = before(at);
            let yielded = Job::new(self, prepared, &image, stop, clock, memory).run(at, image);
            if stop != Stop::Never && !yielded.findings.is_empty() {
                first.fetch_min(job, Ordering::Relaxed);
            }
            if clock.counts_points {
                clock.progress.done.fetch_add(1, Ordering::Relaxed);
            }
            yielded
        };
        let yields: Vec<Yield> = match memory {
            Some(memory) => (0..).zip(cut_points).map(|(job, at)| work(job, at, memory)).collect(),
            None => cut_points
                .into_par_iter()
                .enumerate()
                .map(|(job, at)| work(job, at, &mut Memory::default()))
                .collect(),
        };

        let mut counts = Counts { planned, ..Counts::default() };
        let mut worst = WorstCase::default();
        let mut findings = Findings::new();
        let mut kills = Kills::new();
        let mut fingerprints = Vec::new();
        let last = first.into_inner();
        for (job, (mut yielded, place)) in yields.into_iter().zip(places).enumerate() {
            counts.coverage.point(place, yielded.finished && job <= last);
            if job > last {
                continue;
            }
            for (parts, images) in yielded.kills {
                kills.entry(parts).or_insert(counts.judged + images);
            }
            counts.add(&yielded.counts);
            counts.done += u64::from(yielded.finished);
            worst.merge(&yielded.worst);
            fingerprints.append(&mut yielded.fingerprints);
            for (signature, found) in yielded.findings {
                match findings.get_mut(&signature) {
                    None => {
                        findings.insert(signature, found);
                    }
                    Some(known) => {
                        let count = known.count + found.count;
                        if found.path.cuts.len() < known.path.cuts.len() {
                            *known = found;
                        }
                        known.count = count;
                    }
                }
            }
        }
        Explored { counts, worst, findings, kills, fingerprints }
    }
}
