//! The systematic mode: every step of the workload is torn by every class of faults, and so are the
//! steps of the recoveries that follow.
//!
//! The workload runs once; the image after a cut is built from its recorded steps. Each cut point
//! remembers separately what it has seen, so the outcome does not depend on how cut points are
//! spread over threads.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::cache::Cache;
use super::clock::Clock;
use super::context::{Context, Prepared};
use super::cut_point::CutPoint;
use super::example::{Explored, PointResult, Stop};
use super::images::Distinct;
use super::retell;
use crate::check::coverage::Place;
use crate::config::{Config, Systematic};
use crate::part::{Geometry, Image, Step};
use crate::report::Report;
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
    let (mut report, prepared) = context.begin(config, "systematic", clock);
    let Some(prepared) = prepared else { return report };
    let cut_points = 0..=prepared.baseline.trace.steps.len();
    let Explored { mut counts, worst, findings, kills, fingerprints } =
        context.explore(&prepared, cut_points.collect(), Stop::of(config), clock, None);
    let mut distinct = Distinct::new(usize::MAX);
    distinct.extend(fingerprints);
    (counts.distinct, _) = distinct.count();
    report.kills = kills.into_iter().collect();
    report.worst.merge(&worst);
    clock.conclude(&mut report, counts, !findings.is_empty(), "cut points");
    let mut ordered: Vec<_> = findings.into_iter().collect();
    ordered.sort_by_key(|(_, example)| example.path.cuts.len());
    report.violations = ordered
        .into_iter()
        .map(|(signature, example)| {
            let retold = retell::retell(&context, &prepared, &example.path);
            let token = context.token(plan.workload, (None, None), &example, retold.digest);
            retold.violation(signature, &example, &token)
        })
        .collect();
    report
}

/// The part as it is before each step of the baseline. Every n-th image is kept, so that no cut
/// point has to start from the beginning.
struct Checkpoints<'run> {
    geometry: &'run Geometry,
    steps: &'run [Step],
    images: Vec<Image>,
}

impl<'run> Checkpoints<'run> {
    fn new(geometry: &'run Geometry, start: &Image, steps: &'run [Step]) -> Self {
        let mut image = start.clone();
        let mut images = vec![image.clone()];
        for chunk in steps.chunks_exact(CHECKPOINT_STEPS) {
            chunk.iter().for_each(|step| image.apply(geometry, step));
            images.push(image.clone());
        }
        Self { geometry, steps, images }
    }

    fn before(&self, at: usize) -> Image {
        let mut image = self.images[at / CHECKPOINT_STEPS].clone();
        let since = &self.steps[at / CHECKPOINT_STEPS * CHECKPOINT_STEPS..at];
        since.iter().for_each(|step| image.apply(self.geometry, step));
        image.become_origin();
        image
    }
}

impl<S: Subject> Context<'_, S> {
    /// Explores the cut points given, which must ascend; one after the other if they share a cache.
    pub(crate) fn explore(
        &self,
        prepared: &Prepared,
        cut_points: Vec<usize>,
        stop: Stop<'_>,
        clock: &Clock<'_>,
        cache: Option<&mut Cache>,
    ) -> Explored {
        let trace = &prepared.baseline.trace;
        let planned = cut_points.len() as u64;
        let places: Vec<Place> = cut_points.iter().map(|at| trace.place(*at, false)).collect();
        if clock.counts_points {
            clock.progress.planned.fetch_add(planned, Ordering::Relaxed);
        }
        let checkpoints = Checkpoints::new(self.geometry, &prepared.baseline.start, &trace.steps);
        // When stopping: the earliest cut point that has a finding. Later ones are dropped, so that
        // the result does not depend on who was faster.
        let first = AtomicUsize::new(usize::MAX);
        let work = |number: usize, at: usize, cache: &mut Cache| {
            if clock.is_up() || first.load(Ordering::Relaxed) < number {
                return PointResult::default();
            }
            let image = checkpoints.before(at);
            let result = CutPoint::new(self, prepared, &image, stop, clock, cache).run(at, image);
            if stop != Stop::Never && !result.findings.is_empty() {
                first.fetch_min(number, Ordering::Relaxed);
            }
            if clock.counts_points {
                clock.progress.done.fetch_add(1, Ordering::Relaxed);
            }
            result
        };
        let results: Vec<PointResult> = match cache {
            Some(cache) => {
                (0..).zip(cut_points).map(|(number, at)| work(number, at, cache)).collect()
            }
            None => cut_points
                .into_par_iter()
                .enumerate()
                .map(|(number, at)| work(number, at, &mut Cache::default()))
                .collect(),
        };
        let mut explored = Explored::none_of(planned);
        let last = first.into_inner();
        for (number, (result, place)) in results.into_iter().zip(places).enumerate() {
            explored.counts.coverage.point(place, result.finished && number <= last);
            if number <= last {
                explored.add(result);
            }
        }
        explored
    }
}
